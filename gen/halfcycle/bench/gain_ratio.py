"""Which gains or which sensor a log has, if not the spec's: from how its drive moves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from halfcycle.bench.capture_types import Floats
from halfcycle.bench.log_causes import Cause, sensor_or_spec
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
_MAX_CONDITION = 1e12
"""Beyond this the log does not tell the causes apart."""


class GainRatio:
    """Sums over a log's pieces of the change of the drive against the target, the reading and its
    change."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._square = np.zeros((3, 3))
        self._product = np.zeros(3)
        self._moved = 0.0
        self._count = 0

    def feed(self, rows: LogRows, readings: Readings) -> None:
        """Take in the next piece; the row across the border of two pieces is left out."""
        if self.plan.ramped or self.plan.update_blocks > 1 or len(rows) < 2:
            return
        # Another sensor's millivolts may be those of no reading.
        shown = rows.rms_mv * 2.0**self.plan.millivolt_shift / self.plan.millivolt_gain
        reading = np.where(readings.by_sums >= 0, readings.by_sums, shown)
        usable = (rows.flags & _BUSY == 0) & (rows.target > 0) & (rows.scale > 0)
        pairs = usable[1:] & usable[:-1] & (steps_of(rows.update) == 1)
        pairs &= rows.target[1:] == rows.target[:-1]
        moved = np.diff(rows.scale).astype(np.float64)[pairs]
        target = rows.target.astype(np.float64)
        causes = np.stack([target[1:], -reading[1:], -np.diff(reading)])[:, pairs]
        self._square += causes @ causes.T
        self._product += causes @ moved
        self._moved += float(moved @ moved)
        self._count += len(moved)

    def cause(self) -> Cause | None:
        """Another sensor or other gains, if they explain how the drive moved; None if not."""
        # The normalised law's drive does not move by the error alone.
        if self.plan.law or self._count < _MIN_ROWS or self._moved == 0:
            return None
        return self._scaling() or self._gains()

    def _scaling(self) -> Cause | None:
        """The reading counts less than the target by what the millivolts are too high."""
        found = self._solved(np.eye(3))
        if found is None or min(found[:2]) <= 0 or abs(found[0] / found[1] - 1) < _SAME:
            return None
        ratio = float(found[0] / found[1])
        text = (
            f"rms_mv is {ratio:.5g} times the reading that the drive goes by: "
            f"{sensor_or_spec(ratio)}, or target_mv is not what was set"
        )
        return Cause("scaling", text, ratio)

    def _gains(self) -> Cause | None:
        """With one coefficient for both."""
        plan = self.plan
        gains = self._solved(np.array([[1.0, 1.0, 0.0], [0.0, 0.0, 1.0]]))
        if gains is None:
            return None
        ratio = float(gains[0] * 2.0 ** (plan.integral_shift + plan.scale_shift) / plan.integral)
        push = ""
        same = abs(ratio - 1) < _SAME
        if plan.has_proportional:
            unit = 2.0 ** (plan.proportional_shift + plan.scale_shift)
            times = float(gains[1] * unit / plan.proportional)
            same = same and abs(times - 1) < _SAME
            push = f", the proportional one {times:.4g} times its"
        if same:
            return None
        text = f"the gains are not this spec's: the integral gain is {ratio:.4g} times its{push}"
        return Cause("gains", text)

    def _solved(self, together: Floats) -> Floats | None:
        """The coefficients of sums of the causes (K, 3); None if they explain too little."""
        square, product = together @ self._square @ together.T, together @ self._product
        size = np.sqrt(np.diag(square))
        if not (size > 0).all():
            return None
        even = square / np.outer(size, size)
        if np.linalg.cond(even) > _MAX_CONDITION:
            return None
        found = np.linalg.solve(even, product / size) / size
        # Both scales are rounded to whole units: a sixth of one in the square.
        left = self._moved - float(found @ product) - self._count / 6
        if left > (1 - _EXPLAINED) * self._moved + self._count / 6:
            return None
        return np.asarray(found, dtype=np.float64)
