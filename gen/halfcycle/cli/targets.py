"""``halfcycle targets``: run the C on emulated processors, bit-exact, with its cost."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from halfcycle.base.text import printable
from halfcycle.cli import common
from halfcycle.cli.numbers import Whole
from halfcycle.cli.paths import PATH
from halfcycle.cli.progress import progress_bar
from halfcycle.cli.streams import say
from halfcycle.cli.tables import Legend, emit_json, show_table
from halfcycle.generate.pipeline import generate
from halfcycle.output.targets import Targets
from halfcycle.spec.load import load_spec
from halfcycle.targets import run as runner
from halfcycle.targets.machines import MACHINES
from halfcycle.verify import compiler


@click.command("targets")
@click.argument("spec_file", metavar="SPEC", type=PATH)
@click.option(
    "--target",
    "names",
    multiple=True,
    type=click.Choice(list(MACHINES)),
    metavar="TARGET",
    help="Only this target; repeat the option for several. By default all that this machine can "
    "run. A wrong name lists them.",
)
@click.option(
    "--samples",
    metavar="N",
    type=Whole(1, 10**7),
    default=runner.DEFAULT_SAMPLES,
    show_default=True,
    help="Samples to compare on each, at least; the slow emulators take fewer, and say so.",
)
@click.option(
    "--seed",
    metavar="N",
    type=Whole(0, 2**32 - 1),
    default=runner.DEFAULT_SEED,
    show_default=True,
    help="Seed of the stimulus.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    *, spec_file: Path, names: tuple[str, ...], samples: int, seed: int, as_json: bool
) -> None:
    """Compile the C of SPEC for small processors and run it on emulated ones.

    Every output and the whole state is compared with the model after every call, the self-test
    runs too, and flash, RAM, stack and instructions are counted.

    \b
    Example:
      halfcycle targets gauge_hut.toml --target cortex-m0plus
    """
    with common.refusals(as_json):
        generation = generate(load_spec(spec_file), printable(str(spec_file)))
    with progress_bar("targets", wanted=not as_json) as progress:
        try:
            result = runner.run(
                generation.plan,
                generation.texts,
                names,
                samples=samples,
                seed=seed,
                progress=progress,
            )
        except compiler.CompileError as error:
            say(f"error: {error}")
            if as_json:
                emit_json(Targets(targets=[], unavailable=[]))
            sys.exit(1)
    if as_json:
        emit_json(Targets.of(result))
    else:
        _show(result)
    for row in result.rows:
        if not row.bit_exact:
            say(f"error: {row.target}, {row.compiler}: {row.mismatch}")
    if not all(row.bit_exact for row in result.rows):
        sys.exit(1)


def _show(result: runner.Result) -> None:
    rows = [_cells(row) for row in result.rows]
    notes: list[str | Legend] = [
        _agreement(result),
        *_counts(result),
        Legend.of(
            ((), "Instructions of a call at its worst, from its first to its return:"),
            ("drive", "the drive,"),
            ("sample", "a sample,"),
            ((), f"the last sample of a window, an update.{_cycles(result)}"),
        ),
        Legend.of(
            ((), "RAM: one state struct."),
            ("stack\nbytes", "Stack: below the caller's, the deepest call."),
        ),
    ]
    notes += [
        f"not run: {absent.target} with {absent.tool}; to have it: {absent.install}"
        for absent in result.unavailable
    ]
    sizes = ("flash\nbytes", "RAM\nbytes", "stack\nbytes")
    columns = ("target", "compiler", *sizes, "sample", "last\nsample", "update", "drive")
    spare = ("compiler", "drive", "stack\nbytes", "sample")
    show_table("The C on its targets", columns, rows, notes, spare=spare)


def _agreement(result: runner.Result) -> str:
    differ = [f"{row.target} ({row.compiler})" for row in result.rows if not row.bit_exact]
    if differ:
        return f"DIFFERS from the model: {', '.join(differ)}; the others equal it, bit for bit."
    return "Bit for bit the model's, every output and the whole state after every call."


def _counts(result: runner.Result) -> list[str]:
    """How much was compared, if that is less than was asked for."""
    slow = [row for row in result.rows if MACHINES[row.target].samples_max is not None]
    if not slow:
        return []
    names = ", ".join(dict.fromkeys(row.target for row in slow))
    few = min(row.samples_compared for row in slow), min(row.calls_compared for row in slow)
    return [
        f"Slow emulators ({names}) compare the start of each scenario: {few[0]} samples and "
        f"{few[1]} other calls."
    ]


def _cycles(result: runner.Result) -> str:
    """The targets whose figures are cycles."""
    counted = [
        row.target
        for row in result.rows
        if row.costs is not None and row.costs.kinds["sample"].cycles is not None
    ]
    return f" Cycles on {', '.join(dict.fromkeys(counted))}." if counted else ""


def _cells(row: runner.Row) -> list[str]:
    cells = [row.target, row.compiler.split("-")[-1], str(row.flash_bytes), str(row.ram_bytes)]
    if row.costs is None:
        return [*cells, *["-"] * 5]
    cells.append(str(row.costs.stack_bytes))
    for kind in ("sample", "closing", "update", "drive"):
        worst = row.costs.kinds[kind]
        cells.append(str(worst.instructions if worst.cycles is None else worst.cycles))
    return cells
