"""Running a program that nobody vouches for: limits of time, memory and files, output cut off.

On POSIX systems the limits are the kernel's own (``setrlimit``), set by a small process that then
becomes the program. On Windows only the time and the output are limited.
"""

from __future__ import annotations

import contextlib
import functools
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

_NOT_STARTED = "halfcycle: not started: "
_LAUNCHER = f"""
import os, resource, signal, sys
seconds, file_bytes, memory_bytes = map(int, sys.argv[1:4])
for name, value in (
    ("CORE", 0), ("CPU", seconds), ("FSIZE", file_bytes), ("AS", memory_bytes)
):
    number = getattr(resource, "RLIMIT_" + name)
    hard = resource.getrlimit(number)[1]
    if hard != resource.RLIM_INFINITY:
        value = min(value, hard)
    try:
        resource.setrlimit(number, (value, value))
    except (OSError, ValueError):
        pass  # A system without this limit.
for name in ("SIGPIPE", "SIGXFSZ"):
    signal.signal(getattr(signal, name), signal.SIG_DFL)
try:
    os.execvp(sys.argv[4], sys.argv[4:])
except OSError as error:
    sys.stderr.write(f"{_NOT_STARTED}{{error.errno}}\\n")
    os._exit(127)
"""
"""What becomes the program, after it has limited itself. Not a shell: that would take a file which
is no program for a script."""
_CPU_SHARE = 4
"""Processors that a program may keep busy for as long as it may last."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a program may use."""

    seconds: int
    memory_bytes: int = 4 << 30
    file_bytes: int = 256 << 20
    """Length of each file that it writes."""
    output_bytes: int = 1 << 20
    """What is kept of its output and error stream, together; the rest is discarded."""


@dataclass(frozen=True, slots=True)
class Ended:
    """How a program ended. ``status``: its exit status, negative for a signal, None if it was
    ended because it did not end in time. ``output``: the start of what it printed."""

    status: int | None
    output: str


def run(
    words: Sequence[str],
    limits: Limits,
    *,
    folder: Path | None = None,
    environment: Mapping[str, str] | None = None,
) -> Ended:
    """Run a program without input, to its end or to its ``limits``, with all that it started.

    Raises OSError if it cannot be started.
    """
    process = subprocess.Popen(
        _limited(words, limits),
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    )
    assert process.stdout is not None
    kept = bytearray()
    reader = threading.Thread(
        target=_drain, args=(process.stdout, kept, limits.output_bytes), daemon=True
    )
    reader.start()
    status: int | None = None
    try:
        with contextlib.suppress(subprocess.TimeoutExpired):
            status = process.wait(limits.seconds)
    finally:
        _end_all(process)
        reader.join(5)
        if not reader.is_alive():
            process.stdout.close()
    text = bytes(kept).decode("utf-8", "replace")
    if status == 127 and text.startswith(_NOT_STARTED):
        number = int(text.removeprefix(_NOT_STARTED).split()[0])
        raise OSError(number, os.strerror(number), words[0])
    return Ended(status, text)


ANSWER_LIMITS = Limits(seconds=60, memory_bytes=16 << 30, output_bytes=1 << 16)
"""A program that says its version does it at once; some of them map much memory."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What a program printed that was asked for its version; ``fault``: why it cannot be used, ""
    if it can."""

    text: str
    fault: str = ""


@functools.lru_cache(maxsize=64)
def answer(words: tuple[str, ...]) -> Answer:
    """What a program answers, asked once: one that hangs, does not start (it may be a script whose
    interpreter is missing) or fails has a fault."""
    try:
        ended = run(words, ANSWER_LIMITS)
    except OSError as error:
        return Answer("", f"it does not start: {error.strerror}")
    if ended.status is None:
        asked = " ".join(words[1:])
        return Answer("", f"it does not answer {asked} within {ANSWER_LIMITS.seconds} s")
    if ended.status:
        return Answer("", f"it ends with status {ended.status} if asked for its version")
    return Answer(ended.output.strip())


def _limited(words: Sequence[str], limits: Limits) -> list[str]:
    if sys.platform == "win32" or not os.access(sys.executable or "", os.X_OK):
        return list(words)
    numbers = (limits.seconds * _CPU_SHARE, limits.file_bytes, limits.memory_bytes)
    return [sys.executable, "-I", "-S", "-c", _LAUNCHER, *map(str, numbers), *words]


def _drain(stream: BinaryIO, kept: bytearray, most: int) -> None:
    """Keep the first bytes of a stream, and read on so that its writer does not wait."""
    with contextlib.suppress(OSError, ValueError):
        while data := stream.read1(65536):  # type: ignore[attr-defined]
            kept += data[: max(0, most - len(kept))]


def _end_all(process: subprocess.Popen[bytes]) -> None:
    """End the program and whatever it left running."""
    if sys.platform != "win32":
        with contextlib.suppress(OSError):
            os.killpg(process.pid, signal.SIGKILL)
    process.kill()
    process.wait()
