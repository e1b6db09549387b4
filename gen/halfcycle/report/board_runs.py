"""Runs the virtual boards of every case and keeps what a drawing needs of their histories."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfcycle.base.findings import Finding
from halfcycle.generate.pipeline import IntegerDesign
from halfcycle.simulate import allowances, simulate
from halfcycle.simulate.boards import draw
from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.cases import cases
from halfcycle.simulate.criteria import dc_limit
from halfcycle.simulate.findings import findings
from halfcycle.simulate.measurements import measure
from halfcycle.simulate.reading_error import reading_errors
from halfcycle.simulate.run_types import Board, History
from halfcycle.simulate.setup import board, timing
from halfcycle.simulate.tally import Tally, tally

Real = NDArray[np.float64]
Progress = Callable[[int, int], None] | None


@dataclass(frozen=True, slots=True)
class CaseRun:
    """One case's boards. ``edges`` (n + 1,): milliseconds from the case's zero, one half cycle
    each; ``low``, ``high``, ``nominal``, ``worst`` (n,): true RMS per half cycle, percent of rated,
    the sensor's gain taken out; NaN if no board has one. ``worst_board``: the one drawn,
    ``drawn_for`` which."""

    case: Case
    tally: Tally
    edges: Real
    low: Real
    high: Real
    nominal: Real
    worst: Real
    worst_board: int
    drawn_for: str


@dataclass(frozen=True, slots=True)
class BoardRuns:
    """Every case on the same boards, 0 up to ``boards``, drawn with ``seed``."""

    boards: int
    seed: int
    setting: Setting
    runs: tuple[CaseRun, ...]
    findings: tuple[Finding, ...]

    @property
    def failed(self) -> int:
        """Boards that broke a rule, summed over the cases."""
        return sum(run.tally.failed for run in self.runs)


def run_boards(
    integer_design: IntegerDesign,
    texts: Mapping[str, str],
    boards: int,
    seed: int,
    progress: Progress = None,
) -> BoardRuns:
    """Run boards 0 to ``boards`` - 1 in every case; ``texts`` as ``emit.render`` gives.

    ``progress`` is told (cases done, cases in all). Raises ToolMissingError without a compiler.
    """
    from joblib import Parallel, delayed  # noqa: PLC0415 (slow to import)

    prepared = simulate.prepare(integer_design.design, integer_design.quantised, texts)
    simulate.compiled(prepared.name, prepared.texts)  # Once here, so that the threads find it.
    known = cases(prepared.setting)
    # The C runs outside the interpreter's lock, so threads use all cores; the order is kept.
    pieces = Parallel(n_jobs=-1, backend="threading", return_as="generator")(
        delayed(_run)(prepared, case, boards, seed) for case in known.values()
    )
    runs: list[CaseRun] = []
    for run in pieces:
        runs.append(run)
        if progress:
            progress(len(runs), len(known))
    tallies = [run.tally for run in runs]
    errors = reading_errors(prepared, tallies, seed)
    remarks = findings(prepared.setting, known, tallies, errors, boards)
    return BoardRuns(boards, seed, prepared.setting, tuple(runs), tuple(remarks))


def _run(prepared: simulate.Prepared, case: Case, boards: int, seed: int) -> CaseRun:
    setting, numbers = prepared.setting, range(boards)
    draws = draw(setting.spec, numbers, seed, setting.inside)
    boards_run = [board(setting, case, drawn) for drawn in draws]
    loop = simulate.compiled(prepared.name, prepared.texts)
    history = loop.run(timing(setting, case), boards_run)
    measured = measure(setting, case, draws, boards_run, history)
    judged = tally(setting, case, numbers, measured)
    return _by_half_cycle(setting, case, judged, boards_run, history)


def _by_half_cycle(
    setting: Setting, case: Case, judged: Tally, boards: list[Board], history: History
) -> CaseRun:
    """Half cycles sorted by their place about the case's zero of their own board."""
    half_s, zero = setting.half_cycle_s, case.zero_s
    moved = np.array([each.event_delay_s for each in boards]) * (zero > 0)
    before = zero - case.first_s + min(4 * setting.window_s, case.first_s)
    count = max(1, math.ceil((case.end_s - zero + before) / half_s))
    middle = history.half_end_s - half_s / 2 - zero - moved[:, None] + before
    place = np.floor(middle / half_s).astype(int)
    valid = np.arange(place.shape[1]) < history.half_count[:, None]
    inside = valid & (place >= 0) & (place < count)
    level = np.full((len(boards), count), np.nan)
    rows, _ = np.nonzero(inside)
    per_code = float(setting.spec.sensor.volts_per_code)
    gains = [each.codes_per_volt * per_code for each in boards]
    percent = 100 * history.half_rms * np.array(gains)[:, None] / setting.rated_v
    level[rows, place[inside]] = percent[inside]
    # A bin that the slowly drifting half cycles of a board skip holds its neighbour's level.
    for column in range(1, count):
        gap = np.isnan(level[:, column])
        level[gap, column] = level[gap, column - 1]
    known = ~np.isnan(level).all(axis=0)
    low, high = np.full(count, np.nan), np.full(count, np.nan)
    low[known], high[known] = np.nanmin(level[:, known], 0), np.nanmax(level[:, known], 0)
    worst, drawn_for = _board_to_draw(judged)
    return CaseRun(
        case=case,
        tally=judged,
        edges=np.asarray(1000 * (np.arange(count + 1) * half_s - before), dtype=np.float64),
        low=low,
        high=high,
        nominal=level[0],
        worst=level[worst],
        worst_board=worst,
        drawn_for=drawn_for,
    )


def _board_to_draw(judged: Tally) -> tuple[int, str]:
    """The board to draw, and why it: one that failed, else the farthest from where it should be."""
    if judged.failures:
        return _worst_failed(judged)
    if judged.worst.get("above_120_ms", (0.0, 0))[0] > 0:
        return judged.worst["highest_percent"][1], "the highest"
    for figure, why in (
        ("settling_ms", "the slowest"),
        ("steady_error_percent", "the most steady error"),
        ("lowest_percent", "the lowest"),
    ):
        if figure in judged.worst:
            return judged.worst[figure][1], why
    return 0, ""


def _worst_failed(judged: Tally) -> tuple[int, str]:
    """A board that failed: the worst of a figure if it is listed as failed, else the first."""
    failed = [failure.board for failure in judged.failures]
    for figure, why in (
        ("settling_ms", "failed, the slowest"),
        ("steady_error_percent", "failed, the most steady error"),
        ("highest_percent", "failed, the highest"),
    ):
        if figure in judged.worst and judged.worst[figure][1] in failed:
            return judged.worst[figure][1], why
    return failed[0], "failed, the first that did"


@dataclass(frozen=True, slots=True)
class Closest:
    """The board nearest to (or beyond) a limit: its ``share`` of that limit, 1 and up broken."""

    share: float
    board: int
    case: str
    what: str


def closest(board_runs: BoardRuns) -> Closest | None:
    """The worst board over all cases, as a share of the limit that it comes nearest to; one that
    broke a rule, if any did."""
    setting = board_runs.setting
    best: Closest | None = None
    for run in board_runs.runs:
        case = run.case
        for figure, name, rule, allowed in (
            ("settling_ms", "settling", "settling", allowances.settling(setting, case)),
            ("overshoot_percent", "overshoot", "overshoot", allowances.overshoot(setting)),
            ("steady_error_percent", "steady error", "steady", allowances.steady(setting)),
            ("dc_percent", "DC", "dc", allowances.share(dc_limit(setting))),
        ):
            if rule not in case.rules or figure not in run.tally.worst or allowed.limit <= 0:
                continue
            value, number = run.tally.worst[figure]
            share = value / allowed.shown
            if best is None or share > best.share:
                best = Closest(share, number, case.name, allowed.told(name, value))
    if board_runs.failed and (best is None or best.share <= 1):
        return _broken(board_runs)
    return best


def _broken(board_runs: BoardRuns) -> Closest:
    """The first board that broke a rule which has no figure."""
    run = next(run for run in board_runs.runs if run.tally.failures)
    failure = run.tally.failures[0]
    return Closest(math.inf, failure.board, run.case.name, "; ".join(failure.reasons))
