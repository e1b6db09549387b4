"""A sine that the bus clips: what is left of it, and what a mean-based reading makes of it.

The sine is ``drive * sin``, clipped at +-1 (the bus). Amplitudes are fractions of the bus. Below a
drive of 1 nothing clips. All follows from the angle t = asin(1/drive) at which clipping begins:

    fundamental  (2/pi) (t/sin t + cos t)
    mean square  (2/pi) ((t/2 - sin(2t)/4) / sin(t)^2 + pi/2 - t)
    mean         (2/pi) (tan(t/2) + pi/2 - t)

(integrals over a quarter cycle). ``drive`` is any finite number from 0 up; else ValueError.
"""

from __future__ import annotations

import math
from collections.abc import Callable

FORM_FACTOR = math.pi / (2 * math.sqrt(2))
"""RMS over average-rectified mean of a pure sine: the constant by which a mean is read as RMS."""

SETTLING_BAND = 0.02
"""An output has settled if it stays within this share of the step, for good."""

LARGEST_FUNDAMENTAL = 4 / math.pi
"""The square wave's fundamental, which no finite drive reaches."""


def fundamental(drive: float) -> float:
    """Peak of the fundamental, as a fraction of the bus."""
    if _checked(drive) <= 1:
        return drive
    t = math.asin(1 / drive)
    return 2 / math.pi * (t * drive + math.cos(t))


def mean_square(drive: float) -> float:
    """Mean square, as a fraction of the bus squared."""
    if _checked(drive) <= 1:
        return drive * drive / 2
    t = math.asin(1 / drive)
    return 2 / math.pi * (_sine_square_area(t) * drive * drive + math.pi / 2 - t)


def rms(drive: float) -> float:
    """RMS, as a fraction of the bus."""
    return math.sqrt(mean_square(drive))


def mean(drive: float) -> float:
    """Average-rectified mean, as a fraction of the bus."""
    if _checked(drive) <= 1:
        return 2 / math.pi * drive
    t = math.asin(1 / drive)
    return 2 / math.pi * (math.tan(t / 2) + math.pi / 2 - t)


def thd(drive: float) -> float:
    """Total harmonic distortion: RMS of all harmonics over RMS of the fundamental (a fraction)."""
    if _checked(drive) <= 1:
        return 0.0
    square = fundamental(drive) ** 2 / 2
    return math.sqrt(max(0.0, mean_square(drive) - square) / square)


def harmonic(drive: float, order: int) -> float:
    """Peak of the harmonic of an odd ``order`` from 3 up, its sign relative to the fundamental's
    crossing; a fraction of the bus. Even ones are 0 by symmetry.

    (4/pi) of the quarter cycle's integral of min(drive sin x, 1) sin(n x):
    (4/pi) ((drive/2) (sin((n-1)t)/(n-1) - sin((n+1)t)/(n+1)) + cos(n t)/n).
    """
    if order < 3 or order % 2 == 0:
        raise ValueError(f"an odd order from 3 up is wanted, not {order}")
    if _checked(drive) <= 1:
        return 0.0
    t = math.asin(1 / drive)
    less, more = order - 1, order + 1
    below = drive / 2 * (math.sin(less * t) / less - math.sin(more * t) / more)
    return 4 / math.pi * (below + math.cos(order * t) / order)


def mean_reading_error(mean_value: float, rms_value: float) -> float:
    """Relative error of ``FORM_FACTOR * mean`` taken as the RMS of a wave of any shape.

    Both values in the same unit, ``rms_value`` above 0.
    """
    return FORM_FACTOR * mean_value / rms_value - 1


def reading_error(drive: float) -> float:
    """Relative error of a mean-based RMS reading of the clipped sine (a fraction, 0 unclipped)."""
    if _checked(drive) <= 1:
        return 0.0
    return mean_reading_error(mean(drive), rms(drive))


def rms_gain(drive: float) -> float:
    """d(rms)/d(drive): 1/sqrt(2) unclipped, less and less beyond.

    Only the part of the wave below the bus moves with the drive.
    """
    if _checked(drive) <= 1:
        return 1 / math.sqrt(2)
    return 2 / math.pi * drive * _sine_square_area(math.asin(1 / drive)) / rms(drive)


def mean_gain(drive: float) -> float:
    """d(mean)/d(drive): 2/pi unclipped, less and less beyond."""
    if _checked(drive) <= 1:
        return 2 / math.pi
    return 4 / math.pi * math.sin(math.asin(1 / drive) / 2) ** 2


def drive_for_fundamental(peak: float) -> float:
    """The drive whose clipped sine has this fundamental, 0 <= peak < 4/pi (else ValueError)."""
    return _drive_for(fundamental, peak, 1.0, LARGEST_FUNDAMENTAL)


def drive_for_rms(value: float) -> float:
    """The drive whose clipped sine has this RMS (fraction of the bus), 0 <= value < 1."""
    if value <= 1 / math.sqrt(2):
        return _drive_for(lambda drive: drive, value * math.sqrt(2), 1.0, 1.0)
    return _drive_for(rms, value, 1 / math.sqrt(2), 1.0)


def _drive_for(curve: Callable[[float], float], value: float, linear: float, limit: float) -> float:
    """Invert a rising curve that is the drive itself up to ``linear`` and stays below ``limit``."""
    if not (math.isfinite(value) and 0 <= value <= limit):
        raise ValueError(f"{value} is outside 0 to {limit:.6f} of the bus")
    if value <= linear:
        return value if linear == 1.0 else 1.0
    from scipy.optimize import brentq  # noqa: PLC0415 (slow to import, seldom needed)

    # In terms of 1/drive the far end of the curve lies at a finite place.
    lowest = 1e-9
    if curve(1 / lowest) <= value:
        raise ValueError(f"{value} is not reached by any drive; the limit is {limit:.6f}")
    return 1 / float(brentq(lambda inverse: curve(1 / inverse) - value, lowest, 1.0, xtol=1e-15))


def _sine_square_area(t: float) -> float:
    """Integral of sin^2 from 0 to t; by its series if the closed form would cancel."""
    if t < 0.05:
        return t**3 * (1 / 3 - t**2 * (1 / 15 - t**2 * (2 / 315 - t**2 / 2835)))
    return t / 2 - math.sin(2 * t) / 4


def _checked(drive: float) -> float:
    if not (math.isfinite(drive) and drive >= 0):
        raise ValueError(f"a drive must be a finite number from 0 up, not {drive}")
    return drive
