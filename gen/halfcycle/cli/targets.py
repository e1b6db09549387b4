"""``halfcycle targets``: run the C on emulated processors, bit-exact, with its cost."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from halfcycle.cli import common
from halfcycle.cli.progress import progress_bar
from halfcycle.cli.tables import emit_json, show_table
from halfcycle.generate.pipeline import generate
from halfcycle.output.targets import Targets
from halfcycle.spec.load import load_spec, printable
from halfcycle.targets import run as runner
from halfcycle.targets.machines import MACHINES
from halfcycle.verify import compiler


@click.command("targets")
@click.argument("spec_file", metavar="SPEC", type=click.Path(path_type=Path))
@click.option(
    "--target",
    "names",
    multiple=True,
    type=click.Choice(list(MACHINES)),
    help="Only this one; may be given again. Without it, all that this machine can run.",
)
@click.option(
    "--samples",
    type=click.IntRange(1, 10**7),
    default=runner.DEFAULT_SAMPLES,
    show_default=True,
    help="Samples to compare on each, at least.",
)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=runner.DEFAULT_SEED,
    show_default=True,
    help="Of the stimulus.",
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
        made = generate(load_spec(spec_file), printable(str(spec_file)))
    with progress_bar("targets", wanted=not as_json) as progress:
        try:
            result = runner.run(
                made.plan, made.texts, names, samples=samples, seed=seed, progress=progress
            )
        except compiler.CompileError as error:
            click.echo(f"error: {error}", err=True)
            if as_json:
                emit_json(Targets(targets=[], unavailable=[]))
            sys.exit(1)
    if as_json:
        emit_json(Targets.of(result))
    else:
        _show(result)
    for row in result.rows:
        if not row.bit_exact:
            click.echo(f"error: {row.target}, {row.compiler}: {row.mismatch}", err=True)
    if not all(row.bit_exact for row in result.rows):
        sys.exit(1)


def _show(result: runner.Result) -> None:
    rows = [_cells(row) for row in result.rows]
    notes = [
        _agreement(result),
        "Instructions of a call at its worst, from its first to its return: a sample, the last "
        "sample of a window, an update, the drive. On AVR: cycles.",
        "RAM: one state struct. Stack: below the caller's, the deepest call.",
    ]
    notes += [
        f"not run: {one.target} with {one.tool}; to have it: {one.install}"
        for one in result.unavailable
    ]
    sizes = ("flash\nbytes", "RAM\nbytes", "stack\nbytes")
    columns = ("target", "compiler", *sizes, "sample", "last\nsample", "update", "drive")
    show_table("The C on its targets", columns, rows, notes)


def _agreement(result: runner.Result) -> str:
    differ = [f"{row.target} ({row.compiler})" for row in result.rows if not row.bit_exact]
    if differ:
        return f"DIFFERS from the model: {', '.join(differ)}; the others equal it, bit for bit."
    return "Bit for bit the model's, every output and the whole state after every call."


def _cells(row: runner.Row) -> list[str]:
    cells = [row.target, row.compiler.split("-")[-1], str(row.flash_bytes), str(row.ram_bytes)]
    if row.costs is None:
        return [*cells, *["-"] * 5]
    cells.append(str(row.costs.stack_bytes))
    for kind in ("sample", "closing", "update", "drive"):
        worst = row.costs.kinds[kind]
        cells.append(str(worst.instructions if worst.cycles is None else worst.cycles))
    return cells
