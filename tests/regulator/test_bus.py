"""The bus that is measured: its reciprocal, what a lost reading does, and the drive's limit."""

from __future__ import annotations

import itertools
from fractions import Fraction

import numpy as np
import pytest

from halfcycle.generate.pipeline import design_integers
from halfcycle.quantise.bus import REST, readings_to, worst_start
from halfcycle.regulator import arithmetic
from halfcycle.regulator.bus_plan import BUS_ONE
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import CODE_MAX, FLAG_BUS_LOST, FLAG_LIMIT, SCALE_ONE, Plan
from halfcycle.regulator.state import fields_of
from halfcycle.spec.load import load_spec
from support import measured
from support.plan_cases import CASES

MEAN = measured.PLANS["mean"]
NOMINAL = 3510
"""The code of the nominal bus."""
assert MEAN.bus is not None
BUS = MEAN.bus


def newton(factor: Fraction, ratio: Fraction) -> Fraction:
    """Newton's iteration for 1/ratio in exact rationals (textbooks: x += x (1 - a x))."""
    return factor + factor * (1 - ratio * factor)


def test_a_step_is_newtons_to_the_last_places() -> None:
    """Against exact rationals; the textbook's error: e' = e^2 (Knuth, The Art of Computer
    Programming vol. 2, 4.3.3, from memory)."""
    draws = np.random.default_rng(3)
    for _ in range(2000):
        ratio = int(draws.integers(BUS.ratio_low, BUS.ratio_high + 1))
        factor = int(draws.integers(BUS.factor_low, BUS.factor_high + 1))
        exact = Fraction(factor, BUS_ONE), Fraction(ratio, BUS_ONE)
        error = 1 - exact[0] * exact[1]
        wanted = newton(*exact)
        assert 1 - exact[1] * wanted == error**2
        if exact[0] * exact[1] >= 2:
            continue
        got = arithmetic.factor_step(factor, ratio, 0, 1 << 20)
        # The product and the step are cut once each.
        assert abs(Fraction(got, BUS_ONE) - wanted) <= (1 + exact[0]) / BUS_ONE


def after_steps(steps: int) -> float:
    """The greatest error after so many steps, over every ratio in its range and factors from end
    to end of theirs."""
    ratio = np.arange(BUS.ratio_low, BUS.ratio_high + 1, 7, dtype=np.int64)[:, None]
    ends = np.linspace(BUS.factor_low, BUS.factor_high, 400).astype(np.int64)[None, :]
    factor = np.broadcast_to(ends, (len(ratio), ends.shape[1]))
    for _ in range(steps):
        product = ratio * factor >> 15
        moved = np.maximum(factor * (2 * BUS_ONE - product), 0) >> 15
        factor = np.clip(moved, BUS.factor_low, BUS.factor_high)
    return float(np.abs(1 - ratio * factor / BUS_ONE**2).max())


def test_it_converges_from_any_start_as_fast_as_is_said() -> None:
    assert after_steps(1) <= worst_start(BUS)
    for share in (0.5, 0.1, 0.01, 0.001, 0.0):
        steps = readings_to(BUS, share)
        assert after_steps(steps) <= share + float(REST), share
    # The bound on the first step is wide; the others follow from it.
    assert after_steps(1) > 0.2 and after_steps(2) > 0.05 and readings_to(BUS, 0.001) <= 7


def test_a_battery_of_10_5_to_15_volts_is_within_an_eighth_of_a_percent_in_three_steps() -> None:
    """From a factor anywhere in that range: 0.12 % by the plain iteration in rationals."""
    worst = 0.0
    for bus, start in itertools.product(np.linspace(10.5, 15, 46), np.linspace(10.5, 15, 46)):
        ratio, factor = round(bus / 12 * BUS_ONE), round(12 / start * BUS_ONE)
        for _ in range(3):
            factor = arithmetic.factor_step(factor, ratio, 0, 65535)
        worst = max(worst, abs(1 - ratio * factor / BUS_ONE**2))
    assert worst == pytest.approx(0.0012, abs=0.0002)


def test_a_factor_at_rest_stays() -> None:
    """No reading that stays makes it step to and fro."""
    for ratio in range(BUS.ratio_low, BUS.ratio_high + 1, 11):
        factor = BUS_ONE
        for _ in range(12):
            factor = arithmetic.factor_step(factor, ratio, BUS.factor_low, BUS.factor_high)
        again = arithmetic.factor_step(factor, ratio, BUS.factor_low, BUS.factor_high)
        assert again == factor, ratio


def running(plan: Plan, scale: int = 12000) -> Regulator:
    """A regulator that drives at this scale."""
    regulator = Regulator(plan)
    regulator.set_target_mv(plan.rated_mv)
    regulator.integral = scale << plan.scale_shift
    regulator.out_scale = [scale, scale]
    return regulator


def factor_of(regulator: Regulator) -> int:
    return regulator.factor[regulator.factor_sequence & 1]


def block(regulator: Regulator, code: int | None) -> None:
    """One window of a sine at rated, the bus read before each sample unless ``code`` is None."""
    plan = regulator.plan
    rise = 913  # reads as rated
    for n in range(plan.samples):
        if code is not None:
            regulator.bus(code)
        regulator.sample(plan.zero_code + (rise if n % 2 else -rise))
    regulator.update()


def after_samples(regulator: Regulator, count: int, code: int | None) -> None:
    """So many samples as of a sine at rated, with an update as it is due and the bus read before
    each, unless ``code`` is None."""
    for n in range(count):
        if code is not None:
            regulator.bus(code)
        if regulator.sample(regulator.plan.zero_code + (913 if n % 2 else -913)):
            regulator.update()


def test_a_lost_bus_is_frozen_flagged_and_led_to_the_nominal() -> None:
    regulator = running(MEAN)
    for _ in range(8):
        regulator.bus(3193)  # 350 V
    high = factor_of(regulator)
    assert high == pytest.approx(1.1 * BUS_ONE, rel=2e-3)
    block(regulator, 3193)
    assert not regulator.flags() & FLAG_BUS_LOST
    last, windows = factor_of(regulator), 0
    while factor_of(regulator) != BUS_ONE:
        block(regulator, 0)
        assert regulator.flags() & FLAG_BUS_LOST
        assert 0 <= last - factor_of(regulator) <= BUS.lead
        # The limit follows: the ratio stays its reciprocal.
        ratio = regulator.bus_ratio[regulator.factor_sequence & 1]
        assert ratio * factor_of(regulator) / BUS_ONE**2 == pytest.approx(1, abs=1e-3)
        last, windows = factor_of(regulator), windows + 1
    assert windows >= (high - BUS_ONE) // BUS.lead


def test_a_reading_that_is_back_is_followed_as_slowly_and_then_at_once() -> None:
    regulator = running(MEAN)
    for _ in range(3):
        block(regulator, 0)
    moves = []
    for _ in range(400):
        before = factor_of(regulator)
        block(regulator, 3193)
        moves.append(factor_of(regulator) - before)
        if not regulator.bus_led:
            break
    assert max(moves[:-1]) <= BUS.lead and moves[-1] <= BUS.lead + BUS.join
    assert not regulator.bus_led
    regulator.bus(3860)
    assert factor_of(regulator) < 1.0 * BUS_ONE  # At once again.


def test_one_bad_reading_does_not_move_the_drive() -> None:
    regulator = running(MEAN)
    for _ in range(8):
        regulator.bus(3193)
    before = factor_of(regulator)
    regulator.bus(0)
    regulator.bus(3193)
    assert abs(factor_of(regulator) - before) <= BUS.lead and not regulator.bus_led


@pytest.mark.parametrize("at", range(MEAN.samples))
@pytest.mark.parametrize("bad", [0, CODE_MAX])
def test_one_bad_reading_while_the_bus_moves_left_the_factor_behind(at: int, bad: int) -> None:
    """Bug: a bus step whose first reading was bad had the factor led for seconds."""
    regulator = running(MEAN)
    block(regulator, 3193)
    for number in range(MEAN.samples):
        regulator.bus(3193 if number < at else bad if number == at else 3860)
        if regulator.sample(MEAN.zero_code):
            regulator.update()
        assert not regulator.flags() & FLAG_BUS_LOST or number == MEAN.samples - 1 == at
    for _ in range(4):
        regulator.bus(3860)
    wanted = arithmetic.bus_ratio(3860 - BUS.zero_code, BUS.ratio_gain, BUS.ratio_shift)
    assert factor_of(regulator) * wanted / BUS_ONE**2 == pytest.approx(1, abs=1e-3)
    assert not regulator.bus_led


def test_a_bus_that_comes_up_is_followed_at_once() -> None:
    """Bug: readings of a bus that was not there yet left the drive to be led for seconds."""
    regulator = Regulator(MEAN)
    for code in (10, 500, 3193, 3193, 3193, 3193):
        regulator.bus(code)
    assert factor_of(regulator) == pytest.approx(1.1 * BUS_ONE, rel=2e-3)


def test_calls_that_stop_leave_the_factor_and_set_the_flag() -> None:
    regulator = running(MEAN)
    block(regulator, 3193)
    before = factor_of(regulator)
    block(regulator, None)
    assert regulator.flags() & FLAG_BUS_LOST and factor_of(regulator) == before
    block(regulator, 3193)
    assert not regulator.flags() & FLAG_BUS_LOST


@pytest.mark.parametrize("case", ["mean", "moving"])
@pytest.mark.parametrize("stopped", range(6))
def test_calls_that_go_on_after_a_long_stop_were_followed_at_once(case: str, stopped: int) -> None:
    """Bug: what the loop had taken over meanwhile was then on the output a second time."""
    plan = measured.PLANS[case]
    assert plan.bus is not None
    regulator = running(plan)
    after_samples(regulator, 3 * plan.block_samples, 3193)
    before = factor_of(regulator)
    after_samples(regulator, stopped * plan.block_samples, None)
    regulator.bus(3860)
    moved = before - factor_of(regulator)
    if stopped < plan.bus.unread - 1:
        assert moved > 0.1 * BUS_ONE and not regulator.bus_led
    else:
        assert 0 < moved <= BUS.lead and regulator.bus_led == plan.bus.led
        after_samples(regulator, 2 * plan.block_samples, 3860)
        assert BUS.lead < before - factor_of(regulator) <= 2 * BUS.lead


@pytest.mark.parametrize("case", ["mean", "moving"])
def test_the_wait_for_a_lost_bus_was_two_blocks_whatever_the_loop_had_answered(case: str) -> None:
    """Bug: two whole windows, which were answered by then; a few samples, if blocks are short."""
    plan = measured.PLANS[case]
    assert plan.bus is not None
    for lost in (1, plan.bus.led - 1, plan.bus.led, 3 * plan.samples):
        for start in range(0, plan.block_samples, 3):
            regulator = running(plan)
            after_samples(regulator, start, 3193)
            before = factor_of(regulator)
            after_samples(regulator, lost, 0)
            assert regulator.bus_led == min(lost, plan.bus.led)
            regulator.bus(3860)
            assert (regulator.bus_led == 0) == (lost < plan.bus.led), (lost, start)
            if lost < plan.bus.led:
                assert start < 8 or before - factor_of(regulator) > 0.1 * BUS_ONE


def test_256_readings_in_a_window_do_not_look_like_none() -> None:
    regulator = running(MEAN)
    block(regulator, 3193)
    for _ in range(256 - MEAN.samples):
        regulator.bus(3193)
    block(regulator, 3193)
    assert not regulator.flags() & FLAG_BUS_LOST


@pytest.mark.parametrize("code", [3193, NOMINAL, 3828])
def test_the_limit_is_that_of_the_product(code: int) -> None:
    """Below rated for good: the drive ends where the product is at the drive limit, and says so."""
    regulator = running(MEAN)
    for _ in range(400):
        for _ in range(MEAN.samples):
            regulator.bus(code)
            regulator.sample(MEAN.zero_code + 300)
        regulator.lean = 0
        regulator.update()
    ratio = (code - 10) / 3500
    assert regulator.flags() & FLAG_LIMIT
    assert regulator.scale() == pytest.approx(MEAN.scale_max * ratio, rel=1e-3)
    product = regulator.scale() * factor_of(regulator) / BUS_ONE
    assert product == pytest.approx(MEAN.scale_max, rel=2e-3)


def test_a_ripple_does_not_take_the_limit_down() -> None:
    """Its mean over the window counts: with the bus at the window's end alone it would be 5 % less
    or more."""
    regulator = running(MEAN)
    for _ in range(300):
        for n in range(MEAN.samples):
            ripple = 0.05 * np.sin(2 * np.pi * 2 * (n + 0.5) / MEAN.samples + 1.0)
            regulator.bus(round(10 + 3500 * (1 + ripple)))
            regulator.sample(MEAN.zero_code + 300)
        regulator.lean = 0
        regulator.update()
    assert regulator.scale() == pytest.approx(MEAN.scale_max, rel=2e-3)


def test_the_drive_of_a_lower_bus_is_more_up_to_the_limit() -> None:
    regulator = running(MEAN, 14000)
    for _ in range(8):
        regulator.bus(3193)
    plain = running(MEAN, 14000)
    assert regulator.drive(16384) == pytest.approx(1.0997 * plain.drive(16384), rel=2e-3)
    top = running(MEAN, MEAN.scale_top)
    for _ in range(8):
        top.bus(3193)
    limited = running(MEAN, MEAN.scale_max)
    assert [top.duty(p) for p in range(0, 65536, 997)] == [
        limited.duty(p) for p in range(0, 65536, 997)
    ]


def test_no_bus_sensor_adds_nothing_to_the_state() -> None:

    own = {field.name for field in fields_of(MEAN)} - {
        field.name for field in fields_of(CASES["mean"])
    }
    assert own == {
        *("factor", "bus_ratio", "factor_sequence", "bus_led", "bus_block", "bus_news", "bus_seen"),
        *("bus_sum", "window_bus", "window_lost"),
    }


def test_the_spread_of_the_loops_gain_is_that_of_the_bus_sensor() -> None:
    """A bus of 360 to 440 V: 1.26 without, 1.05 with it: twice the tolerances of both sensors."""
    spec = load_spec(measured.SPEC)
    plants = design_integers(spec).design.plants
    ends = plants.step_gains
    assert ends.max() / ends.min() < 1.06
    plan = design_integers(spec).quantised.plan
    assert plan.bus is not None and plan.scale_top / SCALE_ONE == pytest.approx(
        1.1 * 1.1 * 1.01 * 1.05, rel=0.01
    )
