"""Constants that no call of the C uses, so that neither its bits nor its proof show them."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from halfcycle.check import header_constants
from halfcycle.regulator.constants import constants
from halfcycle.verify import compiler
from support import measured, plan_cases, planted

MEAN = planted.plan_of("mean")
HEADER = plan_cases.render(MEAN)["reed_lamp.h"]
PLANS = {
    "mean": MEAN,
    "bus": measured.PLANS["mean"],
    **{case: planted.plan_of(case) for case in ("moving flat", "normalised")},
}
CHANGES = (
    ("RATED_MV INT32_C(230000)", "RATED_MV INT32_C(253000)"),
    ("SCALE_ONE INT16_C(16384)", "SCALE_ONE INT16_C(18022)"),
    ("PWM_COUNTS INT16_C(1500)", "PWM_COUNTS INT16_C(1000)"),
    ("TARGET_MAX_MV INT32_C(253000)", "TARGET_MAX_MV INT32_C(0x3DC49)"),
    ("FLAG_OVER 0x", "FLAG_OVER 0x1"),
    ("INTERFACE_VERSION 1", "INTERFACE_VERSION 2"),
)


@pytest.mark.parametrize("case", PLANS)
def test_every_constant_of_the_header_is_known_and_the_plans(case: str) -> None:
    plan = PLANS[case]
    header = plan_cases.render(plan)[f"{plan.name}.h"]
    assert header_constants.faults(plan, header) == []
    upper = plan.name.upper()
    defined = re.findall(rf"^#define {upper}_(\w+) \S", header, re.MULTILINE)
    assert [name for name in defined if name != "REVISION"] == list(constants(plan))


def test_another_plans_constants_are_not_this_ones() -> None:
    other = replace(MEAN, rated_mv=MEAN.rated_mv + 1)
    assert header_constants.faults(other, HEADER) == [
        "REED_LAMP_RATED_MV is INT32_C(230000), not 230001"
    ]


@pytest.mark.parametrize(("old", "new"), CHANGES)
def test_a_constant_that_no_call_uses_was_taken_as_it_was(old: str, new: str) -> None:
    """Firmware would have set 253 V, or twice the duty, and every check passed."""
    assert HEADER.count(old) == 1
    changed = HEADER.replace(old, new)
    (fault,) = header_constants.faults(MEAN, changed)
    name = f"REED_LAMP_{old.split(maxsplit=1)[0]}"
    assert fault.startswith(f"{name} is ")
    files = {**plan_cases.render(MEAN), "reed_lamp.h": changed}
    with pytest.raises(compiler.CompileError, match=f"reed_lamp.h has another {name} than "):
        compiler.build_program(files, ["reed_lamp.c", "reed_lamp_selftest.c"])


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("#define REED_LAMP_RATED_MV INT32_C(230000)\n", "", "REED_LAMP_RATED_MV is missing"),
        (
            "#define REED_LAMP_RATED_MV INT32_C(230000)\n",
            "#define REED_LAMP_RATED_MV INT32_C(230000)\n#define REED_LAMP_RATED_MV 1\n",
            "REED_LAMP_RATED_MV is defined 2 times",
        ),
        ("INT32_C(230000)", "(115 * 2000)", "REED_LAMP_RATED_MV is (115 * 2000), which is not"),
        (
            "#define REED_LAMP_RATED_MV",
            "#define REED_LAMP_W 1\n#define REED_LAMP_RATED_MV",
            "_W is",
        ),
    ],
)
def test_what_is_no_constant_of_this_header_is_named(old: str, new: str, words: str) -> None:
    assert HEADER.count(old) == 1
    (fault,) = header_constants.faults(MEAN, HEADER.replace(old, new))
    assert words in fault
