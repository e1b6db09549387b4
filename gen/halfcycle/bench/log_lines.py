"""The log as firmware prints it: a line a row, in hexadecimal digits, with a check byte.

    @UPDATE,TARGET,RMS_MV,SCALE,FLAGS,SUM,INTEGRAL[,BUS],CHECK

The fields have a fixed number of digits each, none of them is negative; TARGET is in units of the
reading. CHECK is the CRC-8 of all characters from ``@`` to the comma before it (polynomial 07,
start 0, not reflected). A line of one field is NAME_REVISION. Whatever else comes over the channel,
a boot message or half a line, is not taken for a row: the update's counter shows the gap.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from halfcycle.bench.log_rows import Ints, LogRemarks, LogRows, rows_from

MARK = b"@"
FIELDS = (7, 8)
"""Fields of a row, without the check byte."""
MIN_LINE, MAX_LINE = 5, 120


def _crc_table() -> NDArray[np.uint8]:
    table = np.arange(256, dtype=np.int64)
    for _ in range(8):
        table = ((table << 1) ^ np.where(table & 128, 0x07, 0)) & 255
    return table.astype(np.uint8)


_CRC = _crc_table()
_DIGIT = np.full(256, 255, dtype=np.uint8)
_DIGIT[np.frombuffer(b"0123456789abcdef", dtype=np.uint8)] = np.arange(16)
_DIGIT[np.frombuffer(b"ABCDEF", dtype=np.uint8)] = np.arange(10, 16)
_COMMA = ord(",")


def check_byte(text: bytes) -> int:
    """The CRC-8 of a line up to its check byte."""
    state = 0
    for byte in text:
        state = int(_CRC[state ^ byte])
    return state


def parse_lines(
    lines: Sequence[bytes], first: int, remarks: LogRemarks
) -> tuple[LogRows | None, list[int]]:
    """Rows of ``lines``, the first of which has the number ``first``; None if there are none; and
    the revisions that they name."""
    groups: dict[int, list[int]] = defaultdict(list)
    for at, line in enumerate(lines):
        if line.startswith(MARK) and len(line) <= MAX_LINE:
            groups[len(line)].append(at)
    rows: list[tuple[Ints, Ints]] = []
    revisions: list[int] = []
    for length, members in groups.items():
        text = np.frombuffer(b"".join(lines[at] for at in members), dtype=np.uint8)
        for chosen, columns in _fields(text.reshape(-1, length), remarks):
            number = first + np.array(members, dtype=np.int64)[chosen]
            if columns.shape[1] == 1:
                revisions += columns[:, 0].tolist()
            else:
                rows.append((number, columns))
    if not rows:
        return None, revisions
    width = max(columns.shape[1] for _, columns in rows)
    rows = [(number, columns) for number, columns in rows if columns.shape[1] == width]
    numbers = np.concatenate([number for number, _ in rows])
    table = np.concatenate([columns for _, columns in rows])
    order = np.argsort(numbers, kind="stable")
    numbers, table = numbers[order], table[order]
    names = ("update", "target", "rms_mv", "scale", "flags", "sum", "integral", "bus")[:width]
    named = {name: np.ascontiguousarray(table[:, place]) for place, name in enumerate(names)}
    return rows_from(numbers, named, in_units=True), revisions


def _fields(
    text: NDArray[np.uint8], remarks: LogRemarks
) -> Iterator[tuple[NDArray[np.intp], Ints]]:
    """Of lines of one length (N, length): which are whole, and their fields (n, fields). Lines
    whose commas stand elsewhere come apart."""
    length = text.shape[1]
    if length < MIN_LINE:
        remarks.bad_lines += len(text)
        return
    state = np.zeros(len(text), dtype=np.uint8)
    for column in range(length - 2):
        state = _CRC[state ^ text[:, column]]
    check = _DIGIT[text[:, -2:]]
    good = (check < 16).all(axis=1) & (state == (check[:, 0] << 4 | check[:, 1] & 15))
    digits = _DIGIT[text]
    good &= ((digits < 16) | (text == _COMMA))[:, 1:].all(axis=1) & (text[:, -3] == _COMMA)
    remarks.bad_lines += int((~good).sum())
    left = np.flatnonzero(good)
    while len(left):
        commas = text[left] == _COMMA
        alike = (commas == commas[0]).all(axis=1)
        ends = np.flatnonzero(commas[0])
        starts = np.array([1, *(ends[:-1] + 1)])
        if len(ends) in {1, *FIELDS} and (ends > starts).all() and (ends - starts).max() <= 12:
            part = digits[left[alike]].astype(np.int64)
            columns = np.zeros((len(part), len(ends)), dtype=np.int64)
            for field, (start, end) in enumerate(zip(starts, ends, strict=True)):
                for place in range(start, end):
                    columns[:, field] = columns[:, field] * 16 + part[:, place]
            yield left[alike], columns
        else:
            remarks.bad_lines += int(alike.sum())
        left = left[~alike]
