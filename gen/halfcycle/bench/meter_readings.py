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

from halfcycle.base.errors import Fault, InputError
from halfcycle.base.text import printable
from halfcycle.bench.capture_types import fault, open_fault
from halfcycle.bench.csv_layout import DELIMITERS, number, split
from halfcycle.bench.csv_units import parse_header

LARGEST_FILE = 4_000_000
MOST_ROWS = 20_000
LONGEST_NAME = 40

_TITLES: dict[str, tuple[str, ...]] = {
    "board": ("board", "serial", "sn", "unit", "device", "dut"),
    "meter": ("meter_rms", "meter", "true_rms", "true", "measured_rms", "dmm"),
    "reported": ("reported_rms", "reported", "firmware_rms", "firmware", "rms"),
    "mean_code": ("mean_code", "zero_code", "mean_codes", "zero_codes", "zero"),
    "rms_codes": ("rms_codes", "code_rms", "codes_rms", "rms_code", "std_codes", "code_std"),
}
_BLANK = ("", "-", "nan", "n/a", "na")


@dataclass(frozen=True, slots=True)
class Reading:
    """One row; None where its cell is empty. Volts are RMS, codes are ADC codes."""

    line: int
    board: str
    meter_v: float | None
    reported_v: float | None
    mean_code: float | None
    rms_codes: float | None


def read_readings(path: Path | str) -> tuple[Reading, ...]:
    """The rows of a table of readings (UTF-8; commas, semicolons or tabs; decimal commas too).

    Raises InputError with every fault of the table at once.
    """
    path = Path(path)
    lines = _lines(path)
    filled = [at for at, line in enumerate(lines) if line.strip()]
    if not filled:
        raise fault(path, "file", "it is empty", f"begin with a line of titles: {_example()}")
    delimiter = max(DELIMITERS[:3], key=lines[filled[0]].count)
    places, factors = _titles(path, split(lines[filled[0]], delimiter))
    faults: list[Fault] = []
    found = []
    for at in filled[1:]:
        row = split(lines[at], delimiter)
        values: dict[str, float | None] = {}
        for what in ("meter", "reported", "mean_code", "rms_codes"):
            values[what], problem = _value(row, places.get(what), delimiter)
            if values[what] is not None:
                values[what] *= factors.get(what, 1.0)  # type: ignore[operator]
            if problem:
                remedy = "correct the cell, or leave it empty"
                faults.append(Fault(printable(str(path)), f"line {at + 1}", problem, remedy))
        board = row[places["board"]] if places.get("board", len(row)) < len(row) else "board"
        found.append(
            Reading(
                at + 1,
                printable(board.strip())[:LONGEST_NAME] or "board",
                values["meter"],
                values["reported"],
                values["mean_code"],
                values["rms_codes"],
            )
        )
    if faults:
        raise InputError(faults)
    return tuple(found)


def _example() -> str:
    return "board,meter_rms_v,reported_rms_v or board,meter_rms_v,mean_code,rms_codes"


def _lines(path: Path) -> list[str]:
    try:
        with path.open("rb") as stream:
            data = stream.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        raise open_fault(path, error) from None
    if len(data) > LARGEST_FILE or b"\0" in data:
        raise fault(path, "file", "this is no table of readings", "name a CSV file")
    lines = re.split(r"\r\n|\r|\n", data.decode("utf-8-sig", "replace"))
    if len(lines) > MOST_ROWS:
        raise fault(path, "file", f"more than {MOST_ROWS} lines", "split it by batches of boards")
    return lines


def _titles(path: Path, cells: list[str]) -> tuple[dict[str, int], dict[str, float]]:
    """Place of each column that is known, and the factor of its unit to volts."""
    places: dict[str, int] = {}
    factors: dict[str, float] = {}
    for index, cell in enumerate(cells):
        title = parse_header(cell)
        name = re.sub(r"[^a-z0-9]+", "_", title.name.casefold()).strip("_")
        name = re.sub(r"_(v|mv)$", "", name)
        for what, names in _TITLES.items():
            if name in names and what not in places:
                places[what] = index
                factors[what] = title.factor if title.kind == "volts" else 1.0
    faults = []
    file = printable(str(path))
    if "meter" not in places:
        faults.append(Fault(file, "meter_rms_v", "no such column", f"titles: {_example()}"))
    if not {"reported", "rms_codes", "mean_code"} & set(places):
        problem = "no column of the firmware's side"
        faults.append(Fault(file, "reported_rms_v", problem, f"titles: {_example()}"))
    if faults:
        raise InputError(faults)
    return places, factors


def _value(row: list[str], place: int | None, delimiter: str) -> tuple[float | None, str]:
    """The number in a cell, None for an empty one; and what is wrong with it."""
    cell = row[place].strip() if place is not None and place < len(row) else ""
    if cell.casefold() in _BLANK:
        return None, ""
    comma = "," in cell and "." not in cell and (delimiter != "," or cell.count(",") == 1)
    value = number(cell, comma)
    if value is None or not (value == 0 or 1e-6 <= value < 1e7):
        return None, f"{printable(cell)[:LONGEST_NAME]!a} is neither 0 nor from 1e-6 to 1e7"
    return value, ""
