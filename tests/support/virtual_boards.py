"""Regulators made ready for runs over virtual boards."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from halfcycle.base.findings import Finding
from halfcycle.generate.pipeline import design_integers
from halfcycle.simulate.cases import cases
from halfcycle.simulate.findings import findings
from halfcycle.simulate.reading_error import reading_errors
from halfcycle.simulate.simulate import Prepared, prepare, simulate
from halfcycle.simulate.tally import Tally
from halfcycle.spec.models import Spec
from support.spec_text import changed_spec

KEEPS_ALL = (
    "scale = NAME_safe(NAME_lesser(present, least), reading, target);",
    "scale = (least < 0) ? least : scale;",
)
"""Text of the C and its change: a firmware that takes nothing back after its sensor failed."""


def prepared_spec(spec: Spec) -> Prepared:
    """The regulator of ``spec``, whose design has no error."""
    integer_design = design_integers(spec)
    assert integer_design.good, [str(entry) for entry in integer_design.findings]
    return prepare(integer_design.design, integer_design.quantised, integer_design.texts())


@cache
def prepared_example(name: str = "peat_cabin") -> Prepared:
    """The regulator of an example."""
    return prepared_spec(changed_spec(name))


def run_cases(
    ready: Prepared, numbers: range, names: Sequence[str] = (), seed: int = 1
) -> tuple[list[Tally], list[Finding]]:
    """Tallies of the named cases (all without names), and the findings on them."""
    known = cases(ready.setting)
    tallies = simulate(ready, list(names) or list(known), numbers, seed)
    errors = reading_errors(ready, tallies, seed)
    return tallies, findings(ready.setting, known, tallies, errors, 0)


def failed_cases(tallies: Sequence[Tally]) -> dict[str, tuple[str, ...]]:
    """Each case in which a board broke a rule, with the reasons of the first one."""
    return {tally.case: tally.failures[0].reasons for tally in tallies if tally.failed}
