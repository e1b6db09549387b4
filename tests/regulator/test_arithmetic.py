"""The integer arithmetic against apytypes (a general fixed-point library) and exact rationals."""

import math
from fractions import Fraction

import apytypes
from hypothesis import given
from hypothesis import strategies as st

from halfcycle.regulator import arithmetic

INT31 = st.integers(-(2**31) + 1, 2**31 - 1)
SHIFT = st.integers(0, 31)


def apy_round(value: int, shift: int, mode: apytypes.QuantizationMode) -> int:
    """value / 2^shift in apytypes' rounding mode, as an integer."""
    fixed = apytypes.APyFixed(value, int_bits=40, frac_bits=shift)
    rounded = fixed.cast(int_bits=40, frac_bits=0, quantization=mode)
    bits = rounded.to_bits()
    return bits - (1 << 40) if bits >= 1 << 39 else bits


@given(st.integers(0, 2**32 - 1), SHIFT)
def test_round_shift_is_apytypes_ties_up(value: int, shift: int) -> None:
    assert arithmetic.round_shift(value, shift) == apy_round(
        value, shift, apytypes.QuantizationMode.RND
    )


@given(INT31, SHIFT)
def test_round_shift_signed_is_apytypes_ties_away(value: int, shift: int) -> None:
    assert arithmetic.round_shift_signed(value, shift) == apy_round(
        value, shift, apytypes.QuantizationMode.RND_INF
    )


@given(INT31, SHIFT)
def test_round_shift_signed_is_odd(value: int, shift: int) -> None:
    """Symmetric rounding is what keeps the integrator from drifting."""
    assert arithmetic.round_shift_signed(-value, shift) == -arithmetic.round_shift_signed(
        value, shift
    )


@given(INT31, st.integers(2, 31))
def test_saturate_is_apytypes_saturation(value: int, bits: int) -> None:
    fixed = apytypes.APyFixed(value, int_bits=40, frac_bits=0)
    held = fixed.cast(int_bits=bits, frac_bits=0, overflow=apytypes.OverflowMode.SAT).to_bits()
    expected = held - (1 << bits) if held >= 1 << (bits - 1) else held
    low, high = -(1 << (bits - 1)), (1 << (bits - 1)) - 1
    assert arithmetic.saturate(value, low, high) == expected


@given(st.integers(0, 2**20), st.integers(0, 2**24 - 1), st.integers(8, 39))
def test_scale_by_is_within_its_stated_bound(value: int, gain: int, shift: int) -> None:
    """Low by less than 2^(8 - shift) before rounding: at most one from the exact result."""
    exact = Fraction(value * gain, 2**shift)
    got = arithmetic.scale_by(value, gain, shift)
    assert -Fraction(1, 2) - Fraction(2**8, 2**shift) < got - exact <= Fraction(1, 2)


def test_scale_by_loses_what_its_docstring_says() -> None:
    """The bound is not idle: the cut product really rounds down somewhere."""
    assert arithmetic.scale_by(255, 1, 8) == 0, "255/256 would round to 1"


@given(st.integers(0, 2**32 - 1))
def test_root_is_the_nearest_integer_to_the_square_root(value: int) -> None:
    floor = math.isqrt(value)
    # (floor + 1/2)^2 = floor^2 + floor + 1/4 lies between the integers floor^2 + floor and + 1.
    assert arithmetic.root(value) == floor + (value - floor * floor > floor)


def test_root_at_perfect_squares_and_their_neighbours() -> None:
    for side in (1, 2, 3, 255, 256, 32767, 32768, 65534, 65535):
        assert arithmetic.root(side * side) == side
        assert arithmetic.root(side * side + side) == side
        assert arithmetic.root(min(side * side + side + 1, 2**32 - 1)) == side + (
            side * side + side + 1 <= 2**32 - 1
        )
