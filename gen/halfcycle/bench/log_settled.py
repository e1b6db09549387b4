"""Rows at which nothing but the integral can change, checked many at a time.

Most of a long log is settled: within the band, at one target, the sensor plausible and no limit
met. A PI step then adds a known step to the integral, and the row's scale (and its integral, if it
is logged) says within which interval the sum is. Over a run of such rows the interval that
``log_model`` makes row by row is in closed form: with S the sum of the steps, its low end is S and
the greatest of (low bound - S) so far. Rows that are not so, and the first one that is not the
model's, are left to ``log_model``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from halfcycle.bench.log_hidden import Hidden, Interval
from halfcycle.bench.log_readings import Readings
from halfcycle.bench.log_rows import Ints, LogRows, steps_of
from halfcycle.regulator.arithmetic import half
from halfcycle.regulator.plan import FLAG_IN_BAND, FLAG_SETTLED
from halfcycle.regulator.trace import round_shift_signed

if TYPE_CHECKING:
    from halfcycle.regulator.plan import Plan

_SETTLED = FLAG_IN_BAND | FLAG_SETTLED
MIN_RUN = 8
"""Fewer rows are as fast one by one."""
MIN_AHEAD = 64
"""Rows that are looked at at once, at first."""


class SettledRuns:
    """The settled runs of a piece of a log, by ``plan``."""

    def __init__(self, plan: Plan, rows: LogRows, readings: Readings) -> None:
        self._plan = plan
        self._rows = rows
        reading, most = readings.ranges
        known = reading == most
        error = rows.target - reading
        self._step = round_shift_signed(plan.integral * error, plan.integral_shift)
        push = round_shift_signed(plan.proportional * error, plan.proportional_shift)
        settled = self._settled(reading) & known & self._bound(push)
        # Of each row: the first one from there on that is not settled.
        ends = np.where(settled, len(rows), np.arange(len(rows)))
        self._ends = np.minimum.accumulate(ends[::-1])[::-1]
        self._ahead = MIN_AHEAD

    def _settled(self, reading: Ints) -> NDArray[np.bool_]:
        """Which rows are as the module says, and so is the row before."""
        plan, rows, settled = self._plan, self._rows, np.zeros(len(reading), dtype=bool)
        if plan.law or (plan.blockwise and plan.update_blocks != 1):
            return settled  # What a row leaves open is more than the integral.
        here = (rows.flags == _SETTLED) & (rows.target > 0)
        here &= (rows.scale >= plan.hold_scale) & (reading >= plan.hold_reading)
        here &= np.abs(rows.target - reading) <= plan.band
        settled[1:] = here[1:] & here[:-1] & (steps_of(rows.update) == 1)
        settled[1:] &= rows.target[1:] == rows.target[:-1]
        return settled

    def _bound(self, push: Ints) -> NDArray[np.bool_]:
        """Which rows show a drive and integrals that are off the limits; sets these bounds."""
        plan, rows = self._plan, self._rows
        least = (rows.scale << plan.scale_shift) - half(plan.scale_shift)
        most = least + (1 << plan.scale_shift) - 1
        low, high = least - push, most - push
        inside = (least > 0) & (most < plan.drive_max - 1) & (low > 0) & (high < plan.drive_max)
        if rows.integral is not None:
            low, high = np.maximum(low, rows.integral), np.minimum(high, rows.integral)
        self._low, self._high = low, high
        return np.asarray(inside, dtype=np.bool_)

    def follow(self, before: Hidden | None, first: int) -> tuple[int, Hidden] | None:
        """How many rows from ``first`` on are settled and the model's, and what is known after
        them but for the row itself; None if those are few, or if ``before``, of the row before,
        leaves more open than the integral."""
        last = min(int(self._ends[first]), first + self._ahead)
        if before is None or last - first < MIN_RUN or not self._fits(before):
            return None
        rows = slice(first, last)
        sums = np.cumsum(self._step[rows])
        low = np.maximum(np.maximum.accumulate(self._low[rows] - sums), before.integral[0]) + sums
        high = np.minimum(np.minimum.accumulate(self._high[rows] - sums), before.integral[1]) + sums
        wrong = np.flatnonzero(low > high)
        count = int(wrong[0]) if len(wrong) else last - first
        # Few rows may fit between those that differ.
        self._ahead = MIN_AHEAD if len(wrong) else 4 * self._ahead
        if count == 0:
            return None
        return count, self._after(before, first, (int(low[count - 1]), int(high[count - 1])), count)

    def _fits(self, before: Hidden) -> bool:
        plan = self._plan
        top = before.row.target << plan.ramp_bits
        return (
            (not plan.ramped or before.ramp == (top, top))
            and before.unsettled[0] == 0
            and before.undriven == (0, 0)
            and (not plan.blockwise or (before.due == {1} and before.held_due == (0, 0)))
        )

    def _after(self, before: Hidden, first: int, integral: Interval, count: int) -> Hidden:
        plan, past = self._plan, before.past
        # In force at a step is the scale of the row before.
        for scale in self._rows.scale[first - 1 : first + count - 1][-3 * past.span :].tolist():
            past = past.after_step(scale)
        past = replace(past, clear=before.past.clear + count)
        unsettled = (0, 1) if plan.updates == 1 else (0, 0)
        return replace(before, integral=integral, unsettled=unsettled, past=past, share=(0, 0))
