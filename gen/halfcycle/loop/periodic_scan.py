"""Upward scans for the first value at which a loop is unstable, for many circuits at once.

Never by halving from far apart: with a loop that is periodic in the mains phase the radius may rise
above 1 and fall below it again (two multipliers that meet and part), so that a far value that is
stable says nothing about those before it. Between two stable values of the scan a peak that comes
near 1 is looked at more closely.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from halfcycle.loop.filter_model import Real

_HALVINGS = 16
NEAR = 0.98
"""Spectral radius per update from which on a peak between three values is followed."""
_PEAK_STEPS = 10
_GOLDEN = (5.0**0.5 - 1.0) / 2.0

Index = NDArray[np.intp]
Evaluate = Callable[[Real, Index], Real]
"""Spectral radius (R,) at values (R,) of what is scanned, for the circuits (R,)."""


def first_unstable(
    evaluate: Evaluate,
    values: Real,
    rows: Index,
    *,
    least: bool = False,
    quick: Evaluate | None = None,
) -> Real:
    """Where (R,) each circuit's radius first reaches 1 on the rising ``values``, the first of
    which is taken to be stable; ``inf`` if nowhere. ``least``: stop at the least of them; the
    others are then lower bounds. ``quick``: as ``evaluate``, but for radii below ``NEAR`` only
    bounds from above, below it too."""
    quick = quick or evaluate
    out = np.full(len(rows), np.inf)
    alive = np.arange(len(rows))
    before = np.stack([np.zeros(len(rows)), quick(np.full(len(rows), values[0]), rows)])
    for k in range(1, len(values)):
        here = np.full(len(alive), values[k])
        radius = quick(here, rows[alive])
        high = np.where(radius >= 1.0, here, np.inf)
        passed = (before[1] >= np.maximum(before[0], radius)) & (before[1] > NEAR)
        peaks = np.nonzero(passed & (radius < 1.0))[0] if k > 1 else np.zeros(0, dtype=np.intp)
        high[peaks] = _peak(evaluate, (values[k - 2], values[k]), rows[alive[peaks]])
        hit = np.isfinite(high)
        if hit.any():
            low = np.where(radius >= 1.0, values[k - 1], values[max(k - 2, 0)])[hit]
            found = _within(quick, low, high[hit], rows[alive[hit]])
            out[alive[hit]] = found
            if least:
                # The others are stable as far as they were looked at.
                out[alive[~hit]] = values[k]
                return out
        alive, before = alive[~hit], np.stack([before[1], radius])[:, ~hit]
        if not len(alive):
            break
    return out


def _peak(evaluate: Evaluate, ends: tuple[float, float], rows: Index) -> Real:
    """Where (R,) between ``ends`` the radius is greatest, by golden section; ``inf`` if it stays
    below 1 there."""
    low, high = np.full(len(rows), ends[0]), np.full(len(rows), ends[1])
    best, at = np.zeros(len(rows)), low.copy()
    if not len(rows):
        return at
    for _ in range(_PEAK_STEPS):
        left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        one, two = evaluate(left, rows), evaluate(right, rows)
        for radius, value in ((one, left), (two, right)):
            at = np.where(radius > best, value, at)
            best = np.maximum(radius, best)
        low, high = np.where(one >= two, low, left), np.where(one >= two, right, high)
    return np.where(best >= 1.0, at, np.inf)


def _within(evaluate: Evaluate, low: Real, high: Real, rows: Index) -> Real:
    """The crossing (R,) of each circuit between ``low`` (stable) and ``high`` (not), by halving;
    from below."""
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        unstable = evaluate(middle, rows) >= 1.0
        low, high = np.where(unstable, low, middle), np.where(unstable, middle, high)
    return np.asarray(low, dtype=np.float64)
