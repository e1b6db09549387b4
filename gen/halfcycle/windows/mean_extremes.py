"""Least and greatest window mean of |sin + d| over every starting phase.

A window is ``samples`` points ``step`` radians apart. Its phase is taken at its centre, so that
sample k lies at theta + (k - (samples - 1)/2) step, and d is an offset as a fraction of the peak.
Samples count the same, or as their ``shares`` say, which are above 0 and have sum 1.

``rectified`` is exact at one step and offset: between the places where a sample passes zero, the
sum is one sinusoid plus a constant, so its extremes lie at those places or at the sinusoid's crest.

Over a range of steps and offsets the result is an outer bound, by branch and bound:

- Greatest. |x + d| is convex in d and (d, theta) -> (-d, theta + pi) changes
  nothing, so the greatest offset is the worst. In the step, |sin(theta + k step) + d| plus
  k^2 step^2 / 2 is convex, hence so is the maximum over theta of the mean, with the mean of k^2,
  C (`spread`; (samples^2 - 1)/12 where all count the same), for k^2: between two steps 2h apart it
  stays below the greater end value plus C h^2 / 2.
- Least. |x| >= s x for any sign s. With the signs of a cell's centre the right side
  is smooth: value -+ slope times half the cell, with at most C h^2 / 2 left out.
"""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MEAN_OF_SINE = 2 / math.pi
"""Average-rectified mean of a sine of peak 1."""

TOLERANCE = 1e-6
"""Bounds of the rectified mean are outside the truth by at most this, relative to the reading..."""
SHARE = 1e-3
"""...or by this share of the error itself, whichever is more (unless the search grows too long)."""

MAX_WORK = 2_000_000
"""Samples looked at in one search; when spent, the bound found so far stands (it is valid)."""

MAX_CELLS = 400
"""Cells looked at in one search, likewise."""

_EPSILON = float(np.finfo(np.float64).eps)


class Bounds(NamedTuple):
    """A closed interval."""

    low: float
    high: float


class Cell(NamedTuple):
    """A rectangle of phase steps and offsets, by its centre and half its sides."""

    step: float
    step_half: float
    offset: float
    offset_half: float


@dataclass(frozen=True, slots=True)
class _Pieces:
    """The rectified mean, piece by piece: Im(value e^(i theta)) + offset * sign.

    ``value``, ``slope`` (its derivative by the step) at the left and right end of each piece are
    already turned by e^(i theta); ``sign`` is the mean sign of the samples.
    """

    left: Complexes
    right: Complexes
    slope_left: Complexes
    slope_right: Complexes
    sign: Floats


def rectified(samples: int, step: float, offset: float, *, shares: Floats | None = None) -> Bounds:
    """Exact extremes over the phase of mean|sin + offset|, up to `rounding`."""
    return _exact(_pieces(samples, step, offset, shares, slopes=False), offset)


def rectified_over(
    samples: int,
    steps: Bounds,
    greatest_offset: float,
    work: int = MAX_WORK,
    *,
    shares: Floats | None = None,
) -> Bounds:
    """Outer bounds of mean|sin + d| over every phase, step in ``steps`` and |d| <= greatest.

    ``work``: samples that may be looked at for either bound; with fewer they are less close."""
    slack = rounding(samples)
    if steps.low == steps.high and greatest_offset == 0:
        exact = rectified(samples, steps.low, 0.0, shares=shares)
        return Bounds(max(0.0, exact.low - slack), exact.high + slack)
    low = _least(samples, steps, greatest_offset, work, shares)
    high = _greatest(samples, steps, greatest_offset, work, shares)
    return Bounds(max(0.0, low - slack), high + slack)


def rounding(samples: int) -> float:
    """Allowance for floating point in a sum over a window."""
    return 8 * _EPSILON * (samples + 8)


def spread(samples: int, shares: Floats | None = None) -> float:
    """Mean of k^2, k counted from the window's centre."""
    if shares is None:
        return (samples**2 - 1) / 12
    return float((shares * _centred(samples) ** 2).sum())


def offset_alternation(
    samples: int, step: float, offset: float, *, shares: Floats | None = None
) -> float:
    """Greatest over the phase of half (mean|sin + offset| - mean|sin - offset|), exact.

    This part of the reading changes sign when the window begins half a turn later.
    """
    # Half the difference is the mean of the sine clipped at +-offset: it bends where a sample
    # passes +-offset, and there is one sinusoid plus a constant in between as before.
    k = _centred(samples) * step
    low, turn = math.asin(offset), 2 * math.pi
    positions = np.concatenate(
        [(at - k) % turn for at in (-low, low, math.pi - low, math.pi + low)]
    )
    phasor = np.exp(1j * k) * shares if shares is not None else np.exp(1j * k) / samples
    jumps = np.concatenate([phasor, -phasor, phasor, -phasor])
    share = offset * shares if shares is not None else np.full(samples, offset / samples)
    levels = np.concatenate([share, share, -share, -share])
    edges, order = _edges(positions, turn)
    # Where a sample is at theta = 0 follows from which of its four passages comes next.
    ahead = np.argmin(positions.reshape(4, samples), axis=0)
    value0 = phasor[(ahead == 1) | (ahead == 3)].sum()
    level0 = float(share[ahead == 2].sum() - share[ahead == 0].sum())
    turned = np.exp(1j * edges)
    value = value0 + np.concatenate([[0], np.cumsum(np.append(jumps, np.zeros(8))[order])])
    level = level0 + np.concatenate([[0], np.cumsum(np.append(levels, np.zeros(8))[order])])
    left, right = value * turned[:-1], value * turned[1:]
    ends = max((left.imag + level).max(), (right.imag + level).max())
    crest = _trough(-left, -right)
    return float(max(ends, (np.abs(value) + level)[crest].max(initial=0.0)))


def signed_harmonic(samples: int, step: float, order: int, shares: Floats | None = None) -> float:
    """Greatest mean of sgn(sin) sin(order .. + phase) over either phase, exact: between the places
    where a sample passes zero it is the size of one sum of pointers."""
    k = _centred(samples) * step
    even = np.full(samples, 1 / samples) if shares is None else shares
    pointers = even * np.exp(1j * order * k)
    rising, falling = (-k) % (2 * math.pi), (math.pi - k) % (2 * math.pi)
    positive = falling < rising
    positions = np.concatenate([rising, falling])
    jumps = np.concatenate([2 * pointers, -2 * pointers])
    in_span = positions < math.pi  # the second half turn repeats the first
    order_of = np.argsort(positions[in_span])
    start = np.where(positive, pointers, -pointers).sum()
    sums = np.concatenate([[start], start + np.cumsum(jumps[in_span][order_of])])
    return float(np.abs(sums).max())


def _centred(samples: int) -> Floats:
    return np.arange(samples, dtype=np.float64) - (samples - 1) / 2


def _edges(positions: Floats, span: float) -> tuple[Floats, NDArray[np.intp]]:
    """Ends of the pieces and the order of the breakpoints.

    Eight further edges keep every piece to an eighth of a turn, in which a sinusoid has one crest
    or trough at most.
    """
    positions = np.append(positions, span * np.arange(8) / 8)
    order = np.argsort(positions)
    return np.concatenate([[0.0], positions[order], [span]]), order


def _pieces(
    samples: int, step: float, offset: float, shares: Floats | None, *, slopes: bool
) -> _Pieces:
    centred = _centred(samples)
    k = centred * step
    turn = 2 * math.pi
    lag = math.asin(offset)
    rising, falling = (-lag - k) % turn, (math.pi + lag - k) % turn
    positive = falling < rising  # at theta = 0: the next passage of zero goes down
    # Without an offset the second half turn repeats the first.
    span = turn if offset else math.pi
    positions = np.concatenate([rising, falling])
    in_span = positions < span
    edges, order = _edges(positions[in_span], span)
    phasor = np.exp(1j * k) * shares if shares is not None else np.exp(1j * k) / samples

    def running(weights: Complexes) -> Complexes:
        jumps = np.append(np.concatenate([2 * weights, -2 * weights])[in_span], np.zeros(8))[order]
        start = np.where(positive, weights, -weights).sum()
        return np.concatenate([[start], start + np.cumsum(jumps)])

    turned = np.exp(1j * edges)
    value = running(phasor)
    slope = running(1j * centred * phasor) if slopes else np.zeros_like(value)
    even = np.full(samples, 1 / samples) if shares is None else shares
    each = even.astype(np.complex128)
    sign = running(each) if offset or slopes else np.zeros_like(value)
    return _Pieces(
        value * turned[:-1],
        value * turned[1:],
        slope * turned[:-1],
        slope * turned[1:],
        sign.real,
    )


def _exact(pieces: _Pieces, offset: float) -> Bounds:
    level = offset * pieces.sign
    left, right = pieces.left.imag + level, pieces.right.imag + level
    low, high = min(left.min(), right.min()), max(left.max(), right.max())
    crest, trough = _trough(-pieces.left, -pieces.right), _trough(pieces.left, pieces.right)
    size = np.abs(pieces.left)
    high = max(high, (level + size)[crest].max(initial=-np.inf))
    low = min(low, (level - size)[trough].min(initial=np.inf))
    return Bounds(float(low), float(high))


def _trough(left: Complexes, right: Complexes) -> NDArray[np.bool_]:
    """Whether a piece has the trough of its sinusoid inside; a crest is one upside down.

    In less than a quarter turn a trough has negative values at both ends; without looking at
    those, rounding could take a piece of no length at a crest for one.
    """
    inside: NDArray[np.bool_] = (left.imag < 0) & (left.real < 0) & (right.real > 0)
    return inside


def _below(pieces: _Pieces, cell: Cell, curvature: float) -> float:
    """A lower bound over the cell, from the signs at its centre."""
    h = cell.step_half
    level = cell.offset * pieces.sign - cell.offset_half * np.abs(pieces.sign)
    left = pieces.left.imag - h * np.abs(pieces.slope_left.imag)
    right = pieces.right.imag - h * np.abs(pieces.slope_right.imag)
    least = float((np.minimum(left, right) + level).min())
    # A sinusoid is concave while positive, and so least at an end; only troughs can be lower.
    for sign in (-h, h):
        start = pieces.left + sign * pieces.slope_left
        trough = _trough(start, pieces.right + sign * pieces.slope_right)
        least = min(least, float((level - np.abs(start))[trough].min(initial=np.inf)))
    return max(0.0, least - curvature / 2 * h**2)


def _allowed(value: float) -> float:
    """Tolerance for a rectified mean near ``value``."""
    return max(TOLERANCE * MEAN_OF_SINE, SHARE * abs(value - MEAN_OF_SINE))


def _least(
    samples: int, steps: Bounds, greatest_offset: float, work: int, shares: Floats | None
) -> float:
    """Branch and bound for the least; offsets from 0 up suffice (turn the phase by pi)."""
    corners = [(step, offset) for step in set(steps) for offset in {0.0, greatest_offset}]
    least = min(rectified(samples, step, offset, shares=shares).low for step, offset in corners)
    curvature = spread(samples, shares)

    def bound(cell: Cell) -> float:
        nonlocal least
        pieces = _pieces(samples, cell.step, cell.offset, shares, slopes=True)
        least = min(least, _exact(pieces, cell.offset).low)
        return _below(pieces, cell, curvature)

    half = greatest_offset / 2
    whole = Cell((steps.low + steps.high) / 2, (steps.high - steps.low) / 2, half, half)
    heap = [(bound(whole), whole)]
    for _ in range(min(MAX_CELLS, max(4, work // (4 * samples)))):
        low, cell = heap[0]
        if least - low <= _allowed(least):
            break
        heapq.heappop(heap)
        for part in _split(cell, samples):
            heapq.heappush(heap, (max(low, bound(part)), part))
    return min(least, heap[0][0])


def _split(cell: Cell, samples: int) -> tuple[Cell, Cell]:
    """Halve the side that matters more: the step moves a window's end by samples/2 times it."""
    if cell.step_half * samples / 2 >= cell.offset_half:
        h = cell.step_half / 2
        return cell._replace(step=cell.step - h, step_half=h), cell._replace(
            step=cell.step + h, step_half=h
        )
    h = cell.offset_half / 2
    return cell._replace(offset=cell.offset - h, offset_half=h), cell._replace(
        offset=cell.offset + h, offset_half=h
    )


def _greatest(
    samples: int, steps: Bounds, offset: float, work: int, shares: Floats | None
) -> float:
    """Branch and bound over the step for the greatest, at the greatest offset."""

    def value(step: float) -> float:
        return rectified(samples, step, offset, shares=shares).high

    curvature = spread(samples, shares)

    def entry(
        a: float, b: float, at_a: float, at_b: float
    ) -> tuple[float, float, float, float, float]:
        between = curvature / 2 * ((b - a) / 2) ** 2
        return (-max(at_a, at_b) - between, a, b, at_a, at_b)

    ends = value(steps.low), value(steps.high)
    greatest = max(ends)
    heap = [entry(steps.low, steps.high, *ends)]
    for _ in range(min(MAX_CELLS, max(4, work // (2 * samples)))):
        high, a, b, at_a, at_b = heap[0]
        if -high - greatest <= _allowed(greatest):
            break
        heapq.heappop(heap)
        middle = (a + b) / 2
        at_middle = value(middle)
        greatest = max(greatest, at_middle)
        heapq.heappush(heap, entry(a, middle, at_a, at_middle))
        heapq.heappush(heap, entry(middle, b, at_middle, at_b))
    return max(greatest, -heap[0][0])
