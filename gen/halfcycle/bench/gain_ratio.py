"""Which gains a log has, if not the spec's: from how its drive moves with the error."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from halfcycle.bench.log_causes import Cause
from halfcycle.bench.log_readings import Readings
from halfcycle.bench.log_rows import LogRows, steps_of
from halfcycle.regulator.plan import FLAG_HELD, FLAG_IMPLAUSIBLE, FLAG_LIMIT, FLAG_MISSED

if TYPE_CHECKING:
    from halfcycle.regulator.plan import Plan

_BUSY = FLAG_HELD | FLAG_IMPLAUSIBLE | FLAG_LIMIT | FLAG_MISSED
_MIN_ROWS = 8
_EXPLAINED = 0.999
"""Share of the drive's movement that other gains must explain to be the cause."""
_SAME = 0.002
"""Gains this near to the spec's are the spec's."""


class GainRatio:
    """Sums over a log's pieces of the change of the drive against the error and its change."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._square = np.zeros((2, 2))
        self._product = np.zeros(2)
        self._moved = 0.0
        self._count = 0

    def feed(self, rows: LogRows, readings: Readings) -> None:
        """Take in the next piece; the row across the border of two pieces is left out."""
        if self.plan.ramped or self.plan.update_blocks > 1 or len(rows) < 2:
            return
        reading = np.where(readings.by_sums >= 0, readings.by_sums, readings.low)
        good = readings.high >= readings.low
        error = np.where(good, rows.target - reading, 0).astype(np.float64)
        usable = (rows.flags & _BUSY == 0) & (rows.target > 0) & (rows.scale > 0) & good
        pairs = usable[1:] & usable[:-1] & (steps_of(rows.update) == 1)
        pairs &= rows.target[1:] == rows.target[:-1]
        moved = np.diff(rows.scale).astype(np.float64)[pairs]
        causes = np.stack([error[1:], np.diff(error)])[:, pairs]
        self._square += causes @ causes.T
        self._product += causes @ moved
        self._moved += float(moved @ moved)
        self._count += len(moved)

    def cause(self) -> Cause | None:
        """Other gains, if they explain how the drive moved; None if not."""
        plan = self.plan
        if self._count < _MIN_ROWS or self._moved == 0:
            return None
        spec = np.array(
            [
                plan.integral / 2.0 ** (plan.integral_shift + plan.scale_shift),
                plan.proportional / 2.0 ** (plan.proportional_shift + plan.scale_shift),
            ]
        )
        used = 2 if np.linalg.det(self._square) > 0 else 1
        gains = np.linalg.solve(self._square[:used, :used], self._product[:used])
        # Both scales are rounded to whole units: a sixth of one in the square.
        left = self._moved - float(gains @ self._product[:used]) - self._count / 6
        if left > (1 - _EXPLAINED) * self._moved + self._count / 6:
            return None
        ratio = float(gains[0] / spec[0])
        push = f"{gains[1] / spec[1]:.4g} times" if spec[1] and used > 1 else ""
        if abs(ratio - 1) < _SAME and (not push or abs(gains[1] / spec[1] - 1) < _SAME):
            return None
        text = f"the gains are not this spec's: the integral gain is {ratio:.4g} times its"
        if push:
            text += f", the proportional one {push} its"
        return Cause("gains", text)
