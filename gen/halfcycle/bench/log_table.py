"""The log as a decimal table: titles in the first line, then a row per update, in any order of
columns. Commas, semicolons or tabs stand between them."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from halfcycle.base.text import printable
from halfcycle.bench.log_rows import (
    COLUMNS,
    MAX_FAULTS,
    OPTIONAL,
    Ints,
    LogRows,
    log_error,
    rows_from,
)

_WHOLE = re.compile(rb"[+-]?[0-9]{1,15}")
_HEX = re.compile(rb"(0[xX])?[0-9a-fA-F]{1,15}")
_EXAMPLE = ",".join(COLUMNS)


@dataclass(frozen=True, slots=True)
class Titles:
    """Where the columns are, and those that are of no use here."""

    delimiter: bytes
    columns: dict[str, int]
    unused: tuple[str, ...]


def parse_titles(path: Path, line: bytes) -> Titles:
    """What the first line says. Raises InputError with every column that is missing."""
    delimiter = max((b",", b";", b"\t"), key=line.count)
    cells = [_title(cell) for cell in line.split(delimiter)]
    columns: dict[str, int] = {}
    faults = []
    for at, cell in enumerate(cells):
        if cell in columns:
            faults.append(("titles", f"two columns are called {cell}", "leave one of them out"))
        if cell in (*COLUMNS, *OPTIONAL):
            columns.setdefault(cell, at)
    remedy = f"the first line has the titles: {_EXAMPLE}; the documentation has C that logs them"
    missing = [name for name in COLUMNS if name not in columns]
    if len(missing) == len(COLUMNS):
        faults.append(("titles", "this is not a log of updates", remedy))
    elif missing:
        names = ", ".join(missing)
        faults.append((names, f"no such column{'s' if len(missing) > 1 else ''}", remedy))
    if faults:
        raise log_error(path, faults[:MAX_FAULTS])
    unused = tuple(printable(cell)[:40] for cell in cells if cell and cell not in columns)
    return Titles(delimiter, columns, unused)


def _title(cell: bytes) -> str:
    return cell.strip(b" \"'").decode("utf-8", "replace").lower()


def parse_rows(path: Path, lines: Sequence[bytes], first: int, titles: Titles) -> LogRows | None:
    """Rows of ``lines``, the first of which has the number ``first``; None if all are blank.

    Raises InputError with the first faults among them.
    """
    numbers = np.arange(first, first + len(lines), dtype=np.int64)
    if not all(lines):
        filled = [at for at, line in enumerate(lines) if line.strip()]
        lines, numbers = [lines[at] for at in filled], numbers[filled]
    if not lines:
        return None
    try:
        table = _loaded(lines, titles)
    except (ValueError, OverflowError, UnicodeDecodeError):
        table = _one_by_one(path, lines, numbers, titles)
    named = {
        ("target" if name == "target_mv" else name): np.ascontiguousarray(table[:, at])
        for at, name in enumerate(titles.columns)
    }
    return rows_from(numbers, named, in_units=False)


def _loaded(lines: Sequence[bytes], titles: Titles) -> Ints:
    """The columns (N, columns) of a table without faults. ValueError if there is one."""
    text = io.StringIO(b"\n".join(lines).decode("ascii"))
    return np.loadtxt(
        text,
        dtype=np.int64,
        delimiter=titles.delimiter.decode(),
        comments=None,
        usecols=list(titles.columns.values()),
        ndmin=2,
    )


def _one_by_one(path: Path, lines: Sequence[bytes], numbers: Ints, titles: Titles) -> Ints:
    """The same, cell by cell, so that a fault has its place."""
    faults: list[tuple[str, str, str]] = []
    rows = []
    for line, number in zip(lines, numbers.tolist(), strict=True):
        faults += _faults(line, number, titles)
        if len(faults) >= MAX_FAULTS:
            break
        if not faults:
            cells = line.split(titles.delimiter)
            rows.append([int(cells[at].strip(b' "')) for at in titles.columns.values()])
    if faults:
        raise log_error(path, faults[:MAX_FAULTS])
    return np.array(rows, dtype=np.int64)


def _decimal(cell: bytes) -> str:
    """How to write a cell that is not a whole number."""
    if not _HEX.fullmatch(cell):
        return "log integers, as the firmware has them"
    value = int(cell, 16)
    return f"write decimal numbers in all rows: {value}, if this one is hexadecimal"


def _faults(line: bytes, number: int, titles: Titles) -> Iterator[tuple[str, str, str]]:
    """What is wrong in one line."""
    cells = line.split(titles.delimiter)
    if len(cells) <= max(titles.columns.values()):
        problem = f"{len(cells)} columns, fewer than the titles"
        remedy = "if the log was cut off here, remove this line; it ends with a whole one"
        yield f"line {number}", problem, remedy
        return
    words = {at: _title(cells[at]) for at in titles.columns.values()}
    if all(words[at] == name for name, at in titles.columns.items()):
        problem = "the titles stand here again: two logs are joined"
        yield f"line {number}", problem, "name each of them by itself, one board in a file"
        return
    for name, at in titles.columns.items():
        cell = cells[at].strip(b' "')
        if not _WHOLE.fullmatch(cell):
            shown = printable(cell.decode("utf-8", "replace"))[:40]
            problem = f"{name} {shown!a} is not a whole number"
            yield f"line {number}", problem, _decimal(cell)
