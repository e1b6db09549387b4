"""Readings taken at the bench: a CSV table of what a meter showed and what the firmware saw.

One row per reading. Columns are found by their titles, in any order:

    board             which board (left out: all rows are of one board)
    meter_rms_v       the meter's true RMS, volts (0 where only the zero was taken)
    reported_rms_v    what the firmware reported, volts (or reported_rms_mv)
    mean_code         mean ADC code over whole cycles: the zero
    rms_codes         RMS of the ADC codes about their mean, over whole cycles
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from halfcycle.base import files
from halfcycle.base.errors import Fault, InputError
from halfcycle.base.text import printable
from halfcycle.bench.capture_types import input_error, open_error
from halfcycle.bench.csv_layout import DELIMITERS, number, split
from halfcycle.bench.csv_units import parse_header

MAX_BYTES = 4_000_000
MAX_ROWS = 20_000
MAX_NAME = 40
MAX_PLACE = 7
"""No reading reaches ten to this power."""

_TITLES: dict[str, tuple[str, ...]] = {
    "board": ("board", "serial", "sn", "unit", "device", "dut"),
    "meter": ("meter_rms", "meter", "true_rms", "true", "measured_rms", "dmm"),
    "reported": ("reported_rms", "reported", "firmware_rms", "firmware", "rms"),
    "mean_code": ("mean_code", "zero_code", "mean_codes", "zero_codes", "zero"),
    "rms_codes": ("rms_codes", "code_rms", "codes_rms", "rms_code", "std_codes", "code_std"),
}
QUANTITIES = ("meter", "reported", "mean_code", "rms_codes")
_BLANK = ("", "-", "nan", "n/a", "na")


@dataclass(frozen=True, slots=True)
class Reading:
    """One row; None if its cell is empty. Volts are RMS, codes are ADC codes."""

    line: int
    board: str
    meter_v: float | None
    reported_v: float | None
    mean_code: float | None
    rms_codes: float | None
    gain_rounding: float = 0.0
    """Share by which the table's digits leave the ratio of both sides open, either way."""
    zero_rounding: float = 0.0
    """Codes by which the table's digits leave the mean code open, either way."""


def read_readings(path: Path | str) -> tuple[Reading, ...]:
    """The rows of a table of readings (UTF-8; commas, semicolons or tabs; decimal commas too).

    Raises InputError with every fault of the table at once.
    """
    path = Path(path)
    lines = _lines(path)
    filled = [at for at, line in enumerate(lines) if line.strip()]
    if not filled:
        raise input_error(path, "file", "it is empty", f"begin with a line of titles: {_example()}")
    delimiter = max(DELIMITERS[:3], key=lines[filled[0]].count)
    columns, factors = _columns(path, split(lines[filled[0]], delimiter))
    rows = {at + 1: split(lines[at], delimiter) for at in filled[1:]}
    faults: list[Fault] = []
    numbers: dict[int, dict[str, float | None]] = {}
    places: dict[str, float] = {}
    for line, row in rows.items():
        numbers[line] = {}
        for quantity in QUANTITIES:
            cell = _cell(row, columns.get(quantity))
            value, problem = _value(cell, delimiter)
            factor = factors.get(quantity, 1.0)
            numbers[line][quantity] = None if value is None else value * factor
            if value is not None:
                place = _last_place(cell) * factor
                places[quantity] = min(place, places.get(quantity, place))
            if problem:
                remedy = "correct the cell, or leave it empty"
                faults.append(Fault(printable(str(path)), f"line {line}", problem, remedy))
    if not rows:
        remedy = "add a row for each reading"
        faults.append(Fault(printable(str(path)), "rows", "no reading below the titles", remedy))
    if faults:
        raise InputError(faults)
    return tuple(
        _reading(line, _cell(row, columns.get("board")), numbers[line], places)
        for line, row in rows.items()
    )


def _reading(
    line: int, board: str, values: dict[str, float | None], places: dict[str, float]
) -> Reading:
    """One row; ``places``: the last place that a column's numbers are written to."""
    side = "reported" if values["rms_codes"] is None else "rms_codes"
    roundings = [
        places[quantity] / 2 / value for quantity in ("meter", side) if (value := values[quantity])
    ]
    return Reading(
        line,
        printable(board)[:MAX_NAME] or "board",
        values["meter"],
        values["reported"],
        values["mean_code"],
        values["rms_codes"],
        gain_rounding=sum(roundings),
        zero_rounding=places.get("mean_code", 0.0) / 2,
    )


def _example() -> str:
    return "board,meter_rms_v,reported_rms_v or board,meter_rms_v,mean_code,rms_codes"


def _lines(path: Path) -> list[str]:
    try:
        with files.open_regular(path) as stream:
            data = stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        raise open_error(path, error) from None
    if len(data) > MAX_BYTES or b"\0" in data:
        raise input_error(path, "file", "this is not a table of readings", "name a CSV file")
    lines = re.split(r"\r\n|\r|\n", data.decode("utf-8-sig", "replace"))
    if len(lines) > MAX_ROWS:
        raise input_error(
            path, "file", f"more than {MAX_ROWS} lines", "split it by batches of boards"
        )
    return lines


def _columns(path: Path, cells: list[str]) -> tuple[dict[str, int], dict[str, float]]:
    """Index of each column that is known, and the factor of its unit to volts."""
    columns: dict[str, int] = {}
    factors: dict[str, float] = {}
    for index, cell in enumerate(cells):
        title = parse_header(cell)
        name = re.sub(r"[^a-z0-9]+", "_", title.name.casefold()).strip("_")
        name = re.sub(r"_(v|mv)$", "", name)
        for quantity, names in _TITLES.items():
            if name in names and quantity not in columns:
                columns[quantity] = index
                factors[quantity] = title.factor if title.kind == "volts" else 1.0
    faults = []
    file = printable(str(path))
    if "meter" not in columns:
        faults.append(Fault(file, "meter_rms_v", "no such column", f"titles: {_example()}"))
    if not {"reported", "rms_codes", "mean_code"} & set(columns):
        problem = "no column of the firmware's side"
        faults.append(Fault(file, "reported_rms_v", problem, f"titles: {_example()}"))
    if faults:
        raise InputError(faults)
    return columns, factors


def _cell(row: list[str], index: int | None) -> str:
    """The text in a column; empty if the row or the table has none."""
    return row[index].strip() if index is not None and index < len(row) else ""


def _has_decimal_comma(cell: str, delimiter: str) -> bool:
    return "," in cell and "." not in cell and (delimiter != "," or cell.count(",") == 1)


def _value(cell: str, delimiter: str) -> tuple[float | None, str]:
    """The number in a cell, None for an empty one; and what is wrong with it."""
    if cell.casefold() in _BLANK:
        return None, ""
    value = number(cell, _has_decimal_comma(cell, delimiter))
    if value is None or not (value == 0 or 1e-6 <= value < 1e7):
        return None, f"{printable(cell)[:MAX_NAME]!a} is neither 0 nor from 1e-6 to 1e7"
    return value, ""


def _last_place(cell: str) -> float:
    """What the last digit of a number is worth: 0.1 of "230.1", 1 of "230"."""
    digits, _, power = cell.lower().replace(",", ".").partition("e")
    decimals = len(digits.rpartition(".")[2]) if "." in digits else 0
    # Of any length, as in "0e400": what is worth more than any reading says no more.
    return float(10.0 ** min(MAX_PLACE, float(power or 0) - decimals))
