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
}


@pytest.mark.parametrize("columns", [50, 60, 80])
@pytest.mark.parametrize("command", COMMANDS)
def test_a_narrow_table_breaks_no_word_and_no_number(command: str, columns: int) -> None:
    """At 60 columns "step_product" was "step_produ" with "ct" below it."""
    narrow = show(columns, *COMMANDS[command])
    assert all(len(line) <= columns for line in narrow.splitlines())
    whole = set(show(200, *COMMANDS[command]).split())
    words = {word.strip("─") for word in narrow.replace("Left out at this width:", "").split()}
    # Names of columns that were left out end in punctuation there.
    assert not {word for word in words if word and not {word, word.rstrip(".;")} & whole}


def test_columns_that_are_left_out_are_named() -> None:
    assert re.search(r"Left out at this width: headroom\s+bits", show(60, "design", SPEC))
    assert "Left out" not in show(100, "design", SPEC)


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
