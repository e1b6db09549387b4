"""Captures as recorders export them: the layouts are typical ones, written from memory.

Expected values come from the sine that each test writes, not from the reader.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from halfcycle.base.errors import InputError
from halfcycle.bench import capture_csv, capture_types
from halfcycle.bench.capture import Capture, read_capture
from halfcycle.bench.capture_types import Section
from halfcycle.bench.csv_units import parse_header
from support.paths import RECORDS as COMTRADE

TIME = np.arange(500) * 1e-4 - 0.01
VOLTS = 325 * np.sin(2 * np.pi * 50 * TIME)


def write(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.write_bytes(text.encode(encoding))
    return path


def table(form: str, head: str = "", time: np.ndarray = TIME, volts: np.ndarray = VOLTS) -> str:
    rows = (form.format(t=t, v=v, n=n) for n, (t, v) in enumerate(zip(time, volts, strict=True)))
    return head + "\n".join(rows) + "\n"


def comma(text: str) -> str:
    return text.replace(".", ",")


def check(capture: Capture, time: np.ndarray = TIME, volts: np.ndarray = VOLTS) -> None:
    np.testing.assert_allclose(capture.time_s, time, atol=1e-7)
    np.testing.assert_allclose(capture.volts, volts, atol=1e-3)


LAYOUTS = {
    "bare": table("{t:.6f},{v:.4f}"),
    "named": table("{t:.6f},{v:.4f}", "Source,CH1\nSecond,Volt\n"),
    "axis": table("{t:.6E},{v:.6E}", "x-axis,1\nsecond,Volt\n"),
    "brackets": table("{t:.6f}\t{v:.4f}", "Time (s)\tVoltage [V]\n"),
    "volts first": table("{v:.4f},{t:.6f}", "u_out (V),Time (s)\n"),
    "three columns": table("{n},{t:.6f},9.5,{v:.4f}", "n,time_s,i_load (A),u_out_V\n"),
    "semicolons, decimal commas": comma(table("{t:.6f};{v:.4f}", "Zeit;Spannung\n(s);(V)\n\n")),
    "tabs, decimal commas": comma(table("{t:.6f}\t{v:.4f}", "Zeit [s]\tKanal A [V]\n")),
    "quoted decimal commas": comma(table('"{t:.6f}","{v:.4f}"')).replace('",,"', '","'),
    "blanks": table("  {t:.6f}   {v:.4f}", "time vout\n"),
    "blanks, decimal commas": comma(table("{t:.6f} {v:.4f}")),
    "quoted names": table("{t:.6f},{v:.4f}", '"Time","Probe, left"\n"s","V"\n'),
    "long header": table(
        "{t:.6f},{v:.4f}",
        "Model,SCOPE\nRecord Length,500\nSample Interval,1e-4\nVertical Scale,100\n"
        "Vertical Offset,0,0\nHorizontal Delay,0,0\nProbe Attenuation,1,1\n\nTIME,CH1\n",
    ),
    "trailing separator": table("{t:.6f},{v:.4f},", "Time,CH1,\ns,V,\n"),
    "counted": table(
        "{n},{v:.4f},,", "X,CH1,Start,Increment,\nSequence,Volt,-1.000000E-02,1.0E-04,\n"
    ),
    "windows line ends": table("{t:.6f},{v:.4f}", "Time,V\n").replace("\n", "\r\n"),
    "old line ends": table("{t:.6f},{v:.4f}", "Time,V\n").replace("\n", "\r"),
    "mark": "\ufeff" + table("{t:.6f},{v:.4f}", "Time,V\n"),
    "no last line end": table("{t:.6f},{v:.4f}").rstrip("\n"),
    "plus signs and spaces": table("{t:+.6f}, {v:+.4f}"),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_layouts(tmp_path: Path, layout: str) -> None:
    capture = read_capture(write(tmp_path / "c.csv", LAYOUTS[layout]))
    check(capture)
    assert capture.stretches == ((0, 500),)
    assert not [r for r in capture.remarks if r.level == "warning"]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-8-sig", "cp1252"])
def test_encodings_and_units(tmp_path: Path, encoding: str) -> None:
    head = "Zeit (\u00b5s);Spannung (kV)\n"
    text = comma(table("{t:.2f};{v:.7f}", head, TIME * 1e6, VOLTS / 1e3))
    capture = read_capture(write(tmp_path / "c.csv", text, encoding))
    check(capture)
    assert capture.channel == "Spannung"


@pytest.mark.parametrize(
    ("cell", "name", "kind", "factor"),
    [
        ("Time (ms)", "Time", "time", 1e-3),
        ("t/us", "t", "time", 1e-6),
        ("t in \u03bcs", "t", "time", 1e-6),
        ("time_ns", "time", "time", 1e-9),
        ("Second", "Second", "time", 1.0),
        ("Volt", "Volt", "volts", 1.0),
        ("CH1 (mV)", "CH1", "volts", 1e-3),
        ("u_out [kV]", "u_out", "volts", 1e3),
        ("Output, V", "Output", "volts", 1.0),
        ("Vrms", "Vrms", "volts", 1.0),
        ("CH A", "CH A", "none", 1.0),
        ("Channel V", "Channel V", "none", 1.0),
        ("I (A)", "I", "other", 1.0),
        ("CH1", "CH1", "none", 1.0),
    ],
)
def test_units(cell: str, name: str, kind: str, factor: float) -> None:
    found = parse_header(cell)
    assert (found.name, found.kind, found.factor) == (name, kind, factor)


def test_channels(tmp_path: Path) -> None:
    text = table("{t:.6f},9,{v:.4f},0", "Time (s),I (A),u1 (V),u2 (V)\n")
    path = write(tmp_path / "c.csv", text)
    assert read_capture(path).channel == "u1"
    assert any("of: I, u1, u2" in r.text for r in read_capture(path).remarks)
    assert read_capture(path, "U2").channel == "u2"
    assert read_capture(path, "3").channel == "u1"
    amperes = read_capture(path, "I")
    assert amperes.volts[0] == 9
    assert any(r.level == "warning" and "not volts" in r.text for r in amperes.remarks)
    with pytest.raises(InputError, match=r" channel: no column 'u3'; there are: I, u1, u2"):
        read_capture(path, "u3")


def test_section_and_factor(tmp_path: Path) -> None:
    path = write(tmp_path / "c.csv", LAYOUTS["named"])
    capture = read_capture(path, section=Section(0.0, 0.01, 200))
    np.testing.assert_allclose(capture.time_s[[0, -1]], [0, 0.01], atol=1e-9)
    np.testing.assert_allclose(capture.volts, 200 * VOLTS[100:201], atol=0.02)
    with pytest.raises(InputError, match="section: it holds no samples"):
        read_capture(path, section=Section(5.0, 6.0))


def test_gaps_and_bad_rows(tmp_path: Path) -> None:
    rows = table("{t:.6f},{v:.4f}").splitlines()
    rows[60] = rows[60].split(",")[0] + ","  # a missing value
    rows[70] = "overrange"
    rows[71] = ""
    del rows[200:230]
    capture = read_capture(write(tmp_path / "c.csv", "Time (s),U (V)\n" + "\n".join(rows)))
    # Rows 60, 70 to 71 and 200 to 229 are missing: three gaps, four stretches.
    assert [b - a for a, b in capture.stretches] == [60, 9, 128, 270]
    text = " ".join(r.text for r in capture.remarks)
    assert "no value in 1 sample" in text
    assert "1 row without two numbers, the first in line 72" in text
    assert "3 gaps, the first after -0.0041 s, 0.0033 s in all" in text


def test_time_that_does_not_run_forward(tmp_path: Path) -> None:
    back = write(tmp_path / "back.csv", table("{t:.6f},{v:.4f}", "", TIME[::-1], VOLTS[::-1]))
    check(read_capture(back))
    assert "order of the rows was reversed" in read_capture(back).remarks[-1].text

    jitter = TIME.copy()
    jitter[[100, 101]] = jitter[[101, 100]]
    capture = read_capture(write(tmp_path / "j.csv", table("{t:.6f},{v:.4f}", "", jitter)))
    assert len(capture.time_s) == 499 and np.all(np.diff(capture.time_s) > 0)
    assert any("stands still in 1 row" in r.text for r in capture.remarks)

    twice = np.concatenate([TIME[:250], TIME[:250]])
    with pytest.raises(InputError, match="250 of 500 rows do not come later"):
        read_capture(write(tmp_path / "t.csv", table("{t:.6f},{v:.4f}", "", twice)))
    with pytest.raises(InputError, match="as a time does"):
        read_capture(write(tmp_path / "f.csv", table("0,{v:.4f}")))


def test_rounded_stamps_become_even(tmp_path: Path) -> None:
    """Ten samples share each stamp of a time column with three decimals."""
    capture = read_capture(write(tmp_path / "c.csv", table("{t:.3f},{v:.4f}", "Time,V\n")))
    assert any("too few digits" in r.text for r in capture.remarks)
    assert len(capture.time_s) == 500
    # The stamps' rounding leaves half a digit's doubt about the start, none about the step.
    np.testing.assert_allclose(np.diff(capture.time_s), 1e-4, rtol=1e-3)
    np.testing.assert_allclose(capture.time_s, TIME, atol=5.1e-4)


def test_uneven_steps_are_no_gaps(tmp_path: Path) -> None:
    """A simulator's export: steps of all sizes."""
    time = np.cumsum(np.random.default_rng(1).uniform(1e-6, 1e-4, 2000))
    volts = np.sin(314 * time)
    capture = read_capture(write(tmp_path / "c.csv", table("{t:.9f} {v:.6f}", "", time, volts)))
    assert capture.stretches == ((0, 2000),)


@pytest.mark.parametrize(
    ("text", "key", "problem"),
    [
        ("", "columns", "no two columns"),
        ("Time,V\n", "columns", "no two columns"),
        ("a,b\nx,y\n", "columns", "no two columns"),
        ("1.0\n2.0\n3.0\n4.0\n", "columns", "no two columns"),
        ("\0\1\2" * 100, "file", "not text"),
        ("Time,V\n0,001,12,5\n0,002,13,5\n0,003,14,5\n0,004,15,5\n", "columns", "commas"),
        ("n,V\n0,1.5\n1,1.6\n2,1.5\n3,1.6\n", "time", "counts samples"),
        ("Time (s),I (A)\n0,1.5\n1,1.6\n2,1.5\n3,1.6\n", "channel", "no column in volts"),
    ],
)
def test_what_is_no_capture(tmp_path: Path, text: str, key: str, problem: str) -> None:
    with pytest.raises(InputError) as caught:
        read_capture(write(tmp_path / "c.csv", text))
    (found,) = caught.value.faults
    assert (found.key, problem in found.problem) == (key, True), str(found)
    assert str(found).isprintable()


def test_unreadable(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        read_capture(tmp_path / "none.csv")
    with pytest.raises(InputError, match="folder"):
        read_capture(tmp_path)
    (tmp_path / "a.cfg").write_text("x")
    with pytest.raises(InputError, match=r"its \.dat file is missing"):
        read_capture(tmp_path / "a.cfg")


def test_many_pieces_read_as_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = table("{t:.6f};{v:.4f}", "Time;U\n") + "broken\n" + "0.05;1\n"
    path = write(tmp_path / "c.csv", text)
    whole = read_capture(path)
    monkeypatch.setattr(capture_csv, "PIECE", 100)
    monkeypatch.setattr(capture_csv, "HEAD_CHARACTERS", 300)
    pieces = read_capture(path)
    np.testing.assert_array_equal(pieces.time_s, whole.time_s)
    np.testing.assert_array_equal(pieces.volts, whole.volts)
    assert pieces.remarks == whole.remarks
    assert any("the first in line 502:" in r.text for r in whole.remarks)


def test_long_captures_are_cut(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture_csv, "MAX_SAMPLES", 300)
    capture = read_capture(write(tmp_path / "c.csv", LAYOUTS["named"]))
    assert len(capture.time_s) == 300
    assert any("only the first 300 samples are used" in r.text for r in capture.remarks)
    monkeypatch.undo()
    monkeypatch.setattr(capture_csv, "PIECE", 1000)
    monkeypatch.setattr(capture_csv, "HEAD_CHARACTERS", 500)
    with pytest.raises(InputError, match="a line has more than 1000 characters"):
        read_capture(write(tmp_path / "d.csv", table("{t:.6f},{v:.4f}") + "1" * 5000))


def cycles(capture: Capture, points: int) -> list[float]:
    whole = capture.volts[: len(capture.volts) // points * points].reshape(-1, points)
    return [float(x) for x in np.sqrt(np.mean(whole**2, axis=1))]


def test_comtrade_record() -> None:
    """Per-cycle RMS of the reader's own sample record: its source distribution (MIT)."""
    capture = read_capture(COMTRADE / "sample_ascii.cfg", "IA")
    assert capture.step_s == pytest.approx(1 / 1200)
    assert cycles(capture, 20) == pytest.approx([19.5835, 17.6739], abs=5e-5)
    assert read_capture(COMTRADE / "sample_ascii.dat", "1").channel == "IA"
    # Rows of number, time, four values and one word of status, little-endian (IEEE C37.111).
    binary = read_capture(COMTRADE / "sample_bin.cfg")
    rows = struct.iter_unpack("<II4hH", (COMTRADE / "sample_bin.dat").read_bytes())
    assert binary.channel == "VA"
    assert binary.volts == pytest.approx([0.361849 * row[2] for row in rows])
    combined = read_capture(COMTRADE / "sample_float32.cff", "test/out1")
    assert len(combined.time_s) == 301 and combined.step_s == pytest.approx(0.01)


def record(folder: Path, **changes: str) -> Path:
    for name in ("cfg", "dat"):
        text = (COMTRADE / f"sample_ascii.{name}").read_text("utf-8")
        for old, new in changes.items() if name == "cfg" else ():
            assert old in text
            text = text.replace(old, new, 1)
        (folder / f"r.{name}").write_text(text)
    return folder / "r.cfg"


def test_comtrade_damage(tmp_path: Path) -> None:
    path = record(tmp_path)
    data = (tmp_path / "r.dat").read_text().splitlines()
    (tmp_path / "r.dat").write_text("\n".join(data[:25]))
    capture = read_capture(path, "IA")
    assert len(capture.time_s) == 25
    assert any("25 samples are there of 40" in r.text for r in capture.remarks)
    (tmp_path / "r.dat").write_text("\n".join(data).replace("3,74167,55,", "3,74167,,"))
    with pytest.raises(InputError, match="not a readable record"):
        read_capture(path, "IA")
    (tmp_path / "r.dat").write_text("\n".join(data).replace("3,74167,55,", "3,74167,99999,"))
    capture = read_capture(path, "IA")  # 99999 is the standard's mark of a missing value
    assert [b - a for a, b in capture.stretches] == [2, 37]
    path = record(tmp_path, **{"8,4A,4D": "8,999999999999A,4D"})
    with pytest.raises(InputError, match="more channels than lines"):
        read_capture(path, "IA")
    path = record(tmp_path, **{"1200,40": "1200,999999999999"})
    assert len(read_capture(path, "IA").time_s) == 40
    path = record(tmp_path, **{"60\n1\n1200,40": "60\n99999999999\n1200,40"})
    with pytest.raises(InputError, match="not a readable record"):
        read_capture(path, "IA")


def test_comtrade_units(tmp_path: Path) -> None:
    path = record(tmp_path, **{"1,IA ,,Line123, A,": "1,UA ,,Line123, kV,"})
    capture = read_capture(path)
    assert capture.channel == "UA"
    assert cycles(capture, 20) == pytest.approx([19583.5, 17673.9], abs=0.05)
    with pytest.raises(InputError, match="there are: UA, IB, IC, 3I0"):
        read_capture(path, "UB")


def test_the_readers_limit_is_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from halfcycle.bench import capture_comtrade  # noqa: PLC0415

    assert capture_comtrade.MAX_SAMPLES == capture_types.MAX_SAMPLES
    monkeypatch.setattr(capture_comtrade, "MAX_BYTES", 500)
    with pytest.raises(InputError, match="more than 500 bytes"):
        read_capture(record(tmp_path), "IA")
