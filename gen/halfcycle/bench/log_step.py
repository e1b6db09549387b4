"""What a PI step may leave, branch by branch as ``regulator.model`` takes them, by intervals."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from halfcycle.bench.log_drive import FAR, DriveModel, share_at
from halfcycle.bench.log_hidden import Hidden, Interval, Row, hull, inside
from halfcycle.regulator import arithmetic
from halfcycle.regulator.plan import (
    FLAG_BROWNOUT,
    FLAG_HELD,
    FLAG_IMPLAUSIBLE,
    FLAG_IN_BAND,
    FLAG_LIMIT,
    FLAG_MISSED,
    FLAG_OVER,
    FLAG_SETTLED,
)

if TYPE_CHECKING:
    from halfcycle.regulator.plan import Plan

_NONE: Interval = (1, 0)


@dataclass(frozen=True, slots=True)
class _Step:
    """A PI step that ends at ``row``: what may have come in."""

    before: Hidden
    row: Row
    target: int
    """That was set."""
    targets: Interval
    """In force, after the ramp."""
    errors: Interval
    """With the row's flags."""
    driven: bool | None
    """Whether the whole window was; None: not known."""

    @property
    def held(self) -> bool:
        return bool(self.row.flags & FLAG_HELD)

    @property
    def failed(self) -> bool:
        """Whether the sensor had failed at the step before."""
        return bool(self.before.row.flags & FLAG_IMPLAUSIBLE)

    @property
    def quiet(self) -> bool:
        """No limit holds."""
        return not self.row.flags & (FLAG_LIMIT | FLAG_BROWNOUT)


@dataclass(frozen=True, slots=True)
class _After:
    """What a branch leaves, and the errors that lead to it."""

    integral: Interval
    errors: Interval
    awaits: bool = False
    """Whether a whole window is waited for."""


class StepModel:
    """The PI step of ``plan`` with its flags."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.drive = DriveModel(plan)

    def after(self, before: Hidden, row: Row, target: int) -> Hidden | None:
        """What is known after a PI step with this target; None if it cannot end at ``row``."""
        plan, (low, high) = self.plan, row.reading
        if (
            high < low
            or row.flags & ~plan.all_flags
            or (plan.blockwise and row.flags & FLAG_MISSED)
        ):
            return None
        waits = bool(row.flags & FLAG_HELD or before.row.flags & FLAG_IMPLAUSIBLE)
        ramp, targets = self._climbed(before.ramp, target, waits)
        errors = inside((targets[0] - high, targets[1] - low), self._errors_of(row.flags))
        unsettled = self._unsettled(before, row)
        held_due = self._held_due(before, row)
        if errors[0] > errors[1] or unsettled is None or held_due is None:
            return None
        undriven, driven = self._undriven(before)
        found = list(self._branches(_Step(before, row, target, targets, errors, driven)))
        if not found:
            return None
        integral, errors = found[0].integral, found[0].errors
        for one in found[1:]:
            integral, errors = hull(integral, one.integral), hull(errors, one.errors)
        if plan.ramped:
            bits = plan.ramp_bits
            ramp = inside(ramp, (errors[0] + low << bits, (errors[1] + high + 1 << bits) - 1))
        due = frozenset(plan.blocks if one.awaits else plan.update_blocks for one in found)
        past = before.past.after_step(before.row.scale)
        if any(one.awaits for one in found):
            past = past.broken()
        # The error that is known is the one of the target in force.
        low, high = (share_at(plan, error, target) for error in errors)
        if target == 0:
            low, high = min(low, 0), max(high, 0)  # A reset leaves no 1/target: the share is 0.
        return Hidden(row, integral, ramp, unsettled, undriven, held_due, due, past, (low, high))

    def _branches(self, step: _Step) -> Iterator[_After]:
        """Each branch of ``Regulator._step`` that may end at the row."""
        plan, row, errors = self.plan, step.row, step.errors
        may_fail, may_work = self._plausible(step)
        if row.flags & FLAG_IMPLAUSIBLE:
            if not step.quiet:
                return
            may_fail = may_fail and step.targets[1] > 0
            if plan.latched:
                yield from self._at_rest(step, errors if step.failed or may_fail else _NONE)
                return
            if may_fail:
                yield from self._failing(step)
            # A hole says nothing of a stuck sensor.
            if step.failed and may_work and row.flags & FLAG_MISSED:
                yield from self._unchanged(step, errors, awaits=False)
            return
        if plan.latched and step.failed:
            return
        if step.targets[0] == 0 and step.quiet:
            low, high = row.reading
            yield from self._at_rest(step, inside(errors, (-high, -low)))
        if step.targets[1] == 0 or not may_work:
            return
        if not step.failed:
            yield from self._regulated(step)
        elif step.quiet and not row.flags & FLAG_MISSED:
            yield from self._unchanged(step, errors, awaits=plan.blockwise)

    def _plausible(self, step: _Step) -> tuple[bool, bool]:
        """Whether the reading may be implausible, and whether it may not. From the sensor's stop
        anything may be read, so that a reading that is not near zero may always be a stuck one's.
        """
        if step.held:
            return False, True
        near, far = self._where(step.row)
        may_fail = far or (near and step.driven is not False and step.errors[1] > 0)
        may_work = far or (near and (step.driven is not True or step.errors[0] <= 0))
        return may_fail, may_work

    def _where(self, row: Row) -> tuple[bool, bool]:
        """Whether the reading may be near zero, and whether it may not."""
        low, high = row.reading
        return low < self.plan.hold_reading, high >= self.plan.hold_reading

    @staticmethod
    def _at_rest(step: _Step, errors: Interval) -> Iterator[_After]:
        """No drive."""
        if errors[0] <= errors[1] and step.row.scale == 0 and step.row.integral <= 0:
            yield _After((0, 0), errors)

    @staticmethod
    def _unchanged(step: _Step, errors: Interval, *, awaits: bool) -> Iterator[_After]:
        """The drive stays as it was."""
        integral = step.row.shown(step.before.integral)
        if integral is not None and step.row.scale == step.before.row.scale:
            yield _After(integral, errors, awaits)

    def _failing(self, step: _Step) -> Iterator[_After]:
        """The safe scale of a sensor that fails."""
        plan, row = self.plan, step.row
        least = step.before.past.least(step.before.row.scale)
        low, high = (
            min(end, arithmetic.scale_by(target, plan.enough_gain, plan.enough_shift))
            for end, target in zip(least, step.targets, strict=True)
        )
        near, far = self._where(row)
        fits = far and low <= row.scale <= high
        if near:
            hold = plan.hold_scale
            fits = fits or max(low, hold) <= row.scale <= max(high, hold)
        most = row.scale << plan.scale_shift
        before = step.before.integral
        integral = row.shown((min(before[0], most), min(before[1], most)))
        if fits and integral is not None:
            yield _After(integral, step.errors)

    def _regulated(self, step: _Step) -> Iterator[_After]:
        """The PI step itself, or none if the drive does not show yet."""
        plan, row, errors = self.plan, step.row, step.errors
        near, far = self._where(row)
        unshown = plan.updates > 1 and step.before.row.scale >= plan.hold_scale
        if near and unshown and errors[1] > 0 and step.quiet:
            yield from self._unchanged(step, (max(errors[0], 1), errors[1]), awaits=False)
        if not far and (unshown or (step.driven is True and not step.held)):
            errors = (errors[0], min(errors[1], 0))
        top = self.drive.top(step.before.row, row)
        drive = self.drive.of(step.before, step.target)
        after = drive.integrals(step.before.integral, errors, row, top)
        if after is not None:
            yield _After(*after)

    def _climbed(self, ramp: Interval, target: int, waits: bool) -> tuple[Interval, Interval]:
        """The ramp after a step, and the targets in force."""
        plan = self.plan
        if not plan.ramped:
            return ramp, (target, target)
        top, climb = target << plan.ramp_bits, 0 if waits else plan.ramp_step
        low, high = (min(end + climb, top) for end in ramp)
        return (low, high), (low >> plan.ramp_bits, high >> plan.ramp_bits)

    def _errors_of(self, flags: int) -> Interval:
        """Errors, in units of the reading, with these flags."""
        band = self.plan.band
        if flags & FLAG_OVER:
            return (-FAR, -band - 1) if not flags & FLAG_IN_BAND else _NONE
        if flags & FLAG_IN_BAND:
            return -band, band
        return band + 1, FAR

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

    def _held_due(self, before: Hidden, row: Row) -> Interval | None:
        """The count up to the end of HELD after a step; None if the flag cannot be so."""
        plan, held = self.plan, row.flags & FLAG_HELD
        if not plan.blockwise:
            return before.held_due
        low, high = (max(0, end - 1) for end in before.held_due)
        if not held:
            return (0, 0) if low == 0 else None
        return (max(low, 1) if high > 0 else plan.blocks), plan.blocks
