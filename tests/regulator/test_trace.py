"""The fast recording against the readable model, one call at a time (its only oracle)."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.trace import MAX_TICKS, Ints, record_names, trace
from support import plan_cases


def step_by_step(
    regulator: Regulator,
    codes: list[int],
    targets: list[tuple[int, int]],
    updates: list[int] | None,
    holds: list[int],
) -> Ints:
    rows = []
    for tick, code in enumerate(codes):
        for at, mv in targets:
            if at == tick:
                regulator.set_target_mv(mv)
        if tick in holds:
            regulator.hold()
        complete = regulator.sample(code)
        for _ in range(updates[tick] if updates is not None else complete):
            regulator.update()
        calls = [complete, regulator.rms_mv(), regulator.scale(), regulator.flags()]
        rows.append([*regulator.fields().values(), *calls])
    return np.asarray(rows).T


@pytest.mark.parametrize("plan", plan_cases.CASES.values(), ids=plan_cases.CASES)
@pytest.mark.parametrize("scheduled", [False, True])
def test_equals_the_readable_model(plan: Plan, scheduled: bool) -> None:
    generator = np.random.default_rng(5)
    ticks = min(7 * plan.samples + 3, 3000)
    fast, slow = Regulator(plan), Regulator(plan)
    for _ in range(3):  # The second and third parts start inside a window.
        codes = generator.integers(0, plan.adc_max + 2, ticks).clip(0, 65535).astype(np.uint16)
        at = np.sort(generator.integers(0, ticks, 9)).tolist()
        targets = [(tick, int(generator.integers(-5, 260_000))) for tick in at]
        updates = None
        if scheduled:
            updates = generator.choice(np.asarray([0, 0, 1, 2], dtype=np.uint8), ticks)
        holds = np.sort(generator.integers(0, ticks, 5)).tolist()
        got = trace(fast, codes, targets, updates, holds)
        want = step_by_step(
            slow, codes.tolist(), targets, None if updates is None else updates.tolist(), holds
        )
        wrong = [record_names(plan)[row] for row in np.flatnonzero((got != want).any(axis=1))]
        assert not wrong
        assert fast.fields() == slow.fields()


def test_refuses_more_than_its_sum_can_hold() -> None:
    with pytest.raises(ValueError, match=f"{MAX_TICKS} ticks"):
        trace(Regulator(plan_cases.make()), np.zeros(MAX_TICKS + 1, dtype=np.uint16))
