"""The integers that track the sensor's zero, from ``windows.zero_tracking``'s real numbers."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from halfcycle.quantise import formats
from halfcycle.regulator.plan import Plan, Tracking
from halfcycle.windows.zero_tracking import HOLD, RESOLUTION, zero_tracking

if TYPE_CHECKING:
    from halfcycle.design.types import Design

LEAN_BITS = 29
"""The lean stays below 2^29, so that it and what is known of it differ by less than 2^31."""
FINEST_BITS = 14
"""Fraction bits of the zero at most."""
ENOUGH_BITS = 13
"""Lean per code, of a rated RMS, in so many bits at most: finer gains nothing."""


def tracking_plan(design: Design, plan: Plan) -> Plan:
    """``plan``, tracking the zero if the spec asks for it and it helps."""
    wanted = zero_tracking(design.spec, design.window)
    if wanted is None or not wanted.helps:
        return plan
    clamp = zero_clamp(design)
    exact, rated = _lean_per_code(plan, wanted.samples)
    shift = max(0, (wanted.blocks * plan.block_max).bit_length() - LEAN_BITS)
    slope_shift = 0
    if plan.measure == "rms":
        shift = max(shift, math.ceil(math.log2(rated)) - ENOUGH_BITS)
    per_code = rated / 2**shift
    # At most ``rate`` of the error, at rated output.
    places = math.ceil(math.log2(per_code / wanted.rate))
    tops = 2 * per_code
    if plan.measure == "rms":
        tops *= plan.reading_max / plan.target_rated
    room = math.floor(math.log2(formats.INT32.high / tops))
    bits = max(3, min(FINEST_BITS, places, room, 29 - clamp.bit_length()))
    slope = exact / 2**shift
    if plan.measure == "rms":
        room = math.floor(math.log2(formats.INT32.high / (plan.reading_max * slope)))
        slope_shift = min(31, room)
    return replace(
        plan,
        tracking=Tracking(
            blocks=wanted.blocks,
            shift=shift,
            clamp=clamp,
            slope=max(1, round(slope * 2**slope_shift)),
            slope_shift=slope_shift,
            bits=bits,
            step_shift=max(0, places - bits),
            hold=int(HOLD * 2**bits),
        ),
    )


def zero_clamp(design: Design) -> int:
    """How far from ``zero_code`` the zero may be taken to be, codes: the tolerance, rounded up; 0
    if it is not tracked."""
    sensor = design.spec.sensor
    wanted = zero_tracking(design.spec, design.window)
    if wanted is None or not wanted.helps:
        return 0
    top = (1 << sensor.adc_bits) - 1
    room = min(sensor.zero_code, top - sensor.zero_code)
    return min(math.ceil(sensor.zero_tolerance_codes), room)


def resolution_codes(plan: Plan) -> float:
    """What the last places come to at rated output, codes of the zero's error; 0 if it is not
    tracked. The design allows for RESOLUTION."""
    tracking = plan.tracking
    if tracking is None:
        return 0.0
    per_code = float(tracking.slope)
    if plan.measure == "rms":
        per_code *= plan.target_rated / 2**tracking.slope_shift
    # Each block's sums are rounded down, what is known to nearest, and the step to nearest.
    lean = 0.5 + (tracking.blocks if tracking.shift else 0)
    if tracking.step_shift:
        lean += 2.0 ** (tracking.step_shift - 1)
    return lean / per_code


def is_fine_enough(plan: Plan) -> bool:
    """Whether the integers add no more than the design allows for."""
    return resolution_codes(plan) <= RESOLUTION


def _lean_per_code(plan: Plan, samples: int) -> tuple[float, float]:
    """Lean over so many samples per code of the zero's error: per reading count (mean: as it is),
    and at rated output."""
    if plan.measure == "mean":
        return float(samples), float(samples)
    counts = math.sqrt(plan.weighted_samples / 2**plan.reading_shift)
    per_count = 4 * math.sqrt(2) / math.pi * samples / counts
    return per_count, per_count * plan.target_rated
