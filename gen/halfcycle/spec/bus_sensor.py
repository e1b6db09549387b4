"""What a spec says of a bus that is measured: codes that count as read, lag and ripple."""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

from halfcycle.spec.kinds import brief

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

Clash = tuple[str, str, str]

BEYOND = Fraction(5, 100)
"""Share by which a bus may be beyond its range, tolerances and noise apart, and the drive still
follows it."""
SIGMAS = 4
"""Standard deviations of noise that are allowed for besides."""
LOW_SHARE, HIGH_SHARE = Fraction(1, 2), Fraction(5, 4)
"""Of the lowest and of the highest bus: what reads lower or higher counts as lost."""
LEAST_CODES = 64
"""Codes that half the lowest bus must be above the zero: rounding to codes is then below 0.4 % of
the lowest bus."""
MOST_LAG_DEG = 60
"""At this lag of the reading what is left of a ripple is as much as there was."""


class BusCodes(NamedTuple):
    """Codes above the sensor's zero: from ``read_low`` to ``read_high`` they count as read; above
    ``high`` the drive follows them no more."""

    read_low: int
    high: int
    read_high: int


def codes_of(spec: Spec, volts: Fraction) -> Fraction:
    """What the bus sensor reads of ``volts`` above its zero, its gain being nominal."""
    assert spec.bus_sensor is not None
    return volts / spec.bus_sensor.volts_per_code


def code_range(spec: Spec) -> BusCodes:
    """Which codes are taken; the spec has a bus sensor."""
    sensor, bridge = spec.bus_sensor, spec.bridge
    assert sensor is not None
    gain, noise = sensor.gain_tolerance_percent / 100, SIGMAS * sensor.noise_codes_rms
    least, most = codes_of(spec, bridge.bus_min_v), codes_of(spec, bridge.bus_max_v)
    high = math.ceil(most * (1 + gain) * (1 + BEYOND) + noise)
    end = 2**sensor.adc_bits - 2 - sensor.zero_code
    # The nominal bus over the measured one stays below 2.
    half_of_nominal = math.floor(codes_of(spec, bridge.bus_nominal_v) / 2) + 1
    return BusCodes(
        read_low=max(math.ceil(LOW_SHARE * least), half_of_nominal),
        high=high,
        read_high=max(high, min(end, math.floor(HIGH_SHARE * most))),
    )


def lag_s(spec: Spec) -> Fraction:
    """How old the reading is, on average over a period of it, that stands behind the drive."""
    assert spec.bus_sensor is not None
    return spec.bus_sensor.delay_us / 1_000_000 + spec.bus_period_s / 2


def ripple_left(spec: Spec) -> float:
    """Share of a ripple of the bus at twice the mains frequency that is left of it, 0 and up: the
    reading is held for a period, and late by its delay."""
    assert spec.bus_sensor is not None
    turns = 2 * float(spec.output.frequency_hz)
    hold = math.pi * turns * float(spec.bus_period_s)
    size = math.sin(hold) / hold
    return abs(1 - size * cmath.exp(-2j * math.pi * turns * float(lag_s(spec))))


def clashes_of_bus_sensor(spec: Spec) -> Iterator[Clash]:
    """What keys say against each other."""
    sensor, bridge = spec.bus_sensor, spec.bridge
    if sensor is None:
        return
    codes = code_range(spec)
    top = 2**sensor.adc_bits - 1 - sensor.zero_code
    nominal = codes_of(spec, bridge.bus_nominal_v)
    least = codes_of(spec, bridge.bus_min_v) * (1 - sensor.gain_tolerance_percent / 100)
    least = least * (1 - BEYOND) - SIGMAS * sensor.noise_codes_rms
    if codes.read_low < LEAST_CODES:
        yield (
            "bus_sensor.volts_per_code",
            f"half the lowest bus is {codes.read_low} codes above the zero, too coarse",
            f"{LEAST_CODES} codes and more are needed: lower it, or raise bus_sensor.adc_bits",
        )
    elif codes.high >= top:
        yield (
            "bus_sensor.volts_per_code",
            f"the highest bus with tolerance, noise and {brief(100 * BEYOND)} % beyond it reads "
            f"{codes.high} codes above the zero, and the ADC ends {top} above it",
            "raise it, so that a reading at the ADC's end can be told from a bus",
        )
    elif least <= codes.read_low:
        yield (
            "bridge.bus_min_v",
            f"{brief(bridge.bus_min_v)} V, with tolerance and noise, is half of the nominal bus or "
            "less, and 16 bits hold a factor below 2",
            "raise it, or lower bus_nominal_v",
        )
    elif max(bridge.scale_max, Fraction(1)) * codes.high >= 2 * nominal:
        most = 2 * nominal / codes.high
        yield (
            "bridge.scale_max",
            f"at the highest bus that is followed the scale may reach "
            f"{float(2 * bridge.scale_max / most):.3g}, and 16 bits hold less than 2",
            f"lower it below {float(most):.4g}, or narrow the bus",
        )
    period_us = 1_000_000 * spec.bus_period_s
    if period_us > spec.loop.period_us:
        yield (
            "bus_sensor.period_us",
            f"{brief(period_us)} us is longer than the loop period, "
            f"{brief(spec.loop.period_us)} us",
            "read the bus once in every loop period at least",
        )
    else:
        lag = 720 * spec.output.frequency_hz * lag_s(spec)
        if lag >= MOST_LAG_DEG:
            yield (
                "bus_sensor.delay_us",
                f"half a period of the reading and its delay lag {float(lag):.3g} degrees behind a "
                "ripple at twice the mains frequency, which is then made greater, not less",
                f"stay below {MOST_LAG_DEG} degrees: read the bus sooner or more often",
            )
