"""Settled rows checked many at a time are checked as one by one: the row model is the source."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from halfcycle.bench import log_settled
from halfcycle.bench.log_check import LogCheck
from halfcycle.bench.log_readings import ReadingsOf
from halfcycle.bench.log_rows import LogRows
from halfcycle.regulator.plan import Plan
from support.bench_logs import board_log
from support.effort import the_rest_long
from support.plan_cases import CASES

COLUMNS = ((False, False), (True, False), (True, True))
PIECE = 170


def outcome(plan: Plan, rows: LogRows) -> list[object]:
    """All that the check says and knows, after every piece."""
    check, readings, seen = LogCheck(plan), ReadingsOf(plan), list[object]()
    for first in range(0, len(rows), PIECE):
        part = rows.rows(slice(first, first + PIECE))
        kinds = check.feed(part, readings.of(part))
        seen += [kinds.tolist(), check._hidden]
    return [*seen, check.done()]


def one_by_one(plan: Plan, rows: LogRows, monkeypatch: pytest.MonkeyPatch) -> list[object]:
    with monkeypatch.context() as patch:
        patch.setattr(log_settled, "MIN_RUN", 1 << 30)
        return outcome(plan, rows)


def changed(rows: LogRows, rng: random.Random) -> LogRows:
    """With a few values off, by one or by many, and a row lost."""
    names = [
        name for name in ("scale", "rms_mv", "flags", "integral") if getattr(rows, name) is not None
    ]
    for _ in range(3):
        name = rng.choice(names)
        values = getattr(rows, name).copy()
        values[rng.randrange(len(rows))] += rng.choice([-3, -1, 1, 2, 40])
        rows = replace(rows, **{name: np.maximum(values, 0)})
    if rows.sum is not None:
        # One that contradicts its millivolts.
        sums = rows.sum.copy()
        sums[rng.randrange(len(rows))] *= 3
        rows = replace(rows, sum=sums)
    kept = np.ones(len(rows), dtype=bool)
    kept[rng.randrange(len(rows))] = False
    return rows.rows(kept)


PLAIN_LAW = [case for case, plan in CASES.items() if not plan.law]
"""With the normalised law no row is taken together with others."""


@pytest.mark.parametrize(
    "case", the_rest_long(PLAIN_LAW, ("mean ramped", "moving shaped rms tracked"))
)
def test_settled_rows_are_checked_as_one_by_one(case: str, monkeypatch: pytest.MonkeyPatch) -> None:
    plan, rng = CASES[case], random.Random(case)
    rated = plan.rated_mv
    targets = [(0, rated * 9 // 10), (250, rated), (420, rated * 8 // 10)]
    log = board_log(plan, 1.2, 0.8, targets, 700, 1e-3, seed=5)
    for sums, integral in COLUMNS:
        rows = log.arrays(sums=sums, integral=integral)
        assert outcome(plan, rows) == one_by_one(plan, rows, monkeypatch)
        for other in (
            {"band": 9},
            {"integral": plan.integral * 3},
            {"hold_reading": plan.reading_max},
        ):
            odd = replace(plan, **other)  # type: ignore[arg-type]
            assert outcome(odd, rows) == one_by_one(odd, rows, monkeypatch)
        off = changed(rows, rng)
        assert outcome(plan, off) == one_by_one(plan, off, monkeypatch)


def test_most_rows_of_a_board_at_work_are_settled(monkeypatch: pytest.MonkeyPatch) -> None:
    plan, taken = CASES["mean"], []
    follow = log_settled.SettledRuns.follow

    def counted(self: log_settled.SettledRuns, *given: object) -> object:
        taken.append(follow(self, *given))  # type: ignore[arg-type]
        return taken[-1]

    monkeypatch.setattr(log_settled.SettledRuns, "follow", counted)
    log = board_log(plan, 1.2, 0.8, [(0, plan.rated_mv)], 2000, 1e-3, seed=5)
    outcome(plan, log.arrays())
    assert sum(run[0] for run in taken if run) > 1800
