"""``halfcycle check``: find stale, hand-edited or wrong C in a firmware project."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import click

from halfcycle.base import files
from halfcycle.base.errors import Fault, InputError, RefusedError
from halfcycle.check import batch, checks
from halfcycle.check.batch import Job, Result
from halfcycle.cli.options import stimulus_options
from halfcycle.cli.progress import progress_bar
from halfcycle.cli.tables import emit_json, show_table
from halfcycle.generate.pipeline import Generation
from halfcycle.output.check import Checks, Tick
from halfcycle.spec.load import load_spec, printable
from halfcycle.verify import compare


@click.command("check")
@click.argument(
    "paths", metavar="SPEC... DIR", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option(
    "--dir-of",
    metavar="PATTERN",
    help="Folder of each SPEC's files, instead of DIR: {dir} is the folder of the spec, {stem} "
    "its file's name without the suffix, {name} the regulator's.",
)
@click.option(
    "--junit", "junit_file", metavar="FILE", type=click.Path(path_type=Path), help="JUnit XML."
)
@stimulus_options
@click.option(
    "--scenario",
    metavar="NAME",
    type=click.Choice(compare.NAMES),
    help="Compare in this one alone; a wrong name lists them.",
)
@click.option(
    "--tick", type=click.IntRange(0), help="Show model and C at this tick of --scenario, only."
)
@click.option(
    "--jobs", type=click.IntRange(1), metavar="N", help="Specs at once; else one a processor."
)
@click.option(
    "--prove", is_flag=True, help="Prove too that no call can overflow or leave its range."
)
@click.option("--no-cache", is_flag=True, help="Check again what passed before, unchanged.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    *,
    paths: tuple[Path, ...],
    dir_of: str | None,
    junit_file: Path | None,
    samples: int,
    seed: int,
    scenario: str | None,
    tick: int | None,
    jobs: int | None,
    prove: bool,
    no_cache: bool,
    as_json: bool,
) -> None:
    """Check that the C in DIR is what SPEC gives, compiles, and equals the model bit for bit.

    Exit code 1 where anything differs. Nothing in DIR is changed. What passed is not checked again
    until the spec, the files, this tool or the compiler change.

    \b
    Examples:
      halfcycle check gauge_hut.toml generated
      halfcycle check firmware/*.toml --dir-of "{dir}/{name}" --junit check.xml
    """
    work = _jobs(paths, dir_of, checks.Stimulus(samples, seed, scenario, prove=prove))
    if tick is not None:
        _check_tick(work, scenario)
    if scenario is not None and tick is not None:
        try:
            made = batch.design(work[0])
        except RefusedError:
            pass  # Shown as a failed check below.
        else:
            _show_tick(work[0], made, scenario=scenario, tick=tick, as_json=as_json)
            return
    with progress_bar("comparing", wanted=not as_json) as progress:
        results = batch.check_all(work, use_kept=not no_cache, workers=jobs or 0, progress=progress)
    if junit_file is not None:
        suites = [(result.job.spec.name, result.checks) for result in results]
        files.write_atomic(junit_file, checks.junit(suites))
    if as_json:
        emit_json(Checks.of(results))
    elif len(results) == 1:
        for one in results[0].checks:
            click.echo(_line(one))
        if results[0].kept:
            click.echo("unchanged since it last passed; --no-cache checks it again", err=True)
    else:
        _show(results)
    sys.exit(0 if all(result.passed for result in results) else 1)


def _jobs(paths: Sequence[Path], dir_of: str | None, stimulus: checks.Stimulus) -> list[Job]:
    """The specs, loaded, with their folders; every fault of all of them at once."""
    if dir_of is None and len(paths) < 2:
        raise click.UsageError(
            "Missing argument 'DIR': name the folder last, or give --dir-of \"{dir}/{name}\""
        )
    specs = paths if dir_of is not None else paths[:-1]
    found: list[Job] = []
    faults: list[Fault] = []
    missing: set[Path] = set()
    for path in specs:
        try:
            spec = load_spec(path)
            folder = batch.folder_of(dir_of, path, spec.name) if dir_of else paths[-1]
        except InputError as error:
            faults += [fault for fault in error.faults if fault not in faults]
            continue
        if not folder.is_dir():
            missing.add(folder)
        found.append(Job(path, spec, folder, _stimulus(stimulus, path, folder)))
    if missing:
        remedy = "name the folder of halfcycle generate --out"
        if dir_of is None and len(specs) > 1:
            remedy += ' last, or give --dir-of "{dir}/{name}"'
        where = "DIR" if dir_of is None else "--dir-of"
        faults += [
            Fault(printable(str(folder)), where, "there is no such folder", remedy)
            for folder in sorted(missing)
        ]
    faults += _clashes(found)
    if faults:
        raise InputError(faults)
    return found


def _clashes(found: Sequence[Job]) -> list[Fault]:
    """Two specs whose files are the same ones."""
    owner: dict[tuple[str, str], Path] = {}
    faults = []
    for job in found:
        place = (os.path.realpath(job.folder), job.spec.name)
        if place in owner:
            problem = f"its files are those of {printable(str(owner[place]))} too"
            remedy = "give each spec a name or a folder of its own"
            faults.append(Fault(printable(str(job.file)), "name", problem, remedy))
        owner.setdefault(place, job.file)
    return faults


def _stimulus(common: checks.Stimulus, spec: Path, folder: Path) -> checks.Stimulus:
    again = printable(shlex.join(["halfcycle", "check", str(spec), str(folder)]))
    return replace(common, command=again)


def _check_tick(work: Sequence[Job], scenario: str | None) -> None:
    if scenario is None:
        problem, remedy = "given without --scenario", "name the scenario that it belongs to"
    elif len(work) > 1:
        problem, remedy = "given with more than one spec", "name the one that it belongs to"
    else:
        return
    raise InputError([Fault("check", "--tick", problem, remedy)])


def _line(one: checks.Check) -> str:
    return f"{'ok  ' if one.passed else 'FAIL'} {one.name}: {one.detail}"


def _show(results: Sequence[Result]) -> None:
    """One line for each spec that passed, all that failed of the others."""
    for result in results:
        place = f"{printable(str(result.job.file))} in {printable(str(result.job.folder))}"
        bad = [one for one in result.checks if not one.passed]
        if bad:
            click.echo(f"FAIL {place}: {len(bad)} of {len(result.checks)} checks failed")
            for one in bad:
                click.echo(f"  {_line(one)}")
        else:
            kept = ", unchanged since it last passed" if result.kept else ""
            click.echo(f"ok   {place}: {len(result.checks)} checks passed{kept}")


def _show_tick(job: Job, made: Generation, *, scenario: str, tick: int, as_json: bool) -> None:
    """Both sides at one tick; exit code 1 where they differ."""
    found, stimulus = batch.read(job), job.stimulus
    for name in (f"{made.plan.name}.h", f"{made.plan.name}.c"):
        if name not in found:
            raise InputError([Fault(name, "DIR", "is missing there", "run halfcycle generate")])
    at = compare.replay(
        made.plan,
        found,
        samples=stimulus.samples,
        seed=stimulus.seed,
        scenario=scenario,
        tick=tick,
    )
    if at is None:
        problem, remedy = "beyond the scenario's end", "give the --samples of the first run too"
        raise InputError([Fault("check", "--tick", problem, remedy)])
    compared, place = at
    inputs = {name: int(values[place]) for name, values in compared.inputs.items()}
    model = dict(zip(compared.fields, compared.model[:, place].tolist(), strict=True))
    compiled = dict(zip(compared.fields, compared.compiled[:, place].tolist(), strict=True))
    if as_json:
        emit_json(Tick(inputs=inputs, model=model, compiled=compiled))
    else:
        before = (
            compared.model[:, place - 1].tolist() if place and not set(inputs) & set(model) else []
        )
        rows = [
            (
                name,
                inputs.get(name, before[row] if before else ""),
                model[name],
                compiled[name],
                "differs" if model[name] != compiled[name] else "",
            )
            for row, name in enumerate(compared.fields)
        ]
        title = f"{scenario}, tick {tick}" + "".join(
            f", {name} {value}" for name, value in inputs.items() if name not in model
        )
        show_table(title, ("field", "before", "model", "C", ""), rows)
    sys.exit(0 if model == compiled else 1)
