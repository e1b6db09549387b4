"""Waveforms from IEEE C37.111 (COMTRADE) records, through the ``comtrade`` reader of PyPI.

The reader trusts the numbers of the configuration; here they are held against what the data hold
before it allocates anything, and a record that was cut short is read as far as it goes.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import comtrade
import numpy as np

from halfcycle.base import files
from halfcycle.base.errors import InputError
from halfcycle.base.findings import Finding, finding
from halfcycle.base.text import printable
from halfcycle.bench.capture_types import MAX_SAMPLES, Raw, Section, input_error, open_error
from halfcycle.bench.csv_layout import MAX_LISTED, MAX_NAME
from halfcycle.bench.csv_units import parse_unit

MAX_BYTES = 1 << 28
"""Larger records are refused: the reader holds every channel at once."""

_SECTION = re.compile(
    rb"^--- *file type: *([A-Z]+)(?: +([A-Z0-9]+))?(?: *: *[0-9]+)? *---[ \t]*\r?\n",
    re.IGNORECASE | re.MULTILINE,
)
_STATUS_BITS = 16
_VALUE_BYTES = {"BINARY": 2, "BINARY32": 4, "FLOAT32": 4}


def read(path: Path, channel: str | None, section: Section) -> Raw:
    """The chosen analog channel over time; see ``capture.read_capture``."""
    config, data = _contents(path)
    record: Any = comtrade.Comtrade(
        ignore_warnings=True, use_numpy_arrays=True, use_double_precision=True
    )
    try:
        config, rows, declared = _bounded(config, data)
        record.read(config, data)
    except InputError:
        raise
    except Exception as error:  # The reader meets damage with whatever its conversions raise.
        what = f"this is not a readable record ({type(error).__name__}: {str(error)[:120]})"
        raise input_error(path, "file", what, "export it again, or as CSV") from None
    return _raw(path, record, channel, section, (rows, declared))


def _contents(path: Path) -> tuple[str, bytes]:
    """Configuration and data of a ``.cff`` file or of a ``.cfg`` and ``.dat`` pair."""
    if path.suffix.lower() == ".cff":
        return _combined(path, _bytes(path))
    config = _beside(path, ".cfg")
    return _text(_bytes(config)), _bytes(_beside(path, ".dat"))


def _beside(path: Path, suffix: str) -> Path:
    """The record's other file, whatever the case of its ending."""
    if path.suffix.lower() == suffix:
        return path
    for ending in (suffix, suffix.upper(), suffix.capitalize()):
        if path.with_suffix(ending).is_file():
            return path.with_suffix(ending)
    problem = f"its {suffix} file is missing"
    raise input_error(path, "file", problem, "keep the .cfg and .dat files of a record together")


def _bytes(path: Path) -> bytes:
    try:
        with files.open_regular(path) as stream:
            data = stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        raise open_error(path, error) from None
    if len(data) > MAX_BYTES:
        raise input_error(path, "file", f"more than {MAX_BYTES} bytes", "export a section, or CSV")
    return data


def _text(data: bytes) -> str:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", "replace")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _combined(path: Path, data: bytes) -> tuple[str, bytes]:
    heads = list(_SECTION.finditer(data))
    parts: dict[bytes, bytes] = {}
    for at, head in enumerate(heads):
        kind = head[1].upper()
        # Binary data go on to the end, whatever they may look like.
        last = kind == b"DAT" or at + 1 == len(heads)
        parts.setdefault(kind, data[head.end() : len(data) if last else heads[at + 1].start()])
        if kind == b"DAT":
            break
    if b"CFG" not in parts or b"DAT" not in parts:
        raise input_error(path, "file", "no CFG and DAT sections", "export the record again")
    return _text(parts[b"CFG"]), parts[b"DAT"]


def _bounded(config: str, data: bytes) -> tuple[str, int, int]:
    """The configuration with no more samples than the data hold; that number, and the one that
    was declared. Raises ValueError where the two cannot belong together."""
    lines = config.split("\n")
    counts = [int(digits) for digits in re.findall(r"[0-9]{1,18}", lines[1])][:3]
    if len(counts) < 3 or sum(counts[1:]) > len(lines):
        raise ValueError("more channels than lines")
    header = comtrade.Cfg(ignore_warnings=True)
    header.read(config)
    declared = int(header.sample_rates[-1][1])
    analog, status = int(header.analog_count), int(header.status_count)
    kind = str(header.ft).upper()
    if kind in _VALUE_BYTES:
        row = 8 + analog * _VALUE_BYTES[kind] + 2 * -(-status // _STATUS_BITS)
        present = len(data) // row
    else:
        present = sum(1 for line in data.splitlines() if line.strip(b" \t\r\n\x1a"))
        if present * (analog + status + 1) > len(data):
            raise ValueError("rows with fewer values than channels")
    rows = min(present, declared, MAX_SAMPLES)
    place = 2 + analog + status + 2 + len(header.sample_rates) - 1
    rate = lines[place].partition(",")[0]
    lines[place] = f"{rate},{rows}"
    return "\n".join(lines), rows, declared


def _raw(
    path: Path, record: Any, channel: str | None, section: Section, rows: tuple[int, int]
) -> Raw:
    remarks: list[Finding] = []
    if rows[0] < rows[1]:
        text = f"{rows[0]} samples are there of {rows[1]} that the record declares"
        remarks.append(finding("rows-missing", "capture rows", f"{text}; was it cut short?"))
    at = _channel(path, record, channel, remarks)
    about = record.cfg.analog_channels[at]
    unit = parse_unit(about.uu)
    factor = unit.factor * section.factor
    if unit.kind != "volts":
        unit_text = f"is in {about.uu[:MAX_NAME]!a}" if about.uu else "has no unit"
        text = f"{printable(about.name)[:MAX_NAME]} {unit_text}: its numbers are taken as volts"
        remarks.append(finding("channel-not-volts", "capture channel", text))
    if str(about.pors).upper() == "S" and about.primary != about.secondary:
        text = (
            f"values are the secondary's of a {about.primary:g} : {about.secondary:g} transformer;"
            " for the primary's multiply by its ratio"
        )
        remarks.append(finding("secondary-values", "capture channel", text))
    time = np.asarray(record.time, dtype=np.float64)
    volts = np.asarray(record.analog[at], dtype=np.float64) * factor
    chosen = (time >= section.start_s) & (time <= section.stop_s)
    if not chosen.any():
        raise input_error(path, "section", "it holds no samples", "choose one inside the capture")
    return Raw(time[chosen], volts[chosen], printable(about.name), tuple(remarks))


def _channel(path: Path, record: Any, channel: str | None, remarks: list[Finding]) -> int:
    """Index of the analog channel that was named, or of the first in volts."""
    names = [printable(str(name)).strip()[:MAX_NAME] for name in record.analog_channel_ids]
    listed = ", ".join(names[:MAX_LISTED]) or "none"
    if channel is not None:
        wanted = channel.strip().casefold()
        for at, name in enumerate(names):
            if wanted in (name.casefold(), str(at + 1)):
                return at
        raise input_error(path, "channel", f"no analog channel {channel!a}", f"there are: {listed}")
    units = [parse_unit(about.uu).kind for about in record.cfg.analog_channels]
    if "volts" not in units:
        raise input_error(path, "channel", "no analog channel in volts", f"name one of: {listed}")
    at = units.index("volts")
    if len(names) > 1:
        text = f"{names[at]} is used, of: {listed}; choose another if that is wrong"
        remarks.append(finding("channel-chosen", "capture channel", text))
    return at
