"""Plans made by hand, one per variant of the generated C, and their C from the bare templates.

They need no designer, so a fault there cannot hide one here; their numbers are plausible, no more.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import Any

import pytest

from halfcycle.generate.emit import Banner, render_plan
from halfcycle.regulator.plan import DRIVE_FULL, Plan


def quarter(bits: int) -> tuple[int, ...]:
    return tuple(
        round(DRIVE_FULL * math.sin(math.pi / 2 * n / (1 << bits))) for n in range((1 << bits) + 1)
    )


def make(**changes: object) -> Plan:
    values: dict[str, object] = {
        "name": "reed_lamp",
        "measure": "mean",
        "word_bits": 32,
        "samples": 25,
        "half_cycles": 2,
        "adc_max": 4095,
        "zero_code": 2048,
        "magnitude_max": 2048,
        "sum_high": False,
        "reading_shift": 1,
        "reading_max": 25600,
        "wide": False,
        "target_max_mv": 253000,
        "rated_mv": 230000,
        "target_gain": 3_331_000,
        "target_shift": 26,
        "target_max": 12558,
        "target_rated": 11416,
        "millivolt_gain": 2_640_800,
        "millivolt_shift": 17,
        "ramp_step": 0,
        "ramp_bits": 0,
        "proportional": 2900,
        "proportional_shift": 3,
        "integral": 11000,
        "integral_shift": 4,
        "drive_bits": 24,
        "scale_max": 19660,
        "band": 57,
        "hold_scale": 4000,
        "hold_reading": 300,
        "table_bits": 6,
        "table": quarter(6),
        "signals": (),
    }
    return Plan(**{**values, **changes})  # type: ignore[arg-type]


RAMPED = {"ramp_step": 900, "ramp_bits": 8}
ODD_WIDE_RMS = {
    "name": "fen_mill",
    "measure": "rms",
    "samples": 600,
    "half_cycles": 3,
    "adc_max": 65535,
    "zero_code": 32768,
    "magnitude_max": 32768,
    "sum_high": True,
    "reading_shift": 9,
    "reading_max": 35472,
    "wide": True,
    "target_gain": 3_000_000,
    "target_shift": 25,
    "target_max": 22620,
    "target_rated": 20563,
    "millivolt_gain": 1_466_000,
    "millivolt_shift": 17,
}
CASES: dict[str, Plan] = {
    "mean": make(),
    "mean ramped": make(**RAMPED),
    "mean integral only": make(proportional=0, proportional_shift=0),
    "mean negative proportional": make(proportional=-1450),
    "mean one sample": make(samples=1, reading_shift=0, reading_max=2048),
    "rms": make(measure="rms", samples=50, reading_shift=3, reading_max=5120, hold_reading=90),
    "rms wide high ramped": make(**ODD_WIDE_RMS, **RAMPED),
}


def mostly_full(quick: Collection[str]) -> list[Any]:
    """All cases as parameters of a test that takes those of ``quick`` in the fast set, too."""
    return [pytest.param(case, marks=() if case in quick else pytest.mark.full) for case in CASES]


def render(plan: Plan) -> dict[str, str]:
    """NAME.h, NAME.c, NAME_vectors.h and NAME_selftest.c with an empty banner, not signed."""
    banner = Banner("0", "0" * 64, "test", (), (), (), (), "any", 0)
    return render_plan(plan, banner)
