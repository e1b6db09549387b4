"""Results of many boards, merged piece by piece, so that memory does not grow with the boards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.criteria import verdicts
from halfcycle.simulate.measurements import ALARMS, Measured
from halfcycle.simulate.run_types import Real

MOST_FAILURES = 20
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
)


@dataclass(frozen=True, slots=True)
class Failure:
    """A board that broke a rule, and how it can be run again."""

    board: int
    reasons: tuple[str, ...]


@dataclass(slots=True)
class Tally:
    """What a case's boards did so far.

    ``worst``: figure to (value, board). true_rms_v and reported_rms_v are of the board with the
    greatest steady error, at its worst window; report_error_percent keeps its sign. ``breached``:
    limit curve to boards that left it. ``unseen``: boards that ended without an
    alarm.
    """

    case: str
    boards: int = 0
    failed: int = 0
    unseen: int = 0
    breached: dict[str, int] = field(default_factory=dict)
    failures: list[Failure] = field(default_factory=list)
    worst: dict[str, tuple[float, int]] = field(default_factory=dict)

    def add(self, other: Tally) -> None:
        """Merge a later piece of the same case."""
        self.boards += other.boards
        self.failed += other.failed
        self.unseen += other.unseen
        for name, count in other.breached.items():
            self.breached[name] = self.breached.get(name, 0) + count
        room = MOST_FAILURES - len(self.failures)
        self.failures += other.failures[: max(0, room)]
        worse = _is_worse("steady_error_percent", other.worst, self.worst)
        for name, found in other.worst.items():
            tied = name in ("true_rms_v", "reported_rms_v")
            if worse if tied else _is_worse(name, other.worst, self.worst):
                self.worst[name] = found


def _is_worse(
    name: str, these: dict[str, tuple[float, int]], those: dict[str, tuple[float, int]]
) -> bool:
    if name not in these or name not in those:
        return name in these
    new, old = these[name][0], those[name][0]
    if name == "lowest_percent":
        return new < old
    if name.startswith("report_error"):
        return abs(new) > abs(old)
    return new > old


def tally(setting: Setting, case: Case, numbers: Sequence[int], found: Measured) -> Tally:
    """The tally of one piece."""
    result = Tally(case.name, boards=len(numbers))
    judged = verdicts(setting, case, found)
    failed = np.zeros(len(numbers), dtype=bool)
    for verdict in judged:
        failed |= verdict.failed
    result.failed = int(failed.sum())
    for row in np.flatnonzero(failed)[:MOST_FAILURES].tolist():
        reasons = tuple(v.says(row) for v in judged if v.failed[row])
        result.failures.append(Failure(numbers[row], reasons))

    result.unseen = int(((found.flags_end & ALARMS) == 0).sum())
    for column, curve in enumerate(case.curves):
        result.breached[curve.name] = int(found.breached[:, column].sum())

    nothing = np.full(len(numbers), np.nan)
    columns: dict[str, Real] = {
        "settling_ms": 1000 * (found.settling_s if "settling" in case.rules else nothing),
        "overshoot_percent": 100 * found.overshoot,
        "steady_error_percent": 100 * found.steady_error,
        "scale": found.scale,
        "report_error_percent": 100 * found.report_error,
        "report_error_at_limit_percent": 100
        * (found.report_then if np.isfinite(case.flagged_s) else nothing),
        "lowest_percent": 100 * found.lowest,
        "highest_percent": 100 * found.highest,
    }
    for name, values in columns.items():
        order = {"lowest_percent": -values, "report_error_percent": np.abs(values)}.get(
            name, values
        )
        if not np.isnan(order).all():
            row = int(np.nanargmax(order))
            result.worst[name] = (float(values[row]), numbers[row])
    if "steady_error_percent" in result.worst:
        row = list(numbers).index(result.worst["steady_error_percent"][1])
        result.worst["true_rms_v"] = (float(found.true_v[row]), numbers[row])
        result.worst["reported_rms_v"] = (float(found.reported_v[row]), numbers[row])
    return result
