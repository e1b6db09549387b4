"""How both of Frama-C's analysers are run here: on a copy of the C, in a folder of its own.

Not on PyPI (Debian: apt install frama-c-base), so it is used if it is installed.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from halfcycle.prove import c_text
from halfcycle.verify.compiler import write_sources

MACHINES = {16: "gcc_x86_16", 32: "gcc_x86_32"}
"""By the width of int. Not x86_64: INT32_C is a 64-bit constant there and hides an overflow."""
TIMEOUT_S = 600


def command() -> str | None:
    """Frama-C's path, or None if it is not installed."""
    return shutil.which("frama-c")


def version() -> str:
    """Frama-C's version, "" if it is not installed."""
    return version_of(command(), "-version")


def version_of(tool: str | None, option: str) -> str:
    """What a tool says its version is, "" if there is no such tool."""
    if tool is None:
        return ""
    ran = subprocess.run([tool, option], capture_output=True, text=True, check=False)
    return ran.stdout.strip()


def options(int_bits: int) -> list[str]:
    """Those of any analysis for an int of so many bits."""
    # The analysers take a volatile for anything at all.
    return ["-machdep", MACHINES[int_bits], "-cpp-extra-args=-Dvolatile= -I."]


def without_annotations(files: Mapping[str, str], name: str) -> dict[str, str]:
    """Files whose comments are no annotations to Frama-C: one could admit anything.

    Raises ValueError if NAME.h or NAME.c may be another program to compilers than to Frama-C: lines
    that are joined, other files, what is compiled under a condition.
    """
    if unclear := c_text.unclear(files, name):
        raise ValueError(f"not proven: the C is not understood: {unclear}")
    return {file: text.replace("/*@", "/* @") for file, text in files.items()}


@contextmanager
def folder_with(files: Mapping[str, str]) -> Iterator[str]:
    """A temporary folder that holds these files."""
    with tempfile.TemporaryDirectory() as folder:
        write_sources(Path(folder), files)
        yield folder


def printed(words: Sequence[str], folder: str, settings: Mapping[str, str] | None = None) -> str:
    """What a program prints in this folder; ``settings``: of its environment.

    Raises subprocess.TimeoutExpired after TIMEOUT_S.
    """
    ran = subprocess.run(
        words,
        cwd=folder,
        env={**os.environ, "PWD": folder, "LC_ALL": "C", **(settings or {})},
        capture_output=True,
        encoding="utf-8",
        errors="replace",
        timeout=TIMEOUT_S,
        check=False,
    )
    return ran.stdout
