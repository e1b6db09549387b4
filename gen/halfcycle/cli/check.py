"""``halfcycle check``: find stale, hand-edited or wrong C in a firmware project."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import click

from halfcycle.base.errors import Fault, InputError, RefusedError
from halfcycle.base.output_file import OutputFile
from halfcycle.base.state import State
from halfcycle.base.text import printable
from halfcycle.check import batch, checks, junit
from halfcycle.check.batch import Job, Result
from halfcycle.cli.common import named_by_options
from halfcycle.cli.exit_codes import BAD_INPUT, DIFFERENCE, GOOD, OWN_FAULT
from halfcycle.cli.numbers import Whole
from halfcycle.cli.options import stimulus_options
from halfcycle.cli.paths import PATH, force_option
from halfcycle.cli.progress import progress_bar
from halfcycle.cli.streams import say
from halfcycle.cli.tables import emit_json, show_table, shown
from halfcycle.cli.usage import WHERE
from halfcycle.generate import emit
from halfcycle.generate.pipeline import Generation
from halfcycle.output.check import Checks, Tick
from halfcycle.spec.load import load_spec
from halfcycle.verify import compare, isolated
from halfcycle.verify.compiler import CompileError


@click.command("check")
@click.argument("paths", metavar="SPEC... DIR", nargs=-1, required=True, type=PATH)
@click.option(
    "--dir-of",
    metavar="PATTERN",
    help="Folder of each SPEC's files, instead of DIR: {dir} is the folder of the spec, {stem} "
    "its file's name without the suffix, {name} the regulator's.",
)
@click.option(
    "--junit", "junit_file", metavar="FILE", type=PATH, help="Write the results as JUnit XML too."
)
@stimulus_options
@click.option(
    "--scenario",
    metavar="NAME",
    type=click.Choice(compare.NAMES),
    help="Compare in this scenario alone; a wrong name lists all.",
)
@click.option(
    "--tick", metavar="N", type=Whole(0), help="Show model and C at this tick of --scenario only."
)
@click.option(
    "--jobs", type=Whole(1), metavar="N", help="Specs at once; by default one per processor."
)
@click.option(
    "--prove",
    is_flag=True,
    help="Prove too that no call can overflow, leave its range or differ from the model.",
)
@click.option("--no-run", is_flag=True, help="Compare and compile only; never run the C.")
@click.option("--no-cache", is_flag=True, help="Check again what passed before, unchanged.")
@force_option
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
    no_run: bool,
    no_cache: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Check that the C in DIR is what SPEC gives, compiles, and equals the model bit for bit.

    Exit code 1 if anything differs. The specs and the files in DIR are only read. What passed is
    not checked again until the spec, the files, this tool or the compiler change.

    The C that is checked is run, with your rights: with limits of time, memory and output, but it
    can read and write your files. For C that you do not trust, give --no-run.

    \b
    Examples:
      halfcycle check gauge_hut.toml generated
      halfcycle check firmware/*.toml --dir-of "{dir}/{name}" --junit check.xml
    """
    stimulus = checks.Stimulus(samples, seed, scenario, prove=prove, run=not no_run)
    work = _jobs(paths, dir_of, stimulus)
    output = _junit_output(junit_file, work, force) if junit_file is not None else None
    if tick is not None:
        _check_tick(work, scenario, no_run)
    if scenario is not None and tick is not None:
        try:
            generation = batch.design(work[0])
        except RefusedError:
            pass  # Shown as a failed check below.
        else:
            _show_tick(work[0], generation, scenario=scenario, tick=tick, as_json=as_json)
            return
    with progress_bar("comparing", wanted=not as_json) as progress:
        results = batch.check_all(work, use_kept=not no_cache, workers=jobs or 0, progress=progress)
    if output is not None:
        output.write(junit.junit([(result.job.spec.name, result.checks) for result in results]))
    faults = [fault for result in results for fault in result.faults]
    if faults and len(results) == 1:
        raise InputError(faults)
    _show(results, as_json)
    if no_run:
        say("the C was compiled, but not run: bit-exact and self-test are skipped")
    for fault in faults:
        say(str(fault))
    sys.exit(_exit_code(results))


def _exit_code(results: Sequence[Result]) -> int:
    if any(result.broken for result in results):
        return OWN_FAULT
    if any(result.faults for result in results):
        return BAD_INPUT
    return GOOD if all(result.passed for result in results) else DIFFERENCE


def _junit_output(file: Path, work: Sequence[Job], force: bool) -> OutputFile:
    """Where the JUnit file goes; raises InputError if that is a file that is checked."""
    inputs = [job.file for job in work]
    for job in work:
        inputs += [job.folder / name for name in emit.file_names(job.spec.name)]
    return OutputFile(file, "--junit", junit.MARK, inputs, force)


def _jobs(paths: Sequence[Path], dir_of: str | None, stimulus: checks.Stimulus) -> list[Job]:
    """The specs, loaded, with their folders; every fault of all of them at once."""
    if dir_of is None and len(paths) < 2:
        remedy = 'name the folder last, or give --dir-of "{dir}/{name}"'
        raise InputError([Fault(WHERE, "DIR", "is missing", remedy)])
    specs = paths if dir_of is not None else paths[:-1]
    jobs: list[Job] = []
    faults: list[Fault] = []
    missing: set[Path] = set()
    for path in specs:
        try:
            spec = load_spec(path)
            with named_by_options({"folder pattern": "--dir-of"}):
                folder = batch.folder_of(dir_of, path, spec.name) if dir_of else paths[-1]
        except InputError as error:
            faults += [fault for fault in error.faults if fault not in faults]
            continue
        if not folder.is_dir():
            missing.add(folder)
        jobs.append(Job(path, spec, folder, _stimulus(stimulus, path, folder)))
    if missing:
        remedy = "name the folder of halfcycle generate --out"
        if dir_of is None and len(specs) > 1:
            remedy += ' last, or give --dir-of "{dir}/{name}"'
        where = "DIR" if dir_of is None else "--dir-of"
        faults += [
            Fault(printable(str(folder)), where, "there is no such folder", remedy)
            for folder in sorted(missing)
        ]
    faults += _clashes(jobs)
    if faults:
        raise InputError(faults)
    return jobs


def _clashes(jobs: Sequence[Job]) -> list[Fault]:
    """Two specs whose files are the same ones."""
    owner: dict[tuple[str, str], Path] = {}
    faults = []
    for job in jobs:
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


def _check_tick(work: Sequence[Job], scenario: str | None, no_run: bool) -> None:
    if no_run:
        problem, remedy = "given with --no-run", "leave one of them out"
    elif scenario is None:
        problem, remedy = "given without --scenario", "name the scenario that it belongs to"
    elif len(work) > 1:
        problem, remedy = "given with more than one spec", "name the one that it belongs to"
    else:
        return
    raise InputError([Fault(WHERE, "--tick", problem, remedy)])


_SHOWN = {
    State.PASSED: "ok  ",
    State.FAILED: "FAIL",
    State.SKIPPED: "skip",
    State.ERROR: "ERROR",
}


def _line(check: checks.Check) -> str:
    return shown(f"{_SHOWN[check.state]} {check.name}: {check.detail}", sys.stdout)


def _show(results: Sequence[Result], as_json: bool) -> None:
    if as_json:
        emit_json(Checks.of(results))
    elif len(results) > 1:
        _show_specs(results)
    elif _nothing_there(results[0]):
        job = results[0].job
        spec, folder = (shlex.quote(printable(str(each))) for each in (job.file, job.folder))
        click.echo(
            f"FAIL {printable(str(job.folder))}: there is no file of {job.spec.name} here, so "
            f"nothing was checked; write them with halfcycle generate {spec} --out {folder}"
        )
    else:
        for check in results[0].checks:
            click.echo(_line(check))
        if results[0].kept:
            say("unchanged since it last passed; --no-cache checks it again")


def _nothing_there(result: Result) -> bool:
    """Whether all that is wrong is that the folder holds none of the generated files."""
    job = result.job
    refused = any(c.name == "design" and c.state is State.FAILED for c in result.checks)
    if refused or result.broken or result.faults:
        return False
    return not any((job.folder / file).exists() for file in emit.file_names(job.spec.name))


def _show_specs(results: Sequence[Result]) -> None:
    """One line for each spec that passed, all that failed of the others."""
    for result in results:
        place = f"{printable(str(result.job.file))} in {printable(str(result.job.folder))}"
        bad = [check for check in result.checks if not check.passed]
        skipped = [check for check in result.checks if check.state is State.SKIPPED]
        if any(check.state is State.ERROR for check in bad):
            click.echo(f"ERROR {place}: could not be checked")
        elif bad:
            click.echo(f"FAIL {place}: {len(bad)} of {len(result.checks)} checks failed")
        else:
            unchanged = ", unchanged since it last passed" if result.kept else ""
            left_out = f", {len(skipped)} skipped" if skipped else ""
            passed = len(result.checks) - len(skipped)
            click.echo(f"ok   {place}: {passed} checks passed{left_out}{unchanged}")
        for check in bad:
            click.echo(f"  {_line(check)}")


def _show_tick(
    job: Job, generation: Generation, *, scenario: str, tick: int, as_json: bool
) -> None:
    """Both sides at one tick; exit code 1 if they differ."""
    plan, stimulus = generation.plan, job.stimulus
    texts = batch.read(job).texts
    for name in (f"{plan.name}.h", f"{plan.name}.c"):
        if name not in texts:
            raise InputError(
                [Fault(name, "DIR", "the folder has no such file", "run halfcycle generate")]
            )
    try:
        at = isolated.replay_apart(
            plan,
            texts,
            samples=stimulus.samples,
            seed=stimulus.seed,
            scenario=scenario,
            tick=tick,
        )
    except (CompileError, isolated.ProcessLostError) as error:
        say(f"error: {error}")
        sys.exit(DIFFERENCE)
    if at is None:
        problem, remedy = "beyond the scenario's end", "give the --samples of the first run too"
        raise InputError([Fault(WHERE, "--tick", problem, remedy)])
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
    sys.exit(GOOD if model == compiled else DIFFERENCE)
