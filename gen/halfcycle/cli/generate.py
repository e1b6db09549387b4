"""``halfcycle generate``: write the C regulator and prove it bit for bit."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

import click

from halfcycle.base import files
from halfcycle.base.errors import Fault, InputError, RefusedError, ToolMissingError
from halfcycle.base.findings import Finding
from halfcycle.check import checks
from halfcycle.cli import common
from halfcycle.cli.options import stimulus_options
from halfcycle.cli.progress import progress_bar
from halfcycle.cli.tables import emit_json
from halfcycle.generate import emit
from halfcycle.generate.pipeline import Generation, generate
from halfcycle.output.generate import Generate
from halfcycle.spec.load import load_spec, printable
from halfcycle.verify import compare, compiler


@click.command("generate")
@click.argument("spec_file", metavar="SPEC", type=click.Path(path_type=Path))
@click.option(
    "--out", required=True, metavar="DIR", type=click.Path(path_type=Path), help="The folder."
)
@click.option("--no-verify", is_flag=True, help="Write without compiling and comparing.")
@stimulus_options
@click.option("--force", is_flag=True, help="Replace files that were edited by hand.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    *,
    spec_file: Path,
    out: Path,
    no_verify: bool,
    samples: int,
    seed: int,
    force: bool,
    as_json: bool,
) -> None:
    """Write the C regulator of SPEC into DIR, after proving it bit for bit against the model.

    Nothing is written unless the design meets the spec and every comparison is equal.

    \b
    Example:
      halfcycle generate gauge_hut.toml --out src/regulator
    """
    try:
        made = generate(load_spec(spec_file), printable(str(spec_file)))
    except RefusedError as refused:
        common.show_findings(refused.findings)
        click.echo("nothing was written: the design does not meet the spec", err=True)
        _finish(as_json, (), False, 0, refused.findings)
        sys.exit(1)
    common.show_findings(made.findings)
    if not force:
        _refuse_edited(made, out)
    compared = 0
    if not no_verify:
        with progress_bar("comparing", wanted=not as_json) as progress:
            try:
                result = compare.verify(
                    made.plan, made.texts, samples=samples, seed=seed, progress=progress
                )
                own = checks.self_test(made.plan, made.texts)
            except ToolMissingError as error:
                raise ToolMissingError(f"{error}; or write without proof: --no-verify") from None
            except compiler.CompileError as error:
                click.echo(f"error: {error}\nnothing was written", err=True)
                _finish(as_json, (), False, 0, made.findings)
                sys.exit(1)
        compared = result.samples
        problem = _problem(result, own, spec_file, out)
        if problem:
            click.echo(f"error: {problem}\nnothing was written", err=True)
            _finish(as_json, (), False, compared, made.findings)
            sys.exit(1)
        click.echo(checks.summary(result), err=True)
    files.write_all(out, made.texts)
    written = tuple(str(out / name) for name in made.texts)
    _finish(as_json, written, not no_verify, compared, made.findings)


def _problem(result: compare.Verification, own: checks.Check, spec_file: Path, out: Path) -> str:
    if result.mismatch is not None:
        spec, folder = (printable(shlex.quote(str(path))) for path in (spec_file, out))
        return (
            f"the C is not the model: {result.mismatch}; this is a fault of halfcycle or of the "
            f"compiler. Replay with:\n  halfcycle generate {spec} --out {folder} --no-verify\n"
            f"  halfcycle check {spec} {folder} {result.mismatch.replay_options()}"
        )
    return "" if own.passed else f"self-test: {own.detail}"


def _refuse_edited(made: Generation, out: Path) -> None:
    """Stop before a file is overwritten that is not as the tool once wrote it."""
    faults = []
    for name, text in checks.read_folder(made, out).items():
        if text != made.texts[name] and emit.is_edited(text):
            problem = "edited by hand since it was generated, or not generated at all"
            remedy = "keep what you need of it elsewhere, then replace it with --force"
            faults.append(Fault(printable(str(out / name)), "--out", problem, remedy))
    if faults:
        raise InputError(faults)


def _finish(
    as_json: bool,
    written: tuple[str, ...],
    verified: bool,
    compared: int,
    findings: tuple[Finding, ...],
) -> None:
    if as_json:
        emit_json(Generate.of(written, findings, verified=verified, samples_compared=compared))
    else:
        for path in written:
            click.echo(printable(path))
