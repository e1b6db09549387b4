"""From a Spec to the text of its files, or to the findings that stand against it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from halfcycle import designer, emit, quantise
from halfcycle.faults import Finding, Refused, any_error, by_severity
from halfcycle.plan import Plan
from halfcycle.spec import Spec


@dataclass(frozen=True, slots=True)
class Generation:
    """A generated regulator, not yet written anywhere."""

    plan: Plan
    texts: Mapping[str, str]
    """File name to text: NAME.h, NAME.c, NAME_vectors.h, NAME_selftest.c."""
    findings: tuple[Finding, ...]


def generate(spec: Spec, file: str = "spec") -> Generation:
    """Design, quantise and print; ``file`` is how messages name the spec.

    Raises Refused where a finding is an error, InputError where a key asks for what cannot be.
    """
    design = designer.design(spec, file, weigh_double=False)
    findings = tuple(design.findings)
    if any_error(findings):
        raise Refused(by_severity(findings))
    made = quantise.quantise(design)
    findings += made.findings
    if any_error(findings):
        raise Refused(by_severity(findings))
    return Generation(made.plan, emit.render(design, made), by_severity(findings))
