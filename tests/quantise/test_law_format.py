"""The integers of the normalised law: formats without overflow, 1/target, the step.

Outside: Python's exact division and fractions, and the law in real numbers.
"""

from __future__ import annotations

import random
from dataclasses import replace
from fractions import Fraction

import pytest

from halfcycle.quantise.law_format import (
    law_gains,
    law_ranges,
    overflows,
    stalled_error,
    with_law,
)
from halfcycle.regulator import arithmetic
from halfcycle.regulator.model import Regulator, inverse_of, target_of
from halfcycle.regulator.plan import Plan
from support import plan_cases

CASES = plan_cases.NORMALISED
LEAST = (0, 1)


def law_of(plan: Plan):  # type: ignore[no-untyped-def]
    assert plan.law is not None
    return plan.law


@pytest.mark.parametrize("plan", CASES.values(), ids=CASES)
def test_inverse_is_the_exact_quotient_of_every_target(plan: Plan) -> None:
    law = law_of(plan)
    for target in range(law.least_target, plan.target_max + 1, 1 if plan.target_max < 9000 else 7):
        assert inverse_of(law, target) == (1 << law.inverse_shift) // target
    assert inverse_of(law, 0) == law.inverse_max
    # Its relative error is below one last place of the least inverse.
    assert inverse_of(law, plan.target_max) >= 100


@pytest.mark.parametrize("plan", CASES.values(), ids=CASES)
def test_targets_below_the_least_count_as_none(plan: Plan) -> None:
    law = law_of(plan)
    assert target_of(plan, law.least_mv) >= law.least_target
    assert target_of(plan, law.least_mv - 1) == 0
    regulator = Regulator(plan)
    regulator.set_target_mv(law.least_mv - 1)
    regulator.integral = plan.drive_max // 2
    regulator.close_with(0)
    regulator.update()
    assert regulator.scale() == 0 and regulator.integral == 0


@pytest.mark.parametrize("plan", CASES.values(), ids=CASES)
def test_no_step_leaves_its_word_at_the_ends(plan: Plan) -> None:
    """Brute force at the ends of what comes in, beside the derived ranges."""
    law, ranges = law_of(plan), law_ranges(plan)
    assert not overflows(plan)
    assert ranges["drive"].high < 1 << 31
    one = law.share_one
    errors = (-plan.reading_max, -plan.target_max, -1, 0, 1, plan.target_max)
    for error in errors:
        for inverse in (0, 1, law.inverse_max):
            product = abs(error) * inverse + arithmetic.half(law.share_shift)
            assert product <= ranges["share_product"].high <= 0xFFFFFFFF
            share = arithmetic.share(error, inverse, law.share_shift, one)
            assert -(one >> 1) <= share <= one
    regulator = Regulator(plan)
    shares = (-(one >> 1), 0, one)
    changes = (-(one + (one >> 1)), one + (one >> 1)) if plan.has_proportional else (0,)
    for before in (0, 1, plan.drive_max):
        for share in shares:
            for change in changes:
                for target in (0, law.least_target, plan.target_max):
                    given = (share, change, target) if plan.has_proportional else (share, target)
                    after, drive = regulator.regulated(before, *given, plan.drive_max)
                    assert after == drive and 0 <= drive <= plan.drive_max


@pytest.mark.parametrize("plan", CASES.values(), ids=CASES)
def test_the_step_is_the_law_rounded(plan: Plan) -> None:
    """Beside the law in fractions; what is off is the rounding of share, action and portion."""
    law = law_of(plan)
    rng = random.Random(3)
    unit = 1 << (plan.integral_shift + law.action_bits - law.share_bits)
    kp, ki = Fraction(plan.proportional, unit), Fraction(plan.integral, unit)
    for _ in range(3000):
        target = rng.randint(law.least_target, plan.target_max)
        error = target - rng.randint(0, plan.reading_max)
        before, last = rng.randint(0, plan.drive_max), rng.randint(-law.share_one // 2, 0)
        inverse = inverse_of(law, target)
        share = arithmetic.share(error, inverse, law.share_shift, law.share_one)
        exact = max(Fraction(-1, 2), Fraction(error * inverse, 1 << law.inverse_shift))
        assert abs(Fraction(share, law.share_one) - exact) <= Fraction(1, 2 * law.share_one)
        now, was = Fraction(share, law.share_one), Fraction(last, law.share_one)
        size = max(before, target * law.floor)
        change = kp * (now - was) if plan.has_proportional else 0
        wanted = min(max(before + size * (ki * now + change), 0), plan.drive_max)
        given = (share, share - last, target) if plan.has_proportional else (share, target)
        _, drive = Regulator(plan).regulated(before, *given, plan.drive_max)
        off = Fraction(size, 1 << (law.action_bits + 1)) + 3
        assert abs(drive - wanted) <= off


@pytest.mark.parametrize("plan", CASES.values(), ids=CASES)
def test_a_greater_drive_before_is_never_a_lesser_one_after(plan: Plan) -> None:
    """What the check of a bench log takes for granted."""
    law, regulator = law_of(plan), Regulator(plan)
    rng = random.Random(4)
    for _ in range(2000):
        target = rng.choice((0, law.least_target, plan.target_rated, plan.target_max))
        share = rng.randint(-law.share_one // 2, law.share_one)
        change = (rng.randint(-law.share_one, law.share_one),) if plan.has_proportional else ()
        low = rng.choice((target * law.floor, rng.randint(0, plan.drive_max), 0))
        high = min(plan.drive_max, low + rng.choice((1, 2, 1000, plan.drive_max)))
        ends = [
            regulator.regulated(end, share, *change, target, plan.drive_max)[0]
            for end in (min(low, plan.drive_max), high)
        ]
        assert ends[0] <= ends[1]


@pytest.mark.parametrize("plan", CASES.values(), ids=CASES)
def test_the_dead_band_is_where_the_drive_stands_still(plan: Plan) -> None:
    law, error = law_of(plan), stalled_error(plan)
    base = Regulator(plan)
    before = law.floor * plan.target_rated
    inverse = inverse_of(law, plan.target_rated)

    def moves(by: int) -> bool:
        share = arithmetic.share(by, inverse, law.share_shift, law.share_one)
        given = (share, 0, plan.target_rated) if plan.has_proportional else (share, 0)
        return base.regulated(before, *given, plan.drive_max)[0] != before

    assert error <= 2 and not moves(error) and not moves(-error)
    assert moves(error + 1) and moves(-error - 1)


@pytest.mark.parametrize("word_bits", [16, 32])
@pytest.mark.parametrize("ki", [Fraction(1, 200), Fraction(1, 3), Fraction(9, 5)])
@pytest.mark.parametrize("kp", [Fraction(-1, 10), Fraction(0), Fraction(1, 2)])
def test_gains_are_within_a_percent_in_any_format(
    word_bits: int, ki: Fraction, kp: Fraction
) -> None:
    base = plan_cases.make(word_bits=word_bits)
    plan = with_law(base, kp, ki, Fraction(2, 5), Fraction(base.target_rated))
    assert plan is not None and not overflows(plan)
    got_kp, got_ki = law_gains(plan)
    assert abs(got_ki / ki - 1) < Fraction(1, 100)
    assert kp == got_kp == 0 or abs(got_kp / kp - 1) < Fraction(1, 100)
    if word_bits == 16:
        assert max(plan.integral, abs(plan.proportional)) < 1 << 15
        assert law_of(plan).inverse_max < 1 << 15


def test_gains_that_no_format_holds_are_refused() -> None:
    base = plan_cases.make()
    assert with_law(base, Fraction(0), Fraction(10**6), Fraction(2, 5), Fraction(11416)) is None


def test_a_coarser_floor_does_not_vanish() -> None:
    plan = CASES["normalised"]
    law = law_of(plan)
    without = replace(plan, law=replace(law, floor=0))
    start = Regulator(plan), Regulator(without)
    drives = [each.regulated(0, law.share_one, plan.target_rated, plan.drive_max) for each in start]
    assert drives[0][1] > 0 and drives[1][1] == 0
