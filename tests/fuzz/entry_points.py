"""What untrusted bytes may reach, one function per way in (a helper, no test).

Each takes any bytes and returns; a fault of the input is an InputError with one printable line per
fault. Anything else that comes out is a fault of halfcycle. ``test_fuzz`` feeds them with
hypothesis and with the kept seeds, ``fuzz.py`` with a coverage-guided fuzzer.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable
from pathlib import Path

from halfcycle.base.errors import InputError
from halfcycle.bench.calibrate import calibrate
from halfcycle.bench.calibrate_findings import changes, findings, inside
from halfcycle.bench.capture import read_capture
from halfcycle.bench.meter_readings import read_readings
from halfcycle.bench.waveform import analyse
from halfcycle.spec import c_names
from halfcycle.spec.edit import edit_file, edit_text
from halfcycle.spec.load import load_spec, parse_spec
from support.paths import example

FOLDER = Path(tempfile.mkdtemp(prefix="fuzz-"))
BASE = example("peat_cabin").read_text("utf-8")
SPEC = parse_spec(BASE, "s.toml")
PLAIN_NAME = re.compile(r"[A-Za-z](_?[A-Za-z0-9])*")


def _clean(error: InputError) -> None:
    assert error.faults
    for fault in error.faults:
        assert str(fault).isprintable(), repr(str(fault))
        assert len(str(fault)) < 2000, len(str(fault))


def _file(name: str, data: bytes) -> Path:
    path = FOLDER / name
    path.write_bytes(data)
    return path


def spec(data: bytes) -> None:
    """A spec file: loaded, and where it is good, edited in place."""
    path = _file("s.toml", data)
    try:
        found = load_spec(path)
        assert PLAIN_NAME.fullmatch(found.name)
        edited = edit_file(path, {"loop.measure": "rms", "targets.settling_ms": 300})
        assert edited.loop.measure == "rms"
        found = edit_file(path, dict(found.values()))
        assert found.loop.measure == edited.loop.measure or found != edited
    except InputError as error:
        _clean(error)


def spec_text(data: bytes) -> None:
    """A good spec with some of its text replaced: offset, length, new text."""
    if len(data) < 3:
        return
    start = int.from_bytes(data[:2], "big") % len(BASE)
    text = BASE[:start] + data[3:].decode("utf-8", "replace") + BASE[start + data[2] :]
    try:
        found = parse_spec(text, "s.toml")
        assert PLAIN_NAME.fullmatch(found.name)
        edit_text(text, {"sensor.zero_tolerance_codes": 7})
    except InputError as error:
        _clean(error)


def name(data: bytes) -> None:
    """A name on its way to C and to the file system."""
    text = data.decode("utf-8", "replace")
    try:
        c_names.check_name(text)
    except c_names.BadNameError as error:
        assert str(error).isprintable()
        return
    assert PLAIN_NAME.fullmatch(text) and len(text) <= c_names.MAX_LENGTH
    assert text.isascii()


def capture(data: bytes) -> None:
    """A CSV capture, read and analysed."""
    _capture(_file("c.csv", data))


def comtrade(data: bytes) -> None:
    """A record: configuration and data, with a form feed between; or a combined file."""
    if data[:3] == b"---":
        _capture(_file("r.cff", data))
        return
    config, _, samples = data.partition(b"\f")
    _file("r.dat", samples)
    _capture(_file("r.cfg", config))


def _capture(path: Path) -> None:
    try:
        found = read_capture(path)
    except InputError as error:
        _clean(error)
        return
    assert len(found.time_s) == len(found.volts) >= 2
    assert (found.time_s[1:] > found.time_s[:-1]).all()
    assert found.stretches[0][0] == 0 and found.stretches[-1][1] == len(found.time_s)
    assert all(remark.text.isprintable() for remark in found.remarks)
    analyse(found, 50.0)


def readings(data: bytes) -> None:
    """A table of bench readings, read and fitted."""
    try:
        rows = read_readings(_file("b.csv", data))
        found = calibrate(SPEC, rows)
        assert all(one.text.isprintable() for one in findings(SPEC, found, written=False))
        inside(SPEC, found, after=True)
        edit_text(BASE, changes(SPEC, found))
    except InputError as error:
        _clean(error)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "spec": spec,
    "spec_text": spec_text,
    "name": name,
    "capture": capture,
    "comtrade": comtrade,
    "readings": readings,
}
