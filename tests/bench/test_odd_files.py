"""Readings and captures that are no plain files, or hold numbers beyond floats."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from halfcycle.base.errors import InputError
from halfcycle.bench.calibrate import plus_minus
from halfcycle.bench.capture import read_capture
from halfcycle.bench.csv_layout import number
from halfcycle.bench.meter_readings import read_readings


@pytest.mark.skipif(sys.platform == "win32", reason="FIFOs of POSIX")
@pytest.mark.parametrize("name", ["c.csv", "c.cff", "c.cfg"])
def test_a_fifo_is_said_and_does_not_hang(tmp_path: Path, name: str) -> None:
    """Bug: replay waited for ever until somebody wrote to it."""
    os.mkfifo(tmp_path / name)
    with pytest.raises(InputError, match="this is a FIFO"):
        read_capture(tmp_path / name)


@pytest.mark.skipif(sys.platform == "win32", reason="FIFOs of POSIX")
def test_readings_from_a_fifo_are_refused_and_do_not_hang(tmp_path: Path) -> None:
    """Bug: calibrate waited for ever until somebody wrote to it."""
    os.mkfifo(tmp_path / "bench.csv")
    with pytest.raises(InputError, match="this is a FIFO"):
        read_readings(tmp_path / "bench.csv")


@pytest.mark.parametrize(
    "zero", ["0e400", "0e" + "9" * 5000, "0e-" + "9" * 5000], ids=["400", "huge", "tiny"]
)
def test_a_zero_with_an_exponent_beyond_floats_is_a_zero(tmp_path: Path, zero: str) -> None:
    """Bug: OverflowError, or ValueError at more than 4300 digits (Python's own limit)."""
    path = tmp_path / "bench.csv"
    path.write_text(f"board,meter_rms_v,mean_code,rms_codes\na,{zero},2048,0\na,230.1,,1045.5\n")
    first, second = read_readings(path)
    assert (first.meter_v, first.mean_code, second.meter_v) == (0, 2048, 230.1)
    assert 0 < second.gain_rounding < 1e-3


def test_nul_bytes_behind_the_first_rows_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "c.csv"
    rows = "".join(f"{n * 2e-5:.6f},{n % 7}\n" for n in range(8000))
    path.write_text(f"s,V\n{rows}" + "\0" * 500)
    with pytest.raises(InputError, match="NUL"):
        read_capture(path)


def test_half_widths_are_no_powers_of_ten() -> None:
    assert plus_minus(9.6, 1) == "+-10" and plus_minus(14.2, 1) == "+-10"
    assert plus_minus(123.4, 2) == "+-120" and plus_minus(0.0035, 1) == "+-0.004"


def test_digits_of_another_script_are_text() -> None:
    """Bug: Python's float reads them, so that a capture's labels could be numbers."""
    assert number("\u0663.\u0665", False) is None
    assert number(" 3.5\u00a0", False) == 3.5
