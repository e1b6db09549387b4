"""``halfcycle simulate``: the generated C in closed loop with virtual boards."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from halfcycle.cli import shared, tables

if TYPE_CHECKING:
    from halfcycle.cases import Case
    from halfcycle.simulate import Prepared
    from halfcycle.tally import Tally

DEFAULT_BOARDS = 1000


@click.command("simulate")
@click.argument("spec_file", metavar="SPEC", type=click.Path(path_type=Path))
@click.option("--case", "names", metavar="NAME", multiple=True, help="Only this case; repeatable.")
@click.option(
    "--boards",
    metavar="N",
    type=int,
    default=DEFAULT_BOARDS,
    show_default=True,
    help="Boards: nominal, all corners of the tolerances, then drawn inside them.",
)
@click.option(
    "--seed",
    metavar="S",
    type=click.IntRange(0, 2**31 - 1),
    default=1,
    show_default=True,
    help="Of the boards and of their noise.",
)
@click.option("--board", metavar="I", type=click.IntRange(0), help="Replay this one board only.")
@click.option(
    "--parallel",
    "engine",
    metavar="ENGINE",
    default="threading",
    show_default=True,
    help="joblib's engine: threading, loky, or dask for the cluster of DASK_SCHEDULER_ADDRESS.",
)
@click.option(
    "--jobs",
    metavar="J",
    type=int,
    default=-1,
    help="Pieces at a time; as many as there are cores unless given.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the tables.")
def command(
    *,
    spec_file: Path,
    names: tuple[str, ...],
    boards: int,
    seed: int,
    board: int | None,
    engine: str,
    jobs: int,
    as_json: bool,
) -> None:
    """Run the C of SPEC against virtual boards through the bad days, and judge each one.

    Exit code 1 where a board breaks a rule; the failure names the command that replays it.

    \b
    Example:
      halfcycle simulate gauge_hut.toml --boards 10000 --case start
    """
    from halfcycle import emit, simulate  # noqa: PLC0415 (scipy: not for --help)
    from halfcycle.cases import cases  # noqa: PLC0415
    from halfcycle.simulate_findings import findings  # noqa: PLC0415

    with shared.refusals(as_json):
        made = shared.design_spec(spec_file)
        generated = emit.render(made.design, made.quantised)
    prepared = simulate.prepare(made.design, made.quantised, generated)
    known = cases(prepared.setting)
    numbers = range(max(0, boards)) if board is None else range(board, board + 1)
    tallies = simulate.simulate(
        prepared, list(names) or list(known), numbers, seed, engine=engine, jobs=jobs
    )
    remarks = findings(prepared.setting, known, tallies, boards if board is None else 0)
    again = _Replay(spec_file, seed)
    if as_json:
        tables.emit_json(
            {
                "seed": seed,
                "cases": [_case_json(prepared, known[t.case], t, again) for t in tallies],
                "findings": shared.findings_json(remarks),
            }
        )
    else:
        _show(prepared, known, tallies, again)
    shared.show_findings(remarks)
    if any(tally.failed for tally in tallies):
        sys.exit(1)


class _Replay:
    """The command that runs one board of one case again."""

    def __init__(self, spec_file: Path, seed: int) -> None:
        self._spec = shlex.quote(str(spec_file))
        self._seed = seed

    def __call__(self, case: str, board: int) -> str:
        return f"halfcycle simulate {self._spec} --case {case} --board {board} --seed {self._seed}"


def _case_json(prepared: Prepared, case: Case, tally: Tally, again: _Replay) -> dict[str, Any]:
    """One case's entry: figures are null where they do not apply."""
    from halfcycle.simulate_findings import (  # noqa: PLC0415
        designed_settling_ms,
        overshoot_allowance_percent,
        settling_allowance_ms,
    )
    from halfcycle.tally import FIGURES  # noqa: PLC0415

    setting = prepared.setting
    entry: dict[str, Any] = {
        "case": tally.case,
        "about": case.about,
        "boards": tally.boards,
        "passed": tally.failed == 0,
        "failures": [
            {
                "board": failure.board,
                "reasons": list(failure.reasons),
                "replay": again(tally.case, failure.board),
            }
            for failure in tally.failures
        ],
        "failed_boards": tally.failed,
        "rules": list(case.rules),
        "worst": {name: tally.worst[name][0] if name in tally.worst else None for name in FIGURES},
        "worst_board": {name: board for name, (_, board) in tally.worst.items()},
        "outside": dict(tally.breached),
    }
    if "overshoot" in case.rules:
        entry["designed"] = {
            "settling_ms": designed_settling_ms(setting, case),
            "settling_allowance_ms": settling_allowance_ms(setting),
            "overshoot_percent": setting.designed_overshoot_percent,
            "overshoot_allowance_percent": overshoot_allowance_percent(setting, case),
        }
    return entry


def _show(prepared: Prepared, known: dict[str, Case], tallies: list[Tally], again: _Replay) -> None:
    targets = prepared.setting.spec.targets
    number = shared.number
    columns = [
        "case",
        "failed",
        "settles\nms",
        "over\n%",
        "steady\n%",
        "low\n%",
        "high\n%",
        "report\n%",
        "scale",
    ]
    figures = (
        "settling_ms",
        "overshoot_percent",
        "steady_error_percent",
        "lowest_percent",
        "highest_percent",
        "report_error_percent",
        "scale",
    )
    rows = [
        (
            tally.case,
            tally.failed,
            *(_cell(known[tally.case], tally, name) for name in figures),
        )
        for tally in tallies
    ]
    designed = prepared.setting.designed_settling_ms
    notes = [
        "Over: overshoot. Steady: error of a window's RMS. Low, high: half-cycle RMS in percent of "
        "rated. Report: the firmware's RMS against the true one. Sensor gain apart.",
        f"Designed: settling {_or_dash(designed)} ms, overshoot "
        f"{_or_dash(prepared.setting.designed_overshoot_percent)} %. Targets: "
        f"{number(targets.settling_ms)} ms, {number(targets.overshoot_percent)} %, steady within "
        f"{number(targets.voltage_tolerance_percent)} %.",
    ]
    boards = f"{tallies[0].boards} virtual boards" if tallies[0].boards > 1 else "one board"
    tables.show_table(f"{prepared.name}: {boards}, worst figures", columns, rows, notes)
    for tally in tallies:
        for failure in tally.failures[:5]:
            print(f"{tally.case}, board {failure.board}: {'; '.join(failure.reasons)}")
            print(f"  {again(tally.case, failure.board)}")
        if tally.failed > 5:
            print(f"{tally.case}: {tally.failed - 5} more boards failed")


def _cell(case: Case, tally: Tally, name: str) -> str:
    """A figure of the table, "-" where the case does not give it a meaning."""
    if name == "overshoot_percent" and "overshoot" not in case.rules:
        return "-"
    found = tally.worst.get(name)
    return "-" if found is None else f"{found[0]:.3g}"


def _or_dash(value: float | None) -> str:
    return "-" if value is None else f"{value:.4g}"
