"""What harmonics of the output make of a reading: bounds over every phase of each of them.

The wave is sin + sum h_m sin(m .. + phase_m), with every h_m up to its share of the fundamental;
the error is relative to the true RMS, harmonics included.

RMS: the mean square holds, for every two parts of the wave, their product at the difference and at
the sum of their frequencies, each as the window answers there. The sum of all their sizes is the
bound; not all of them are at their worst at once.

Mean: |s + n| is sgn(s) (s + n) where the fundamental s decides the sign, and at most 2 (H - |s|)
more where it does not, with H the sum of the harmonics. As long as s is the steeper one, each of
its zeros has such a place on one side only, the same side at all of them, since odd harmonics
turn over with s. The mean of sgn(s) n is, per harmonic, the size of a sum of turning pointers that
changes only where a sample passes zero. Most of what is left is no fault of the window: h/m of
each harmonic is in the average of the wave itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from fractions import Fraction
from itertools import combinations
from typing import Literal

import numpy as np

from halfcycle.windows import mean_extremes, reading_errors, rms_extremes
from halfcycle.windows.mean_extremes import MEAN_OF_SINE, Bounds, Floats
from halfcycle.windows.search import Window

HARMONICS: dict[int, float] = {3: 0.05, 5: 0.06}
"""Greatest third and fifth harmonic that is reckoned with, shares of the fundamental: the levels
that EN 50160 has for public low-voltage networks, as Rockwell Automation's manual 1426-UM001J
prints them (table 228). Even ones are left out: a half-wave load would make them, and a zero at f
lets nothing of a second through but at 3f."""

_GRID = 64
"""Cells of the frequency's range."""
_PHASES = 1024
_MAX_WORK = 500_000


def harmonic_error(
    window: Window,
    measure: Literal["mean", "rms"],
    deviation_hz: Fraction = Fraction(0),
    harmonics: Mapping[int, float] = HARMONICS,
    work: int = mean_extremes.MAX_WORK,
) -> Bounds:
    """Bounds of the reading's relative error with harmonics up to ``harmonics`` (order: share of
    the fundamental), over every phase; the sensor's zero is right.

    A mean is looked at at the rated frequency, where ``deviation_hz`` counts by itself
    (`reading_errors.mean_error`, whose ``work`` it is); an RMS reading over the whole range.
    """
    if measure == "mean":
        return _mean(window, deviation_hz, harmonics, work)
    return _rms(window, deviation_hz, harmonics)


def _rms(window: Window, deviation_hz: Fraction, harmonics: Mapping[int, float]) -> Bounds:
    parts = {1: 1.0, **harmonics}
    answers: dict[int, float] = {}

    def answer(multiple: int) -> float:
        if multiple not in answers:
            answers[multiple] = greatest_answer(window, multiple, deviation_hz)
        return answers[multiple]

    moved = sum(share**2 * answer(2 * order) for order, share in parts.items())
    for (low, low_share), (high, high_share) in combinations(sorted(parts.items()), 2):
        moved += 2 * low_share * high_share * (answer(high - low) + answer(high + low))
    return Bounds(math.sqrt(max(0.0, 1 - moved)) - 1, math.sqrt(1 + moved) - 1)


def greatest_answer(window: Window, multiple: int, deviation_hz: Fraction) -> float:
    """Greatest |W| at ``multiple`` times a frequency within the deviation; outside by at most a
    ten-thousandth part of what the deviation changes."""
    off = float(deviation_hz / window.frequency_hz)
    middle = multiple * math.pi * float(window.half_cycles_per_sample)
    steps = middle * np.linspace(1 - off, 1 + off, _GRID + 1 if off else 1)
    sizes = np.abs(rms_extremes.kernel(window.samples, window.block_weights, steps))
    # Between two points 2h apart a function rises above both ends by its curvature times h^2 / 2.
    half = middle * off / _GRID
    shares = rms_extremes.shares(window.samples, window.block_weights)
    curvature = mean_extremes.spread(window.samples, shares)
    return float(sizes.max()) + curvature / 2 * half**2 + mean_extremes.rounding(window.samples)


def _mean(
    window: Window, deviation_hz: Fraction, harmonics: Mapping[int, float], work: int
) -> Bounds:
    shares = rms_extremes.shares(window.samples, window.block_weights)
    step = math.pi * float(window.half_cycles_per_sample)
    alone, wandering = (
        reading_errors.mean_error(window, 0.0, deviation, work)
        for deviation in (Fraction(0), deviation_hz)
    )
    first = sum(
        share * mean_extremes.signed_harmonic(window.samples, step, order, shares)
        for order, share in harmonics.items()
    )
    true = math.sqrt(1 + sum(share**2 for share in harmonics.values()))
    slack = mean_extremes.rounding(window.samples)
    greatest = (_greatest(window, step, harmonics) + slack) / MEAN_OF_SINE - 1
    return Bounds(
        max(0.0, 1 + wandering.low - (first + slack) / MEAN_OF_SINE) / true - 1,
        greatest + wandering.high - alone.high,
    )


def _greatest(window: Window, step: float, harmonics: Mapping[int, float]) -> float:
    """Bound of the mean of |sin + n|, from outside: over cells of the phase, with the samples'
    passages of zero as their ends (or of even length, if there are very many)."""
    samples = window.samples
    shares = rms_extremes.shares(samples, window.block_weights)
    weights = np.full(samples, 1 / samples) if shares is None else shares
    at = np.arange(samples) * step
    edges = np.linspace(0, math.pi, max(16, min(_PHASES, _MAX_WORK // samples)) + 1)
    if samples <= _MAX_WORK // _PHASES:
        edges = np.union1d(edges, -at % math.pi)
    pointers = {order: np.exp(1j * order * at) * weights for order in harmonics}
    level = sum(harmonics.values())
    steeper = sum(order * share for order, share in harmonics.items()) < math.sqrt(1 - level**2)
    best = 0.0
    for low, high in _chunks(edges):
        half = (high - low)[:, None] / 2
        angles = (low[:, None] + half + at) % (2 * math.pi)
        sines = np.sin(angles)
        size, signs = np.abs(sines), np.sign(sines)
        # Within the cell these may have either sign; each moves what it adds by twice its share.
        either = 2 * ((size < np.sin(half) * (1 - 1e-9)) @ weights)
        slope = np.abs((signs * np.cos(angles)) @ weights) + either
        half_length = half[:, 0]
        total = size @ weights + half_length * slope + half_length**2 / 2
        for order, share in harmonics.items():
            total += share * (np.abs(signs @ pointers[order]) + either)
        near = (size <= level + half) * np.maximum(level + half - size, 0.0)
        before = (angles % math.pi > math.pi / 2) | (size <= np.sin(half))
        after = (angles % math.pi <= math.pi / 2) | (size <= np.sin(half))
        sides = (before, after) if steeper else (np.ones_like(before),)
        flipped = np.max([(near * side) @ weights for side in sides], axis=0)
        best = max(best, float((total + 2 * flipped).max()))
    return best


def _chunks(edges: Floats) -> Iterator[tuple[Floats, Floats]]:
    """Low and high ends of the cells, some hundreds at a time."""
    for start in range(0, len(edges) - 1, 256):
        yield edges[start : start + 256][: len(edges) - 1 - start], edges[start + 1 : start + 257]
