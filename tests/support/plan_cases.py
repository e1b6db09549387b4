"""Plans made by hand, one per variant of the generated C, and their C from the bare templates.

They need no designer, so a fault there cannot hide one here; their numbers are plausible, no more.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from halfcycle.generate.emit import Banner, render_plan
from halfcycle.quantise import formats
from halfcycle.quantise.law_format import with_law
from halfcycle.regulator import arithmetic
from halfcycle.regulator.plan import DRIVE_FULL, SCALE_ONE, Plan, Tracking, Turning


def quarter(bits: int, crest: int = DRIVE_FULL) -> tuple[int, ...]:
    parts = 1 << bits
    return tuple(
        round(crest * math.sin(math.pi / 2 * min(n, parts) / parts)) for n in range(parts + 2)
    )


def make(**changes: object) -> Plan:
    values: dict[str, object] = {
        "name": "reed_lamp",
        "measure": "mean",
        "word_bits": 32,
        "samples": 25,
        "half_cycles": 2,
        "block_weights": (1,),
        "update_blocks": 1,
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
        "span_blocks": 1,
        "table_bits": 6,
        "table": quarter(6),
        "pwm_counts": 1500,
        "duty_table": quarter(6, 48000),
        "signals": (),
    }
    values |= changes
    return with_enough(Plan(**{"enough_gain": 0, "enough_shift": 8, **values}))  # type: ignore[arg-type]


def with_enough(plan: Plan) -> Plan:
    """The Plan of a weakest board that needs a scale of 0.9 at rated."""
    per_count = Fraction(9 * SCALE_ONE, 10 * plan.target_rated)
    gain, shift = formats.conversion(per_count, plan.target_max)
    return replace(plan, enough_gain=gain, enough_shift=shift)


TURNING = Turning(
    low_mhz=49_500,
    high_mhz=50_500,
    rated_step=10_737_418,
    low_step=10_630_044,
    high_step=10_844_792,
    base_step=10_630_044,
    gain=14_073_749,
    shift=16,
)
"""49.5 to 50.5 Hz in PWM periods of 50 us."""
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


def of_blocks(name: str, weights: tuple[int, ...], shift: int, **changes: object) -> Plan:
    """A window of blocks that weigh so, in reading units of its own that follow from ``shift``."""
    base = make(**{"reading_shift": shift, **changes, "name": name, "block_weights": weights})
    root = base.measure == "rms"
    unit = base.weighted_samples / 2**shift
    volts = 0.22 * 2048 / base.magnitude_max
    counts = (math.sqrt(unit) if root else unit / 1.1107) / volts / 1000
    gain_shift = next(n for n in range(39, 7, -1) if counts * 2**n < 2**22)
    gain = round(counts * 2**gain_shift)
    back_shift = next(n for n in range(39, 7, -1) if 2**n / counts < 2**21)
    target_max = arithmetic.scale_by(base.target_max_mv, gain, gain_shift)
    total = base.total_max
    greatest = arithmetic.root(total >> shift) if root else arithmetic.round_shift(total, shift)
    own = replace(
        base,
        sum_high=total >= 1 << 32,
        wide=greatest >= 1 << 15,
        reading_max=greatest,
        target_gain=gain,
        target_shift=gain_shift,
        target_max=target_max,
        target_rated=arithmetic.scale_by(base.rated_mv, gain, gain_shift),
        millivolt_gain=round(2**back_shift / counts),
        millivolt_shift=back_shift,
        band=max(2, target_max // 220),
        hold_reading=max(2, target_max // 40),
        span_blocks=base.blocks - base.blocks // 3 // base.update_blocks * base.update_blocks,
        integral=250_000_000 // target_max // base.updates,
        proportional=50_000_000 // target_max,
    )
    return with_enough(own)


SIXTEEN_BITS = {"adc_max": 65535, "zero_code": 32768, "magnitude_max": 32768}
NINE = (21, 27, 31, 31, 27, 31, 31, 27, 21)
BLOCKS = {
    "moving flat": of_blocks("pier_winch", (1,) * 5, 1),
    "moving each sample": of_blocks("mast_relay", (1,) * 25, 1),
    "shaped once": of_blocks("sluice_bell", (1, 2, 3, 2, 1), 2, update_blocks=5, **RAMPED),
    "moving two updates": replace(
        of_blocks("dune_siren", (1,) * 4, 1, samples=24, update_blocks=2), proportional=-2000
    ),
    "moving shaped rms ramped": of_blocks("kelp_drum", NINE, 8, measure="rms", samples=9, **RAMPED),
    # The weighted sum beyond 32 bits, then the sum of a block, then a mean with a shift above 16.
    "moving wide": of_blocks("cove_hoist", NINE, 8, measure="rms", samples=18, **SIXTEEN_BITS),
    "moving high": of_blocks(
        "fell_gantry", (3, 4, 5, 5, 4, 3), 11, measure="rms", samples=120, **SIXTEEN_BITS
    ),
    "moving high flat": of_blocks(
        "holm_davit", (1,) * 6, 9, measure="rms", samples=120, **SIXTEEN_BITS
    ),
    "shaped wide once": of_blocks(
        "heath_lift", (12000, 16000, 15000, 12000), 17, samples=20, update_blocks=4, **SIXTEEN_BITS
    ),
}


def tracked(base: Plan, blocks: int, clamp: int = 4) -> Plan:
    """A Plan that tracks the sensor's zero over so many blocks, an eighth of the way at rated."""
    samples = blocks * base.block_samples
    shift = max(0, (blocks * base.block_max).bit_length() - 29)
    slope, slope_shift = samples, 0
    per_code = float(samples)
    if base.measure == "rms":
        counts = math.sqrt(base.weighted_samples / 2**base.reading_shift)
        exact = 4 * math.sqrt(2) / math.pi * samples / counts
        shift = max(shift, math.ceil(math.log2(exact * base.target_rated)) - 13, 0)
        exact /= 2**shift
        slope_shift = math.floor(math.log2(2**30 / (base.reading_max * exact)))
        slope = round(exact * 2**slope_shift)
        per_code = exact * base.target_rated
    places = round(math.log2(per_code)) + 3
    bits = min(12, places)
    tracking = Tracking(
        blocks, shift, clamp, slope, slope_shift, bits, places - bits, 3 << (bits - 2)
    )
    magnitude = max(base.zero_code, base.adc_max - base.zero_code) + clamp
    wider = replace(base, magnitude_max=magnitude, tracking=tracking)
    total = wider.total_max
    rounded = arithmetic.round_shift(total, base.reading_shift)
    root = arithmetic.root(total >> base.reading_shift)
    return replace(
        wider,
        sum_high=total >= 1 << 32,
        reading_max=root if base.measure == "rms" else rounded,
    )


TRACKED = {
    "mean tracked": replace(tracked(make(half_cycles=3), 2), name="weir_chime"),
    # Even half cycles: a step at every window.
    "mean tracked each": replace(tracked(make(), 1), name="brook_clapper"),
    "moving tracked": tracked(of_blocks("quarry_bell", (1,) * 5, 1), 10),
    "moving shaped rms tracked": tracked(
        of_blocks("loft_organ", NINE, 8, measure="rms", samples=9), 50
    ),
    "moving high tracked": tracked(
        of_blocks(
            "mole_beacon", (3, 4, 5, 5, 4, 3), 11, measure="rms", samples=120, **SIXTEEN_BITS
        ),
        6,
        clamp=40,
    ),
}
"""Plans that track the sensor's zero."""
LATCHED = {
    "mean latched": make(name="slip_bollard", latched=True, **RAMPED),
    "moving latched": of_blocks("spit_lantern", (1,) * 5, 1, latched=True),
}
"""Plans whose drive a failed sensor takes away until reset."""


def normalised(base: Plan, kp: Fraction, ki: Fraction) -> Plan:
    """A Plan of the normalised law, whose strongest board rests at half the scale."""
    made = with_law(base, kp, ki, Fraction(1, 3), Fraction(base.target_rated))
    assert made is not None
    return made


NORMALISED = {
    "normalised": normalised(make(name="tarn_beacon"), Fraction(0), Fraction(3, 4)),
    "normalised proportional": normalised(
        make(name="gorse_bell", word_bits=16), Fraction(1, 8), Fraction(2, 3)
    ),
    "normalised wide ramped": normalised(
        make(**{**ODD_WIDE_RMS, **RAMPED, "name": "shale_hoist"}), Fraction(-1, 16), Fraction(1, 3)
    ),
}
"""Plans of the normalised law: without a proportional term, with one of either sign."""
CASES: dict[str, Plan] = {
    "mean": make(),
    "mean ramped": make(**RAMPED),
    "mean integral only": make(proportional=0, proportional_shift=0, turning=TURNING),
    "mean negative proportional": make(proportional=-1450),
    "mean one sample": make(samples=1, reading_shift=0, reading_max=2048),
    "rms": make(measure="rms", samples=50, reading_shift=3, reading_max=5120, hold_reading=90),
    "rms wide high ramped": make(**ODD_WIDE_RMS, **RAMPED),
    **BLOCKS,
    **TRACKED,
    **LATCHED,
    **NORMALISED,
}


IN_CI = (
    *("mean integral only", "mean latched", "normalised wide ramped", "shaped wide once"),
    *("moving two updates", "moving high tracked"),
)
"""Cases that together have all but a few lines of the C of all cases: what CI tries of a check that
takes seconds each (``tests/generate/test_ci_cases.py`` holds them to it)."""


def in_sets(quick: Collection[str], full: Collection[str] = IN_CI) -> list[Any]:
    """All cases as parameters of a test that takes those of ``quick`` in the fast set, those of
    ``full`` in the full one, and the rest only if it is asked to."""
    marks = {**dict.fromkeys(full, pytest.mark.full), **dict.fromkeys(quick, ())}
    assert set(marks) <= set(CASES), set(marks) - set(CASES)
    return [pytest.param(case, marks=marks.get(case, pytest.mark.long)) for case in CASES]


def render(plan: Plan) -> dict[str, str]:
    """NAME.h, NAME.c, NAME_vectors.h and NAME_selftest.c with an empty banner, not signed."""
    banner = Banner("0", "0" * 64, "test", (), (), (), (), "any", 0)
    return render_plan(plan, banner)
