"""Is each row of a log what the integer model makes of the rows before it?

What the log does not tell is carried as an interval: the integrator (known to what the scale's
rounding leaves, unless it is logged), the ramp, the counts of updates up to SETTLED, to IMPLAUSIBLE
and to the end of HELD, and how many blocks are due. A step maps intervals to intervals; what the
row shows then narrows the result, and if nothing is left the row is not the model's. Nothing is
guessed: a row of the model's own is never refused, and with sums and integral logged nothing but
counts is unknown after a row, so that the comparison is bit for bit. Whether the sensor was stuck,
and in which block a limiter acted, cannot be told from a row; either is allowed. One thing is taken
for granted: the target is set no more than once between two rows, before the update or after it.
"""

from __future__ import annotations

from functools import reduce
from typing import TYPE_CHECKING

from halfcycle.bench.log_hidden import Hidden, Interval, Row
from halfcycle.bench.log_past import PastScales
from halfcycle.bench.log_step import StepModel
from halfcycle.regulator.plan import (
    FLAG_BUS_LOST,
    FLAG_IMPLAUSIBLE,
    FLAG_IN_BAND,
    FLAG_MISSED,
    FLAG_SETTLED,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from halfcycle.regulator.plan import Plan


class RowModel:
    """What rows may follow a row, by the integers of ``plan``."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.step = StepModel(plan)
        self.drive = self.step.drive

    def fresh(self, row: Row) -> Hidden:
        """What a row says by itself: the first one, or one after a gap."""
        plan = self.plan
        unsettled = (0, plan.updates)
        if row.flags & FLAG_SETTLED:
            unsettled = (0, 0)
        elif not row.flags & FLAG_IN_BAND:
            unsettled = (plan.updates, plan.updates)
        return Hidden(
            row=row,
            integral=self._shown_alone(row),
            ramp=(0, plan.target_max << plan.ramp_bits if plan.ramped else 0),
            unsettled=unsettled,
            undriven=(0, plan.updates),
            held_due=(0, plan.blocks if plan.blockwise else 0),
            due=frozenset(range(1, self._most_due(row) + 1)),
            past=PastScales(plan.span_updates),
        )

    def _most_due(self, row: Row) -> int:
        """Blocks up to the next PI step, at most."""
        plan = self.plan
        if row.flags & FLAG_MISSED or not row.flags | row.scale | row.rms_mv:
            return plan.blocks  # The ring fills, after a hole or a reset.
        if plan.latched or row.flags & FLAG_IMPLAUSIBLE:
            return plan.update_blocks
        return plan.blocks  # The sensor may just have begun to read again.

    def _shown_alone(self, row: Row) -> Interval:
        """The integral that a row by itself leaves open."""
        plan = self.plan
        if row.integral >= 0:
            return row.integral, row.integral
        if row.flags & FLAG_IMPLAUSIBLE:
            return 0, row.scale << plan.scale_shift
        if not plan.has_proportional:
            # Below its drive only after a sensor failed.
            return 0, self.drive.drives(row)[1]
        return 0, plan.drive_max

    def follow(self, before: Hidden, row: Row) -> Hidden | None:
        """What is known after ``row``; None if the model does not make it of ``before``."""
        step = self._stepped(before, row) if 1 in before.due else None
        if not self.plan.blockwise:
            return step
        waited = self._waited(before, row)
        if step is None or waited is None:
            return step or waited
        return step.or_else(waited)

    def _stepped(self, before: Hidden, row: Row) -> Hidden | None:
        """After a PI step, with the row's target, or with the one before if it was set between the
        update and the log."""
        targets = dict.fromkeys((row.target, before.row.target))
        return _either(self.step.after(before, row, target) for target in targets)

    def _waited(self, before: Hidden, row: Row) -> Hidden | None:
        """After a block that no PI step came with: all is as it was, but for a target of 0."""
        plan, last = self.plan, before.row
        bus = FLAG_BUS_LOST if plan.bus else 0  # It comes and goes at any block.
        flags, were = row.flags & ~bus, last.flags & ~bus
        due = {count - 1 for count in before.due if count > 1 and flags == were}
        unsettled, past = before.unsettled, before.past
        if flags == were & ~(FLAG_IN_BAND | FLAG_SETTLED) | FLAG_MISSED:
            due.add(plan.blocks - 1)
            unsettled, past = (plan.updates, plan.updates), past.broken()
        if not due or row.rms_mv != last.rms_mv:
            return None
        held_due = max(0, before.held_due[0] - 1), plan.blocks
        found = []
        for rests in {row.target == 0, last.target == 0}:
            integral, ramp, scale = before.integral, before.ramp, last.scale
            if rests:
                integral, ramp, scale = (0, 0), (0, 0), 0
            shown = row.shown(integral)
            if row.scale == scale and shown is not None:
                undriven = before.undriven
                found.append(
                    Hidden(row, shown, ramp, unsettled, undriven, held_due, frozenset(due), past)
                )
        return _either(found)


def _either(found: Iterator[Hidden | None] | list[Hidden]) -> Hidden | None:
    """What is known if the state may be any of those that there are."""
    possible = [one for one in found if one is not None]
    return reduce(Hidden.or_else, possible) if possible else None
