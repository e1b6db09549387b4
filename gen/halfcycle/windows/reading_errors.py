"""What is wrong with a window: bounds of the reading's error over every starting phase.

Errors are fractions of the true RMS of the sine: 0.01 reads 1 % high. Offsets are fractions of the
sine's *peak* (`peak_fraction` converts from a share of its RMS); they may have either sign and
stay the same through a window. The mean-based reading is pi/(2 sqrt 2) times the mean of the
rectified samples, the other the root of their mean square.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np

from halfcycle.base.clipped_sine import FORM_FACTOR
from halfcycle.windows import mean_extremes, rms_extremes
from halfcycle.windows.mean_extremes import MEAN_OF_SINE, Bounds, Floats
from halfcycle.windows.search import Window

FEW_POINTS = 20
"""Below this many distinct points per half cycle the mean's ripple exceeds about 0.1 %."""

LIST_WORK = 4_000_000
"""Samples that may be looked at for either bound over a whole list of windows: a few seconds."""

SamplingKind = Literal["fixed bias", "ripple"]


@dataclass(frozen=True, slots=True)
class WindowFaults:
    """Bounds of the relative error of both readings, each fault alone and all together."""

    sampling_mean: Bounds
    sampling_rms: Bounds
    offset_mean: Bounds  # with the sampling that it cannot be had without
    offset_rms: Bounds
    frequency_mean: Bounds
    frequency_rms: Bounds
    mean_error: Bounds  # all together
    rms_error: Bounds
    alternation_mean: float  # part of the zero offset that flips from window to window, +-
    alternation_rms: float


@dataclass(frozen=True, slots=True)
class Resolution:
    """Noise and quantisation of a window's reading, in the unit that was put in per code, RMS."""

    step: float
    """Least change of the mean-based reading: one code in one sample."""
    noise: float
    """Standard deviation from noise that differs from sample to sample."""
    quantisation: float
    """Standard deviation from rounding to codes, as far as the samples' roundings differ."""
    quantisation_bound: float
    """No rounding to the nearest code can move the reading by more."""


def peak_fraction(percent_of_rms: Fraction | float) -> float:
    """An offset in percent of the sine's RMS, as a fraction of its peak."""
    return float(percent_of_rms) / 100 / math.sqrt(2)


def mean_error(
    window: Window,
    offset: float = 0.0,
    deviation_hz: Fraction = Fraction(0),
    work: int = mean_extremes.MAX_WORK,
) -> Bounds:
    """Bounds of the mean-based reading's error over every phase.

    Args:
        window: the window, timed for its nominal frequency.
        offset: greatest size of the zero offset, fraction of the peak, 0 <= offset < 1.
        deviation_hz: greatest size of the frequency's deviation, 0 <= deviation < frequency.
        work: samples that may be looked at for either bound.

    Without deviation and offset exact; otherwise outside the truth by at most 1e-6 or a thousandth
    of the error, whichever is more (windows of many thousand samples: still outside, less close).
    """
    _check(window, offset, deviation_hz)
    if window.whole and not window.shaped and not offset and not deviation_hz:
        return sampling_ripple(window.distinct_points)
    mean = mean_extremes.rectified_over(
        window.samples, _steps(window, deviation_hz), offset, work, shares=_shares(window)
    )
    return Bounds(mean.low / MEAN_OF_SINE - 1, mean.high / MEAN_OF_SINE - 1)


def rms_error(window: Window, offset: float = 0.0, deviation_hz: Fraction = Fraction(0)) -> Bounds:
    """Bounds of the RMS reading's error; arguments as in `mean_error`. Outside by 2e-8 at most."""
    _check(window, offset, deviation_hz)
    even = window.whole and not window.shaped and window.distinct_points >= 2
    if even and not offset and not deviation_hz:
        return Bounds(0.0, 0.0)
    square = rms_extremes.square_over(
        window.samples, _steps(window, deviation_hz), offset, weights=window.block_weights
    )
    return Bounds(math.sqrt(2 * square.low) - 1, math.sqrt(2 * square.high) - 1)


def work_for_each(windows: int) -> int:
    """The ``work`` of :func:`mean_error` for each of a list of so many windows (1 and up)."""
    return min(mean_extremes.MAX_WORK, LIST_WORK // windows)


def sampling_ripple(distinct_points: int) -> Bounds:
    """Error of the mean of |sin| at N equally spaced points per half cycle, over every phase.

    The sum of N equally spaced values is greatest with the points astride the zero crossing,
    (pi/2N)/sin(pi/2N), and least with one on it, (pi/2N)/tan(pi/2N).
    """
    x = math.pi / (2 * distinct_points)
    # For N = 1 the tangent is infinite: the one point may lie on the zero crossing.
    low = x / math.tan(x) - 1 if distinct_points > 1 else -1.0
    return Bounds(low, x / math.sin(x) - 1)


def alternation(window: Window, offset: float, measure: Literal["mean", "rms"]) -> float:
    """The part of a zero offset's error that changes sign half a cycle later, +- this much.

    A fraction of the true RMS, the greatest over the phase. It is half the difference between two
    readings that start half a turn apart: plain windows with an odd count flip by it from one to
    the next (0 for an even count), the reading of a moving or shaped one ripples by it at f.
    """
    _check(window, offset, Fraction(0))
    if not offset or (window.kind == "plain" and not window.odd):
        return 0.0
    step = _steps(window, Fraction(0)).low
    if measure == "mean":
        shares = _shares(window)
        alternating = mean_extremes.offset_alternation(window.samples, step, offset, shares=shares)
        return alternating / MEAN_OF_SINE
    first, second = rms_extremes.kernel(
        window.samples, window.block_weights, np.array([step, 2 * step])
    )
    # With s = sin(phase)^2 the mean squares of +-offset are a + b s -+ sqrt(c s). Half the
    # difference of their roots grows with s as long as neither is below 0: greatest at s = 1.
    even = 1 + float(second) + 2 * offset**2
    odd = 4 * offset * abs(float(first))
    return (math.sqrt(even + odd) - math.sqrt(max(0.0, even - odd))) / 2


def sampling_kind(window: Window, same_clock: bool) -> SamplingKind:
    """Whether the sampling error of the mean stays put or wanders.

    If the sine is made from the clock that times the samples (``same_clock``) and the window is
    whole, every window sees the same points of the wave, a moving one too: the error is a fixed
    bias, set by the filter's and the sensor's lag. Otherwise the phase creeps, or the weights meet
    other points each time, and the error is a ripple.
    """
    return "fixed bias" if window.whole and not window.shaped and same_clock else "ripple"


def differing_roundings(window: Window) -> int:
    """Samples of a window that see different places of the full cycle.

    The others repeat one of these, rounding to codes included, so that without noise averaging
    gains nothing from them.
    """
    if not window.whole:
        return window.samples
    places = window.distinct_points
    if (window.half_cycles * places // window.samples) % 2 == 1:
        places *= 2  # the next stretch of the same points comes with the sign reversed
    return min(places, window.samples)


def resolution(
    window: Window, unit_per_code: float, noise_codes_rms: float, measure: Literal["mean", "rms"]
) -> Resolution:
    """Noise and quantisation of one window's reading.

    ``unit_per_code`` is the measured quantity per ADC code (volts, say). One sample's error e moves
    the mean-based reading by (pi/(2 sqrt 2)) e/M and the RMS reading by e x/(M rms) for a sample x;
    independent errors of deviation s hence give 1.1107 s/sqrt(M) and s/sqrt(M). In a shaped window
    1/sum(w^2) of the samples' shares w takes the place of M, and an RMS reading, in which samples
    near the crest weigh more, has it at the worst phase. The noise also raises an RMS reading by
    about half its own square over the reading, which is left out.
    """
    gain = FORM_FACTOR if measure == "mean" else 1.0
    # Half a code of noise is enough to make the roundings differ (common practice, no source).
    shares = _shares(window)
    if shares is not None:
        return _shaped_resolution(window, shares, unit_per_code, noise_codes_rms, gain)
    count = window.samples if noise_codes_rms >= 0.5 else differing_roundings(window)
    return Resolution(
        step=FORM_FACTOR * unit_per_code / window.samples,
        noise=gain * noise_codes_rms * unit_per_code / math.sqrt(window.samples),
        quantisation=gain * unit_per_code / math.sqrt(12 * count),
        quantisation_bound=gain * unit_per_code / 2,
    )


def _shaped_resolution(
    window: Window, shares: Floats, unit_per_code: float, noise_codes_rms: float, gain: float
) -> Resolution:
    turns = window.half_cycles_per_sample
    places = np.arange(window.samples) * turns.numerator % (2 * turns.denominator)
    together = np.bincount(np.unique(places, return_inverse=True)[1], weights=shares)
    crest = 1.0
    if gain == 1.0:
        # The mean of x^2 by the shares' squares: a sine's own square moves it about 1 either way.
        angle = 2 * math.pi * float(turns) * np.arange(window.samples)
        crest = math.sqrt(1 + abs((shares**2 * np.exp(1j * angle)).sum()) / (shares**2).sum())
    spread = gain * unit_per_code * crest
    differing = shares if noise_codes_rms >= 0.5 else together
    return Resolution(
        step=FORM_FACTOR * unit_per_code * float(shares.min()),
        noise=spread * noise_codes_rms * float(np.sqrt((shares**2).sum())),
        quantisation=spread * float(np.sqrt((differing**2).sum() / 12)),
        quantisation_bound=gain * unit_per_code / 2,
    )


def _shares(window: Window) -> Floats | None:
    return rms_extremes.shares(window.samples, window.block_weights)


def window_faults(
    window: Window, offset: float = 0.0, deviation_hz: Fraction = Fraction(0)
) -> WindowFaults:
    """All bounds of one window; arguments as in `mean_error`."""
    return WindowFaults(
        sampling_mean=mean_error(window),
        sampling_rms=rms_error(window),
        offset_mean=mean_error(window, offset),
        offset_rms=rms_error(window, offset),
        frequency_mean=mean_error(window, 0.0, deviation_hz),
        frequency_rms=rms_error(window, 0.0, deviation_hz),
        mean_error=mean_error(window, offset, deviation_hz),
        rms_error=rms_error(window, offset, deviation_hz),
        alternation_mean=alternation(window, offset, "mean"),
        alternation_rms=alternation(window, offset, "rms"),
    )


def _steps(window: Window, deviation_hz: Fraction) -> Bounds:
    """Range of the phase step between samples, radians."""
    spread = deviation_hz / window.frequency_hz
    step = window.half_cycles_per_sample
    return Bounds(math.pi * float(step * (1 - spread)), math.pi * float(step * (1 + spread)))


def _check(window: Window, offset: float, deviation_hz: Fraction) -> None:
    if not 0 <= offset < 1:
        raise ValueError(f"an offset is a fraction of the peak from 0 to below 1, not {offset}")
    if not 0 <= deviation_hz < window.frequency_hz:
        raise ValueError("a frequency deviation is from 0 to below the frequency")
