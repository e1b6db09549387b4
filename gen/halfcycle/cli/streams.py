"""The standard streams: whatever the caller gave, what is printed arrives, or the user is told."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from typing import Any

from halfcycle.base import files
from halfcycle.cli import tables
from halfcycle.cli.exit_codes import BAD_INPUT, BY_SIGNAL, SIGPIPE

STREAMS = ("(standard input)", "(standard output)", "(error stream)")


def say(message: str) -> None:
    """Print a message on the error stream, each of its lines wrapped as findings are; those that
    begin with a blank, as a compiler points into a line, stay as they are."""
    with contextlib.suppress(OSError):  # The exit code must say it then.
        for line in message.split("\n"):
            print(line if line[:1].isspace() else tables.hanging(line), file=sys.stderr)


def prepare() -> bool:
    """Make the standard streams ones that can be written to, whatever the caller gave; returns
    whether there is a standard output.

    A closed one is replaced, since the next file to be opened would take its number and get what
    is printed. Characters that a stream cannot hold are escaped.
    """
    has_output = sys.stdout is not None
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        stream = getattr(sys, name)
        if stream is None:
            handle = os.open(os.devnull, os.O_RDWR)
            if handle != number:
                os.dup2(handle, number)
            mode = "r" if number == 0 else "w"
            setattr(sys, name, open(number, mode, closefd=False))  # noqa: SIM115
        elif (
            number
            and isinstance(stream, io.TextIOWrapper)
            and stream is getattr(sys, f"__{name}__")
        ):
            setattr(sys, name, _named(stream, STREAMS[number]))
    if not has_output:
        say(f"error: {STREAMS[1]}: write: it is closed; leave it open, or send it to a file")
    return has_output


class _NamedStream(io.FileIO):
    """A stream whose errors say which it is."""

    called = ""

    def write(self, data: Any) -> int:
        try:
            return super().write(data)
        except OSError as error:
            error.filename = self.called
            raise


def _named(stream: io.TextIOWrapper, called: str) -> io.TextIOWrapper:
    """The same stream, with errors that name it."""
    stream.flush()
    raw = _NamedStream(stream.fileno(), "w", closefd=False)
    raw.called = called
    return io.TextIOWrapper(
        io.BufferedWriter(raw),
        encoding=stream.encoding,
        errors="backslashreplace",
        # Unbuffered (PYTHONUNBUFFERED) means no more here than that each line goes out at once, so
        # that messages and results keep their order in a common file.
        line_buffering=stream.line_buffering or stream.write_through,
    )


def flushed(code: int) -> int:
    """Bring out what was printed; returns the exit code, which becomes another if that fails."""
    for stream, name in ((sys.stdout, STREAMS[1]), (sys.stderr, STREAMS[2])):
        try:
            stream.flush()
        except BrokenPipeError:
            code = BY_SIGNAL + SIGPIPE
        except OSError as error:
            code = BAD_INPUT
            say(str(files.fault(name, error)))
        else:
            continue
        abandon(name)
    return code


def abandon(name: str | None) -> None:
    """Drop what the stream of this name still holds; else it would be tried again, at the latest
    when the interpreter ends. Does nothing for another name."""
    for stream, called in ((sys.stdout, STREAMS[1]), (sys.stderr, STREAMS[2])):
        if name == called:
            with contextlib.suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
                stream.flush()
