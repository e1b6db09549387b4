"""The normalised law's functions, each proven equal to the model's; planted defects are not.

The defects are the oracle: each changes what the function computes for some arguments, by hand.
"""

from __future__ import annotations

import pytest

from halfcycle.prove.c_source import Source, parse
from halfcycle.prove.equality import prove_equal
from halfcycle.prove.pure_proof import is_proven, pure_of
from support import plan_cases, planted

FUNCTIONS = ("inverse_digit", "share", "regulate")
DEFECTS = (
    ("inverse_digit", "(multiple <= (", "(multiple < ("),
    ("share", "if (error < 0) {", "if (error < 1) {\n        error = -1;"),
    ("share", "? -INT32_C(16384)", "? -INT32_C(16383)"),
    ("share", "? INT32_C(32768) : (int32_t)size", "? INT32_C(32767) : (int32_t)size"),
    ("regulate", "(present > lowest) ? present : lowest", "present"),
    ("regulate", "if (fall < present) {", "if (fall <= lowest) {"),
    ("regulate", "drive = present + ", "drive = lowest + "),
    ("regulate", "if (after > top) {", "if (after >= INT32_MAX) {"),
    ("regulate", "& 32767u) * part) >> 15", "& 32767u) * part) >> 14"),
)
"""Function, text of the C and what it becomes."""


def source_of(case: str, old: str = "", new: str = "") -> Source:
    plan = planted.plan_of(case)
    files = plan_cases.render(plan)
    name = f"{plan.name}.c"
    if old:
        assert files[name].count(old) == 1, old
        files = {**files, name: files[name].replace(old, new)}
    return parse(files, name, 16)


@pytest.mark.parametrize(
    "case",
    [
        pytest.param(case, marks=[pytest.mark.full] * (case != "normalised"))
        for case in plan_cases.NORMALISED
    ],
)
def test_the_laws_functions_are_proven_by_themselves(case: str) -> None:
    plan, source = planted.plan_of(case), source_of(case)
    pures = pure_of(plan)
    for name in FUNCTIONS:
        assert is_proven(source, f"{plan.name}_{name}", pures[name]), name


@pytest.mark.parametrize(("function", "old", "new"), DEFECTS, ids=lambda text: text[:24])
def test_a_defect_of_one_is_not_proven(function: str, old: str, new: str) -> None:
    plan = planted.plan_of("normalised")
    source = source_of("normalised", old, new)
    assert not is_proven(source, f"{plan.name}_{function}", pure_of(plan)[function])


@pytest.mark.full
def test_setting_a_target_is_equal_with_its_inverse() -> None:
    plan = planted.plan_of("normalised")
    assert prove_equal(plan, source_of("normalised"), call="set_target_mv").equal
    swapped = source_of(
        "normalised", "s->inverse[sequence & 1u] = ", "s->inverse[(sequence + 1u) & 1u] = "
    )
    assert not prove_equal(plan, swapped, call="set_target_mv").equal
