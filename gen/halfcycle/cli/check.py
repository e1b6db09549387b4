"""``halfcycle check``: find stale, hand-edited or wrong C in a firmware project."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

import click

from halfcycle import check, files, verify
from halfcycle.cli.progress import progress_bar
from halfcycle.cli.tables import emit_json, show_table
from halfcycle.faults import Fault, InputError, Refused
from halfcycle.generation import Generation, generate
from halfcycle.spec import load_spec
from halfcycle.spec_load import printable


@click.command("check")
@click.argument("spec_file", metavar="SPEC", type=click.Path(path_type=Path))
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--junit", "junit_file", metavar="FILE", type=click.Path(path_type=Path), help="JUnit XML."
)
@click.option(
    "--samples",
    type=click.IntRange(1, 10**10),
    default=verify.DEFAULT_SAMPLES,
    show_default=True,
    help="Samples to compare, at least.",
)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=verify.DEFAULT_SEED,
    show_default=True,
    help="Of the stimulus.",
)
@click.option("--scenario", type=click.Choice(verify.NAMES), help="Compare in this one alone.")
@click.option(
    "--tick", type=click.IntRange(0), help="Show model and C at this tick of --scenario, only."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    *,
    spec_file: Path,
    folder: Path,
    junit_file: Path | None,
    samples: int,
    seed: int,
    scenario: str | None,
    tick: int | None,
    as_json: bool,
) -> None:
    """Check that the C in DIR is what SPEC gives, compiles, and equals the model bit for bit.

    Exit code 1 where anything differs. Nothing in DIR is changed.
    """
    if tick is not None and scenario is None:
        problem, remedy = "given without --scenario", "name the scenario that it belongs to"
        raise InputError([Fault("check", "--tick", problem, remedy)])
    spec = load_spec(spec_file)
    if not folder.is_dir():
        problem, remedy = "there is no such folder", "name the folder of halfcycle generate --out"
        raise InputError([Fault(printable(str(folder)), "DIR", problem, remedy)])
    again = shlex.join(["halfcycle", "check", str(spec_file), str(folder)])
    stimulus = check.Stimulus(samples, seed, scenario, printable(again))
    try:
        made = generate(spec, printable(str(spec_file)))
    except Refused as refused:
        errors = [one for one in refused.findings if one.level == "error"]
        detail = "\n".join(f"{finding.key}: {finding.text}" for finding in errors)
        checks = [check.Check("design", False, detail)]
    else:
        if scenario is not None and tick is not None:
            found = _read(made, folder)
            _show_tick(made, found, stimulus, scenario=scenario, tick=tick, as_json=as_json)
            return
        checks = _run(made, folder, stimulus, as_json)
    if junit_file is not None:
        files.write_atomic(junit_file, check.junit(spec.name, checks))
    if as_json:
        rows = [{"name": one.name, "passed": one.passed, "detail": one.detail} for one in checks]
        emit_json({"checks": rows})
    else:
        for one in checks:
            click.echo(f"{'ok  ' if one.passed else 'FAIL'} {one.name}: {one.detail}")
    sys.exit(0 if all(one.passed for one in checks) else 1)


def _run(
    made: Generation, folder: Path, stimulus: check.Stimulus, as_json: bool
) -> list[check.Check]:
    found = _read(made, folder)
    checks = check.check_files(made, found)
    with progress_bar("comparing", wanted=not as_json) as progress:
        checks += check.check_code(made, found, stimulus, progress)
    return checks


def _read(made: Generation, folder: Path) -> dict[str, str]:
    try:
        return check.read_folder(made, folder)
    except OSError as error:
        file = printable(str(error.filename or folder))
        problem = f"cannot be read: {error.strerror}"
        raise InputError([Fault(file, "DIR", problem, "check its permissions")]) from None


def _show_tick(
    made: Generation,
    found: dict[str, str],
    stimulus: check.Stimulus,
    *,
    scenario: str,
    tick: int,
    as_json: bool,
) -> None:
    """Both sides at one tick; exit code 1 where they differ."""
    for name in (f"{made.plan.name}.h", f"{made.plan.name}.c"):
        if name not in found:
            raise InputError([Fault(name, "DIR", "is missing there", "run halfcycle generate")])
    at = verify.replay(
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
    batch, place = at
    inputs = {name: int(values[place]) for name, values in batch.inputs.items()}
    model = dict(zip(batch.fields, batch.model[:, place].tolist(), strict=True))
    compiled = dict(zip(batch.fields, batch.compiled[:, place].tolist(), strict=True))
    if as_json:
        emit_json({"inputs": inputs, "model": model, "compiled": compiled})
    else:
        before = (
            batch.model[:, place - 1].tolist() if place and not set(inputs) & set(model) else []
        )
        rows = [
            (
                name,
                inputs.get(name, before[row] if before else ""),
                model[name],
                compiled[name],
                "differs" if model[name] != compiled[name] else "",
            )
            for row, name in enumerate(batch.fields)
        ]
        title = f"{scenario}, tick {tick}" + "".join(
            f", {name} {value}" for name, value in inputs.items() if name not in model
        )
        show_table(title, ("field", "before", "model", "C", ""), rows)
    sys.exit(0 if model == compiled else 1)
