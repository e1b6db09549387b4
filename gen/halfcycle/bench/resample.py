"""A capture at the firmware's own instants.

The ADC takes the voltage of an instant, so nothing is filtered on the way: what would fold in the
firmware folds here. Between captured samples the waveform is taken as straight where they are
dense, as a cubic spline where they are not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from halfcycle.bench.capture import Capture
from halfcycle.bench.capture_types import Floats

LINEAR_BOUND = 1e-4
"""Straight lines are used where their bound for the fundamental, of its peak, is within this."""
_PROBE = 50_000


@dataclass(frozen=True, slots=True)
class Resampling:
    """How the instants were had, and how far off they may be."""

    method: Literal["linear", "cubic spline"]
    points_per_cycle: float
    bound_percent: float
    """Greatest error for a pure sine at the nominal frequency, percent of its peak."""
    error_v: float
    """Estimate from the capture itself, volts RMS: every second sample predicted from the others,
    scaled to the capture's own spacing. The capture's noise is in it."""


def choose(capture: Capture, frequency_hz: float) -> Resampling:
    """The method for a capture of a waveform of about ``frequency_hz``.

    Bounds for a sine of angle ``d`` between samples: d^2/8 of the peak for straight lines (Taylor
    remainder), 5 d^4/384 for a cubic spline (Hall & Meyer, 1976, from memory).
    """
    angle = 2 * math.pi * frequency_hz * capture.step_s
    linear = angle**2 / 8
    spline = min(5 * angle**4 / 384, 1.0)
    longest = max(capture.stretches, key=lambda s: s[1] - s[0])
    use_spline = linear > LINEAR_BOUND and longest[1] - longest[0] >= 4
    method: Literal["linear", "cubic spline"] = "cubic spline" if use_spline else "linear"
    return Resampling(
        method,
        points_per_cycle=1 / (frequency_hz * capture.step_s),
        bound_percent=100 * (spline if use_spline else min(linear, 1.0)),
        error_v=_estimate(capture, longest, method),
    )


def at_instants(
    capture: Capture, stretch: tuple[int, int], instants_s: Floats, resampling: Resampling
) -> Floats:
    """Volts at ``instants_s``, all within the samples of ``stretch``."""
    # A spline needs only its neighbours: the part of the stretch that the instants touch.
    time = capture.time_s
    first = max(stretch[0], int(np.searchsorted(time, instants_s[0])) - 20)
    last = min(stretch[1], int(np.searchsorted(time, instants_s[-1])) + 20)
    section = slice(first, last)
    return _between(time[section], capture.volts[section], instants_s, resampling.method)


def _between(time: Floats, volts: Floats, instants: Floats, method: str) -> Floats:
    if method == "linear" or len(time) < 4:
        return np.asarray(np.interp(instants, time, volts), dtype=np.float64)
    from scipy.interpolate import CubicSpline  # noqa: PLC0415

    spline = CubicSpline(time, volts)
    return np.asarray(spline(np.clip(instants, time[0], time[-1])), dtype=np.float64)


def _estimate(capture: Capture, stretch: tuple[int, int], method: str) -> float:
    """Halving the spacing divides the error by 4 (linear) or 16 (cubic): Richardson's rule."""
    first, last = stretch[0], min(stretch[1], stretch[0] + _PROBE)
    time, volts = capture.time_s[first:last], capture.volts[first:last]
    # A spline knows less near its ends; they would outweigh the rest.
    edge = 8 if len(time) > 40 else 0
    skipped = np.arange(1 + 2 * edge, len(time) - 1 - 2 * edge, 2)
    if len(skipped) < 4:
        return 0.0
    guessed = _between(time[::2], volts[::2], time[skipped], method)
    order = 4 if method == "linear" else 16
    return float(np.sqrt(np.mean((guessed - volts[skipped]) ** 2))) / order
