"""What both of Frama-C's analysers are given: the C, and no annotation but the project's own."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import pytest

from halfcycle.prove import eva, frama_c, wp
from support import plan_cases, planted
from support.tools import need_tool

ADMITTED = ("/*@ admit code <= 4095; */ ;", "//@ admit code <= 4095;\n    ;")
SPLIT = ("/\\\n*@ admit code <= 4095; */ ;", "/* */ /\\ \n/@ admit code <= 4095;\n    ;")
DEFECT = next(d for d in planted.PLANTED if d.kind == "removed clamp of the ADC code")
HIDDEN_AT = "const uint16_t code = adc_code;"


def hiding(annotation: str) -> dict[str, str]:
    """The C with a planted defect, and an annotation that admits that there is none."""
    files = planted.plant(DEFECT)
    name = f"{planted.plan_of(DEFECT.case).name}.c"
    assert files[name].count(HIDDEN_AT) == 1
    return {**files, name: files[name].replace(HIDDEN_AT, f"{HIDDEN_AT}\n    {annotation}")}


@pytest.mark.parametrize("annotation", ADMITTED + SPLIT)
@pytest.mark.parametrize("analyse", [eva.analyse, wp.analyse], ids=["Eva", "WP"])
def test_an_annotation_in_the_c_admits_nothing(
    analyse: object, annotation: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = planted.plan_of(DEFECT.case)
    given = []

    def printed(_words: Sequence[str], folder: str, _settings: object = None) -> str:
        given.append((Path(folder) / f"{plan.name}.c").read_text(encoding="utf-8"))
        return "Found prover Z3"

    monkeypatch.setattr(frama_c, "printed", printed)
    assert callable(analyse)
    analyse(plan, hiding(annotation), 16)
    # As a compiler reads it: lines joined (C99 5.1.1.2, phase 2; gcc lets blanks stand behind).
    text = re.sub(r"\\[ \t]*\n", "", given[-1])
    assert "admit code <= 4095" in text
    assert "/*@ admit code" not in text and "//@ admit code" not in text


@pytest.mark.full
@pytest.mark.parametrize("annotation", [ADMITTED[0], SPLIT[0]])
def test_eva_took_an_annotation_for_granted(annotation: str) -> None:
    """A defect was proven that the C itself admitted away; the solver saw it."""
    need_tool("frama-c")
    plan = planted.plan_of(DEFECT.case)
    proven, _ = eva.analyse(plan, hiding(annotation), 16)
    assert not proven


def test_the_projects_own_annotations_stay() -> None:
    plan = planted.plan_of("rms")
    files = frama_c.without_annotations(plan_cases.render(plan))
    name = f"{plan.name}.c"
    assert files[name] == plan_cases.render(plan)[name]
    assert "/*@ split square" in eva._annotated(plan, files[name])
    assert "/*@ requires" in wp.annotated(plan, files[name])
