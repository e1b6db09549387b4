"""What the PI step itself may leave: integral and drive as intervals.

Both rise with the integral before, so that the ends of an interval map to ends; what the row shows
of the drive then narrows the result.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from halfcycle.bench.log_hidden import Hidden, Interval, Row, hull, inside
from halfcycle.regulator.arithmetic import half, round_shift_signed, share
from halfcycle.regulator.model import Regulator, inverse_of
from halfcycle.regulator.plan import FLAG_BROWNOUT, FLAG_HELD, FLAG_LIMIT

if TYPE_CHECKING:
    from halfcycle.regulator.plan import Plan

MAX_ERRORS = 64
"""Errors that are tried one by one; of more, bounds are taken."""
FAR = 1 << 40
"""Beyond any error."""


class DriveModel:
    """The PI step of ``plan``."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._regulator = Regulator(plan)
        self._half = half(plan.scale_shift)

    def top(self, last: Row, row: Row) -> int:
        """The limit of the drive at the step that ends at ``row``: what is in force if a limiter
        acted."""
        plan = self.plan
        if plan.bus and row.flags & FLAG_LIMIT:
            # Where the bus had it; without the flag it was not met.
            return row.scale << plan.scale_shift
        return last.scale << plan.scale_shift if row.flags & FLAG_HELD else plan.drive_max

    def of(self, before: Hidden, target: int) -> DriveModel:
        """The model of the step that follows ``before`` with this target."""
        return _NormalisedDrive(self, target, before.share) if self.plan.law else self

    def regulated(self, before: int, error: int, top: int) -> tuple[int, int]:
        """Integral and drive after a step."""
        return self._regulator.regulated(before, error, top)

    def scale_of(self, drive: int) -> int:
        """The scale that a drive is published as."""
        return (drive + self._half) >> self.plan.scale_shift

    def drives(self, row: Row) -> Interval:
        """Drives before rounding that give the row's scale and LIMIT; empty if none does."""
        plan = self.plan
        if row.flags & FLAG_LIMIT and plan.bus:
            return row.scale << plan.scale_shift, row.scale << plan.scale_shift
        if row.flags & FLAG_LIMIT:
            return plan.drive_max, plan.drive_max if row.scale == plan.scale_max else -1
        low = (row.scale << plan.scale_shift) - self._half
        high = low + (1 << plan.scale_shift) - 1
        return max(low, 0), min(high, plan.drive_max - 1)

    def integrals(
        self, before: Interval, errors: Interval, row: Row, top: int
    ) -> tuple[Interval, Interval] | None:
        """The integral after a PI step with one of ``errors`` that gives the row's scale, flags and
        integral, and the errors that do; None if none does."""
        plan, (low, high) = self.plan, errors
        if bool(row.flags & FLAG_BROWNOUT) and not row.flags & FLAG_LIMIT:
            return None
        if row.flags & FLAG_LIMIT:
            # The target is missed if, and only if, the reading is below the band.
            if row.flags & FLAG_BROWNOUT:
                low = max(low, plan.band + 1)
            else:
                high = min(high, plan.band)
        drives = self.drives(row)
        if drives[0] > min(drives[1], top):
            return None
        low, high = inside((low, high), self._errors_by_integral(before, row, drives, top))
        if high - low >= MAX_ERRORS:
            # The error is hardly known.
            shown = row.shown((0, top))
            return (shown, (low, high)) if shown else None
        fitting: Interval | None = None
        least = most = low
        for error in range(low, high + 1):
            after = self._after(before, error, row, top)
            if after is not None:
                least = error if fitting is None else least
                most = error
                fitting = after if fitting is None else hull(fitting, after)
        return None if fitting is None else (fitting, (least, most))

    def _errors_by_integral(
        self, before: Interval, row: Row, drives: Interval, top: int
    ) -> Interval:
        """Errors by which the integral came to what the row says of it, if no limit was met."""
        plan = self.plan
        if not (0 < row.integral < top and drives[0] > 0 and drives[1] < top):
            return -FAR, FAR
        # The step is the product rounded: within 1.
        low = (row.integral - before[1] - 1 << plan.integral_shift) // plan.integral
        high = -((before[0] - row.integral - 1 << plan.integral_shift) // plan.integral)
        return low, high

    def _after(self, before: Interval, error: int, row: Row, top: int) -> Interval | None:
        """The integral, with one error."""
        low, drive = self.regulated(before[0], error, top)
        high = low
        if before[1] != before[0]:
            high = self.regulated(before[1], error, top)[0]
        shown = self.drives(row)
        if low == high:
            fits = shown[0] <= drive <= shown[1] and row.integral in {-1, low}
            return (low, low) if fits else None
        return row.shown(inside((low, high), self._integrals_of(error, shown, top)))

    def _integrals_of(self, error: int, drives: Interval, top: int) -> Interval:
        """Integrals after a step with ``error`` whose drive is one of ``drives``: that is the
        integral and the push, held within 0 and ``top``."""
        plan = self.plan
        if drives[0] > top:
            return 1, 0
        if not plan.has_proportional:
            return drives
        push = round_shift_signed(plan.proportional * error, plan.proportional_shift)
        low = 0 if drives[0] == 0 else min(drives[0] - push, top)
        high = top if drives[1] >= top else drives[1] - push
        if plan.proportional < 0 and drives[0] == 0:
            high = max(high, 0)  # At 0 a push upward is left out.
        return max(low, 0), min(high, top)


class _NormalisedDrive(DriveModel):
    """The step of the normalised law with one target, whose error before was a share of
    ``shares``."""

    def __init__(self, every: DriveModel, target: int, shares: Interval) -> None:
        # For every row there is one of these: what all have alike is made once.
        self.plan, self._regulator, self._half = every.plan, every._regulator, every._half
        self._target = target
        # With a positive proportional term the drive falls if the share before was greater.
        self._shares = shares if self.plan.proportional < 0 else (shares[1], shares[0])

    def regulated(self, before: int, error: int, top: int) -> tuple[int, int]:
        return self._regulated(before, error, top, self._shares[0])

    def _regulated(self, before: int, error: int, top: int, last: int) -> tuple[int, int]:
        now = share_at(self.plan, error, self._target)
        change = (now - last,) if self.plan.has_proportional else ()
        return self._regulator.regulated(before, now, *change, self._target, top)

    def _errors_by_integral(
        self, before: Interval, row: Row, drives: Interval, top: int
    ) -> Interval:
        return -FAR, FAR

    def _after(self, before: Interval, error: int, row: Row, top: int) -> Interval | None:
        ends = zip(before, self._shares, strict=True)
        low, high = (self._regulated(end, error, top, last)[0] for end, last in ends)
        # The drive is the integral.
        return row.shown(inside((low, high), self.drives(row)))


def share_at(plan: Plan, error: int, target: int) -> int:
    """The share of the ``target`` that an error is, as the C has it; 0 with the plain law."""
    law = plan.law
    if law is None:
        return 0
    return share(error, inverse_of(law, target), law.share_shift, law.share_one)
