"""Constants in whole-number arithmetic against mpmath and Arb, two libraries apart."""

from __future__ import annotations

from fractions import Fraction

import flint
import mpmath
import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfcycle.base import precise

DIGITS = 80
TURNS = st.fractions(precise.LEAST_TURN, Fraction(1, 4), max_denominator=2**20)


def relative_error(value: Fraction, true: mpmath.mpf) -> float:
    """Within mpmath's 80 digits; ERROR is of 48."""
    return abs(float(mpmath.mpf(value.numerator) / value.denominator / true - 1))


@pytest.fixture(autouse=True, scope="module")
def digits():
    with mpmath.workdps(DIGITS):
        yield


def test_pi_and_the_form_factor() -> None:
    assert relative_error(precise.pi(), mpmath.pi) < precise.ERROR
    true = mpmath.pi / (2 * mpmath.sqrt(2))
    assert relative_error(precise.form_factor(), true) < precise.ERROR


@given(TURNS)
def test_sine(turn: Fraction) -> None:
    true = mpmath.sin(2 * mpmath.pi * turn.numerator / turn.denominator)
    assert relative_error(precise.sine(turn), true) < precise.ERROR


@given(TURNS)
def test_cotangent(turn: Fraction) -> None:
    half = max(turn / 2, precise.LEAST_TURN)
    true = mpmath.cot(2 * mpmath.pi * half.numerator / half.denominator)
    assert relative_error(precise.cotangent(half), true) < precise.ERROR


@pytest.mark.parametrize("samples", [1, 2, 25, 65_535])
def test_the_smallest_angles_that_windows_ask_for(samples: int) -> None:
    turn = Fraction(1, 8 * samples)
    with flint.ctx.workprec(300):
        true = (flint.arb(flint.fmpq(1, 4 * samples))).cot_pi()
        value = precise.cotangent(turn)
        ball = flint.arb(flint.fmpq(value.numerator, value.denominator)) / true - 1
        error = flint.fmpq(precise.ERROR.numerator, precise.ERROR.denominator)
        assert abs(ball) < flint.arb(error)


@given(st.fractions(0, 10**9, max_denominator=10**9))
def test_root(value: Fraction) -> None:
    assert precise.root(value * value) == value
    found = precise.root(value)
    assert abs(found * found - value) <= 2 * precise.ERROR * value


def test_rational_values_are_exact() -> None:
    assert precise.sine(Fraction(0)) == 0
    assert precise.sine(Fraction(1, 12)) == Fraction(1, 2)
    assert precise.sine(Fraction(1, 4)) == 1
    assert precise.cotangent(Fraction(1, 8)) == 1
    assert precise.root(Fraction(25, 16)) == Fraction(5, 4)


def test_rounding_refuses_what_is_too_near_to_halfway() -> None:
    assert precise.nearest(Fraction(5, 2) + Fraction(1, 2**100)) == 3
    assert precise.nearest(Fraction(5, 2) - Fraction(1, 2**100)) == 2
    assert precise.nearest(Fraction(7)) == 7
    for value in (Fraction(5, 2), Fraction(5, 2) + precise.ERROR, Fraction(5, 2) - precise.ERROR):
        with pytest.raises(ArithmeticError, match="halfway"):
            precise.nearest(value)


@pytest.mark.parametrize("turn", [Fraction(-1, 8), Fraction(1, 3), precise.LEAST_TURN / 2])
def test_angles_outside_are_refused(turn: Fraction) -> None:
    with pytest.raises(ValueError, match="given from"):
        precise.sine(turn)
    with pytest.raises(ValueError, match="given from"):
        precise.cotangent(turn)
