"""The model check of a whole log, piece by piece: which rows differ, and why the first one may."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.bench.gain_ratio import GainRatio
from halfcycle.bench.log_causes import Cause, cause_of
from halfcycle.bench.log_hidden import Hidden, Row, follows, rows_of
from halfcycle.bench.log_model import RowModel
from halfcycle.bench.log_readings import Readings
from halfcycle.bench.log_rows import Ints, LogRows
from halfcycle.bench.log_settled import SettledRuns
from halfcycle.bench.log_shift import ShiftedColumns
from halfcycle.regulator.plan import FLAG_HELD, FLAG_IMPLAUSIBLE, FLAG_MISSED

if TYPE_CHECKING:
    from halfcycle.regulator.plan import Plan

SYSTEMATIC = 0.1
"""Rows that differ, of those compared: beyond this share it is not a chance event."""

FEW = 3
"""Fewer rows that differ have many explanations: the one of the first row goes before that of a
column that is a row off."""

_ODD = FLAG_HELD | FLAG_IMPLAUSIBLE | FLAG_MISSED
"""After a window with one of these the reading is not the plant's answer to the last scales."""


@dataclass(frozen=True, slots=True)
class Difference:
    """The first row that the model does not make of those before it."""

    line: int
    update: int
    cause: Cause


@dataclass(slots=True)
class CheckedLog:
    """What the check of a log says: rows, and gaps between them; rows compared with what the model
    makes, and of these the ones that differ; rows with MISSED, and with HELD; whether every row
    compared had its integral (bit for bit)."""

    rows: int = 0
    gaps: int = 0
    compared: int = 0
    differing: int = 0
    missed: int = 0
    held: int = 0
    exact: bool = True
    first: Difference | None = None
    cause: Cause | None = None
    """Of the first difference, by all rows."""

    @property
    def foreign(self) -> bool:
        """Whether most rows differ: nothing of such a log is a board's of this firmware."""
        return 2 * self.differing > self.compared


class LogCheck:
    """Checks a log's pieces, one after the other."""

    def __init__(self, plan: Plan) -> None:
        self.result = CheckedLog()
        self._plan = plan
        self._model = RowModel(plan)
        self._hidden: Hidden | None = None
        self._contradicting = 0
        self._contradiction: Cause | None = None
        self._gains = GainRatio(plan)
        self._shifted = ShiftedColumns(plan)

    def feed(self, rows: LogRows, readings: Readings) -> Ints:
        """Check the next piece. Returns (N,) which rows end a PI step that follows the one before:
        2; one whose reading is not the plant's answer, as the first: 1; and none: 0."""
        result, kinds = self.result, list[int]()
        row_at, settled = rows_of(rows, readings), SettledRuns(self._plan, rows, readings)
        while (at := len(kinds)) < len(rows):
            run = settled.follow(self._hidden, at)
            if run is not None:
                count, after = run
                result.compared += count
                self._hidden = replace(after, row=row_at(at + count - 1))
                kinds += [2] * count
            else:
                kinds.append(self._follow(row_at(at)))
        result.rows += len(rows)
        result.exact &= rows.integral is not None and rows.sum is not None
        result.missed += int(((rows.flags & FLAG_MISSED) > 0).sum())
        result.held += int(((rows.flags & FLAG_HELD) > 0).sum())
        self._gains.feed(rows, readings)
        self._shifted.feed(rows, result.first.line if result.first else None)
        return np.array(kinds, dtype=np.int64)

    def _follow(self, row: Row) -> int:
        """The check of one row; its kind as ``feed`` says."""
        result, model, before = self.result, self._model, self._hidden
        if before is None or not follows(row, before.row):
            result.gaps += before is not None
            self._hidden = model.fresh(row)
            return 1
        result.compared += 1
        after = model.follow(before, row)
        if after is None:
            result.differing += 1
            if row.contradictory:
                self._contradicting += 1
                self._contradiction = self._contradiction or cause_of(model, before, row)
            if result.first is None:
                result.first = Difference(row.line, row.update, cause_of(model, before, row))
            after = model.fresh(row)
        self._hidden = after
        return self._kind(before, after)

    def _kind(self, before: Hidden, after: Hidden) -> int:
        """As ``feed`` says."""
        plan, last, row = self._plan, before.row, after.row
        stepped = not plan.blockwise or after.due == {plan.update_blocks}
        if stepped and len(before.due) == 1 and not (last.flags | row.flags) & _ODD:
            return 2
        awaits = last.flags & ~row.flags & FLAG_IMPLAUSIBLE
        return 1 if stepped or awaits else 0

    def done(self) -> CheckedLog:
        """The result, with what only all rows together say of the cause."""
        result = self.result
        if result.first is not None:
            cause = result.first.cause
            if self._contradiction and self._contradicting > SYSTEMATIC * result.compared:
                cause = self._contradiction
            known = cause.sure or (cause.kind == "scaling" and cause.ratio is not None)
            if result.differing > SYSTEMATIC * result.compared and not known:
                cause = self._gains.cause() or cause
            elif known and not cause.sure and result.differing <= SYSTEMATIC * result.compared:
                # Another sensor would show in every row.
                text = f"rms_mv alone is wrong, {cause.ratio:.5g} times what the sum makes"
                cause = Cause("reading", text)
            if cause.kind == "unknown" or result.differing >= FEW:
                cause = self._shifted.cause() or cause
            result.cause = cause
        return result
