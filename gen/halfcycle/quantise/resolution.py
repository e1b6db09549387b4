"""What one count of a window's reading is worth, and how fine the output can be steered.

Real numbers only; the quantiser turns them into the Plan's integers.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from halfcycle.base.clipped_sine import FORM_FACTOR
from halfcycle.regulator.plan import SCALE_ONE
from halfcycle.spec.models import Spec
from halfcycle.windows.search import Window


def counts_per_volt(spec: Spec, window: Window, centre: float) -> float:
    """Reading counts per output volt RMS of a sine, before any shift.

    ``centre`` is the middle of the sampled mean's range over its true value (1 for "rms"): the
    fixed bias of sampling is halved by calibrating to the middle.
    """
    per_code = 1 / float(spec.sensor.volts_per_code)
    if spec.loop.measure == "rms":
        return per_code * math.sqrt(window.samples)
    return per_code * window.samples * centre / FORM_FACTOR


def shifted(spec: Spec, counts: float, shift: int) -> float:
    """Counts per volt after the reading's right shift (rms: the shift is under the root)."""
    return counts * 2.0 ** (-shift / 2 if spec.loop.measure == "rms" else -shift)


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


def least_shift(spec: Spec, counts: float, output_step_v: float) -> int:
    """Least shift at which one reading count is coarser than the output's greatest step.

    The condition against limit cycles (Peterchev & Sanders, IEEE T-PEL 18(1), 2003): the control
    must be able to find a level inside the reading's zero-error bin.
    """
    shift = 0
    while 1 / shifted(spec, counts, shift) <= output_step_v:
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


def drive_table(bits: int) -> tuple[int, ...]:
    """Quarter sine in 2^bits parts, 32767 at the crest."""
    parts = 1 << bits
    angle = np.arange(parts + 1) * (math.pi / 2 / parts)
    return tuple(int(value) for value in np.floor(32767 * np.sin(angle) + 0.5))


def table_error(bits: int) -> float:
    """Bound on the interpolated table's error, as a fraction of the crest.

    Chord of a sine over h: at most h^2/8 (Taylor remainder); the points and the interpolation
    each add half a last place of 1/32767.
    """
    step = math.pi / 2 / (1 << bits)
    return step * step / 8 + 1.0 / 32767
