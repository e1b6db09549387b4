"""Run the command line: in a process of its own, or inside the test's process."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from halfcycle import cli

COMMAND = (sys.executable, "-m", "halfcycle")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a command answered: exit code, standard output and error stream."""

    code: int
    out: str
    err: str


def run_halfcycle(
    *words: object,
    folder: Path | None = None,
    prefix: Sequence[str] = (),
    before: Callable[[], None] | None = None,
    **environment: str,
) -> Outcome:
    """Run ``halfcycle WORDS`` as a process in ``folder``, with ``environment`` added to this one.

    ``prefix``: a program that runs it; ``before``: called in the child before it starts.
    """
    ended = subprocess.run(
        [*prefix, *COMMAND, *map(str, words)],
        cwd=folder,
        env={**os.environ, "COLUMNS": "80", **environment},
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=before,
    )
    return Outcome(ended.returncode, ended.stdout, ended.stderr)


class CommandLine:
    """``command_line(WORDS)`` runs halfcycle in the test's own process, so that it can be patched.

    ``first``: words that each call starts with."""

    def __init__(
        self,
        patch: pytest.MonkeyPatch,
        capture: pytest.CaptureFixture[str],
        *first: object,
    ) -> None:
        self._patch, self._capture, self._first = patch, capture, first

    def __call__(self, *words: object) -> Outcome:
        arguments = ["halfcycle", *map(str, (*self._first, *words))]
        self._patch.setattr(sys, "argv", arguments)
        self._capture.readouterr()
        code = 0
        try:
            cli.main()
        except SystemExit as stop:
            code = int(stop.code or 0)
        streams = self._capture.readouterr()
        return Outcome(code, streams.out, streams.err)
