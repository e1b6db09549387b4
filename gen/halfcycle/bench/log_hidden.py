"""A row of a log, and what is known of the firmware's state after it, as intervals."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from halfcycle.bench.log_past import PastScales
from halfcycle.bench.log_readings import Readings
from halfcycle.bench.log_rows import COUNTER, LogRows

Interval = tuple[int, int]
"""Least and greatest value; empty if the greatest is less."""


ANY_SHARE: Interval = (-(1 << 14), 1 << 15)
"""What the normalised law may have of an error, at most."""


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
    def contradictory(self) -> bool:
        """Whether its sums give another reading than its millivolts."""
        return self.by_sums >= 0 and not self.low <= self.by_sums <= self.high

    @property
    def reading(self) -> Interval:
        """Least and greatest reading; empty if sums and millivolts contradict each other."""
        if self.by_sums < 0:
            return self.low, self.high
        return self.by_sums, -1 if self.contradictory else self.by_sums

    def shown(self, integral: Interval) -> Interval | None:
        """``integral`` and what the row says of it; None if they contradict each other."""
        if self.integral >= 0:
            integral = inside(integral, (self.integral, self.integral))
        return integral if integral[0] <= integral[1] else None


@dataclass(frozen=True, slots=True)
class Hidden:
    """What is known of the firmware's state after a row: its fields of these names."""

    row: Row
    integral: Interval
    ramp: Interval
    unsettled: Interval
    undriven: Interval
    held_due: Interval
    due: frozenset[int]
    """``blocks_due``: each count that may be."""
    past: PastScales
    share: Interval = ANY_SHARE

    def or_else(self, other: Hidden) -> Hidden:
        """What is known if the state may be either, after the same row."""
        return Hidden(
            self.row,
            hull(self.integral, other.integral),
            hull(self.ramp, other.ramp),
            hull(self.unsettled, other.unsettled),
            hull(self.undriven, other.undriven),
            hull(self.held_due, other.held_due),
            self.due | other.due,
            self.past.or_else(other.past),
            hull(self.share, other.share),
        )


def rows_of(rows: LogRows, readings: Readings) -> Callable[[int], Row]:
    """Each row, by its place among ``rows``."""
    none = [-1] * len(rows)
    columns = (
        *(rows.line, rows.update, rows.target, rows.rms_mv, rows.scale, rows.flags),
        rows.integral,
        *(readings.low, readings.high, readings.by_sums),
    )
    values = [none if column is None else column.tolist() for column in columns]
    return lambda at: Row(*(column[at] for column in values))


def follows(row: Row, last: Row) -> bool:
    """Whether a row is of the update after the last one."""
    return (row.update - last.update) % COUNTER == 1


def hull(a: Interval, b: Interval) -> Interval:
    """The least interval that holds both."""
    return min(a[0], b[0]), max(a[1], b[1])


def inside(a: Interval, b: Interval) -> Interval:
    """What both hold."""
    return max(a[0], b[0]), min(a[1], b[1])
