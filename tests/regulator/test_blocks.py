"""Windows of blocks on the model: what they sum, when they step, and what a hole does.

The weighted sum is checked against numpy's convolution (a general library).
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from halfcycle.regulator.model import Regulator, magnitudes, reading_of
from halfcycle.regulator.plan import (
    FLAG_IMPLAUSIBLE,
    FLAG_IN_BAND,
    FLAG_MISSED,
    FLAG_SETTLED,
    SEQUENCE_MASK,
    Plan,
)
from support import plan_cases
from support.started import started

GAIN = 1.1
"""Rated voltage per unit of scale of the plant of these tests."""
MOVING = {name: plan for name, plan in plan_cases.BLOCKS.items() if plan.updates > 1}


@pytest.fixture(params=plan_cases.BLOCKS.values(), ids=plan_cases.BLOCKS)
def plan(request: pytest.FixtureRequest) -> Plan:
    assert isinstance(request.param, Plan)
    return request.param


def level(plan: Plan, output: float) -> int:
    """The code whose constant magnitude reads as ``output`` of rated."""
    total = plan.target_rated ** (2 if plan.measure == "rms" else 1) << plan.reading_shift
    average = total / plan.weighted_samples
    magnitude = average**0.5 if plan.measure == "rms" else average
    return min(plan.adc_max, plan.zero_code + round(output * magnitude))


def block(plan: Plan, regulator: Regulator, output: float, *, taken: bool = True) -> None:
    """One block that reads as ``output`` of rated, and its update unless it is not ``taken``. Its
    samples lie on either side of the zero by turns."""
    code = level(plan, output)
    sides = (code, 2 * plan.zero_code - code)
    turn = regulator.window_sequence
    due = [regulator.sample(sides[(turn + n) % 2]) for n in range(plan.block_samples)]
    assert due == [0] * (plan.block_samples - 1) + [1], "an update is due at each block's end"
    if taken:
        regulator.update()


def follow(plan: Plan, regulator: Regulator, blocks: int, gain: float = GAIN) -> None:
    """Blocks of a plant that follows the scale at once."""
    for _ in range(blocks):
        block(plan, regulator, gain * regulator.scale() / 16384)


def at_rest(plan: Plan) -> Regulator:
    """A regulator that has settled on the rated voltage."""
    regulator = started(plan)
    regulator.ramp = plan.target_rated << plan.ramp_bits if plan.ramped else 0
    follow(plan, regulator, 400 * plan.blocks)
    assert regulator.flags() & FLAG_SETTLED
    return regulator


def test_the_sum_is_the_convolution_of_codes_and_weights(plan: Plan) -> None:
    codes = np.random.default_rng(4).integers(0, plan.adc_max + 1, 3 * plan.samples, np.uint16)
    weights = np.repeat(plan.block_weights, plan.block_samples)
    terms = magnitudes(plan, codes).astype(object)
    regulator = started(plan)
    for tick, code in enumerate(codes.tolist()):
        if regulator.sample(code):
            regulator.update()
        if (tick + 1) % plan.samples == 0:
            total = int(np.convolve(terms, weights)[tick])  # the newest has the first weight
            assert regulator.reading[regulator.output_sequence & 1] == reading_of(plan, total)


def test_the_first_step_waits_for_a_whole_window(plan: Plan) -> None:
    regulator = started(plan)
    for _ in range(plan.blocks - 1):
        block(plan, regulator, 0.0)
        assert (regulator.scale(), regulator.flags(), regulator.ramp) == (0, 0, 0)
    block(plan, regulator, 0.0)
    assert regulator.integral > 0


@pytest.mark.parametrize("missed", [1, 2, 7, SEQUENCE_MASK, SEQUENCE_MASK + 1, SEQUENCE_MASK + 2])
def test_a_hole_holds_the_drive_until_a_whole_window_follows(plan: Plan, missed: int) -> None:
    """256 blocks missed looked like none, and a later one like the next."""
    regulator = at_rest(plan)
    held = (regulator.scale(), regulator.integral, regulator.rms_mv())
    for _ in range(missed):
        block(plan, regulator, 0.2, taken=False)
    for _ in range(plan.blocks - 1):
        block(plan, regulator, 0.7)
        assert (regulator.scale(), regulator.integral, regulator.rms_mv()) == held
        assert regulator.flags() & FLAG_MISSED
        assert not regulator.flags() & (FLAG_IN_BAND | FLAG_SETTLED)
    block(plan, regulator, 0.7)
    assert regulator.integral > held[1] and not regulator.flags() & FLAG_MISSED
    assert regulator.rms_mv() == pytest.approx(0.7 * plan.rated_mv, rel=0.01), "nothing older"


def test_a_hole_while_the_ring_fills_starts_afresh_at_every_moment(plan: Plan) -> None:
    for filled in range(plan.blocks):
        regulator = at_rest(plan)
        block(plan, regulator, 0.2, taken=False)
        for _ in range(filled):
            block(plan, regulator, 0.2)
        block(plan, regulator, 0.2, taken=False)
        integral, steps = regulator.integral, 0
        while regulator.integral == integral:
            block(plan, regulator, 0.7)
            steps += 1
        assert steps == plan.blocks


def test_a_target_of_zero_ends_a_held_drive_at_the_next_update(plan: Plan) -> None:
    """Before the ring is full again, and between two PI steps."""
    for missed in (0, 1):
        regulator = at_rest(plan)
        for _ in range(missed):
            block(plan, regulator, 1.0, taken=False)
        regulator.set_target_mv(0)
        block(plan, regulator, 1.0)
        assert (regulator.scale(), regulator.integral, regulator.ramp) == (0, 0, 0)


def test_steps_come_every_update_blocks(plan: Plan) -> None:
    regulator = at_rest(plan)
    moved = []
    for number in range(3 * plan.blocks):
        before = regulator.integral
        block(plan, regulator, 1.03)
        if regulator.integral != before:
            moved.append(number)
    assert set(np.diff(moved).tolist()) == {plan.update_blocks}
    assert len(moved) == 3 * plan.updates


@pytest.mark.parametrize("plan", MOVING.values(), ids=MOVING)
def test_settled_means_two_windows_in_time(plan: Plan) -> None:
    regulator = at_rest(plan)
    while regulator.flags() & FLAG_IN_BAND:
        block(plan, regulator, 0.5)
    in_band = 0
    for _ in range(20 * plan.blocks):
        before = regulator.blocks_due
        block(plan, regulator, 1.0)
        if before > 1:
            continue
        in_band = in_band + 1 if regulator.flags() & FLAG_IN_BAND else 0
        # The first reading in the band covers one window, one more comes with each step.
        assert bool(regulator.flags() & FLAG_SETTLED) == (in_band > plan.updates)
    assert in_band > plan.updates


@pytest.mark.parametrize("plan", MOVING.values(), ids=MOVING)
def test_a_start_with_a_good_sensor_is_never_implausible(plan: Plan) -> None:
    """A window that was driven for a part of its time only may read near zero."""
    regulator = started(plan)
    regulator.ramp = plan.target_rated << plan.ramp_bits if plan.ramped else 0
    for _ in range(8 * plan.blocks):
        follow(plan, regulator, 1)
        assert not regulator.flags() & FLAG_IMPLAUSIBLE


def test_a_lost_sensor_is_implausible_after_a_window_and_a_step(plan: Plan) -> None:
    regulator = at_rest(plan)
    for _ in range(plan.blocks + plan.update_blocks):
        block(plan, regulator, 0.0)
    assert regulator.flags() & FLAG_IMPLAUSIBLE


@pytest.mark.parametrize("plan", MOVING.values(), ids=MOVING)
def test_a_sensor_dead_from_the_start_drove_up_for_a_window(plan: Plan) -> None:
    """Bug: a window must have been driven as a whole before it tells, and all the steps up to then
    climbed: to the drive limit, 139 % of rated."""
    regulator = started(plan)
    regulator.ramp = plan.target_rated << plan.ramp_bits if plan.ramped else 0
    scales = [0]
    for _ in range(8 * plan.blocks):
        block(plan, regulator, 0.0)
        scales.append(regulator.scale())
    assert regulator.flags() & FLAG_IMPLAUSIBLE and scales[-1] == plan.hold_scale
    step = max(b - a for a, b in itertools.pairwise(scales))
    assert max(scales) < plan.hold_scale + step


def test_a_sensor_that_came_back_is_answered_after_a_window(plan: Plan) -> None:
    """Bug: readings that held its failure still were answered, up to 141 % of rated."""
    regulator = at_rest(plan)
    while not regulator.flags() & FLAG_IMPLAUSIBLE:
        block(plan, regulator, 0.0)
    scale = regulator.scale()
    back = 0
    while regulator.scale() == scale and back < 4 * plan.blocks:
        block(plan, regulator, 0.9)
        back += 1
    # A whole window, after the first reading that is plausible.
    assert plan.blocks < back <= 2 * plan.blocks + plan.update_blocks
    assert not regulator.flags() & FLAG_IMPLAUSIBLE
