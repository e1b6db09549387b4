"""Is each row of a log what the integer model makes of the rows before it?

What the log does not tell is carried as an interval: the integrator (known to what the scale's
rounding leaves, unless it is logged), the ramp, the counts of updates up to SETTLED and to
IMPLAUSIBLE, and how many blocks are due. A step maps intervals to intervals: integral and ramp rise
with what they were before, so their ends map to ends. What the row shows then narrows the result;
if nothing is left the row is not the model's. Nothing is guessed: a row of the model's own is never
refused, and with sums and integral logged nothing is unknown after a row, so that the comparison is
bit for bit. Whether the sensor was stuck cannot be told from a sum; either is allowed.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from halfcycle.bench.log_readings import Readings
from halfcycle.bench.log_rows import COUNTER, LogRows
from halfcycle.regulator.arithmetic import half, round_shift_signed
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import (
    ALL_FLAGS,
    FLAG_BROWNOUT,
    FLAG_IMPLAUSIBLE,
    FLAG_IN_BAND,
    FLAG_LIMIT,
    FLAG_MISSED,
    FLAG_OVER,
    FLAG_SETTLED,
)

if TYPE_CHECKING:
    from halfcycle.regulator.plan import Plan

MAX_ERRORS = 64
"""Errors that are tried one by one; of more, bounds are taken."""
Interval = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Row:
    """One row. ``low`` and ``high``: the readings that show its millivolts; ``by_sums``: the one
    that its sums give; -1, as ``integral``: not known."""

    line: int
    update: int
    target: int
    rms_mv: int
    scale: int
    flags: int
    integral: int
    low: int
    high: int
    by_sums: int

    @property
    def reading(self) -> Interval:
        """Least and greatest reading; empty (the greatest is less) if sums and millivolts
        contradict each other."""
        if self.by_sums < 0:
            return self.low, self.high
        return (self.by_sums, self.by_sums if self.low <= self.by_sums <= self.high else -1)


def rows_of(rows: LogRows, readings: Readings) -> Iterator[Row]:
    """The rows one by one."""
    none = [-1] * len(rows)
    columns = (
        *(rows.line, rows.update, rows.target, rows.rms_mv, rows.scale, rows.flags),
        rows.integral,
        *(readings.low, readings.high, readings.by_sums),
    )
    return map(Row, *(none if column is None else column.tolist() for column in columns))


@dataclass(slots=True)
class Hidden:
    """What is known of the firmware's state after a row."""

    row: Row
    integral: Interval
    ramp: Interval
    unsettled: Interval
    undriven: Interval
    due: frozenset[int]
    """Blocks up to the next PI step: each count that may be."""
    scales: deque[int] = field(default_factory=deque)
    """Scales in force at the last PI steps, the later last."""


class RowModel:
    """What rows may follow a row, by the integers of ``plan``."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.regulator = Regulator(plan)
        self.history = 3 * plan.span_updates
        self.usual = frozenset({plan.update_blocks})
        self.half = half(plan.scale_shift)

    def fresh(self, row: Row) -> Hidden:
        """What a row says by itself: the first one, or one after a gap."""
        plan = self.plan
        blocks = plan.update_blocks
        if plan.blockwise and (row.flags & FLAG_MISSED or not (row.flags | row.scale | row.rms_mv)):
            blocks = plan.blocks  # The ring fills, after a hole or a reset.
        ramp = (0, row.target << plan.ramp_bits) if plan.ramped else (0, 0)
        unsettled = (0, plan.updates)
        if row.flags & FLAG_SETTLED:
            unsettled = (0, 0)
        elif not row.flags & FLAG_IN_BAND:
            unsettled = (plan.updates, plan.updates)
        return Hidden(
            row=row,
            integral=self._shown_alone(row, ramp),
            ramp=ramp,
            unsettled=unsettled,
            undriven=(0, plan.updates),
            due=frozenset(range(1, blocks + 1)),
            scales=deque(maxlen=self.history),
        )

    def _shown_alone(self, row: Row, ramp: Interval) -> Interval:
        """The integral that a row by itself leaves open."""
        plan = self.plan
        if row.integral >= 0:
            return row.integral, row.integral
        if row.target == 0 and not plan.blockwise:
            return 0, 0
        if row.flags & FLAG_IMPLAUSIBLE:
            return 0, row.scale << plan.scale_shift
        if not plan.has_proportional:
            return self.drives(row)
        return 0, plan.drive_max

    def follow(self, before: Hidden, row: Row) -> Hidden | None:
        """What is known after ``row``; None if the model does not make it of ``before``."""
        step = self._stepped(before, row) if 1 in before.due else None
        if not self.plan.blockwise:
            return step
        held = self._held(before, row)
        if step is None or held is None:
            return step or held
        return Hidden(
            row,
            _hull(step.integral, held.integral),
            _hull(step.ramp, held.ramp),
            _hull(step.unsettled, held.unsettled),
            _hull(step.undriven, held.undriven),
            step.due | held.due,
            step.scales,
        )

    def _held(self, before: Hidden, row: Row) -> Hidden | None:
        """After a block that no PI step came with: all is as it was, but for a target of 0."""
        plan, last = self.plan, before.row
        due = {count - 1 for count in before.due if count > 1}
        missed = last.flags & ~(FLAG_IN_BAND | FLAG_SETTLED) | FLAG_MISSED
        unsettled = before.unsettled
        if row.flags != last.flags:
            due = set()
        if row.flags == missed:
            due.add(plan.blocks - 1)
            unsettled = (plan.updates, plan.updates)
        if not due or row.rms_mv != last.rms_mv:
            return None
        integral, ramp, scale = before.integral, before.ramp, last.scale
        if row.target == 0:
            integral, ramp, scale = (0, 0), (0, 0), 0
        if row.scale != scale:
            return None
        if row.integral >= 0:
            if not integral[0] <= row.integral <= integral[1]:
                return None
            integral = (row.integral, row.integral)
        return Hidden(
            row, integral, ramp, unsettled, before.undriven, frozenset(due), before.scales
        )

    def _stepped(self, before: Hidden, row: Row) -> Hidden | None:
        """After a PI step, with the row's target, or with the one before if it was set between the
        update and the log."""
        after = self._stepped_to(before, row, row.target)
        if after is None and row.target != before.row.target:
            after = self._stepped_to(before, row, before.row.target)
        return after

    def _stepped_to(self, before: Hidden, row: Row, target: int) -> Hidden | None:
        plan = self.plan
        low, high = row.reading
        if high < low or row.flags & ~ALL_FLAGS or (plan.blockwise and row.flags & FLAG_MISSED):
            return None
        ramp, (least, most) = self._climbed(before.ramp, target)
        unsettled = self._unsettled(before, row)
        if unsettled is None:
            return None
        undriven, driven = self._undriven(before)
        errors = _inside((least - high, most - low), self._errors_of(row.flags))
        integral = None
        if errors[0] > errors[1]:
            return None
        if target == 0:
            quiet = not row.scale | row.flags & (FLAG_LIMIT | FLAG_BROWNOUT | FLAG_IMPLAUSIBLE)
            integral = (0, 0) if quiet and row.integral <= 0 else None
        elif row.flags & FLAG_IMPLAUSIBLE:
            integral = self._implausible(before, row, errors, driven)
        elif driven is not True or high >= plan.hold_reading or errors[0] <= 0:
            integral = self.integrals(before.integral, errors, row)
        if integral is None:
            return None
        scales = before.scales.copy()
        scales.append(before.row.scale)
        return Hidden(row, integral, ramp, unsettled, undriven, self.usual, scales)

    def _climbed(self, ramp: Interval, target: int) -> tuple[Interval, Interval]:
        """The ramp after a step, and the targets in force."""
        plan = self.plan
        if not plan.ramped:
            return ramp, (target, target)
        top = target << plan.ramp_bits
        low, high = (min(end + plan.ramp_step, top) for end in ramp)
        return (low, high), (low >> plan.ramp_bits, high >> plan.ramp_bits)

    def _errors_of(self, flags: int) -> Interval:
        """Errors, in units of the reading, with these flags."""
        band, far = self.plan.band, 1 << 40
        if flags & FLAG_OVER:
            return (-far, -band - 1) if not flags & FLAG_IN_BAND else (1, 0)
        if flags & FLAG_IN_BAND:
            return -band, band
        return band + 1, far

    def _unsettled(self, before: Hidden, row: Row) -> Interval | None:
        """The count up to SETTLED after a step; None if the flag cannot be so."""
        plan = self.plan
        settled = bool(row.flags & FLAG_SETTLED)
        if not row.flags & FLAG_IN_BAND:
            return None if settled else (plan.updates, plan.updates)
        if plan.updates == 1:
            return (0, 1) if settled == bool(before.row.flags & FLAG_IN_BAND) else None
        low, high = before.unsettled
        if settled:
            return (0, 0) if low == 0 else None
        return (max(low, 1) - 1, high - 1) if high > 0 else None

    def _undriven(self, before: Hidden) -> tuple[Interval, bool | None]:
        """The count up to a whole driven window, and whether it was driven (None: not known)."""
        plan, scale = self.plan, before.row.scale
        if plan.updates == 1:
            return (0, 0), scale >= plan.hold_scale
        if scale < plan.hold_scale:
            return (plan.updates, plan.updates), False
        low, high = (max(0, end - 1) for end in before.undriven)
        return (low, high), True if high == 0 else False if low > 0 else None

    def _implausible(
        self, before: Hidden, row: Row, errors: Interval, driven: bool | None
    ) -> Interval | None:
        """The integral after a step with an implausible reading."""
        plan = self.plan
        near_zero = row.reading[0] < plan.hold_reading
        if row.flags & (FLAG_LIMIT | FLAG_BROWNOUT):
            return None
        if row.reading[1] < plan.hold_reading and (driven is False or errors[1] <= 0):
            return None
        forces = [*before.scales, before.row.scale][-self.history :]
        whole = len(forces) == self.history
        high = min(forces) if plan.span_updates == 1 else before.row.scale
        low = min(forces) if whole else 0
        held = near_zero and row.scale == plan.hold_scale and low < plan.hold_scale
        if not held and not low <= row.scale <= high:
            return None
        most = row.scale << plan.scale_shift
        return self._logged(_ends(min(end, most) for end in before.integral), row)

    def integrals(self, before: Interval, errors: Interval, row: Row) -> Interval | None:
        """The integral after a PI step with one of ``errors`` that gives the row's scale, flags and
        integral; None if none does."""
        plan, (low, high) = self.plan, errors
        if bool(row.flags & FLAG_BROWNOUT) and not row.flags & FLAG_LIMIT:
            return None
        if row.flags & FLAG_LIMIT:
            # The target is missed if, and only if, the reading is below the band.
            if row.flags & FLAG_BROWNOUT:
                low = max(low, plan.band + 1)
            else:
                high = min(high, plan.band)
        if high - low >= MAX_ERRORS:
            return self._logged((0, plan.drive_max), row)  # The error is hardly known.
        fitting: Interval | None = None
        for error in range(low, high + 1):
            after = self._after(before, error, row)
            if after is not None:
                fitting = after if fitting is None else _hull(fitting, after)
        return fitting

    def _after(self, before: Interval, error: int, row: Row) -> Interval | None:
        """The same, with one error."""
        regulated = self.regulator.regulated
        low, drive = regulated(before[0], error)
        high = low
        if before[1] != before[0]:
            high = regulated(before[1], error)[0]
        shown = self.drives(row)
        if low == high:
            fits = shown[0] <= drive <= shown[1] and row.integral in {-1, low}
            return (low, low) if fits else None
        return self._logged(_inside((low, high), self._integrals_of(error, shown)), row)

    def _integrals_of(self, error: int, drives: Interval) -> Interval:
        """Integrals after a step with ``error`` whose drive is one of ``drives``: that is the
        integral and the push, held within 0 and the limit."""
        plan = self.plan
        if not plan.has_proportional:
            return drives
        top = plan.drive_max
        push = round_shift_signed(plan.proportional * error, plan.proportional_shift)
        low = 0 if drives[0] == 0 else min(drives[0] - push, top)
        high = top if drives[1] == top else drives[1] - push
        if plan.proportional < 0 and drives[0] == 0:
            high = max(high, 0)  # At 0 a push upward is left out.
        return max(low, 0), min(high, top)

    @staticmethod
    def _logged(integral: Interval, row: Row) -> Interval | None:
        """``integral`` and what the row says of it."""
        if row.integral >= 0:
            integral = _inside(integral, (row.integral, row.integral))
        return integral if integral[0] <= integral[1] else None

    def drives(self, row: Row) -> Interval:
        """Drives before rounding that give the row's scale and LIMIT."""
        plan = self.plan
        if row.flags & FLAG_LIMIT:
            return plan.drive_max, plan.drive_max
        low = (row.scale << plan.scale_shift) - self.half
        high = low + (1 << plan.scale_shift) - 1
        return max(low, 0), min(high, plan.drive_max - 1)


def follows(row: Row, last: Row) -> bool:
    """Whether a row is of the update after the last one."""
    return (row.update - last.update) % COUNTER == 1


def _hull(a: Interval, b: Interval) -> Interval:
    return min(a[0], b[0]), max(a[1], b[1])


def _inside(a: Interval, b: Interval) -> Interval:
    return max(a[0], b[0]), min(a[1], b[1])


def _ends(values: Iterable[int]) -> Interval:
    low, high = values
    return low, high
