"""The model check of a log: no row of the model's own is refused, and others are named."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from halfcycle.bench.log_check import CheckedLog, LogCheck
from halfcycle.bench.log_readings import ReadingsOf, readings_of_millivolts
from halfcycle.bench.log_rows import LogRows
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.trace import scale_by
from support.bench_logs import Log, board_log
from support.plan_cases import CASES


def checked(plan: Plan, rows: LogRows, pieces: int = 3) -> CheckedLog:
    check, readings = LogCheck(plan), ReadingsOf(plan)
    size = len(rows) // pieces + 1
    for first in range(0, len(rows), size):
        part = rows.rows(slice(first, first + size))
        check.feed(part, readings.of(part))
    return check.done()


def rough_log(plan: Plan, updates: int, seed: int) -> Log:
    """A log of what may happen: targets at any time, blocks missed, sensors that fail, rows lost."""
    rng = random.Random(seed)
    regulator, log = Regulator(plan), Log()
    target_mv, level, failing = plan.rated_mv, 0.0, 0
    for update in range(1, updates + 1):
        if rng.random() < 0.03:
            target_mv = rng.choice([0, 0, plan.rated_mv, rng.randrange(plan.rated_mv), 10**6])
            regulator.set_target_mv(target_mv)
        failing = rng.choice([0, 1, 2]) if rng.random() < 0.02 else failing
        gain = rng.choice([1.1, 1.3]) if rng.random() < 0.01 else 1.2
        level += 0.7 * (gain * regulator.scale() / 16384 - level)
        for _ in range(rng.choice([1] * 60 + [2, 3])):
            root = plan.measure == "rms"
            units = max(0.0, level * plan.target_rated * (1 + rng.gauss(0, 0.003)))
            total = units ** (1 + root) * 2**plan.reading_shift / sum(plan.block_weights)
            block = min(int(total), plan.block_max)
            if failing == 0:
                regulator.close_with(block)
            elif failing == 1:
                regulator.close_window(0, plan.block_max // 5)  # Stuck below the zero.
                block = plan.block_max // 5
            else:
                regulator.close_window(0, 0)
                block = 0
        regulator.update()
        if rng.random() < 0.995:
            log.add(regulator, update, target_mv, block)
    return log


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize(("sums", "integral"), [(False, False), (True, True), (True, False)])
def test_no_row_of_the_model_is_refused(case: str, sums: bool, integral: bool) -> None:
    plan = CASES[case]
    rows = rough_log(plan, 1200, 7).arrays(sums=sums, integral=integral)
    result = checked(plan, rows)
    assert result.first is None, result.first
    assert result.rows == len(rows) and result.gaps > 0 and result.compared > 1000
