"""The one integer arithmetic: rounding, shifting and saturating as the generated C does it.

``templates/integer.c.j2`` is its single mirror in C. Everything here takes Python integers of
any size; ranges are shown elsewhere (``halfcycle.quantise.interval``), so nothing wraps by design.
"""

from __future__ import annotations


def half(shift: int) -> int:
    """What is added before a right shift so that it rounds to nearest (0 for no shift)."""
    return (1 << shift) >> 1


def round_shift(value: int, shift: int) -> int:
    """``value / 2^shift`` to nearest, ties up, for ``value >= 0``."""
    return (value + half(shift)) >> shift


def round_shift_signed(value: int, shift: int) -> int:
    """``value / 2^shift`` to nearest, ties away from zero.

    Works on the magnitude, as C must: the right shift of a negative value is
    implementation-defined there. Symmetric, so the integrator does not drift.
    """
    return -round_shift(-value, shift) if value < 0 else round_shift(value, shift)


def saturate(value: int, low: int, high: int) -> int:
    """``value`` held inside ``[low, high]``."""
    return low if value < low else min(value, high)


def scale_by(value: int, gain: int, shift: int) -> int:
    """``value * gain / 2^shift`` for ``value, gain >= 0`` and ``shift >= 8``.

    The product is cut at 8 bits so that 32-bit words carry a 40-bit product. The dropped
    fraction makes the result low by less than 2^(8 - shift) before rounding to nearest.
    """
    product = (value >> 8) * gain + (((value & 255) * gain) >> 8)
    return round_shift(product, shift - 8)


def root(value: int) -> int:
    """Square root of ``0 <= value < 2^32`` to nearest, digit by digit, without division."""
    remainder, result = value, 0
    for place in range(30, -1, -2):
        remainder, result = root_digit(remainder, result, 1 << place)
    return result + 1 if remainder > result else result


def root_digit(remainder: int, result: int, place: int) -> tuple[int, int]:
    """One binary digit of ``root``, the one whose square is ``place``: what is left, and the root
    so far in units of the next digit's place. A step of its own, so that it can be proven."""
    trial = result + place
    if remainder >= trial:
        return remainder - trial, (result >> 1) + place
    return remainder, result >> 1
