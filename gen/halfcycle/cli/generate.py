"""``halfcycle generate``: write the C regulator and prove it bit for bit."""

from __future__ import annotations

import contextlib
import errno
import shlex
import sys
from pathlib import Path

import click

from halfcycle.base import files
from halfcycle.base.command_words import FORCE
from halfcycle.base.errors import Fault, InputError, RefusedError, ToolMissingError
from halfcycle.base.findings import Finding
from halfcycle.base.output_file import is_one_of
from halfcycle.base.text import printable
from halfcycle.check import checks
from halfcycle.cli import co_simulation, common
from halfcycle.cli.options import stimulus_options
from halfcycle.cli.paths import PATH
from halfcycle.cli.progress import progress_bar
from halfcycle.cli.streams import say
from halfcycle.cli.tables import emit_json
from halfcycle.cosimulate.unit import REGULATOR
from halfcycle.generate import emit
from halfcycle.generate.pipeline import Generation, generate
from halfcycle.output.generate import Generate
from halfcycle.spec.load import load_spec
from halfcycle.verify import compare, compiler


@click.command("generate")
@click.argument("spec_file", metavar="SPEC", type=PATH)
@click.option("--out", required=True, metavar="DIR", type=PATH, help="Folder to write into.")
@click.option(
    "--fmu",
    metavar="FILE",
    type=PATH,
    help="Also write the C as a co-simulation unit (FMI 2.0), with its sources.",
)
@click.option("--fmu-binary", is_flag=True, help="Put a binary for this machine into the unit too.")
@click.option("--no-verify", is_flag=True, help="Write without compiling and comparing.")
@stimulus_options
@click.option(
    FORCE, is_flag=True, help="Replace files that were edited by hand, or are of another spec."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    *,
    spec_file: Path,
    out: Path,
    fmu: Path | None,
    fmu_binary: bool,
    no_verify: bool,
    samples: int,
    seed: int,
    force: bool,
    as_json: bool,
) -> None:
    """Write the C regulator of SPEC into DIR, after comparing it with the model bit for bit.

    Nothing is written unless the design meets the spec and every comparison is equal.

    \b
    Example:
      halfcycle generate gauge_hut.toml --out src/regulator
    """
    spec = load_spec(spec_file)
    if out.exists() and not out.is_dir():
        # Before what takes long.
        raise files.fault(out, FileExistsError(errno.EEXIST, ""), "--out")
    unit_file = co_simulation.unit_file(
        spec, spec_file, fmu, force, model=REGULATOR, binary=fmu_binary
    )
    try:
        generation = generate(spec, printable(str(spec_file)))
    except RefusedError as refused:
        common.show_findings(refused.findings)
        say("nothing was written: the design does not meet the spec")
        _finish(as_json, (), False, 0, refused.findings)
        sys.exit(1)
    common.show_findings(generation.findings)
    permit = _permit(generation, spec_file, out, force)
    _ask_before(generation, out, permit)
    if fmu is not None:
        co_simulation.refuse_in_set(fmu, out, generation.texts)
    compared = 0
    if not no_verify:
        with progress_bar("comparing", wanted=not as_json) as progress:
            try:
                result = compare.verify(
                    generation.plan, generation.texts, samples=samples, seed=seed, progress=progress
                )
                own = checks.self_test(generation.plan, generation.texts)
            except ToolMissingError as error:
                raise ToolMissingError(f"{error}; or write without proof: --no-verify") from None
            except compiler.CompileError as error:
                say(f"error: {error}\nnothing was written")
                _finish(as_json, (), False, 0, generation.findings)
                sys.exit(1)
        compared = result.samples
        problem = _problem(result, own, spec_file, out)
        if problem:
            say(f"error: {problem}\nnothing was written")
            _finish(as_json, (), False, compared, generation.findings)
            sys.exit(1)
        say(checks.summary(result))
    unit = None
    if unit_file is not None:
        content = co_simulation.regulator(spec, generation, spec_file, binary=fmu_binary)
        unit = unit_file.beside(content)
    rest = files.leftovers(out, generation.texts)
    files.write_all(out, generation.texts, permit, unit)
    if rest:
        say(
            "note: an earlier run was killed while it wrote here; all files are of this run now, "
            "and what it left was removed"
        )
    written = tuple(str(out / name) for name in generation.texts)
    if fmu is not None:
        written = (*written, str(fmu))
    _finish(as_json, written, not no_verify, compared, generation.findings)


def _problem(result: compare.Verification, own: checks.Check, spec_file: Path, out: Path) -> str:
    if result.mismatch is not None:
        spec, folder = (printable(shlex.quote(str(path))) for path in (spec_file, out))
        return (
            f"the C is not the model: {result.mismatch}; this is a fault of halfcycle or of the "
            f"compiler. Replay with:\n  halfcycle generate {spec} --out {folder} --no-verify\n"
            f"  halfcycle check {spec} {folder} {result.mismatch.replay_options()}"
        )
    return "" if own.passed else f"self-test: {own.detail}"


def _permit(generation: Generation, spec_file: Path, out: Path, force: bool) -> files.Permit:
    """Forbids to replace the spec, and, but by force, what this tool did not write for it."""

    def permit(name: str, place: files.Place) -> None:
        if place.status is None:
            return
        problem = remedy = ""
        if is_one_of(place.status, [spec_file]):
            problem, remedy = "this is the spec", "name another folder"
        elif not force:
            problem = _foreign(generation, name, place)
            remedy = "keep what you need of it elsewhere, then replace it with --force"
        if problem:
            raise InputError([Fault(printable(str(out / name)), "--out", problem, remedy)])

    return permit


def _foreign(generation: Generation, name: str, place: files.Place) -> str:
    """What a file is that the tool did not write for this regulator; "" if it did."""
    try:
        data = files.read_regular(place.path, checks.MAX_FILE_BYTES)
    except files.TooLongError:
        return "not generated: too long"
    except OSError as error:
        return f"cannot be read: {error.strerror}"
    text = data.decode("utf-8", "replace").replace("\r\n", "\n")
    if not text or text == generation.texts[name]:
        return ""
    if emit.is_edited(text):
        return "edited by hand since it was generated, or not generated at all"
    # A spec "x_selftest" has a regulator in x_selftest.c, where a spec "x" has its self-test.
    regulator = f"struct {name.rpartition('.')[0]}_state"
    if (regulator in text) != (regulator in generation.texts[name]):
        return "generated for a spec of another name"
    return ""


def _ask_before(generation: Generation, out: Path, permit: files.Permit) -> None:
    """Raise InputError for every file that must not be replaced, before the long work."""
    faults: list[Fault] = []
    for name in generation.texts:
        try:
            path = out / name
            with contextlib.suppress(OSError):
                permit(name, files.Place(path, path.stat()))
        except InputError as error:
            faults += error.faults
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
