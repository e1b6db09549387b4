"""Words, shifts and coefficients of the normalised law, each by the ranges that it has to hold."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

from halfcycle.quantise.formats import (
    MAX_DRIVE_BITS,
    MIN_COEFFICIENT,
    NARROW_MAX,
    UINT32_MAX,
    fits,
)
from halfcycle.quantise.interval import Interval
from halfcycle.regulator import arithmetic
from halfcycle.regulator.model import inverse_of
from halfcycle.regulator.plan import SCALE_BITS, Normalising, Plan

LEAST_TARGET = Fraction(1, 16)
"""A target below this share of rated counts as 0, or below the least reading that can be told from
a sensor that failed."""
MIN_ACTION_BITS = 8
"""An action in fewer fraction bits is too coarse for any loop."""
_WORD = {16: 15, 32: 16}
"""Bits of 1/target and of the action, by the widest native word: their products fit twice that."""
_SHARE = {16: 14, 32: 15}
"""Fraction bits of the error's share of the target."""


def law_ranges(plan: Plan) -> dict[str, Interval]:
    """Range of each intermediate of the normalised law's step, by the names that the C gives them.
    ``scaled`` is the product of the drive and the action."""
    law = plan.law
    assert law is not None
    share = Interval(-(law.share_one >> 1), law.share_one)
    change = share - share
    error = max(plan.reading_max, plan.target_max)
    action = share * Interval(plan.integral, plan.integral)
    if plan.has_proportional:
        action += change * Interval(plan.proportional, plan.proportional)
    lowest = Interval(0, plan.target_max * law.floor)
    size = Interval(0, max(plan.drive_max, lowest.high))
    reach = max(-action.low, action.high)
    part = Interval(0, arithmetic.round_shift(reach, plan.integral_shift))
    low = ((1 << law.split) - 1) * part.high >> law.split
    product = Interval(0, (size.high >> law.split) * part.high + low)
    beyond = law.action_bits - law.split
    portion = Interval(0, arithmetic.round_shift(product.high, beyond))
    return {
        "multiple": Interval(0, law.inverse_max * plan.target_max),
        "share_product": Interval(0, error * law.inverse_max + arithmetic.half(law.share_shift)),
        "share": share,
        "change": change,
        "action": action,
        "lowest": lowest,
        "size": size,
        "part": part,
        "scaled": product + Interval(0, arithmetic.half(beyond)),
        "drive": Interval(0, plan.drive_max) + portion,
    }


def overflows(plan: Plan) -> bool:
    """Whether an intermediate of the step leaves its word."""
    ranges, law = law_ranges(plan), plan.law
    assert law is not None
    word = Interval(0, UINT32_MAX)
    unsigned = ("multiple", "share_product", "lowest", "size", "scaled")
    rounding = arithmetic.half(plan.integral_shift)
    action = ranges["action"] + Interval(-rounding, rounding)
    return not (
        all(fits(ranges[name], word) for name in unsigned)
        and fits(action)
        and fits(ranges["drive"])
        and fits(Interval(0, plan.integral))
        and ranges["part"].high < 1 << _WORD[plan.word_bits]
        and ranges["size"].high >> law.split < 1 << _WORD[plan.word_bits]
        and (plan.word_bits == 32 or max(plan.integral, abs(plan.proportional)) <= NARROW_MAX)
    )


def with_law(
    plan: Plan, kp: Fraction, ki: Fraction, floor: Fraction, rated_counts: Fraction
) -> Plan | None:
    """The Plan with the finest format of the normalised law in which no step can overflow; None if
    even the coarsest does.

    ``kp`` and ``ki``: share of the drive per share of the target; ``floor``: scale per rated
    target. ``plan`` has all else.
    """
    word = plan.word_bits
    reach = max(plan.reading_max, plan.target_max).bit_length()
    # A wide error may seem twice as great to a proof as it can be.
    bits = min(_WORD[word], 32 - reach - (reach > 15))
    least = max(plan.hold_reading + 1, math.ceil(rated_counts * LEAST_TARGET))
    power = min(31, (((1 << bits) - 1) * least).bit_length() - 1)
    share_bits = min(_SHARE[word], power)
    law = Normalising(
        least_target=least,
        least_mv=_least_mv(plan, least),
        inverse_bits=bits,
        inverse_shift=power,
        share_bits=share_bits,
        action_bits=0,
        split=0,
        floor=0,
    )
    # The action's bits matter most, as they say what a step can be at the least; then the drive's.
    size = float(ki) + 1.5 * abs(float(kp))
    for action_bits in range(_WORD[word] + 14, MIN_ACTION_BITS - 1, -1):
        if size * 2.0**action_bits >= 1 << _WORD[word]:
            continue
        for drive_bits in range(MAX_DRIVE_BITS - 1, SCALE_BITS - 1, -1):
            made = _coefficients(
                replace(
                    plan,
                    drive_bits=drive_bits,
                    law=replace(
                        law,
                        action_bits=action_bits,
                        split=min(15, action_bits),
                        floor=math.floor(floor * 2**drive_bits / rated_counts),
                    ),
                ),
                kp,
                ki,
            )
            if made is not None and made.law is not None and made.law.floor:
                return made
    return None


def _coefficients(plan: Plan, kp: Fraction, ki: Fraction) -> Plan | None:
    """The Plan with the finest coefficients that do not overflow; None if they are coarse."""
    law = plan.law
    assert law is not None
    for places in range(30, -1, -1):
        shift = places + law.share_bits - law.action_bits
        if not 0 <= shift <= 31:
            continue
        made = replace(
            plan,
            proportional=round(kp * 2**places),
            proportional_shift=shift if kp else 0,
            integral=round(ki * 2**places),
            integral_shift=shift,
        )
        if max(made.integral, abs(made.proportional)) < MIN_COEFFICIENT:
            return None
        if not overflows(made):
            return made
    return None


def _least_mv(plan: Plan, least: int) -> int:
    """The least target, mV, that is ``least`` counts or more."""
    low, high = 0, plan.target_max_mv
    while high - low > 1:
        middle = (low + high) // 2
        counts = arithmetic.scale_by(middle, plan.target_gain, plan.target_shift)
        low, high = (low, middle) if counts >= least else (middle, high)
    return high


def law_gains(plan: Plan) -> tuple[Fraction, Fraction]:
    """(kp, ki) as the integers have them: share of the drive per share of the target, at the rated
    target, whose inverse is rounded down."""
    law = plan.law
    assert law is not None
    unit = 1 << (plan.integral_shift + law.action_bits - law.share_bits)
    inverse = Fraction(
        inverse_of(law, plan.target_rated) * plan.target_rated, 1 << law.inverse_shift
    )
    return plan.proportional * inverse / unit, plan.integral * inverse / unit


def stalled_error(plan: Plan) -> int:
    """Greatest error, in reading counts at the rated target, that leaves the drive as it is."""
    law = plan.law
    assert law is not None
    inverse = inverse_of(law, plan.target_rated)
    size = law.floor * plan.target_rated
    for error in range(1, plan.reading_max):
        share = arithmetic.share(error, inverse, law.share_shift, law.share_one)
        part = arithmetic.round_shift(plan.integral * share, plan.integral_shift)
        if arithmetic.portion(size, part, law.split, law.action_bits):
            return error - 1
    return plan.reading_max
