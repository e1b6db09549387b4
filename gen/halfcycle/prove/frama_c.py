"""How both of Frama-C's analysers are run here: on a copy of the C, in a folder of its own.

Not on PyPI (Debian: apt install frama-c-base), so it is used if it is installed.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from halfcycle.base.errors import ToolMissingError
from halfcycle.base.text import printable
from halfcycle.prove import c_text
from halfcycle.verify import bounded
from halfcycle.verify.bounded import Limits
from halfcycle.verify.compiler import write_sources

MACHINES = {16: "gcc_x86_16", 32: "gcc_x86_32"}
"""By the width of int. Not x86_64: INT32_C is a 64-bit constant there and hides an overflow."""
TIMEOUT_S = 600
LIMITS = Limits(seconds=TIMEOUT_S, memory_bytes=16 << 30, output_bytes=64 << 20)


class UndecidedError(Exception):
    """An analyser did not end in time; the text says within which."""


def command() -> str | None:
    """Frama-C's path, or None if it is not installed."""
    return shutil.which("frama-c")


def version() -> str:
    """Frama-C's version, "" if it is not installed or does not say."""
    return version_of(command(), "-version")


def version_of(tool: str | None, option: str) -> str:
    """What a tool says its version is, "" if there is no such tool or it does not say."""
    return bounded.answer((tool, option)).text if tool else ""


def unusable(tools: Mapping[str, str]) -> str:
    """Why an analysis with these programs (path to the option by which it says its version) is
    skipped; "" if all of them answer."""
    for path, option in tools.items():
        if fault := bounded.answer((path, option)).fault:
            return printable(f"{Path(path).name} cannot be used here: {fault}")
    return ""


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

    All that it keeps for a while goes there too, by a relative path: Why3 does not quote paths. It
    ends with all that it started after TIMEOUT_S, or if the user interrupts it. Raises
    UndecidedError in the first case, ToolMissingError if it does not start.
    """
    own = {"PWD": folder, "LC_ALL": "C", "TMPDIR": "."}
    environment = {**os.environ, **own, **(settings or {})}
    try:
        ended = bounded.run(words, LIMITS, folder=Path(folder), environment=environment)
    except OSError as error:
        raise ToolMissingError(f"{words[0]} does not start: {error.strerror}") from None
    if ended.status is None:
        raise UndecidedError(f"not decided within {TIMEOUT_S} s")
    return ended.output
