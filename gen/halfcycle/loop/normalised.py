"""The normalised law, in real numbers: the drive changes in proportion to what it is.

With the error as a share e of the target, limited to -1/2..1, and p = max(u, floor times target):

    u += p (ki e + kp times the change of e)

At rest the gain of the board times u is the target, so that the loop's gain is ki on every board,
times the elasticity of the clipped sine (1 below clipping, less above it). The floor lets the drive
start from zero. It scales with the target, as a fixed one would hold the drive up at low targets,
and stays a third below the drive at rest of the strongest board. Known from gain controls that
settle in a constant time (US 5,838,194, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike

from halfcycle.loop.filter_model import Real

LEAST_SHARE = -0.5
"""An error counts as no less than this share of the target: else a step down takes all the drive
away before the reading shows it."""
MOST_FLOOR = Fraction(1, 2)
BELOW_REST = Fraction(3, 2)
"""The strongest board rests at so many times the floor, at least."""
STEPS: tuple[tuple[float, float], ...] = ((0.0, 1.0), (1.0, 0.5))
"""The steps of the target by which gains are judged, shares of rated before and after."""


@dataclass(frozen=True, slots=True)
class Normalised:
    """``floor``: scale per rated target below which the drive counts as no less; ``limit``: that of
    the drive."""

    floor: Fraction
    limit: float

    @classmethod
    def of(cls, strongest: float, limit: float) -> Normalised:
        """For boards of which the ``strongest`` has this gain, rated per unit of scale."""
        per_gain = 1 / (BELOW_REST * Fraction(strongest))
        # Three digits, rounded down: the same on every machine.
        return cls(Fraction(math.floor(1000 * min(MOST_FLOOR, per_gain)), 1000), limit)

    def moved(  # noqa: PLR0917 (the loop, then the two constants)
        self, drive: Real, share: Real, target: float, before: Real, kp: Real, ki: Real
    ) -> Real:
        """The drive after a step; ``share``: the error's, and that ``before``."""
        size = np.maximum(drive, float(self.floor) * target)
        after = drive + size * (ki * share + kp * (share - before))
        return np.asarray(np.clip(after, 0.0, self.limit), dtype=np.float64)


def share_of(error: Real, target: float) -> Real:
    """The error as a share of the target, limited; none without a target."""
    if target <= 0.0:
        return np.zeros_like(error)
    return np.asarray(np.clip(error / target, LEAST_SHARE, 1.0), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class StepLaw:
    """The law, and the scales (C,) at which boards rest at rated."""

    law: Normalised
    rest: Real

    def steps(  # noqa: PLR0917 (as ``step_response.steps``, then the step)
        self,
        taps: Real,
        kp: ArrayLike,
        ki: ArrayLike,
        windows: int,
        curve: Callable[[Real], Real] | None,
        step: tuple[float, float] = STEPS[0],
    ) -> Iterator[Real]:
        """Readings (..., C), window by window, as shares of the way from the target before
        the ``step`` (from 0 or from 1) to the one after it."""
        kp, ki = np.asarray(kp, dtype=float), np.asarray(ki, dtype=float)
        shape = np.broadcast_shapes(kp.shape, ki.shape, (len(taps),))
        start, target = step
        drive = np.broadcast_to(start * np.minimum(self.rest, self.law.limit), shape).copy()
        columns = np.ascontiguousarray(taps.T)
        n = len(columns)
        held = np.empty((n, *shape))
        held[:] = drive if curve is None else curve(drive)
        y = np.broadcast_to(taps.sum(axis=1) * held[0], shape)
        before = share_of(start - y, start)
        for k in range(windows):
            share = share_of(target - y, target)
            drive = self.law.moved(drive, share, target, before, kp, ki)
            before = share
            held[k % n] = drive if curve is None else curve(drive)
            y = columns[0] * held[k % n]
            for i in range(1, n):
                y += columns[i] * held[(k - i) % n]
            yield (y - start) / (target - start)
