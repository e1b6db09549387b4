"""Defects to plant in the generated C: what a proof must see, each kind at least once.

Each is one change of text in the C of a hand-made Plan (``plan_cases``). The widths of ``int`` on
which it is a defect follow from C99 by hand: 6.3.1.1 (promotion), 6.5.7 (shifts), 6.3.1.3
(conversions).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from halfcycle.quantise.signals import signal_table
from halfcycle.regulator.plan import Plan
from support import plan_cases

BOTH = (16, 32)
ABOVE = "(wide > UINT32_C(0x7FFFFFFF))"


@dataclass(frozen=True, slots=True)
class Planted:
    """``old`` becomes ``new`` in the C (or the header); ``call`` is then wrong."""

    kind: str
    call: str
    old: str
    new: str
    case: str = "mean"
    header: bool = False
    int_bits: tuple[int, ...] = BOTH
    local_only: bool = False
    """It leaves the declared range of a local, not of the state, and overflows nothing."""


def plan_of(case: str, most_samples: int = 65535) -> Plan:
    """A hand-made Plan with its signal table; its window cut to ``most_samples``."""
    plan = plan_cases.CASES[case]
    plan = replace(plan, samples=min(plan.samples, most_samples))
    return replace(plan, signals=signal_table(plan, 0.01, 0.22))


def plant(defect: Planted) -> dict[str, str]:
    """The generated files with the defect. AssertionError where the text to change is gone."""
    plan = plan_of(defect.case)
    files = plan_cases.render(plan)
    name = f"{plan.name}.h" if defect.header else f"{plan.name}.c"
    assert files[name].count(defect.old) == 1, f"{defect.kind}: {files[name].count(defect.old)}"
    return {**files, name: files[name].replace(defect.old, defect.new)}


RATIO = "return (int32_t)reed_lamp_scale_by((uint32_t)reading, UINT32_C(2640800)"
PLANTED = (
    Planted(
        "narrowed accumulator",
        "sample",
        "uint32_t above; /*",
        "uint16_t above; /*",
        case="rms",
        header=True,
    ),
    Planted(
        "narrowed local",
        "update",
        "uint32_t sum = above",
        "uint16_t sum = above",
        case="rms",
    ),
    Planted(
        "narrowed integrator", "update", "int32_t integral; /*", "int16_t integral; /*", header=True
    ),
    Planted(
        "narrowed product, cast after it is taken",
        "update",
        "INT32_C(2900) * error",
        "(int16_t)(INT32_C(2900) * error)",
    ),
    Planted(
        "product in int: 16-bit int only",
        "update",
        "INT32_C(2900) * error",
        "(int32_t)(2900 * error)",
        int_bits=(16,),
    ),
    Planted(
        "square in unsigned int",
        "sample",
        "s->above += (uint32_t)magnitude * magnitude",
        "s->above += (uint32_t)(magnitude * magnitude)",
        case="rms",
        int_bits=(16,),
    ),
    Planted(
        "shift in int: 16-bit int only",
        "drive",
        "(wide >> 16)",
        "((wide >> 16) & (uint32_t)((1 << 16) - 1))",
        int_bits=(16,),
    ),
    Planted(
        "side of the zero narrowed as it is read",
        "update",
        "lean = (int32_t)above;",
        "lean = (int16_t)above;",
    ),
    Planted("shift as wide as the word", "update", "round_shift(sum, 1u)", "round_shift(sum, 32u)"),
    Planted("shift too small", "update", "round_shift(sum, 1u)", "round_shift(sum, 0u)"),
    Planted(
        "shift of a negative value",
        "update",
        "-(int32_t)reed_lamp_round_shift((uint32_t)-value, shift)",
        "value >> shift",
    ),
    Planted(
        "removed clamp of the ADC code",
        "sample",
        "(adc_code > 4095u) ? 4095u : adc_code",
        "adc_code",
    ),
    Planted(
        "removed clamp of the target", "set_target_mv", "rms_mv > REED_LAMP_TARGET_MAX_MV", "0"
    ),
    Planted(
        "removed clamp of the integrator",
        "update",
        "if (after > top) {\n        after = top;\n    } else ",
        "",
        case="mean integral only",  # with a proportional part the anti-windup has clamped already
    ),
    Planted(
        "removed clamp of the drive",
        "update",
        "if (drive > top) {\n        drive = top;\n    } else ",
        "",
    ),
    Planted("removed clamp of the level", "drive", f"{ABOVE} ? 32767u : ", ""),
    Planted("raised clamp", "drive", f"{ABOVE} ? 32767u", f"{ABOVE} ? 32768u"),
    Planted("no point after the crest", "drive", "32757u, 32767u, 32767u", "32757u, 32767u, 0u"),
    Planted("removed clamp of the duty", "duty", "(rounded > 1500u) ? 1500u : ", ""),
    Planted("raised clamp of the duty", "duty", "(rounded > 1500u)", "(rounded > 1501u)"),
    Planted(
        "wrong slot",
        "update",
        "s->scale[sequence & 1u] = scale;",
        "s->scale[sequence & 3u] = scale;",
    ),
    Planted("wrong end of the window", "sample", "1u) < REED", "1u) <= REED"),
    Planted(
        "sign lost",
        "update",
        "-(int32_t)reed_lamp_round",
        "(int32_t)reed_lamp_round",
        local_only=True,
    ),
    Planted("field that reset forgets", "reset", "    s->count = 0u;\n    s->int", "    s->int"),
    Planted(
        "local that is not always set", "set_target_mv", "        millivolts = 0u;\n", "        ;\n"
    ),
    Planted(
        "mask removed", "sample", "(s->window_sequence + 1u) & 255u", "s->window_sequence + 1u"
    ),
    Planted("constant too great", "rms_mv", RATIO, RATIO.replace("2640800", "264080000")),
)
BY_KIND = {defect.kind: defect for defect in PLANTED}
IN_CI = (
    *("narrowed integrator", "narrowed local", "product in int: 16-bit int only", "wrong slot"),
    *("shift too small", "sign lost", "removed clamp of the ADC code", "raised clamp"),
    *("mask removed", "field that reset forgets", "constant too great"),
    *("removed clamp of the target", "raised clamp of the duty"),
)
"""Kinds that CI has the solver's proofs see: of each call and each sort of change one."""
