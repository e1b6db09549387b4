"""Logs of a regulator whose bus is measured: rows at a limit that moves, and BUS_LOST in them."""

from __future__ import annotations

import random

import numpy as np
import pytest

from bench.test_log_model import checked
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import FLAG_BUS_LOST, FLAG_LIMIT, Plan
from support import measured
from support.bench_logs import Log


def log_of(plan: Plan, updates: int) -> Log:
    """A plant that follows the scale, a bus that moves, and now and then is lost."""
    assert plan.bus is not None
    rng = random.Random(4)
    regulator, log = Regulator(plan), Log()
    regulator.set_target_mv(plan.rated_mv)
    level = 0.0
    for update in range(updates):
        weak = 0.75 if update % 300 > 200 else 1.1
        level = 0.3 * level + 0.7 * weak * regulator.scale() / 16384
        units = max(0.0, level * plan.target_rated * (1 + rng.gauss(0, 0.003)))
        power = 1 + (plan.measure == "rms")
        total = units**power * 2**plan.reading_shift / sum(plan.block_weights)
        block = min(int(total), plan.block_max)
        ratio = rng.randrange(plan.bus.ratio_low + 12000, plan.bus.ratio_high)
        lost = int(update % 97 > 90)
        regulator.close_window(block - block // 2, block // 2, (plan.block_samples * ratio, lost))
        regulator.update()
        counted = regulator.updates[regulator.output_sequence & 1]
        log.add(regulator, counted, plan.rated_mv, block)
    return log


@pytest.mark.parametrize("case", measured.PLANS)
@pytest.mark.parametrize("whole", [True, False])
def test_no_row_of_the_model_is_refused(case: str, whole: bool) -> None:
    plan = measured.PLANS[case]
    rows = log_of(plan, 900).arrays(sums=whole, integral=whole)
    seen = int(np.bitwise_or.reduce(rows.flags))
    assert seen & FLAG_BUS_LOST and seen & FLAG_LIMIT
    result = checked(plan, rows)
    assert result.first is None, result.first
    assert result.compared > 800


def test_a_scale_that_is_not_the_models_is() -> None:
    plan = measured.PLANS["mean"]
    log = log_of(plan, 400)
    rows = log.arrays(sums=True, integral=True)
    at = next(n for n in range(100, 300) if not rows.flags[n] & FLAG_LIMIT)
    rows.scale[at] += 3
    assert checked(plan, rows).first is not None
