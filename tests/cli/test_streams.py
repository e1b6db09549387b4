"""Standard streams that are full, closed or piped to nobody: one clear line and exit code 2, or
that of a closed pipe (128 + 13, as shells tell of SIGPIPE).

Bugs: a full standard output was silent or a fault of the tool, a closed pipe ended in 1, which says
that a check found a difference.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from support.command import COMMAND
from support.paths import example

pytestmark = pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs /dev/full")  # noqa: PTH110
SPEC = str(example("peat_cabin"))
WINDOWS = ("windows", "--frequency-hz", "50", "--period-us", "800")


def run(words: tuple[str, ...], tail: str) -> subprocess.CompletedProcess[str]:
    """A command as a shell runs it with ``tail`` after it."""
    script = f'"$@" {tail}'
    arguments = ["/bin/bash", "-c", script, "bash", *COMMAND, *words]
    return subprocess.run(arguments, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("words", [WINDOWS, (*WINDOWS, "--json"), ("--help",), ("start", "--help")])
def test_a_full_standard_output_is_one_line_and_2(words: tuple[str, ...]) -> None:
    ran = run(words, "> /dev/full")
    assert ran.returncode == 2
    errors = [line for line in ran.stderr.splitlines() if line.startswith("error")]
    assert errors == [
        "error: (standard output): write: the disk is full; free some space and run again"
    ]


@pytest.mark.parametrize("words", [("design", SPEC), ("design", "none.toml"), ("nothing",)])
def test_a_full_error_stream_is_2(words: tuple[str, ...]) -> None:
    assert run(words, "2> /dev/full").returncode == 2


@pytest.mark.parametrize("words", [WINDOWS, (*WINDOWS, "--json"), ("--help",)])
def test_a_closed_pipe_is_no_difference(words: tuple[str, ...]) -> None:
    ran = run(words, "| true; exit ${PIPESTATUS[0]}")
    assert (ran.returncode, ran.stderr) == (141, "")


@pytest.mark.parametrize("variable", ["", "1"])
def test_messages_and_results_keep_their_order(
    monkeypatch: pytest.MonkeyPatch, variable: str
) -> None:
    """Bug: with PYTHONUNBUFFERED the messages came out last."""
    words = ("design", SPEC)
    separate = run(words, "")
    assert separate.stderr and separate.stdout
    monkeypatch.setenv("PYTHONUNBUFFERED", variable)
    common = run(words, "2>&1")
    assert common.stdout == separate.stdout + separate.stderr


def test_closed_streams() -> None:
    """The next file to be opened would get their number, and what is printed."""
    ran = run(WINDOWS, ">&-")
    assert ran.returncode == 2 and "(standard output): write: it is closed" in ran.stderr
    assert run(WINDOWS, "<&- 2>&-").returncode == 0


def test_a_fifo_as_spec_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "s.toml")
    ran = subprocess.run(
        [*COMMAND, "design", str(tmp_path / "s.toml")],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert ran.returncode == 2 and "this is a FIFO; name a spec file" in ran.stderr
    assert sys.platform != "win32"
