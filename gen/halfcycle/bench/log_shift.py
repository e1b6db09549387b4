"""Columns of a log that are a row off their update: read ahead of it, or after the next one.

Every other value is right, so that the log is the model's as soon as the column is moved back. That
is tried on the rows about the first difference, column by column.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from halfcycle.base.text import listed
from halfcycle.bench.log_causes import Cause
from halfcycle.bench.log_hidden import Hidden, follows, rows_of
from halfcycle.bench.log_model import RowModel
from halfcycle.bench.log_readings import ReadingsOf
from halfcycle.bench.log_rows import LogRows, rows_joined, steps_of

if TYPE_CHECKING:
    from halfcycle.regulator.plan import Plan

BEFORE, AFTER = 200, 400
"""Rows that are looked at before the first difference and after it."""
EXPLAINED = 20
"""One row in so many of those that differ may differ still."""
COLUMNS = (
    ("rms_mv",),
    ("scale",),
    ("target",),
    ("flags",),
    ("integral",),
    ("sum",),
    ("rms_mv", "scale", "flags"),
)
"""What is read apart from the rest: a value, or all that the calls return beside the fields of the
state."""
_TITLES = {"target": "target_mv"}


class ShiftedColumns:
    """Keeps the rows about a log's first difference, and says which columns are a row off."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._model = RowModel(plan)
        self._rows: LogRows | None = None
        self._last: int | None = None

    def feed(self, rows: LogRows, first_line: int | None) -> None:
        """Take in the next piece; ``first_line``: that of the first difference so far."""
        if self._last is not None and self._rows is not None and len(self._rows) >= self._last:
            return
        kept = rows if self._rows is None else rows_joined(self._rows, rows)
        if first_line is None:
            self._rows = kept.rows(slice(max(0, len(kept) - BEFORE), None))
            return
        at = int(np.searchsorted(kept.line, first_line))
        begin = max(0, at - BEFORE)
        self._last = at - begin + AFTER
        self._rows = kept.rows(slice(begin, begin + self._last))

    def cause(self) -> Cause | None:
        """The columns that explain the differences best if they are moved back, with those that do
        it as well; None if none does."""
        if self._rows is None:
            return None
        least: int | None = None
        best: list[tuple[tuple[str, ...], bool]] = []
        for late in (True, False):
            beside = _beside(self._rows, late=late)
            before = self._differing(self._rows.rows(beside), len(self._rows))
            if before == 0:
                continue
            for names in COLUMNS:
                if any(getattr(self._rows, name) is None for name in names):
                    continue
                most = before // EXPLAINED if least is None else least
                left = self._differing(_moved(self._rows, names, late=late).rows(beside), most)
                # What fewer columns explain as well needs no more of them.
                if left > most or (left == least and any(set(had) < set(names) for had, _ in best)):
                    continue
                best = [*(best if left == least else []), (names, late)]
                least = left
        if not best:
            return None
        # Of few rows a scale that is a row late may as well be a reading that is a row early.
        causes = [_said(names, late=late) for names, late in best]
        return Cause(causes[0].kind, "; or ".join(cause.text for cause in causes))

    def _differing(self, rows: LogRows, most: int) -> int:
        """Rows that are not the model's; no more than one beyond ``most`` are counted."""
        hidden: Hidden | None = None
        count = 0
        for row in map(rows_of(rows, ReadingsOf(self._plan).of(rows)), range(len(rows))):
            after = None
            if hidden is not None and follows(row, hidden.row):
                after = self._model.follow(hidden, row)
                count += after is None
                if count > most:
                    break
            hidden = after or self._model.fresh(row)
        return count


def _beside(rows: LogRows, *, late: bool) -> NDArray[np.bool_]:
    """Which rows have that of the next update after them, or that of the last one before them."""
    following = steps_of(rows.update) == 1
    return np.append(following, False) if late else np.append(False, following)


def _moved(rows: LogRows, names: tuple[str, ...], *, late: bool) -> LogRows:
    """With the columns of these ``names`` as the row after has them, if they come ``late``, or as
    the row before has them."""
    moved = {name: np.roll(getattr(rows, name), -1 if late else 1) for name in names}
    return replace(rows, **moved)


def _said(names: tuple[str, ...], *, late: bool) -> Cause:
    which = listed([_TITLES.get(name, name) for name in names])
    are = "are those" if "flags" in names else "is that"
    if late:
        return Cause("late", f"{which} {are} of the row before: read ahead of the update")
    return Cause("early", f"{which} {are} of the row after: read when the next update was done")
