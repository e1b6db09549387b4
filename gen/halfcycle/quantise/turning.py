"""The oscillator's constants: how far the phase turns in each PWM period, and how exact that is.

A turn is 2^32 steps. At f the phase goes on by f * T * 2^32 of them in each period T, rounded; from
the lowest whole millihertz of the band upwards by a multiplication and a shift.
"""

from __future__ import annotations

import math
from fractions import Fraction

from halfcycle.regulator.plan import Turning
from halfcycle.spec.models import Spec

TURN_STEPS = 1 << 32
_GAIN_BITS = 24
_PRODUCT_BITS = 40
"""What ``arithmetic.scale_by`` takes: gain and product below these powers of two."""
_SHIFTS = range(39, 7, -1)


def _nearest(value: Fraction) -> int:
    return math.floor(value + Fraction(1, 2))


def turning(spec: Spec) -> Turning | None:
    """The constants of the spec's oscillator; None if it has no PWM period."""
    if spec.bridge.pwm_period_us is None:
        return None
    frequency, tolerance = spec.output.frequency_hz, spec.output.frequency_tolerance_hz
    lowest, highest = frequency - tolerance, frequency + tolerance
    low_mhz, high_mhz = math.floor(1000 * lowest), math.ceil(1000 * highest)
    per_mhz = steps_per_period(spec, Fraction(1, 1000))
    most = high_mhz - low_mhz
    shift = next(
        shift
        for shift in _SHIFTS
        if _nearest(per_mhz * 2**shift) < 1 << _GAIN_BITS
        and most * _nearest(per_mhz * 2**shift) < 1 << _PRODUCT_BITS
    )
    return Turning(
        low_mhz=low_mhz,
        high_mhz=high_mhz,
        rated_step=_nearest(steps_per_period(spec, frequency)),
        low_step=_nearest(steps_per_period(spec, lowest)),
        high_step=_nearest(steps_per_period(spec, highest)),
        base_step=_nearest(per_mhz * low_mhz),
        gain=_nearest(per_mhz * 2**shift),
        shift=shift,
    )


def steps_per_period(spec: Spec, frequency_hz: Fraction) -> Fraction:
    """Exact steps of a PWM period at a frequency."""
    assert spec.bridge.pwm_period_us is not None
    return frequency_hz * spec.bridge.pwm_period_us / 1_000_000 * TURN_STEPS


def error_ppm(spec: Spec, turning: Turning) -> Fraction:
    """Bound on the error of the frequency over its band, parts per million; that of the clock, from
    which the PWM period comes, is not in it.

    A step is off by half of one if it is rounded from the frequency itself. Between the ends of the
    band there are two such roundings, the error of the gain times the distance from the lower end,
    and what ``arithmetic.scale_by`` drops.
    """
    lowest = spec.output.frequency_hz - spec.output.frequency_tolerance_hz
    steps = Fraction(1, 2)
    if turning.adjustable:
        gain_off = abs(
            Fraction(turning.gain, 2**turning.shift) - steps_per_period(spec, Fraction(1, 1000))
        )
        steps = (
            1 + (turning.high_mhz - turning.low_mhz) * gain_off + Fraction(256, 2**turning.shift)
        )
    return 1_000_000 * steps / steps_per_period(spec, lowest)
