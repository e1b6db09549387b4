"""Irrational constants of the generated C, in whole-number arithmetic: the same on every machine.

What sin or tan return in the last place differs from one C library to the next, and now and then
that decides how a constant is rounded. Here no floating point is used. A function returns the exact
value where that is rational, and otherwise a fraction within ERROR of it, relative to the value.
Rounded once, such a fraction gives what the true value gives, unless that lies within ERROR of a
tie; ``nearest`` makes sure that it does not.

Why ERROR holds: sums go by units of 2^-192, and each step of a series is cut by less than three of
them. 42 terms and 13 terms make pi, times 16 and 4: within 2^11 units. A sine takes half of that
over with its angle and adds 35 terms of its own: within 2^11 units too. The least sine given is
2^-17.4, where 2^11 units are 2^-163 of it. A cosine adds up likewise. A root is cut by at most
2^-192 of itself.
"""

from __future__ import annotations

import math
from fractions import Fraction
from functools import cache, lru_cache

ERROR = Fraction(1, 2**160)
"""Bound on the relative error of every function here."""
LEAST_TURN = Fraction(1, 2**20)
"""Least angle above 0 whose sine is given."""
_PLACES = 192


def nearest(value: Fraction) -> int:
    """The whole number nearest to the true value that ``value`` is within ERROR of.

    Raises ArithmeticError where ERROR leaves it open, as it does for a value that is halfway.
    """
    error = abs(value) * ERROR
    rounded = round(value)
    if abs(value - rounded) + error >= Fraction(1, 2):
        raise ArithmeticError(f"{float(value)} is too near to halfway to be rounded")
    return rounded


def root(value: Fraction) -> Fraction:
    """Square root of ``value`` (0 and up), exact where it is rational."""
    square = value.numerator * value.denominator
    whole = math.isqrt(square)
    if whole * whole == square:
        return Fraction(whole, value.denominator)
    return Fraction(math.isqrt(square << 2 * _PLACES), value.denominator << _PLACES)


@cache
def pi() -> Fraction:
    """The circle's constant, by Machin's formula 16 arctan(1/5) - 4 arctan(1/239)."""
    return Fraction(16 * _arctan_of_part(5) - 4 * _arctan_of_part(239), 1 << _PLACES)


def form_factor() -> Fraction:
    """RMS of a sine over its average-rectified value, pi / (2 sqrt 2)."""
    return pi() / (2 * root(Fraction(2)))


def sine(turn: Fraction) -> Fraction:
    """sin(2 pi turn) for a turn of 0, or of LEAST_TURN to 1/4; else ValueError.

    Between 0 and 1 only that of 1/12 is rational (Niven's theorem): 1/2.
    """
    if turn in _RATIONAL:
        return _RATIONAL[turn]
    if not LEAST_TURN <= turn < Fraction(1, 4):
        raise ValueError(f"a sine is given from {LEAST_TURN} to 1/4 of a turn, not at {turn}")
    angle = 2 * pi() * turn
    power = total = (angle.numerator << _PLACES) // angle.denominator
    square = power * power >> _PLACES
    order, sign = 1, 1
    while power:
        power = (power * square >> _PLACES) // ((order + 1) * (order + 2))
        order, sign = order + 2, -sign
        total += sign * power
    return Fraction(total, 1 << _PLACES)


@lru_cache(maxsize=4096)
def cosine(turn: Fraction) -> Fraction:
    """cos(2 pi turn) at any turn, within ERROR of the true value (not relative to it); exact if
    rational."""
    turn = abs(turn) % 1
    turn = min(turn, 1 - turn)
    if turn > Fraction(1, 4):
        return -cosine(Fraction(1, 2) - turn)
    if turn in _RATIONAL_COSINES:
        return _RATIONAL_COSINES[turn]
    angle = 2 * pi() * turn
    angle_units = (angle.numerator << _PLACES) // angle.denominator
    square = angle_units * angle_units >> _PLACES
    power = total = 1 << _PLACES
    order, sign = 0, 1
    while power:
        power = (power * square >> _PLACES) // ((order + 1) * (order + 2))
        order, sign = order + 2, -sign
        total += sign * power
    return Fraction(total, 1 << _PLACES)


def cotangent(turn: Fraction) -> Fraction:
    """cot(2 pi turn) for a turn of LEAST_TURN to 1/8; else ValueError."""
    if not LEAST_TURN <= turn <= Fraction(1, 8):
        raise ValueError(f"a cotangent is given from {LEAST_TURN} to 1/8 of a turn, not at {turn}")
    if turn == Fraction(1, 8):
        return Fraction(1)
    return sine(Fraction(1, 4) - turn) / sine(turn)


_RATIONAL = {
    Fraction(0): Fraction(0),
    Fraction(1, 12): Fraction(1, 2),
    Fraction(1, 4): Fraction(1),
}
"""Turns of the first quarter with a rational sine."""

_RATIONAL_COSINES = {Fraction(1, 4) - turn: value for turn, value in _RATIONAL.items()}


def _arctan_of_part(part: int) -> int:
    """arctan(1/part) in units."""
    power = total = (1 << _PLACES) // part
    order, sign = 1, 1
    while power:
        power //= part * part
        order, sign = order + 2, -sign
        total += sign * (power // order)
    return total
