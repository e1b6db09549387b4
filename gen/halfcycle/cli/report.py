"""``halfcycle report``: one self-contained page that shows a design's work."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from halfcycle.base.errors import Fault, InputError, RefusedError
from halfcycle.base.output_file import OutputFile
from halfcycle.base.text import printable, printable_lines
from halfcycle.cli import common, tables
from halfcycle.cli.numbers import Whole
from halfcycle.cli.paths import PATH, force_option
from halfcycle.cli.progress import progress_bar
from halfcycle.cli.streams import say

if TYPE_CHECKING:
    from halfcycle.generate.pipeline import IntegerDesign
    from halfcycle.report.board_runs import BoardRuns
    from halfcycle.report.measured_section import Measured
    from halfcycle.report.parts import Contents
    from halfcycle.targets.run import Result

DEFAULT_BOARDS = 256
"""The nominal board, the corners, and as many between them: some seconds."""
DEFAULT_SEED = 1
MARK = b'<meta name="generator" content="halfcycle '
"""In every page that this command writes."""
NO_TARGETS = (
    "with --targets the command compiles the C for each processor whose tools are installed and "
    "runs it there."
)


@click.command("report")
@click.argument("spec", type=PATH)
@click.option("--out", required=True, metavar="FILE.html", type=PATH, help="File to write.")
@click.option(
    "--boards",
    metavar="N",
    type=Whole(0, 100_000),
    default=DEFAULT_BOARDS,
    show_default=True,
    help="Virtual boards to run in each case; 0 for none.",
)
@click.option(
    "--seed",
    metavar="N",
    type=Whole(0, 2**31 - 1),
    default=DEFAULT_SEED,
    show_default=True,
    help="Seed of the virtual boards.",
)
@click.option(
    "--log",
    "logs",
    metavar="LOG",
    multiple=True,
    type=PATH,
    help="Log of a measured board, as identify reads it, to show beside the corners; repeat "
    "the option for several.",
)
@click.option("--targets", is_flag=True, help="Run the C on emulated processors too.")
@force_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the file's name.")
def command(
    *,
    spec: Path,
    out: Path,
    boards: int,
    seed: int,
    logs: tuple[Path, ...],
    targets: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Write the design of SPEC as one page: figures, tables, derivations, findings, cautions.

    The page is one file that needs no network and no script. Without a C compiler the virtual
    boards are left out, and the page says so. Exit code 1 if a limit is broken, the targets cannot
    be met, or a LOG is of another firmware or of a board outside the corners; the page is written
    all the same, and shows it.

    \b
    Example:
      halfcycle report gauge_hut.toml --out gauge_hut.html
    """
    output = OutputFile(out, "--out", MARK, [spec, *logs], force)
    _check_name(out)
    with common.refusals(as_json), _compilers():
        from halfcycle.cli.simulate_tables import RunAgain  # noqa: PLC0415 (scipy)
        from halfcycle.generate.emit import render  # noqa: PLC0415
        from halfcycle.report import page  # noqa: PLC0415 (numpy and jinja2: not for --help)
        from halfcycle.report.parts import Contents  # noqa: PLC0415
        from halfcycle.spec.load import read_text  # noqa: PLC0415

        text = printable_lines(read_text(spec)[0])
        again = _again(spec.name, boards, seed, logs, targets)
        try:
            integer_design = common.design_spec(spec)
        except RefusedError as error:
            output.write(_refused(spec, error, text, again))
            _tell_refused(printable(str(out)), error, as_json)
            sys.exit(1)
        texts = (
            render(integer_design.design, integer_design.quantised) if integer_design.good else {}
        )
        measured = _measured(integer_design, logs) if logs else None
        board_runs, reason = _run(integer_design, texts, boards, seed, as_json)
        contents = Contents(
            integer_design=integer_design,
            spec_name=spec.name,
            spec_text=text,
            command=again,
            boards=board_runs,
            no_boards=reason,
            no_targets=NO_TARGETS,
            run_again=RunAgain(Path(spec.name), seed),
            measured=measured,
            targets=_cost(integer_design, texts, as_json)
            if targets and integer_design.good
            else None,
        )
        output.write(page.render(contents))
        _tell(contents, printable(str(out)), as_json)
        if reason and boards:
            say(f"no virtual board was run: {reason}")
        if not contents.good:
            sys.exit(1)


def _check_name(out: Path) -> None:
    """Raise InputError if a file of that name would not be opened as a page."""
    if out.suffix.lower() not in {".html", ".htm"}:
        raise InputError(
            [
                Fault(
                    printable(str(out)),
                    "--out",
                    "is not the name of a page",
                    "end it in .html; a browser prints it as PDF",
                )
            ]
        )


def _refused(spec: Path, error: RefusedError, text: str, command: str) -> str:
    """The page of a spec that cannot be met."""
    from halfcycle.report.refused_page import Refused, render  # noqa: PLC0415 (numpy and jinja2)
    from halfcycle.spec.load import load_spec  # noqa: PLC0415

    trials, beyond = getattr(error, "trials", ()), getattr(error, "beyond", None)
    return render(Refused(load_spec(spec), error.findings, trials, text, command, beyond))


@contextmanager
def _compilers() -> Iterator[None]:
    """Show what a compiler refused, and exit 1: the tool's C is at fault, or the compiler."""
    from halfcycle.verify.compiler import CompileError  # noqa: PLC0415

    try:
        yield
    except CompileError as error:
        say(f"error: {error}")
        sys.exit(1)


def _tell(contents: Contents, file: str, as_json: bool) -> None:
    """The file's name or the JSON on stdout; the findings, and before them what is wrong if the
    design must not be used as it is, on stderr."""
    from halfcycle.report.summary_section import all_findings, verdict  # noqa: PLC0415

    remarks = all_findings(contents)
    good, sentence = verdict(contents, remarks)
    if not good:
        say(sentence)
    if as_json:
        from halfcycle.output.report import Report  # noqa: PLC0415

        tables.emit_json(Report.of(file, contents, remarks))
    else:
        click.echo(file)
    common.show_findings(remarks)


def _tell_refused(file: str, error: RefusedError, as_json: bool) -> None:
    """The same of the page of a spec that cannot be met."""
    if as_json:
        from halfcycle.output.report import Report  # noqa: PLC0415

        tables.emit_json(Report.refused(file, error.findings))
    else:
        click.echo(file)
    common.show_findings(error.findings)


def _run(
    integer_design: IntegerDesign, texts: Mapping[str, str], boards: int, seed: int, quiet: bool
) -> tuple[BoardRuns | None, str]:
    """The boards' runs, or None and why there are none."""
    from halfcycle.base.errors import ToolMissingError  # noqa: PLC0415
    from halfcycle.report.board_runs import run_boards  # noqa: PLC0415

    if boards == 0:
        return None, "none was asked for (--boards 0)."
    if not integer_design.good:
        return None, "the design has errors; correct them first."
    with progress_bar("virtual boards", wanted=not quiet) as progress:
        try:
            return run_boards(integer_design, texts, boards, seed, progress), ""
        except ToolMissingError as error:
            return None, f"{error}."


def _cost(integer_design: IntegerDesign, texts: Mapping[str, str], quiet: bool) -> Result:
    from halfcycle.targets.run import run  # noqa: PLC0415

    with progress_bar("targets", wanted=not quiet) as progress:
        return run(integer_design.quantised.plan, texts, progress=progress)


def _measured(integer_design: IntegerDesign, logs: tuple[Path, ...]) -> Measured:
    """What the logs say of their boards."""
    from halfcycle.bench.identify import identify  # noqa: PLC0415
    from halfcycle.bench.identify_findings import changes, findings  # noqa: PLC0415
    from halfcycle.report.measured_section import Measured  # noqa: PLC0415

    design = integer_design.design
    found = identify(integer_design, logs, design.spec.revision())
    return Measured(found, findings(design, found, changes(design, found), written=False))


def _again(spec: str, boards: int, seed: int, logs: tuple[Path, ...], targets: bool) -> str:
    """The command that makes the page again, every option that matters written out. Of any name:
    the page's bytes do not depend on where it is."""
    words = ["halfcycle", "report", spec, "--out", "FILE.html", "--boards", str(boards)]
    words += ["--seed", str(seed)] if boards else []
    words += [word for log in logs for word in ("--log", log.name)]
    words += ["--targets"] if targets else []
    return shlex.join(words)
