"""The command line: the only place that prints and that picks exit codes.

Exit codes: 0 good; 1 a check found a difference or a limit was broken; 2 bad usage or input, or
the machine does not let it (a full disk); 70 a fault of the tool itself; 128 and a signal's number
if that ended it, as a closed pipe does. Each command is a module of this folder, imported only when
it is asked for, so that a command starts as fast as what it uses.
"""

from __future__ import annotations

import contextlib
import errno
import importlib
import os
import sys
from collections.abc import Iterator
from typing import Any

import click

import halfcycle
from halfcycle.base import files, signals
from halfcycle.base.errors import TRACEBACK, InputError, ToolMissingError, own_fault
from halfcycle.base.text import printable
from halfcycle.cli import streams, usage
from halfcycle.cli.exit_codes import BAD_INPUT, BY_SIGNAL, GOOD, OWN_FAULT, SIGINT, SIGPIPE

COMMANDS: dict[str, str] = {
    "start": "Write a commented spec that generates as it stands.",
    "windows": "List candidate windows with the bounds of their faults.",
    "design": "Choose window, gains and formats; show the margins over the corners.",
    "generate": "Write the C regulator and prove it bit for bit.",
    "check": "Find stale, hand-edited or wrong C in a firmware project.",
    "retune": "Keep the response at another loop period or frequency; compare before and after.",
    "simulate": "Run the compiled C in closed loop on virtual boards.",
    "report": "Write the whole design as one self-contained page.",
    "targets": "Run the C on emulated processors, bit-exact, with its cost.",
    "replay": "Run a recorded waveform through the measuring code.",
    "calibrate": "Fit the sensor's gain and zero to meter readings.",
    "identify": "Compare a log of the firmware with the model, its board with the corners.",
}


THREADS = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""Variables that say how many threads a library for matrices takes."""


class ClosedPipeError(Exception):
    """Nobody reads the output any more."""


@contextlib.contextmanager
def _closed_pipes() -> Iterator[None]:
    """click would end the program with 1, which says that a check found a difference."""
    try:
        yield
    except BrokenPipeError:
        raise ClosedPipeError from None


class LazyGroup(click.Group):
    """Finds the command NAME in the module ``halfcycle.cli.NAME`` as ``command``."""

    def make_context(self, *arguments: Any, **options: Any) -> click.Context:
        with _closed_pipes():
            return super().make_context(*arguments, **options)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if not args and not ctx.resilient_parsing:
            click.echo(ctx.get_help(), err=True)
            ctx.exit(BAD_INPUT)
        ctx.meta[usage.WORDS] = list(args)
        with usage.own_words(ctx):
            return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        with _closed_pipes(), usage.own_words(ctx):
            return super().invoke(ctx)

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        ctx.meta[usage.WORDS] = args[1:]
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError:
            raise usage.unknown_command(args[0], list(COMMANDS)) from None

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command = importlib.import_module(f"halfcycle.cli.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(halfcycle.__version__, prog_name="halfcycle")
def cli() -> None:
    """Designs, generates and proves the fixed-point C regulator of an inverter's AC amplitude.

    Mains voltage kills. The regulator is not a protection function: over-current, over-voltage,
    isolation and interlocks are separate and in hardware.

    Exit codes: 0 good; 1 a check found a difference or a limit was broken; 2 bad usage or input;
    70 a fault of halfcycle itself.
    """


def main() -> None:
    """Run the command line; turn known errors into messages and exit codes."""
    for name in THREADS:
        # Threads cost more than they gain with matrices as small as here. Read when loaded.
        os.environ.setdefault(name, "1")
    code = _run() if streams.prepare() else BAD_INPUT
    code = streams.flushed(code)
    if code != GOOD:
        sys.exit(code)


def _run() -> int:
    """Run the command; returns the exit code."""
    try:
        try:
            with signals.raised():
                return _command()
        except (ClosedPipeError, BrokenPipeError):
            return BY_SIGNAL + SIGPIPE
        except OSError as error:
            return _of_the_system(error)
        except MemoryError:
            return _of_the_system(OSError(errno.ENOMEM, ""))
    except (KeyboardInterrupt, signals.StoppedError) as stop:
        return _stopped(stop)
    except Exception as error:
        if os.environ.get(TRACEBACK) == "1":
            raise
        return _own_fault(error)


def _command() -> int:
    try:
        code = cli.main(prog_name="halfcycle", standalone_mode=False)
    except InputError as error:
        streams.say(str(error))
        return BAD_INPUT
    except ToolMissingError as error:
        streams.say(f"error: {error}")
        return BAD_INPUT
    except click.Abort as error:
        raise (error.__cause__ or KeyboardInterrupt) from None
    except SystemExit as end:
        if isinstance(end.__context__, BrokenPipeError):  # rich ends the program with 1.
            raise ClosedPipeError from None
        return end.code if isinstance(end.code, int) else GOOD
    return code if isinstance(code, int) else GOOD


def _of_the_system(error: OSError) -> int:
    """A full disk, a removed working folder and the like, met where no more is known of it;
    anything else is a fault of the tool."""
    if isinstance(error, FileNotFoundError) and error.filename is None and not _has_folder():
        streams.say(str(files.fault(".", error, "working folder")))
        return BAD_INPUT
    if not files.is_of_the_machine(error):
        raise error
    streams.abandon(error.filename)
    streams.say(str(files.fault(error.filename or "(temporary files)", error)))
    return BAD_INPUT


def _has_folder() -> bool:
    """Whether the working folder is there still."""
    try:
        os.getcwd()  # noqa: PTH109 (Path.cwd is this)
    except FileNotFoundError:
        return False
    return True


def _stopped(stop: BaseException) -> int:
    """Say what a signal left, which is whole files or none."""
    number = stop.number if isinstance(stop, signals.StoppedError) else SIGINT
    written = [printable(str(path)) for path in files.written()]
    left = f"written before, and whole: {', '.join(written)}" if written else "nothing was written"
    streams.say(f"stopped; {left}")
    return BY_SIGNAL + number


def _own_fault(error: Exception) -> int:
    streams.say(f"error: {own_fault(printable(f'{type(error).__name__}: {error}'))}")
    return OWN_FAULT
