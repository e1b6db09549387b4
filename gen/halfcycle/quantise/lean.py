"""When a span of samples leans so that its sensor must be stuck: the spans, and what a healthy sine
may make of them, as bounds over every phase.

A sensor that repeats a code puts all of each span on one side of the zero. Of a sine, two spans of
a whole number of half cycles lean opposite ways or not at all; so do those of one that starts,
climbs or falls: if the later half wave is the greater one, the part of it that lies in the span of
the earlier one is less than what the later span holds of the next half wave, of the other sign.
``regulator.arithmetic`` has the test: in both spans one side, the same, holds 7/9 of the sum or
more (8 times the other side), and each more than half of the other's. Besides, neither the reading
nor a span may be near zero.

What the bounds leave: a span that is not quite whole, the frequency's tolerance, the zero's error
and noise. Two spans lean by d together if the sine's peak is A codes (C: the mean of cos over both
spans; m: the rectified mean of the samples; V|V|: a square with the sample's sign):

    mean of v      <= A |C(f)| + d
    mean of v |v|  <= A^2 x + 2 A d m + d^2,  x = sum over odd k of |b_k C(kf)|

with sin |sin| = sum b_k sin(k .), b_k = 8 / (pi k (4 - k^2)). Both must stay below 7/9 of the least
sum of magnitudes or squares, or below 7/9 of half the sums at the level
from which on a sensor may count as stuck: of the later span at least 3/4 of that is asked.
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.windows.mean_extremes import Bounds, rectified_over
from halfcycle.windows.rms_extremes import dirichlet, square_over

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

LEAN = 7 / 9
"""Share of both sides that a span leans by, at least, if one side is 8 times the other."""
GOOD = 0.1
"""A span is good if a sine makes two of them lean by less than this share of their sums."""
STUCK_MAX = Fraction(1, 4)
"""A sensor stuck so far from the zero that it reads this share of rated must be told from a healthy
one."""
NOISE_DEVIATIONS = 6
_HARMONICS = 401
"""Odd harmonics up to here are added up; those beyond are bounded."""


def span_blocks(spec: Spec, window: Window) -> int:
    """Blocks in a span: the fewest whole PI steps that are good, or those that lean least; a window
    at most, and three of them no shorter than a window and what follows it up to a PI step."""
    step = window.blocks // window.updates
    least = -(-(window.blocks + step) // (2 * step))
    spans = [steps * step for steps in range(least, window.updates + 1)]
    shares = {span: sine_share(spec, window, span) for span in spans}
    return next((span for span in spans if shares[span] < GOOD), min(spans, key=shares.__getitem__))


def sine_share(spec: Spec, window: Window, span: int) -> float:
    """Greatest share of their sums by which two successive spans of so many blocks lean together,
    of a sine at any phase and frequency that the spec allows."""
    samples = 2 * span * window.block_samples
    steps = _steps(spec, window)
    return _sine(spec, samples, steps) / _sums(spec, samples, steps).low


def stuck_from_v(spec: Spec, window: Window) -> Fraction | None:
    """Least reading, volts RMS, from which on two spans that lean alike may be taken for a stuck
    sensor without a healthy board ever being flagged; None if it would be more than STUCK_MAX of
    rated."""
    codes = near_zero_codes(spec, window)
    if codes is None:
        return None
    level_v = Fraction(codes) * spec.sensor.volts_per_code
    if spec.loop.measure == "mean":
        level_v *= Fraction(math.pi / (2 * math.sqrt(2)))
    return level_v if level_v <= STUCK_MAX * spec.output.rated_rms_v else None


def near_zero_codes(spec: Spec, window: Window) -> float | None:
    """The same as the level, in codes from the zero, of a sensor that is stuck and reads so."""
    span = span_blocks(spec, window)
    samples = 2 * span * window.block_samples
    steps = _steps(spec, window)
    sensor = spec.sensor
    noise = NOISE_DEVIATIONS * float(sensor.noise_codes_rms) / math.sqrt(samples)
    zero = float(sensor.zero_tolerance_codes)
    if sensor.track_zero:  # Wherever it is taken to be, and wherever it is.
        zero += math.ceil(zero)
    off = zero + noise + 0.5
    sine, sums = _sine(spec, samples, steps), _sums(spec, samples, steps).low
    room = LEAN * sums - sine
    if room <= 0:
        return None
    # The later span holds 3/4 of that level or more, the one before more than half of it.
    enough = LEAN / 2
    if spec.loop.measure == "mean":
        peak = off / room  # Above it no lean is enough of the sums.
        return (peak * sine + off) / enough
    mean = rectified_over(samples, steps, 0.0).high
    single = _greatest_kernel(samples, steps, 1)
    linear = 2 * off * (mean + LEAN * single)
    peak = (linear + math.sqrt(linear**2 + 4 * room * (1 - LEAN) * off**2)) / (2 * room)
    return math.sqrt((peak**2 * sine + 2 * peak * off * mean + off**2) / enough)


def _steps(spec: Spec, window: Window) -> Bounds:
    """Range of the phase step between samples, radians."""
    deviation = spec.output.frequency_tolerance_hz
    turn = 2 * math.pi * float(window.period_s)
    return Bounds(
        turn * float(window.frequency_hz - deviation), turn * float(window.frequency_hz + deviation)
    )


def _sums(spec: Spec, samples: int, steps: Bounds) -> Bounds:
    """Mean magnitude, or square, of the samples of a sine of peak 1."""
    if spec.loop.measure == "rms":
        return square_over(samples, steps, 0.0)
    return rectified_over(samples, steps, 0.0)


def _sine(spec: Spec, samples: int, steps: Bounds) -> float:
    """Greatest mean of v, or of v |v|, over the samples of a sine of peak 1."""
    if spec.loop.measure == "mean":
        return _greatest_kernel(samples, steps, 1)
    total = 0.0
    for k in range(1, _HARMONICS + 1, 2):
        size = abs(8 / (math.pi * k * (4 - k * k)))
        total += size * _greatest_kernel(samples, steps, k)
    # The rest: sum of 8 / (pi k^3) over odd k, below an integral.
    return total + 8 / math.pi / (4 * (_HARMONICS - 1) ** 2)


def _greatest_kernel(samples: int, steps: Bounds, k: int) -> float:
    """Greatest |mean of cos| of harmonic ``k`` over the range of steps."""
    if steps.low == steps.high:
        return float(abs(dirichlet(samples, np.array([k * steps.low])))[0])
    # Its slope by the step is at most half the samples: a grid, and half of its distance.
    count = 65
    grid = k * np.linspace(steps.low, steps.high, count)
    between = (grid[1] - grid[0]) / 2
    return min(1.0, float(np.abs(dirichlet(samples, grid)).max()) + float(between) * samples / 2)
