"""``halfcycle simulate``: the generated C in closed loop with virtual boards."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from halfcycle.base.errors import Faults
from halfcycle.base.output_file import write_together
from halfcycle.cli import common, progress, tables
from halfcycle.cli.numbers import Whole
from halfcycle.cli.paths import PATH, force_option
from halfcycle.cli.pictures import asked_picture
from halfcycle.simulate.names import CASES, ENGINES

DEFAULT_BOARDS = 1000
MAX_BOARDS = 10**9
"""Years of computing."""
OPTIONS = {"case": "--case", "boards": "--boards", "engine": "--parallel", "picture": "--plot"}
"""What sets each thing that may be at fault."""
ADVISED_OPTIONS = {"too-few-boards": "--boards"}
"""Option that does what a finding advises, by its code."""


@click.command("simulate")
@click.argument("spec_file", metavar="SPEC", type=PATH)
@click.option(
    "--case",
    "names",
    metavar="NAME",
    type=click.Choice(CASES),
    multiple=True,
    help="Only this case; repeat the option for several.",
)
@click.option(
    "--boards",
    metavar="N",
    type=Whole(1, MAX_BOARDS),
    default=DEFAULT_BOARDS,
    show_default=True,
    help="Boards: nominal, all corners, the worst filters between them, then drawn ones.",
)
@click.option(
    "--seed",
    metavar="S",
    type=Whole(0, 2**31 - 1),
    default=1,
    show_default=True,
    help="Seed of the drawn boards and of all noise.",
)
@click.option("--board", metavar="I", type=Whole(0, MAX_BOARDS), help="Run this one board only.")
@click.option(
    "--parallel",
    "engine",
    metavar="ENGINE",
    type=click.Choice(ENGINES),
    default="threading",
    show_default=True,
    help="joblib's engine: threading, loky, or dask for the cluster of DASK_SCHEDULER_ADDRESS.",
)
@click.option(
    "--jobs",
    metavar="J",
    type=Whole(1),
    help="Pieces of work at a time; by default one per core.",
)
@click.option(
    "--plot",
    metavar="FILE",
    type=PATH,
    help="Picture of the cases: amplitude and limits, waveform, spread (.svg, .png or .pdf).",
)
@click.option(
    "--fmu",
    metavar="FILE",
    type=PATH,
    help="Also write a board (of --board, else the nominal one) as a co-simulation unit (FMI 2.0).",
)
@click.option("--fmu-binary", is_flag=True, help="Put a binary for this machine into the unit too.")
@force_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the tables.")
def command(
    *,
    spec_file: Path,
    names: tuple[str, ...],
    boards: int,
    seed: int,
    board: int | None,
    engine: str,
    jobs: int | None,
    plot: Path | None,
    fmu: Path | None,
    fmu_binary: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Run the C of SPEC on virtual boards: steps, faults and overloads. Judge each board.

    Exit code 1 if a board breaks a rule; the failure names the command that runs it again.

    \b
    Example:
      halfcycle simulate gauge_hut.toml --boards 10000 --case start
    """
    from halfcycle.cli import co_simulation  # noqa: PLC0415 (numpy: not for --help)
    from halfcycle.cli import simulate_tables as show  # noqa: PLC0415
    from halfcycle.cosimulate.unit import BOARD  # noqa: PLC0415
    from halfcycle.generate import emit  # noqa: PLC0415 (scipy: not for --help)
    from halfcycle.simulate import simulate as virtual  # noqa: PLC0415 (scipy: not for --help)
    from halfcycle.simulate.cases import cases  # noqa: PLC0415
    from halfcycle.simulate.findings import findings, refused_design  # noqa: PLC0415
    from halfcycle.simulate.reading_error import reading_errors  # noqa: PLC0415 (scipy)
    from halfcycle.simulate.why_window import reason  # noqa: PLC0415
    from halfcycle.spec.load import load_spec  # noqa: PLC0415

    faults = Faults()
    form, output = asked_picture(faults, plot, [spec_file], force)
    with faults.gathered():
        spec = load_spec(spec_file)
    faults.stop_if_any()
    unit_file = co_simulation.unit_file(
        spec, spec_file, fmu, force, model=BOARD, binary=fmu_binary, picture=plot
    )
    with common.refusals(as_json):
        integer_design = common.design_spec(spec_file, loaded=spec)
        generated = emit.render(integer_design.design, integer_design.quantised)
    prepared = virtual.prepare(integer_design.design, integer_design.quantised, generated)
    known = cases(prepared.setting)
    wanted = []
    if unit_file is not None:
        unit = co_simulation.board(
            prepared, integer_design, spec_file, board or 0, seed, binary=fmu_binary
        )
        wanted.append(unit_file.beside(unit))
    numbers = range(boards) if board is None else range(board, board + 1)
    with (
        common.named_by_options(OPTIONS),
        progress.progress_bar("boards", wanted=not as_json) as told,
    ):
        tallies = virtual.simulate(
            prepared,
            list(dict.fromkeys(names)) or list(known),
            numbers,
            seed,
            engine=engine,
            jobs=jobs or -1,
            progress=told,
        )
    errors = reading_errors(prepared, tallies, seed)
    first_boards = boards if board is None else 0
    remarks = common.with_options(
        (
            *refused_design(integer_design.findings),
            *findings(prepared.setting, known, tallies, errors, first_boards),
        ),
        ADVISED_OPTIONS,
    )
    if output is not None:
        from halfcycle.simulate.plot import picture  # noqa: PLC0415

        wanted.append(output.beside(picture(prepared, tallies, numbers, seed, form)))
    write_together(*wanted)
    why = reason(prepared.setting)
    again = show.RunAgain(spec_file, seed)
    if as_json:
        from halfcycle.output.simulate import Simulate  # noqa: PLC0415

        tables.emit_json(
            Simulate.of(
                prepared.setting,
                known,
                tallies,
                errors=errors,
                why=why,
                findings=remarks,
                again=again,
                seed=seed,
            )
        )
    else:
        show.show_cases(prepared, known, tallies)
        show.show_failures(tallies, again)
        if not names and board is None:
            show.show_reporting(prepared, errors)
            show.show_reason(prepared, why)
    common.show_findings(remarks)
    if any(tally.failed for tally in tallies):
        sys.exit(1)
