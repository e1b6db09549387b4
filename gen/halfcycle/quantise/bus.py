"""The constants of a measured bus, and how fast its reciprocal converges, whatever it starts from.

With e = 1 - ratio * factor a Newton step leaves e^2, and so the factor at or below the reciprocal;
holding it inside its range, in which the reciprocal is, brings it no farther away. If the product
is 2 or more, where a plain step would go below zero, it goes to the lowest factor. So |e| is below
1 after one step, and is squared with every further one.
"""

from __future__ import annotations

import math
from fractions import Fraction

from halfcycle.design.types import Design
from halfcycle.quantise.bus_wait import answered_after
from halfcycle.quantise.formats import NARROW_MAX, UINT32_MAX, conversion
from halfcycle.regulator import arithmetic
from halfcycle.regulator.bus_plan import (
    BUS_ONE,
    FACTOR_MAX,
    MAX_LED,
    MAX_UNREAD,
    MIN_LED,
    MIN_UNREAD,
    BusPlan,
)
from halfcycle.regulator.plan import SCALE_ONE
from halfcycle.spec.bus_sensor import SIGMAS, code_range, codes_of

LED_SHARE = Fraction(1, 4)
"""Share of the voltage tolerance by which leading the factor moves the output at most, where the
loop takes it over."""
REST = Fraction(1, BUS_ONE)
"""|e| at which a Newton step may come to rest: the product and the step are cut."""
MOST_STEPS = 16


def bus_plan(design: Design) -> BusPlan | None:
    """The constants of the spec's bus sensor; None if it has none."""
    spec, window = design.spec, design.window
    sensor = spec.bus_sensor
    if sensor is None:
        return None
    codes = code_range(spec)
    nominal = codes_of(spec, spec.bridge.bus_nominal_v)
    gain, shift = _ratio(Fraction(BUS_ONE) / nominal, codes.high)
    ratio_low, ratio_high = (
        arithmetic.bus_ratio(end, gain, shift) for end in (codes.read_low, codes.high)
    )
    factor_low = BUS_ONE * BUS_ONE // ratio_high
    factor_high = min(FACTOR_MAX, -(-BUS_ONE * BUS_ONE // ratio_low))
    blocks = window.blocks // window.updates
    per_update = LED_SHARE * spec.targets.voltage_tolerance_percent / 100
    per_update *= design.ki * Fraction(design.least_gain)
    lead = max(1, min(BUS_ONE // 64, math.floor(BUS_ONE * per_update / blocks)))
    # A reading whose noise alone moves it is back; so is one that is no farther than a lead.
    noise = (SIGMAS * sensor.noise_codes_rms + 1) / float(codes_of(spec, spec.bridge.bus_min_v))
    most_sum = window.block_samples * ratio_high
    per_ratio = spec.bridge.scale_max * SCALE_ONE / BUS_ONE / window.block_samples
    limit = conversion(per_ratio, most_sum)
    gains = (float(gain) * design.greatest_gain for gain in (design.kp, design.ki))
    off = answered_after(window.block_weights, window.updates, *gains)
    calls = window.block_samples * float(window.period_s / spec.bus_period_s)
    half_cycle = 1 / (2 * spec.output.frequency_hz * window.period_s * window.block_samples)
    return BusPlan(
        zero_code=sensor.zero_code,
        read_low=codes.read_low + sensor.zero_code,
        read_high=codes.read_high + sensor.zero_code,
        high_code=codes.high + sensor.zero_code,
        ratio_gain=gain,
        ratio_shift=shift,
        ratio_low=ratio_low,
        ratio_high=ratio_high,
        factor_low=factor_low,
        factor_high=factor_high,
        lead=lead,
        join=max(lead, math.ceil(factor_high * noise) + 2),
        mean_shift=math.ceil(math.log2(max(1.0, float(half_cycle)))),
        limit_gain=limit[0],
        limit_shift=limit[1],
        scale_top=min(NARROW_MAX, arithmetic.scale_by(most_sum, *limit)),
        led=min(max(round(off * calls), MIN_LED), MAX_LED),
        unread=min(max(1 + math.ceil(off), MIN_UNREAD), MAX_UNREAD),
        period_us=float(spec.bus_period_s * 1_000_000),
    )


def _ratio(per_code: Fraction, most: int) -> tuple[int, int]:
    """Gain and right shift of 2^15 times the bus over nominal, ``per_code``; codes up to ``most``.
    The finest gain of 16 bits."""
    for shift in range(31, -1, -1):
        gain = round(per_code * 2**shift)
        if gain <= FACTOR_MAX and most * gain + arithmetic.half(shift) <= UINT32_MAX:
            return gain, shift
    raise ValueError(f"no ratio of {float(per_code)} a code")


def step_on_return(bus: BusPlan) -> float:
    """Share by which the drive moves at most between two blocks if a reading is back: from where
    the factor is led to, it joins at once what is read, at the highest bus that is followed."""
    return (bus.join + bus.lead) / bus.factor_low


def worst_start(bus: BusPlan) -> float:
    """Greatest |e| after the first step, from any factor and for any ratio inside their ranges."""
    # From a product above 2 the step goes to the lowest factor, else it leaves e^2, or less.
    return 1 - bus.factor_low * bus.ratio_low / BUS_ONE**2 + float(REST)


def readings_to(bus: BusPlan, share: float) -> int:
    """Readings after which the factor is off by no more than ``share`` and what a Newton step comes
    to rest at, from any start and for any bus that is read."""
    error, steps = worst_start(bus), 1
    while error > share + float(REST) and steps < MOST_STEPS:
        error, steps = error * error + float(REST), steps + 1
    return steps
