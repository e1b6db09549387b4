"""What one count of a window's reading is worth, and how fine the output can be steered.

Real numbers only; the quantiser turns them into the Plan's integers.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from halfcycle.base import precise
from halfcycle.design.types import Design
from halfcycle.regulator.plan import DRIVE_FULL, SCALE_ONE, Plan
from halfcycle.spec.models import Spec
from halfcycle.windows.search import Window


def counts_per_volt(spec: Spec, window: Window, centre: Fraction, shift: int) -> Fraction:
    """Reading counts per output volt RMS of a sine, after the reading's right shift (rms: the
    shift is under the root). Within a few ``precise.ERROR`` of the true value, on every machine.

    A sample counts as often as its block weighs, so the window's gain is that of the weights' sum.
    ``centre`` is the middle of the sampled mean's range over its true value (1 for "rms"): the
    fixed bias of sampling is halved by calibrating to the middle.
    """
    shifted = Fraction(window.block_samples * sum(window.block_weights), 1 << shift)
    if spec.loop.measure == "rms":
        return precise.root(shifted) / spec.sensor.volts_per_code
    return shifted / spec.sensor.volts_per_code * centre / precise.form_factor()


def reading_centre(design: Design) -> Fraction:
    """Middle of the sampled mean's range over its true value; 1 for "rms".

    A whole flat window's N points a half cycle read from x/tan x to x/sin x with x = pi/2N, and the
    middle of these is x/2 over tan(x/2). Of any other window bounds are known, to a millionth at
    best; seven decimals of theirs are taken.
    """
    spec, window = design.spec, design.window
    if spec.loop.measure == "rms":
        return Fraction(1)
    exact = window.whole and not window.shaped
    if exact and not spec.output.frequency_tolerance_hz:
        quarter = Fraction(1, 4 * window.distinct_points)
        return precise.pi() * quarter * precise.cotangent(quarter / 2)
    return Fraction(round(10**7 * Fraction(design.reading_centre)), 10**7)


def duty_points(window: Window) -> int:
    """Distinct phases of the sine where one drive value is asked for in a loop period."""
    return (window.frequency_hz * window.period_s).denominator


def duty_step(window: Window, pwm_counts: int) -> Fraction:
    """Greatest step of the sine's amplitude that one duty count makes, in scale units.

    With N phases a turn up to four share |sin| and flip together, two where 4 does not divide N;
    each flip moves the fundamental's amplitude by at most 2/N of a count. Other phases may flip
    at nearly the same scale by chance: ``limit_cycle`` runs the loop with all of them.
    Calling the drive more often than once a loop period makes it finer.
    """
    points = duty_points(window)
    together = 4 if points % 4 == 0 else 2
    return Fraction(2 * together, points * pwm_counts)


def duty_amplitude(
    scale: NDArray[np.float64], window: Window, pwm_counts: int
) -> NDArray[np.float64]:
    """Fundamental amplitude (any shape) of the sine driven at ``scale``, clipping left out, with
    each duty rounded to whole counts. Where a count matters less than a step of the scale, the
    scale itself."""
    if duty_step(window, pwm_counts) < Fraction(1, SCALE_ONE):
        return scale
    points = duty_points(window)
    sine = np.sin(2 * math.pi / points * np.arange(points))
    duties = np.rint(pwm_counts * scale[..., None] * sine)
    return np.asarray(duties @ sine * (2 / points / pwm_counts), dtype=np.float64)


def output_step_v(spec: Spec, window: Window, greatest_gain: float) -> float:
    """Greatest step of the output, volts RMS: the coarser of the scale's and the duty's.

    ``greatest_gain``: per unit of rated voltage per unit of scale, at the corner where it is most.
    """
    step = max(Fraction(1, SCALE_ONE), duty_step(window, spec.bridge.pwm_counts))
    return float(step) * greatest_gain * float(spec.output.rated_rms_v)


def least_shift(spec: Spec, window: Window, centre: Fraction, output_step_v: float) -> int:
    """Least shift at which one reading count is coarser than the output's greatest step.

    The condition against limit cycles (Peterchev & Sanders, IEEE T-PEL 18(1), 2003): the control
    must be able to find a level inside the reading's zero-error bin.
    """
    shift = 0
    while 1 / counts_per_volt(spec, window, centre, shift) <= output_step_v:
        shift += 1
    return shift


def table_bits(pwm_counts: int) -> int:
    """Least size of the sine table whose error stays within a quarter of a duty count (8 at most).

    A duty count is 1 / pwm_counts of the bus.
    """
    for bits in range(3, 8):
        if table_error(bits) <= 0.25 / pwm_counts:
            return bits
    return 8


def drive_table(bits: int, crest: int = DRIVE_FULL) -> tuple[int, ...]:
    """Quarter sine in 2^bits parts, ``crest`` at the crest, and the last point once more."""
    parts = 4 << bits
    points = [
        precise.nearest(crest * precise.sine(Fraction(part, parts)))
        for part in range((1 << bits) + 1)
    ]
    return (*points, points[-1])


def duty_error(plan: Plan) -> float:
    """Bound on the error of ``*_duty`` to the clipped sine of its scale, counts either way.

    At the drive limit: the chord of the table (Taylor remainder) and half a last place each of its
    points and of what is between them. Then half a count: the upper half of the product is cut
    before it is rounded, which is the same as rounding all of it (nested floors). The limit is a
    whole count, so clipping adds nothing.
    """
    step = math.pi / 2 / (1 << plan.table_bits)
    sine = plan.pwm_counts * step * step / 8 + 2.0**-plan.duty_bits
    return 0.5 + plan.scale_max / SCALE_ONE * sine


def table_error(bits: int) -> float:
    """Bound on the interpolated table's error, as a fraction of the crest.

    Chord of a sine over h: at most h^2/8 (Taylor remainder); the points and the interpolation
    each add half a last place of 1/32767.
    """
    step = math.pi / 2 / (1 << bits)
    return step * step / 8 + 1.0 / 32767
