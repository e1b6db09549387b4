"""Rows of a log of the running firmware, one an update, as arrays; and what its faults are called.

Two forms are read: a decimal table with titles (``log_table``), and lines of hexadecimal digits
that end in a check byte (``log_lines``), as firmware without a division prints them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from halfcycle.base.errors import Fault, InputError
from halfcycle.base.text import printable

Ints = NDArray[np.int64]

COLUMNS = ("update", "target_mv", "rms_mv", "scale", "flags")
"""What every row has. ``scale``: 16384 = 1.0, from this update on."""
OPTIONAL = ("sum", "integral", "bus")
"""What a row may have: the sum of the newest block (its low 32 bits), the integrator, and the bus
in any unit."""
COUNTER = 65536
"""The counter of the updates has 16 bits."""
CHUNK_BYTES = 4_000_000
"""So much of a log is in memory at a time."""
MAX_FAULTS = 10
"""Faults that are named, at most; a wrong file would have one on every line."""


@dataclass(frozen=True, slots=True)
class LogRows:
    """N rows in the log's order, all arrays (N,). ``target``: in millivolts, or in units of the
    reading if ``in_units``. None: the log has no such column."""

    line: Ints
    update: Ints
    target: Ints
    rms_mv: Ints
    scale: Ints
    flags: Ints
    sum: Ints | None = None
    integral: Ints | None = None
    bus: Ints | None = None
    in_units: bool = False

    def __len__(self) -> int:
        return len(self.update)

    def rows(self, part: slice | NDArray[np.bool_]) -> LogRows:
        """Some of the rows."""
        return replace(
            self,
            line=self.line[part],
            update=self.update[part],
            target=self.target[part],
            rms_mv=self.rms_mv[part],
            scale=self.scale[part],
            flags=self.flags[part],
            sum=_part(self.sum, part),
            integral=_part(self.integral, part),
            bus=_part(self.bus, part),
        )


def _part(column: Ints | None, part: slice | NDArray[np.bool_]) -> Ints | None:
    return None if column is None else column[part]


def rows_joined(first: LogRows, second: LogRows) -> LogRows:
    """Rows of one log, one part after the other."""
    columns = {
        name: np.concatenate([getattr(first, name), getattr(second, name)])
        for name in ("update", "target", "rms_mv", "scale", "flags", *OPTIONAL)
        if getattr(first, name) is not None
    }
    line = np.concatenate([first.line, second.line])
    return rows_from(line, columns, in_units=first.in_units)


def rows_from(line: Ints, columns: Mapping[str, Ints], *, in_units: bool) -> LogRows:
    """Rows of columns by their names in ``LogRows``."""
    return LogRows(
        line=line,
        update=columns["update"],
        target=columns["target"],
        rms_mv=columns["rms_mv"],
        scale=columns["scale"],
        flags=columns["flags"],
        sum=columns.get("sum"),
        integral=columns.get("integral"),
        bus=columns.get("bus"),
        in_units=in_units,
    )


@dataclass(slots=True)
class LogRemarks:
    """What was noticed while a log was read."""

    bad_lines: int = 0
    """Lines whose check byte did not fit; they count as lost."""
    unused: tuple[str, ...] = ()
    """Columns that say nothing here."""
    unended: int = 0
    """Number of a table's last line if no line end follows it, so that its last number may be cut
    short; it is left out. 0 if there is no such line."""


def log_error(path: Path, faults: Iterable[tuple[str, str, str]]) -> InputError:
    """The error of (place, problem, remedy)s in a log."""
    return InputError(Fault(printable(str(path)), *fault) for fault in faults)


def steps_of(update: Ints) -> Ints:
    """From each row (N,) to the next (N - 1,), updates: 1 without a gap; beyond half the counter
    it went back."""
    return np.asarray(np.diff(update) % COUNTER, dtype=np.int64)
