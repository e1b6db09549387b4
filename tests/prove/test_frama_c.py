"""What both of Frama-C's analysers are given: the C, and no annotation but the project's own."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pytest

from halfcycle.base.state import State
from halfcycle.prove import eva, frama_c, wp
from halfcycle.regulator.plan import Plan
from support import plan_cases, planted
from support.tools import need_tool

ADMITTED = "/*@ admit code <= 4095; */ ;"
REFUSED = {
    "joined lines": "/\\\n*@ admit code <= 4095; */ ;",
    "joined lines, a blank between": "/* */ /\\ \n/@ admit code <= 4095;\n    ;",
    "lines that are joined once more": "// n \\\\\n\n    code = 0u;",
    "a zero in a joined line": "/\\\0\n*@ admit code <= 4095; */ ;",
    "a comment of one line": "//@ admit code <= 4095;\n    ;",
    "another file": '\n#include "/admitted.h"\n',
    "what the analyser defines": "\n#ifdef __FRAMAC__\n    code = 0u;\n#endif\n",
    "what volatile is": "\n#ifdef volatile\n    code = 0u;\n#endif\n",
}
"""C that an analyser, or a copy that was cleaned by halves, took for another program."""
DEFECT = next(d for d in planted.PLANTED if d.kind == "removed clamp of the ADC code")
HIDDEN_AT = "const uint16_t code = adc_code;"


def hiding(annotation: str) -> dict[str, str]:
    """The C with a planted defect, and an annotation that admits that there is none."""
    files = planted.plant(DEFECT)
    name = f"{planted.plan_of(DEFECT.case).name}.c"
    assert files[name].count(HIDDEN_AT) == 1
    return {**files, name: files[name].replace(HIDDEN_AT, f"{HIDDEN_AT}\n    {annotation}")}


ANALYSERS = pytest.mark.parametrize("analyse", [eva.analyse, wp.analyse], ids=["Eva", "WP"])
Analyse = Callable[[Plan, Mapping[str, str], int], tuple[object, str]]


@ANALYSERS
def test_an_annotation_in_the_c_admits_nothing(
    analyse: Analyse, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = planted.plan_of(DEFECT.case)
    given = []

    def printed(_words: Sequence[str], folder: str, _settings: object = None) -> str:
        given.append((Path(folder) / f"{plan.name}.c").read_text(encoding="utf-8"))
        return "Found prover Z3"

    monkeypatch.setattr(frama_c, "printed", printed)
    analyse(plan, hiding(ADMITTED), 16)
    assert "admit code <= 4095" in given[-1]
    assert "/*@ admit code" not in given[-1] and "//@ admit code" not in given[-1]


@ANALYSERS
@pytest.mark.parametrize("hidden", REFUSED.values(), ids=list(REFUSED))
def test_an_analyser_is_not_asked_of_c_that_is_another_program_to_it(
    analyse: Analyse, hidden: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Eva and WP proved such C; only the solver's reader refused it."""
    plan = planted.plan_of(DEFECT.case)
    monkeypatch.setattr(frama_c, "printed", lambda *_: pytest.fail("an analyser was asked"))
    outcome, why = analyse(plan, hiding(hidden), 16)
    assert outcome in {False, State.FAILED}
    assert re.search(rf"the C is not understood: {plan.name}\.c:\d+: ", why)


@pytest.mark.full
@pytest.mark.parametrize("annotation", [ADMITTED, REFUSED["joined lines"]])
def test_eva_took_an_annotation_for_granted(annotation: str) -> None:
    """A defect was proven that the C itself admitted away; the solver saw it."""
    need_tool("frama-c")
    plan = planted.plan_of(DEFECT.case)
    proven, _ = eva.analyse(plan, hiding(annotation), 16)
    assert not proven


def test_the_projects_own_annotations_stay() -> None:
    plan = planted.plan_of("rms")
    files = frama_c.without_annotations(plan_cases.render(plan), plan.name)
    name = f"{plan.name}.c"
    assert files[name] == plan_cases.render(plan)[name]
    assert "/*@ split square" in eva._annotated(plan, files[name])
    assert "/*@ requires" in wp.annotated(plan, files[name])
