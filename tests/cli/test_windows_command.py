"""``halfcycle windows`` as a user runs it."""

from __future__ import annotations

import json
from fractions import Fraction

import pytest

from halfcycle.windows import reading_errors
from halfcycle.windows.search import Window
from support.command import run_halfcycle


def test_json_has_the_documented_keys() -> None:
    done = run_halfcycle("windows", "--frequency-hz", "60", "--period-us", "1000", "--json")
    assert (done.code, done.err) == (0, "")
    windows = json.loads(done.out)["windows"]
    # Common practice, no source: three half cycles of 60 Hz in 25 samples of 1 ms.
    first = windows[0]
    assert (first["half_cycles"], first["samples"], first["duration_ms"]) == (3, 25, 25.0)
    assert (first["whole"], first["mismatch_ppm"]) == (True, 0.0)
    # (pi/50)/tan(pi/50) - 1 and (pi/50)/sin(pi/50) - 1 by a pocket calculator.
    assert first["mean_error"] == pytest.approx([-0.00131629, 0.00065828], abs=1e-8)
    assert first["rms_error"] == [0, 0]
    assert [w["samples"] for w in windows if w["kind"] == "plain"] == [25, 50, 75, 100]


def test_json_includes_tolerance_and_offset() -> None:
    options = ("--frequency-hz", "50/3", "--period-us", "1500/2", "--longest-ms", "70", "--json")
    extra = ("--frequency-tolerance-hz", "1/10", "--zero-offset-percent", "0.5")
    window = json.loads(run_halfcycle("windows", *options, *extra).out)["windows"][0]
    same = Window(1, 40, Fraction(50, 3), Fraction(75, 100_000))
    assert (window["half_cycles"], window["samples"]) == (same.half_cycles, same.samples)
    offset = 0.005 / 2**0.5
    expected = reading_errors.mean_error(same, offset, Fraction(1, 10))
    assert window["mean_error"] == pytest.approx(list(expected))
    assert expected.high > reading_errors.mean_error(same, offset).high + 1e-4
    assert window["alternation_mean"] > 0


@pytest.mark.parametrize("columns", ["60", "80", "200"])
def test_table_fits_and_says_what_it_shows(columns: str) -> None:
    extra = ("--frequency-tolerance-hz", "0.5", "--zero-offset-percent", "1")
    done = run_halfcycle(
        "windows", "--frequency-hz", "50", "--period-us", "997", *extra, COLUMNS=columns
    )
    assert done.code == 0
    assert max(map(len, done.out.splitlines())) <= min(int(columns), 100)
    text = " ".join(done.out.split())
    for part in ("No window up to the longest", "ppm", "ms", "%", "odd", "few", "0.5 Hz", "1 %"):
        assert part in text
    assert "\x1b" not in done.out


def test_table_without_unicode() -> None:
    done = run_halfcycle(
        "windows", "--frequency-hz", "50", "--period-us", "800", PYTHONIOENCODING="ascii"
    )
    assert done.code == 0
    assert done.out.isascii()
    assert "odd:" not in done.out  # every whole window of 50 Hz at 800 us is even


def test_every_fault_at_once() -> None:
    done = run_halfcycle(
        "windows", "--frequency-hz", "50/0", "--longest-ms", "nan", "--zero-offset-percent", "-3"
    )
    assert (done.code, done.out) == (2, "")
    lines = done.err.splitlines()
    keys = [line.split(": ")[2] for line in lines]
    assert keys == ["--frequency-hz", "--period-us", "--longest-ms", "--zero-offset-percent"]
    assert all(line.startswith("error: (command line): --") and "; " in line for line in lines)


@pytest.mark.parametrize(
    ("key", "options"),
    [
        ("--period-us", ("--frequency-hz", "50", "--period-us", "10000")),
        ("--longest-ms", ("--frequency-hz", "50", "--period-us", "10", "--longest-ms", "3")),
        ("--longest-ms", ("--frequency-hz", "50", "--period-us", "1e-6")),
        ("--frequency-hz", ("--frequency-hz", "fifty", "--period-us", "10")),
        ("--frequency-hz", ("--frequency-hz", "0", "--period-us", "10")),
        ("--zero-offset-percent", ("--frequency-hz", "50", "--period-us", "800")),
        ("--frequency-tolerance-hz", ("--frequency-hz", "50", "--period-us", "800")),
    ],
)
def test_bad_options_name_the_key(key: str, options: tuple[str, ...]) -> None:
    more = (key, "100") if key not in options and key != "--longest-ms" else ()
    done = run_halfcycle("windows", *options, *more)
    assert (done.code, done.out) == (2, "")
    assert done.err.startswith(f"error: (command line): {key}: ")
    assert "Traceback" not in done.err


def test_forty_long_windows() -> None:
    extra = ("--zero-offset-percent", "1", "--frequency-tolerance-hz", "0.5", "--longest-ms", "400")
    done = run_halfcycle("windows", "--frequency-hz", "50", "--period-us", "160", *extra, "--json")
    windows = json.loads(done.out)["windows"]
    plain = [w for w in windows if w["kind"] == "plain"]
    assert plain[-1]["samples"] == 2500
