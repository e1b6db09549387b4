"""What a narrow terminal shows: no name and no number broken, and findings that can be read."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

from halfcycle.cli import streams, tables
from halfcycle.generate.pipeline import design_integers
from halfcycle.report.loop_section import corner_table, corners
from halfcycle.spec.load import load_spec
from support.paths import EXAMPLES

SPEC = "peat_cabin.toml"


@cache
def show(columns: int, *words: str) -> str:
    """The tables of a command on a terminal of so many columns."""
    ran = subprocess.run(
        [sys.executable, "-m", "halfcycle", *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=EXAMPLES,
        env={**os.environ, "COLUMNS": str(columns)},
    )
    assert ran.returncode in (0, 1), ran.stderr
    return ran.stdout


COMMANDS = {
    "design": ("design", SPEC),
    "retune": ("retune", SPEC, "--period-us", "500"),
    "windows": ("windows", "--frequency-hz", "50", "--period-us", "997"),
    "whole windows": ("windows", "--frequency-hz", "60", "--period-us", "1000"),
    "simulate": ("simulate", SPEC, "--boards", "1", "--case", "disconnected-sensor"),
}


@pytest.mark.parametrize("columns", [40, 60, 80])
@pytest.mark.parametrize("command", COMMANDS)
def test_a_narrow_table_breaks_no_word_and_no_number(command: str, columns: int) -> None:
    """At 60 columns "step_product" was "step_produ" with "ct" below it; at 40 a scale of 0.943 was
    on three lines."""
    narrow = show(columns, *COMMANDS[command])
    assert all(len(line) <= columns for line in narrow.splitlines())
    whole = set(show(200, *COMMANDS[command]).split())
    told = re.sub(r"Left out at this width: [^.]*\.", "", narrow)
    words = {word.strip("─") for word in told.split()} - {"-"}
    # A legend of lines has punctuation that one with columns has not.
    assert not {word for word in words if word and not {word, word.rstrip(".,:")} & whole}


def test_columns_that_are_left_out_are_named() -> None:
    assert re.search(r"Left out at this width: headroom\s+bits", show(60, "design", SPEC))
    assert "Left out" not in show(100, "design", SPEC)


@pytest.mark.parametrize("columns", [30, 40, 50, 60, 70, 80, 100])
@pytest.mark.parametrize("command", COMMANDS)
def test_a_column_that_is_left_out_is_not_explained(command: str, columns: int) -> None:
    """Narrow terminals dropped columns, and still explained them below the table."""
    explained = {
        "windows": {"noise": "noise: beside", "off by ppm": "off by: the", "marks": "odd: a zero"},
        "whole windows": {"noise": "noise: beside", "points": "points: distinct", "marks": "odd: "},
        "simulate": {"over %": "Over:", "steady %": "Steady:", "report %": "Report:"},
        "retune": {"headroom": "Headroom"},
    }
    words = " ".join(show(columns, *COMMANDS[command]).split())
    left_out = set("; ".join(re.findall(r"Left out at this width: ([^.]*)\.", words)).split("; "))
    for heading, legend in explained.get(command, {}).items():
        assert (heading in left_out) == (legend not in words), (heading, words)


@pytest.mark.parametrize("columns", [40, 50, 60])
def test_remarks_were_lost_on_a_narrow_terminal(columns: int) -> None:
    """What is asked for, and what a figure counts, stood in no other place."""
    narrow, whole = (" ".join(show(wide, "design", SPEC).split()) for wide in (columns, 100))
    for label, remark in (
        ("integral gain", "per window: 0.283"),
        ("settling to 2 %", "asked: 250 ms"),
        ("steady error", "without the sensor's zero and gain"),
        ("at rest, at most", "any board, peak to peak, without noise"),
    ):
        assert f"{label} - {remark}" in narrow and remark in whole
    assert not re.search("Left out at this width: [^.]*remark", narrow)
    marked = show(columns, *COMMANDS["windows"])
    row = re.search(r"^ +1 +10 .* odd few *$", marked, re.M)
    assert (row is None) == ("half cycles 1 - odd few" in marked)
    assert "half cycles 2 -" not in marked


def test_a_legend_stands_if_its_column_does(capsys: pytest.CaptureFixture[str]) -> None:
    legend = tables.Legend.of(
        ((), "Always."), ("wide\n%", "Wide: spared."), (("wide\n%", "a"), "Either.")
    )
    for width, words in ((80, "Always. Wide: spared. Either."), (30, "Always. Either.")):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(tables, "width", lambda width=width: width)
            row = ("name " * 6, 1.5, "a long text that takes some room in its column")
            tables.show_table("T", ("a", "b", "wide\n%"), [row], [legend], spare=("wide\n%",))
        shown = " ".join(capsys.readouterr().out.split())
        assert words in shown and ("Left out" in shown) == ("Wide:" not in shown)


def test_a_corner_is_a_letter_that_one_legend_explains() -> None:
    """The corners stood in the table of figures in full, three lines each, most of them twice."""
    wide, narrow = show(80, "design", SPEC), show(40, "design", SPEC)
    figures = wide.partition("Corners")[0]
    letters = re.findall(
        r"^ (?:settling|overshoot|gain m|phase m|peak).* ([A-Z]) +(?:asked: .*)?$", figures, re.M
    )
    assert len(letters) == 5 and "bus 4" not in figures
    legend = re.findall(r"^ ([A-Z])  ([34]\d0) ", wide, re.M)
    assert sorted(set(letters)) == [letter for letter, _ in legend]
    # Too narrow for columns, each is a line that says the same.
    assert re.findall(r"^([A-Z]): bus (\d+) V, L ", narrow, re.M) == legend


@pytest.mark.parametrize("name", ["peat_cabin", "apron_cart", "ridge_relay"])
def test_a_corner_has_one_letter_in_the_terminal_and_on_the_page(name: str) -> None:
    """They gave letters in orders of their own: C was at the most drive here, at rest there."""
    legend = show(30, "design", f"{name}.toml").partition("Corners")[2].partition("Windows t")[0]
    told = {
        letter: " ".join(label.split())
        for letter, label in re.findall(r"(?ms)^([A-Z]): (.*?)(?=^[A-Z]: |\Z)", legend)
    }
    whole = design_integers(load_spec(EXAMPLES / f"{name}.toml"))
    page = {row[0]: row[1] for row in corner_table(whole.design, corners(whole)).rows}
    assert len(told) >= 3 and told == {letter: page[letter] for letter in told}


def test_the_weighed_windows_say_what_the_choice_rests_on() -> None:
    for columns in (40, 60, 80, 120):
        text = show(columns, "design", SPEC)
        table = text.partition("Windows tried")[2].partition("Signals")[0]
        peak, steady = next(
            line.split()[-2:] if columns == 40 else (line.split()[6], line.split()[-2])
            for line in table.splitlines()
            if line.startswith(" * plain")
        )
        # As the figures above say of the window that was chosen.
        assert re.search(rf"peak sensitivity Ms +{peak}\b", text)
        assert re.search(rf"steady error +±{steady} V", text)
        words = " ".join(table.split())
        assert "Limits: settling 250 ms, overshoot 5 %, steady ±1.15 V, DC 0.02 %." in words


def test_plus_minus_is_one_sign_where_the_encoding_has_it(monkeypatch: pytest.MonkeyPatch) -> None:
    for encoding, sign in (("utf-8", "±"), ("latin-1", "±"), ("ascii", "+-")):
        monkeypatch.setenv("PYTHONIOENCODING", encoding)
        ran = subprocess.run(
            [sys.executable, "-m", "halfcycle", "design", SPEC],
            capture_output=True,
            encoding=encoding,
            check=True,
            cwd=EXAMPLES,
        )
        assert f"{sign}0.0782 V RMS" in ran.stdout
        assert f"the sampling error of {sign}0.227 V" in ran.stderr
        assert (sign == "+-") == ("+-0" in ran.stdout + ran.stderr)


def test_a_gain_of_zero_is_said_to_be_none() -> None:
    """It was "0 scale per pu"."""
    assert re.search(r"proportional gain +none \(integral only\)", show(80, "design", SPEC))
    assert " 0 scale per pu" not in show(80, "design", SPEC)


def on_terminal(columns: int, *words: str) -> list[str]:
    """Lines of stderr, if that is a terminal of so many columns."""
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "halfcycle", *words],
        stdout=subprocess.DEVNULL,
        stderr=theirs,
        cwd=EXAMPLES,
        env={**os.environ, "COLUMNS": str(columns), "TERM": "dumb"},
    ):
        os.close(theirs)
        text = b""
        while True:
            try:
                piece = os.read(ours, 65536)
            except OSError:  # Linux says so if the other side is closed.
                break
            if not piece:
                break
            text += piece
    os.close(ours)
    return text.decode().replace("\r", "").splitlines()


def test_findings_hang_on_a_terminal_and_are_one_line_in_a_pipe() -> None:
    """Scripts match lines; people do not read lines of several hundred characters."""
    piped = subprocess.run(
        [sys.executable, "-m", "halfcycle", "design", SPEC],
        capture_output=True,
        text=True,
        check=True,
        cwd=EXAMPLES,
    ).stderr.splitlines()
    assert max(map(len, piped)) > 150
    assert all(re.match(r"(error|warning|note): .* \[[a-z-]+\]$", line) for line in piped)
    shown = on_terminal(60, "design", SPEC)
    assert max(map(len, shown)) <= 60
    assert " ".join(line.strip() for line in shown) == " ".join(piped)
    starts = [line for line in shown if not line.startswith("    ")]
    assert len(starts) == len(piped)


def test_nothing_is_minus_zero(tmp_path: Path) -> None:
    """A constant that is met exactly was "-0.0" ppm off."""
    spec = tmp_path / "hut.toml"
    spec.write_text((EXAMPLES / "peat_cabin.toml").read_text())
    table = tmp_path / "bench.csv"
    table.write_text("meter,rms_codes,mean_code\n" + "220.0,1000.0000001,2048\n" * 3)
    for words in (("design", str(spec)), ("calibrate", str(spec), str(table))):
        assert not re.search(r"-0(\.0*)?(?![.\d])", show(100, *words)), words


def piped(*words: str) -> list[str]:
    """Lines of stderr, if that is a pipe."""
    ran = subprocess.run(
        [sys.executable, "-m", "halfcycle", *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=EXAMPLES,
    )
    assert ran.returncode == 2, ran.stderr
    return ran.stderr.splitlines()


@pytest.mark.parametrize("columns", [50, 70])
def test_input_errors_ran_on_past_the_edge_of_a_terminal(columns: int, tmp_path: Path) -> None:
    """Findings were wrapped, errors of the spec and of the command line were not."""
    spec = tmp_path / "hut.toml"
    text = (EXAMPLES / SPEC).read_text()
    spec.write_text(text.replace("period_us = ", "periods_us = ").replace("bus_min_v", "bus_low_v"))
    for words in (
        ("design", str(spec)),
        ("desing",),
        ("design", SPEC, "--jsno"),
        ("simulate", SPEC, "--case", "overlaod"),
    ):
        whole = piped(*words)
        assert max(map(len, whole)) > columns and all(line[:7] == "error: " for line in whole)
        shown = on_terminal(columns, *words)
        # A path has no place to break.
        assert all(len(line) <= columns or " " not in line.strip() for line in shown)
        assert " ".join(line.strip() for line in shown) == " ".join(whole)
        starts = [line for line in shown if not line.startswith("    ")]
        assert len(starts) == len(whole)


def test_what_a_compiler_points_at_is_not_wrapped(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pointed = "   12 |     " + "x" * 30 + " = y;\n      |     ^" + "~" * 40
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("COLUMNS", "30")
    streams.say(f"error: a compiler refused the C, which it should not do\n{pointed}")
    first, *others = capsys.readouterr().err.rstrip("\n").split("\n")
    assert len(first) <= 30 and others[-2:] == pointed.split("\n")
