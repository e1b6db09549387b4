"""Words, shifts and coefficients of the Plan, each chosen by the ranges it has to hold."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from halfcycle.quantise.interval import Interval
from halfcycle.regulator import arithmetic
from halfcycle.regulator.plan import SCALE_BITS

INT32 = Interval(-(2**31) + 1, 2**31 - 1)
"""What a signed 32-bit word may hold here; -2^31 is left out so that negation is safe."""
UINT32_MAX = 2**32 - 1
UINT48_MAX = 2**48 - 1
"""Greatest sum of a window: a word and a half."""
NARROW_MAX = 2**15 - 1
"""Greatest reading in a signed 16-bit word."""
WIDE_MAX = 2**20 - 1
"""Greatest reading where words have 32 bits; leaves 11 bits for a coefficient."""
MIN_COEFFICIENT = 1 << 10
"""Below this a coefficient gets a shift of its own, so that its rounding stays below 0.05 %."""
MAX_DRIVE_BITS = 30
MAX_RAMP_BITS = 16


def fits(interval: Interval, word: Interval = INT32) -> bool:
    """Whether every member of ``interval`` fits ``word``."""
    return word.low <= interval.low and interval.high <= word.high


def reading_max(measure: str, total_max: int, shift: int) -> int:
    """Greatest reading of a window whose sum is at most ``total_max``."""
    if measure == "rms":
        return arithmetic.root(total_max >> shift)
    return arithmetic.round_shift(total_max, shift)


def reading_shift(measure: str, total_max: int, least: int, word_bits: int) -> tuple[int, bool]:
    """The reading's right shift, at least ``least``, and whether the reading needs a wide word.

    Raises nothing: a larger shift always fits.
    """
    root_max = UINT32_MAX if measure == "rms" else UINT32_MAX << 32
    widest = NARROW_MAX if word_bits == 16 else WIDE_MAX
    shift = least
    while (total_max >> shift) > root_max or reading_max(measure, total_max, shift) > widest:
        shift += 1
    return shift, reading_max(measure, total_max, shift) > NARROW_MAX


def conversion(ratio: Fraction, value_max: int) -> tuple[int, int]:
    """``(gain, shift)`` for ``integer.scale_by``: the finest that holds ``value_max``.

    Bounds (see ``scale_by``): gain below 2^24, the cut product and its rounding below 2^32.
    """
    for shift in range(39, 7, -1):
        gain = round(ratio * 2**shift)
        product = (value_max >> 8) * gain + ((255 * gain) >> 8)
        if gain < 1 << 24 and product + arithmetic.half(shift - 8) <= UINT32_MAX:
            return gain, shift
    raise ValueError(f"no 32-bit conversion by {float(ratio)} of values up to {value_max}")


@dataclass(frozen=True, slots=True)
class LoopFormat:
    """Integrator format and the two PI coefficients."""

    drive_bits: int
    proportional: int
    proportional_shift: int
    integral: int
    integral_shift: int


def loop_format(
    kp: Fraction, ki: Fraction, error: Interval, scale_max: int, word_bits: int
) -> LoopFormat | None:
    """The finest integrator format in which no step of the PI update can overflow.

    ``kp`` and ``ki``: scale per reading count. None if even the coarsest format overflows.
    """
    coefficient_max = NARROW_MAX if word_bits == 16 else INT32.high
    for bits in range(MAX_DRIVE_BITS, SCALE_BITS - 1, -1):
        proportional, integral = round(kp * 2**bits), round(ki * 2**bits)
        top = scale_max << (bits - SCALE_BITS)
        held = max(abs(proportional), abs(integral)) <= coefficient_max
        if held and all(map(fits, pi_ranges(proportional, integral, error, top).values())):
            p_shift = _extra_shift(kp, bits, error, coefficient_max)
            i_shift = _extra_shift(ki, bits, error, coefficient_max)
            return LoopFormat(
                drive_bits=bits,
                proportional=round(kp * 2 ** (bits + p_shift)),
                proportional_shift=p_shift,
                integral=round(ki * 2 ** (bits + i_shift)),
                integral_shift=i_shift,
            )
    return None


def pi_ranges(
    proportional: int, integral: int, error: Interval, top: int, shifts: tuple[int, int] = (0, 0)
) -> dict[str, Interval]:
    """Range of each intermediate of the PI step, by the names that the C gives them.

    ``shifts``: right shifts of the proportional and of the integral product.
    """
    state = Interval(0, top)
    p_product = error * Interval(proportional, proportional)
    i_product = error * Interval(integral, integral)
    push = p_product.map(lambda value: arithmetic.round_shift_signed(value, shifts[0]))
    step = i_product.map(lambda value: arithmetic.round_shift_signed(value, shifts[1]))
    ranges = {"integral": state, "step_product": i_product, "step": step, "after": state + step}
    if proportional:
        zero = Interval(0, 0)
        ranges |= {
            "push_product": p_product,
            "push": push,
            "drive": (state + step + push).join(state + push),
            "rest": (state - push).join(zero - push),
        }
    return ranges


def _extra_shift(gain: Fraction, bits: int, error: Interval, coefficient_max: int) -> int:
    """Fraction bits that a small coefficient needs of its own, as far as its product fits."""
    shift = 0
    if gain == 0:
        return 0
    while abs(round(gain * 2 ** (bits + shift))) < MIN_COEFFICIENT:
        larger = round(gain * 2 ** (bits + shift + 1))
        reach = error * Interval(larger, larger)
        rounding = arithmetic.half(shift + 1)
        if abs(larger) > coefficient_max or not fits(reach + Interval(-rounding, rounding)):
            break
        shift += 1
    return shift


def ramp_format(step: Fraction, target_max: int) -> tuple[int, int]:
    """``(step, bits)`` of the target's ramp: the finest that holds the greatest target.

    ``step``: reading counts a window.
    """
    for bits in range(MAX_RAMP_BITS, -1, -1):
        whole = max(1, min(round(step * 2**bits), target_max << bits))
        if (target_max << bits) + whole <= INT32.high:
            return whole, bits
    raise ValueError(f"no 32-bit ramp to {target_max}")
