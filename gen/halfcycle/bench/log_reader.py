"""Reading a log of the running firmware piece by piece, so that its length does not matter."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.base import files
from halfcycle.bench import log_lines, log_table
from halfcycle.bench.capture_types import open_error
from halfcycle.bench.log_rows import (
    CHUNK_BYTES,
    COUNTER,
    MAX_FAULTS,
    Ints,
    LogRemarks,
    LogRows,
    log_error,
    steps_of,
)
from halfcycle.regulator import arithmetic
from halfcycle.regulator.plan import WORD_MASK
from halfcycle.regulator.trace import targets_of

if TYPE_CHECKING:
    from halfcycle.regulator.plan import Plan

_MAX_LINE = 1_000_000
_BOM = b"\xef\xbb\xbf"
_BACKWARD = COUNTER // 2
"""A counter that moves on by more than this went back."""


def read_log(
    path: Path | str, plan: Plan, remarks: LogRemarks, revision: int | None = None
) -> Iterator[LogRows]:
    """The rows of a log, some megabytes at a time, targets in units of the reading.

    ``remarks`` is filled on the way; ``revision``: what lines of one field must say. Raises
    InputError: the file cannot be read or is not a log, a cell is not a whole number, the rows are
    not in order, or a value is one that firmware of ``plan`` never has.
    """
    path = Path(path)
    last: LogRows | None = None
    for rows in _parsed(path, remarks, revision):
        _refuse_disorder(path, rows, last)
        _refuse_beyond(path, rows, plan)
        last = rows.rows(slice(-1, None))
        yield rows if rows.in_units else replace(rows, target=targets_of(plan, rows.target))
    if last is None:
        faults = [("rows", "no row of an update", "log some updates with a step of the target")]
        if remarks.bad_lines:
            problem = f"the check byte is wrong on all {remarks.bad_lines} lines"
            faults = [("rows", problem, "compare the printing code with the documentation")]
        raise log_error(path, faults)


def _parsed(path: Path, remarks: LogRemarks, revision: int | None) -> Iterator[LogRows]:
    titles: log_table.Titles | None = None
    hexadecimal = False
    for number, every, ended in _lines(path):
        first, lines = number, every
        if number == 1:
            start = next((line for line in lines if line.strip()), b"")
            # Firmware prints what it likes before its first row; a table begins with its titles.
            hexadecimal = any(line.startswith(log_lines.MARK) for line in lines[:1000])
            if not hexadecimal:
                if not start:
                    raise log_error(path, [("file", "it is empty", "name a log of updates")])
                titles = log_table.parse_titles(path, start)
                remarks.unused = titles.unused
                at = lines.index(start)
                lines, first = lines[at + 1 :], first + at + 1
        if titles is not None and not ended and lines:
            # A number that is cut short is a number: nothing but the line end tells.
            remarks.unended, lines = first + len(lines) - 1, lines[:-1]
        if titles is not None:
            rows = log_table.parse_rows(path, lines, first, titles)
        else:
            rows, revisions = log_lines.parse_lines(lines, first, remarks)
            other = [said for said in revisions if said != revision]
            if other and revision is not None:
                problem = f"it is of firmware {other[0]:08x}, and this spec's is {revision:08x}"
                remedy = (
                    "name the spec that this firmware was generated from; if it was changed since, "
                    "as after an identification, generate and log again"
                )
                raise log_error(path, [("revision", problem, remedy)])
        if rows is not None:
            yield rows


def _lines(path: Path) -> Iterator[tuple[int, list[bytes], bool]]:
    """Whole lines, some megabytes at a time, with the number of the first, and whether each has its
    line end: the file's last one may have none."""
    number, rest = 1, b""
    try:
        with files.open_regular(path) as stream:
            while block := stream.read(CHUNK_BYTES):
                if number == 1 and not rest:
                    block = block.removeprefix(_BOM)
                if b"\0" in block:
                    remedy = "save it as plain text (UTF-8)"
                    raise log_error(path, [("file", "this is not a text", remedy)])
                # A line end of two characters may be cut apart.
                text, tail = rest + block, b""
                if text.endswith(b"\r"):
                    text, tail = text[:-1], b"\r"
                lines = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
                rest = lines.pop() + tail
                if len(rest) > _MAX_LINE:
                    raise log_error(path, [("file", "this is not a log", "name a log of updates")])
                if lines:
                    yield number, lines, True
                    number += len(lines)
    except (OSError, ValueError) as error:
        raise open_error(path, error) from None
    if rest.strip() or number == 1:
        yield number, [rest.rstrip(b"\r")], rest.endswith(b"\r")


def _refuse_disorder(path: Path, rows: LogRows, last: LogRows | None) -> None:
    update, line, scale = rows.update, rows.line, rows.scale
    if last is not None:
        update, line, scale = (
            np.concatenate([before, now])
            for before, now in (
                (last.update, update),
                (last.line, line),
                (last.scale, scale),
            )
        )
    steps = steps_of(update)
    # After a reset the counter begins anew, and nothing is driven yet.
    restarted = (update[1:] < update[:-1]) & (update[1:] <= 1) & (scale[1:] == 0)
    back = np.flatnonzero((steps > _BACKWARD) & ~restarted)
    again = np.flatnonzero(steps == 0)
    others = f", nor are {len(back) - 1} others" if len(back) > 1 else ""
    faults = [
        (
            f"line {line[at + 1]}",
            f"update {update[at + 1]} after {update[at]}: the rows are not in order{others}",
            "log each update once, in order, one board in a file; after a restart begin a new one",
        )
        for at in back[:1].tolist()
    ]
    faults += [
        (
            f"line {line[at + 1]}",
            f"update {update[at + 1]} is there twice",
            "log each update once, and count the updates",
        )
        for at in again[:MAX_FAULTS].tolist()
    ]
    if faults:
        raise log_error(path, faults[:MAX_FAULTS])


def _refuse_beyond(path: Path, rows: LogRows, plan: Plan) -> None:
    """Values that no firmware of this spec has: another one's log, or a wrong column."""
    millivolts = arithmetic.scale_by(plan.reading_max, plan.millivolt_gain, plan.millivolt_shift)
    bounds: list[tuple[str, Ints | None, int, int]] = [
        ("update", rows.update, 0, COUNTER - 1),
        ("rms_mv", rows.rms_mv, 0, millivolts),
        ("scale", rows.scale, 0, plan.scale_top),
        ("flags", rows.flags, 0, 0xFFFF),
        ("sum", rows.sum, 0, WORD_MASK),
        ("integral", rows.integral, 0, plan.drive_max),
    ]
    if rows.in_units:
        bounds.append(("target", rows.target, 0, plan.target_max))
    else:
        # What a caller may ask for, beyond what is followed too.
        bounds.append(("target_mv", rows.target, -(2**31), 2**31 - 1))
    faults = []
    for name, values, low, high in bounds:
        if values is None:
            continue
        outside = np.flatnonzero((values < low) | (values > high))
        if len(outside):
            at = int(outside[0])
            problem = f"{name} {values[at]} is not within {low} to {high}, the range of this spec's"
            faults.append(
                (f"line {rows.line[at]}", problem, "name the spec of this firmware's, and its log")
            )
    if faults:
        raise log_error(path, faults)
