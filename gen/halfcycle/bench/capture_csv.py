"""Waveforms as CSV, the way oscilloscopes and loggers export them.

The layout is found from the first lines (``csv_layout``); the rest is streamed in pieces, so that
only the two columns wanted are ever held.
"""

from __future__ import annotations

import codecs
import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from halfcycle.base import files
from halfcycle.base.findings import finding
from halfcycle.base.text import counted
from halfcycle.bench.capture_types import MAX_SAMPLES, Floats, Raw, Section, input_error, open_error
from halfcycle.bench.csv_layout import HEAD_CHARACTERS, Layout, find_layout, number, split

PIECE = 1 << 22
"""Characters read at a time; a line must be shorter."""


def read(path: Path, channel: str | None, section: Section) -> Raw:
    """The chosen channel over time; see ``capture.read_capture``."""
    try:
        with files.open_regular(path) as file:
            stream = io.TextIOWrapper(file, encoding=_encoding(file, path), errors="replace")
            head = stream.read(HEAD_CHARACTERS)
            layout = _layout(path, head, channel)
            return _rows(path, layout, _pieces(path, head, stream), section)
    except (OSError, ValueError) as error:
        raise open_error(path, error) from None


def _encoding(file: io.BufferedReader, path: Path) -> str:
    start = file.read(HEAD_CHARACTERS)
    file.seek(0)
    for mark, encoding in ((codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16")):
        if start.startswith(mark):
            return encoding
    if b"\0" in start:
        raise input_error(path, "file", "this is not text", "export the capture as CSV")
    try:
        codecs.getincrementaldecoder("utf-8-sig")().decode(start)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def _layout(path: Path, head: str, channel: str | None) -> Layout:
    lines = head.split("\n")
    if len(head) == HEAD_CHARACTERS and len(lines) > 1:
        lines.pop()  # The last line may go on.
    return find_layout(path, lines, channel)


def _pieces(path: Path, head: str, stream: io.TextIOWrapper) -> Iterator[str]:
    """The text in pieces of whole lines."""
    rest = head
    while piece := stream.read(PIECE):
        if "\0" in piece:
            problem = "there are NUL characters among the rows: this is not text, or was cut off"
            raise input_error(path, "file", problem, "export the capture as CSV")
        rest += piece
        whole, newline, rest = rest.rpartition("\n")
        if not newline:
            raise input_error(
                path, "file", f"a line has more than {PIECE} characters", "is it a CSV?"
            )
        yield whole
    yield rest


def _rows(path: Path, layout: Layout, pieces: Iterator[str], section: Section) -> Raw:
    times: list[Floats] = []
    volts: list[Floats] = []
    remarks = list(layout.remarks)
    count = line = index = bad = first_bad = 0
    skip = layout.first
    for text in pieces:
        lines = text.count("\n") + 1
        if skip >= lines:
            skip -= lines
            line += lines
            continue
        body = text.split("\n", skip)[skip] if skip else text
        time, value, wrong = _numbers(layout, body)
        if wrong and not bad:
            first_bad = line + skip + wrong[0]
        bad += len(wrong)
        line, skip = line + lines, 0
        if layout.increment_s is not None:
            time = np.asarray(
                layout.start_s + layout.increment_s * (index + np.arange(len(time))), np.float64
            )
        else:
            time = time * layout.time.factor
        index += len(time)
        chosen = (time >= section.start_s) & (time <= section.stop_s)
        room = MAX_SAMPLES - count
        times.append(time[chosen][:room])
        volts.append(value[chosen][:room] * (layout.value.factor * section.factor))
        count += len(times[-1])
        if int(np.count_nonzero(chosen)) > room:
            remarks.append(
                finding(
                    "capture-cut",
                    "capture length",
                    f"only the first {MAX_SAMPLES} samples are used, up to "
                    f"{times[-1][-1] if len(times[-1]) else section.start_s:.6g} s; choose a "
                    "section",
                )
            )
            break
    if bad:
        text = f"{counted(bad, 'row')} without two numbers, the first in line {first_bad}: left out"
        remarks.append(finding("rows-left-out", "capture rows", text))
    if not count:
        if index:
            raise input_error(
                path, "section", "it holds no samples", "choose one inside the capture"
            )
        raise input_error(path, "file", "no rows of numbers", "check the export")
    return Raw(np.concatenate(times), np.concatenate(volts), layout.value.name, tuple(remarks))


def _numbers(layout: Layout, text: str) -> tuple[Floats, Floats, list[int]]:
    """Time and value columns of some lines as they are written, and which lines (from 1) are
    neither empty nor two numbers."""
    columns = (layout.time.index, layout.value.index)
    quick = text
    if layout.decimal_comma and layout.delimiter != ",":
        quick = text.replace(",", ".")
    if text.strip() and '"' not in text and (not layout.decimal_comma or layout.delimiter != ","):
        try:
            table: Floats = np.loadtxt(
                io.StringIO(quick),
                delimiter=None if layout.delimiter == " " else layout.delimiter,
                usecols=columns,
                comments=None,
                ndmin=2,
            )
            return table[:, 0], table[:, 1], []
        except (ValueError, IndexError):
            pass  # Some line is not like the others: one by one.
    return _numbers_slowly(layout, text, columns)


def _numbers_slowly(
    layout: Layout, text: str, columns: tuple[int, int]
) -> tuple[Floats, Floats, list[int]]:
    rows: list[tuple[float, float]] = []
    wrong: list[int] = []
    for at, line in enumerate(text.split("\n"), 1):
        if not line.strip():
            continue
        cells = split(line, layout.delimiter)
        if max(columns) >= len(cells):
            wrong.append(at)
            continue
        time, value = (number(cells[column], layout.decimal_comma) for column in columns)
        if time is None:
            wrong.append(at)
        else:
            # A time without a value is a missing sample, not a broken row.
            rows.append((time, np.nan if value is None else value))
    table = np.array(rows, dtype=np.float64).reshape(-1, 2)
    return table[:, 0], table[:, 1], wrong
