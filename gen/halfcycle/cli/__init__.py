"""The command line: the only place that prints and that picks exit codes.

Exit codes: 0 good; 1 a check found a difference or a limit was broken; 2 bad usage or input.
Each command is a module of this folder, imported only when it is asked for, so that a command
starts as fast as what it uses.
"""

from __future__ import annotations

import importlib
import os
import sys

import click

import halfcycle
from halfcycle.base.errors import InputError, ToolMissingError

COMMANDS: dict[str, str] = {
    "start": "Write a commented spec that generates as it stands.",
    "windows": "List candidate windows with the bounds of their faults.",
    "design": "Window, gains, formats and margins over the corners.",
    "generate": "Write the C regulator and prove it bit for bit.",
    "check": "Find stale, hand-edited or wrong C in a firmware project.",
    "retune": "The same response at another loop period: before and after.",
    "simulate": "Run the compiled C in closed loop on virtual boards.",
    "report": "One self-contained page that shows the work.",
    "targets": "Run the C on emulated processors, bit-exact, with its cost.",
    "replay": "Run a recorded waveform through the measuring code.",
    "calibrate": "Fit the sensor's gain and zero to meter readings.",
}


class LazyGroup(click.Group):
    """Finds the command NAME in the module ``halfcycle.cli.NAME`` as ``command``."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

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

    Mains voltage kills. The regulator is no protection function: over-current, over-voltage,
    isolation and interlocks are separate and in hardware.
    """


def main() -> None:
    """Run the command line; turn known errors into messages and exit codes."""
    try:
        cli.main(prog_name="halfcycle", standalone_mode=False)
    except InputError as error:
        print(error, file=sys.stderr)
        sys.exit(2)
    except ToolMissingError as error:
        print(f"error: {error}", file=sys.stderr)
        sys.exit(2)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except (click.Abort, KeyboardInterrupt):
        print("stopped; nothing was left half-written", file=sys.stderr)
        sys.exit(130)
    except click.exceptions.Exit as error:
        sys.exit(error.exit_code)
    except Exception as error:
        if os.environ.get("HALFCYCLE_TRACEBACK") == "1":
            raise
        print(
            f"error: a fault of halfcycle itself: {type(error).__name__}: {error}; please report it"
            " with the command and its files (HALFCYCLE_TRACEBACK=1 shows where it is)",
            file=sys.stderr,
        )
        sys.exit(2)
