"""How a CSV file is laid out: separator, decimal mark, header, and which columns are what.

Exports differ in all of these, and say so nowhere; the first lines decide.
"""

from __future__ import annotations

import csv
import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from halfcycle.base.findings import Finding, finding
from halfcycle.base.text import printable
from halfcycle.bench.capture_types import input_error
from halfcycle.bench.csv_units import Kind, parse_header, parse_unit

HEAD_CHARACTERS = 1 << 16
HEAD_LINES = 400
MAX_COLUMNS = 200
MAX_NAME = 60
MAX_LISTED = 20
DELIMITERS = (";", "\t", ",", " ")

_TIME_NAMES = re.compile(
    r"(time|times|zeit|temps|tiempo|tempo|tid|t|x|x-axis|seconds?|sample|sequence|timestamp)",
    re.IGNORECASE,
)
_COUNTERS = re.compile(r"(sequence|index|sample|samples|n|no\.?|point)", re.IGNORECASE)
_WHOLE = re.compile(r"[+-]?[0-9]+")

Cells = list[str]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of numbers: place (from 0), name, what it is, and its factor to s or V."""

    index: int
    name: str
    kind: Kind
    factor: float
    unit: str


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the data are. ``first``: lines before them. ``increment_s``: the step of a capture
    that counts its samples instead of stating their time, from ``start_s``."""

    delimiter: str
    decimal_comma: bool
    first: int
    time: Column
    value: Column
    start_s: float
    increment_s: float | None
    remarks: tuple[Finding, ...]


def split(line: str, delimiter: str) -> Cells:
    """The cells of one line; quotes are taken off."""
    if delimiter == " ":
        return line.split()
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return line.split(delimiter)


def number(cell: str, decimal_comma: bool) -> float | None:
    """The number in a cell; None if there is none (NaN is one). Digits of other scripts, which
    Python reads, are text."""
    cell = cell.strip()
    if decimal_comma:
        cell = cell.replace(",", ".")
    try:
        return float(cell) if "_" not in cell and cell.isascii() else None
    except ValueError:
        return None


def find_layout(path: Path, lines: Sequence[str], channel: str | None) -> Layout:
    """The layout of a file that starts with ``lines``, with the columns to read.

    ``channel``: a column's name or number (from 1); None: the first in volts, or without a unit.
    Raises InputError if there are no two columns of numbers or the channel is not there.
    """
    lines = lines[:HEAD_LINES]
    delimiter, comma = _dialect(lines)
    rows = [split(line, delimiter)[:MAX_COLUMNS] for line in lines]
    numeric = [[number(cell, comma) is not None for cell in row] for row in rows]
    columns = _numeric_columns(numeric)
    if len(columns) < 2:
        remedy = "export a column of seconds and one of volts, with a decimal point or semicolons"
        raise input_error(path, "columns", "no two columns of numbers were found", remedy)
    first = _first_row(numeric, columns)
    head, body = rows[:first], [row for row in rows[first:] if any(cell.strip() for cell in row)]
    _refuse_commas(path, delimiter, head, body)
    described = [_column(index, head) for index in columns]
    time = _time_column(described, body, comma)
    if time is None:
        remedy = "export the time column, first or with a header such as: Time (s)"
        raise input_error(path, "time", "no column of numbers increases as a time does", remedy)
    remarks: list[Finding] = []
    start, increment = 0.0, None
    if time.kind != "time" and _COUNTERS.fullmatch(time.name):
        start, increment = _counted(head, comma)
        if increment is None:
            remedy = "export the time of each sample"
            raise input_error(path, "time", f"{time.name} counts samples, and no increment", remedy)
    elif time.kind != "time":
        remarks.append(
            finding("time-unit-assumed", "capture time", f"{time.name} has no unit: taken as s")
        )
    value = _value_column(path, [c for c in described if c != time], channel, remarks)
    return Layout(delimiter, comma, first, time, value, start, increment, tuple(remarks))


def _dialect(lines: Sequence[str]) -> tuple[str, bool]:
    """Separator and whether decimals have commas: what makes most of the last lines numbers."""
    filled = [line for line in lines if line.strip()]
    tail = filled[-max(3, len(filled) // 4) :]

    def score(choice: tuple[str, bool]) -> tuple[int, float]:
        full = cells = good = 0
        for line in tail:
            row = [cell for cell in split(line, choice[0])[:MAX_COLUMNS] if cell.strip()]
            numbers = sum(number(cell, choice[1]) is not None for cell in row)
            full += numbers >= 2
            cells, good = cells + len(row), good + numbers
        return full, good / max(cells, 1)

    return max(itertools.product(DELIMITERS, (False, True)), key=score)


def _numeric_columns(numeric: list[list[bool]]) -> list[int]:
    """Columns that hold numbers in most of the last rows."""
    filled = [row for row in numeric if len(row) > 1]
    tail = filled[-max(3, len(filled) // 4) :]
    width = max((len(row) for row in tail), default=0)
    counts = [sum(row[index] for row in tail if index < len(row)) for index in range(width)]
    return [index for index, count in enumerate(counts) if count > 0.6 * len(tail)]


def _first_row(numeric: list[list[bool]], columns: list[int]) -> int:
    """The first row from which two of the columns hold numbers, three rows running."""

    def full(row: list[bool]) -> bool:
        return sum(row[index] for index in columns if index < len(row)) >= min(2, len(columns))

    for at in range(len(numeric)):
        ahead = [row for row in numeric[at:] if len(row) > 1][:3]
        most = [sum(row[i] for i in columns if i < len(row)) for row in ahead]
        if full(numeric[at]) and all(map(full, ahead)) and most[0] >= max(most):
            return at
    return len(numeric)


def _refuse_commas(path: Path, delimiter: str, head: list[Cells], body: list[Cells]) -> None:
    """``0,001,12,5``: commas that separate and commas that are decimal marks, undivided."""
    if delimiter != "," or not body:
        return
    titled = [len([cell for cell in row if cell.strip()]) for row in head if len(row) > 1]
    whole = all(_WHOLE.fullmatch(cell.strip()) for row in body for cell in row if cell.strip())
    if whole and titled and len(body[0]) == 2 * titled[-1]:
        remedy = "export with semicolons between the columns, or with decimal points"
        raise input_error(path, "columns", "commas are both separators and decimal marks", remedy)


def _column(index: int, head: list[Cells]) -> Column:
    """What the header says of a column; the line nearest the data counts most."""
    cells = [row[index].strip() for row in head if len(row) > 1 and index < len(row)]
    name, kind, factor, unit = "", "none", 1.0, ""
    for cell in reversed([cell for cell in cells if cell]):
        alone = parse_unit(cell)
        title = parse_header(cell)
        if kind == "none" and title.kind != "none":
            kind, factor, unit = title.kind, title.factor, title.text
        if not name and alone.kind == "other" and (number(cell, False) is None):
            name = title.name
    if not name:
        spare = [cell for cell in cells if cell]
        name = spare[-1] if spare else f"column {index + 1}"
    name, unit = printable(name)[:MAX_NAME], printable(unit)[:MAX_NAME]
    return Column(index, name, kind, factor, unit)  # type: ignore[arg-type]


def _time_column(columns: list[Column], body: list[Cells], comma: bool) -> Column | None:
    """By its unit, else by its name, else the first that rises or falls nearly all the time."""
    for column in columns:
        if column.kind == "time":
            return column
    for column in columns:
        if column.kind == "none" and _TIME_NAMES.fullmatch(column.name):
            return column
    for column in columns:
        cells = [row[column.index] for row in body if column.index < len(row)]
        values = [value for cell in cells if (value := number(cell, comma)) is not None]
        steps = [b - a for a, b in itertools.pairwise(values)]
        most = max(sum(step >= 0 for step in steps), sum(step <= 0 for step in steps))
        if column.kind == "none" and any(steps) and most >= 0.95 * len(steps):
            return column
    return None


def _counted(head: list[Cells], comma: bool) -> tuple[float, float | None]:
    """Start and increment of a counted capture, from cells below or beside such titles."""
    values: dict[str, float] = {}
    for row, below in zip(head, [*head[1:], []], strict=True):
        for index, cell in enumerate(row):
            title = parse_header(cell).name.casefold()
            places = [r[i] for r, i in ((below, index), (row, index + 1)) if i < len(r)]
            for place in places:
                value = number(place, comma)
                if value is not None and title in ("start", "increment"):
                    values.setdefault(title, value)
    increment = values.get("increment")
    return values.get("start", 0.0), increment if increment and increment > 0 else None


def _value_column(
    path: Path, columns: list[Column], channel: str | None, remarks: list[Finding]
) -> Column:
    names = ", ".join(column.name for column in columns[:MAX_LISTED])
    if channel is not None:
        wanted = channel.strip().casefold()
        same = [c for c in columns if wanted in (c.name.casefold(), f"{c.name} ({c.unit})".lower())]
        same = same or [c for c in columns if str(c.index + 1) == wanted]
        if not same:
            raise input_error(path, "channel", f"no column {channel!a}", f"there are: {names}")
        chosen = same[0]
    else:
        fitting = [c for c in columns if c.kind == "volts"]
        fitting = fitting or [
            c for c in columns if c.kind == "none" and not _COUNTERS.fullmatch(c.name)
        ]
        if not fitting:
            raise input_error(path, "channel", "no column in volts", f"name one of: {names}")
        chosen = fitting[0]
        if len(columns) > 1:
            text = f"{chosen.name} is used, of: {names}; choose another if that is wrong"
            remarks.append(finding("channel-chosen", "capture channel", text))
    if chosen.kind == "none":
        text = f"{chosen.name} has no unit: taken as volts"
        remarks.append(finding("channel-unit-assumed", "capture channel", text))
    elif chosen.kind != "volts":
        text = f"{chosen.name} is in {chosen.unit}, not volts: its numbers are taken as volts"
        remarks.append(finding("channel-not-volts", "capture channel", text))
    return chosen
