"""Results of many boards, merged piece by piece, so that memory does not grow with the boards."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from halfcycle.simulate.case import HIGH_SHARE, Case, Setting
from halfcycle.simulate.criteria import verdicts
from halfcycle.simulate.measurements import Measured
from halfcycle.simulate.run_types import Real

MAX_FAILURES = 20
"""Failing boards listed per case; all are counted."""
FIGURES = (
    "settling_ms",
    "overshoot_percent",
    "steady_error_percent",
    "true_rms_v",
    "reported_rms_v",
    "scale",
    "report_error_percent",
    "report_error_at_limit_percent",
    "lowest_percent",
    "highest_percent",
    "above_120_ms",
    "peak_v",
    "peak_percent",
    "thd_percent",
    "dc_percent",
    "dc_v",
)
SIGNED = ("report_error_percent", "report_error_at_limit_percent", "dc_v")
"""Figures of either sign; the greatest size is the worst."""


@dataclass(frozen=True, slots=True)
class Failure:
    """A board that broke ``rules``, each with its reason."""

    board: int
    reasons: tuple[str, ...]
    rules: tuple[str, ...]


@dataclass(slots=True)
class Tally:
    """What a case's boards did so far.

    ``worst``: figure to (value, board). true_rms_v and reported_rms_v are of the board with the
    greatest steady error, at its worst window; report_error_percent keeps its sign. ``breached``:
    limit curve to boards that left it. ``high_at_end``: boards that end above HIGH_SHARE of rated,
    so that the time above it is that of the run.
    """

    case: str
    boards: int = 0
    failed: int = 0
    high_at_end: int = 0
    breached: dict[str, int] = field(default_factory=dict)
    failures: list[Failure] = field(default_factory=list)
    worst: dict[str, tuple[float, int]] = field(default_factory=dict)

    def add(self, other: Tally) -> None:
        """Merge a later piece of the same case."""
        self.boards += other.boards
        self.failed += other.failed
        self.high_at_end += other.high_at_end
        for name, count in other.breached.items():
            self.breached[name] = self.breached.get(name, 0) + count
        room = MAX_FAILURES - len(self.failures)
        self.failures += other.failures[: max(0, room)]
        worse = _is_worse("steady_error_percent", other.worst, self.worst)
        for name, figure in other.worst.items():
            tied = name in ("true_rms_v", "reported_rms_v")
            if worse if tied else _is_worse(name, other.worst, self.worst):
                self.worst[name] = figure


def _is_worse(
    name: str, these: dict[str, tuple[float, int]], those: dict[str, tuple[float, int]]
) -> bool:
    if name not in these or name not in those:
        return name in these
    new, old = these[name][0], those[name][0]
    if name == "lowest_percent":
        return new < old
    if name in SIGNED:
        return abs(new) > abs(old)
    return new > old


def tally(setting: Setting, case: Case, numbers: Sequence[int], measured: Measured) -> Tally:
    """The tally of one piece."""
    result = Tally(case.name, boards=len(numbers))
    judged = verdicts(setting, case, measured)
    failed = np.zeros(len(numbers), dtype=bool)
    for verdict in judged:
        failed |= verdict.failed
    result.failed = int(failed.sum())
    result.high_at_end = int((measured.response.end > HIGH_SHARE).sum())
    for row in np.flatnonzero(failed)[:MAX_FAILURES].tolist():
        broken = [verdict for verdict in judged if verdict.failed[row]]
        reasons = tuple(verdict.reason(row) for verdict in broken)
        rules = tuple(verdict.rule for verdict in broken)
        result.failures.append(Failure(numbers[row], reasons, rules))

    for column, curve in enumerate(case.curves):
        result.breached[curve.name] = int(measured.response.breached[:, column].sum())

    for name, values in _figures(setting, case, measured).items():
        order = -values if name == "lowest_percent" else values
        order = np.abs(values) if name in SIGNED else order
        if not np.isnan(order).all():
            row = int(np.nanargmax(order))
            result.worst[name] = (float(values[row]), numbers[row])
    if "steady_error_percent" in result.worst:
        row = list(numbers).index(result.worst["steady_error_percent"][1])
        result.worst["true_rms_v"] = (float(measured.steady.true_v[row]), numbers[row])
        result.worst["reported_rms_v"] = (float(measured.steady.reported_v[row]), numbers[row])
    return result


def greatest_peak(tallies: Sequence[Tally]) -> tuple[float, float, int, str] | None:
    """The greatest size of the output itself: volts, percent of a rated sine's, board and case;
    None if no case has it."""
    known = [tally for tally in tallies if "peak_v" in tally.worst]
    if not known:
        return None
    worst = max(known, key=lambda tally: tally.worst["peak_v"][0])
    volts, board = worst.worst["peak_v"]
    return volts, worst.worst["peak_percent"][0], board, worst.case


def _figures(setting: Setting, case: Case, measured: Measured) -> dict[str, Real]:
    """Figures of all boards, those of ``FIGURES`` that are compared; NaN if a case gives a
    figure no meaning."""
    response, steady, flagged = measured.response, measured.steady, measured.flagged
    nothing = np.full(len(response.end), np.nan)
    # An output that comes from zero, or from another target, was not pulled down by anything.
    pulled = case.event_s > 0 and not case.target_step and not case.from_zero
    return {
        "settling_ms": 1000 * (response.settling_s if "settling" in case.rules else nothing),
        "overshoot_percent": 100 * response.overshoot,
        "steady_error_percent": 100 * steady.error,
        "scale": steady.scale,
        "report_error_percent": 100 * steady.report_error,
        "report_error_at_limit_percent": 100
        * (flagged.report_error if np.isfinite(case.flagged_s) else nothing),
        "lowest_percent": 100 * (response.lowest if pulled else nothing),
        "highest_percent": 100 * response.highest,
        "above_120_ms": 1000 * response.high_s,
        "peak_v": response.peak_v,
        "peak_percent": 100 * response.peak_v / (math.sqrt(2) * setting.rated_v),
        "thd_percent": 100 * measured.wave.thd,
        "dc_percent": 100 * measured.wave.dc,
        "dc_v": measured.wave.dc_v,
    }
