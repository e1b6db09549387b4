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


def lesser(a: int, b: int) -> int:
    """The lesser of two."""
    return a if a < b else b


def latch(raised: int, cleared: int, flags: int) -> int:
    """``raised`` with these flags latched as well: one is latched if its bit is not that of
    ``cleared``. All are below 2^16."""
    return cleared ^ ((raised ^ cleared) | flags)


def safe(  # noqa: PLR0917 (what is known of the loop, then four constants)
    least: int, reading: int, target: int, gain: int, shift: int, hold_reading: int, hold_scale: int
) -> int:
    """The scale with a sensor that failed: the ``least`` of late, and no more than ``target`` needs
    (``gain``, ``shift`` as in ``scale_by``); below ``hold_reading`` no less than ``hold_scale``."""
    scale = min(least, scale_by(target, gain, shift))
    # Driven any less, such a reading would be plausible again, and climb, and fall.
    return max(scale, hold_scale) if reading < hold_reading else scale


def lean(above: int, below: int, limit: int) -> int:
    """Which way a span of samples leans, and by how much: of its sums at or above the zero and
    below it, the greater one if it is at least ``limit`` and 8 times the other one or more; less
    than 0 if that is ``below``. 0 if it does not lean. The sums are below 2^30."""
    if above >= limit and below <= above >> 3:
        return above
    if below >= limit and above <= below >> 3:
        return -below
    return 0


def zero_there(  # noqa: PLR0917 (what is known of the zero, then three constants)
    lean: int, per_code: int, part: int, code: int, bits: int, step_shift: int, limit: int
) -> int:
    """Where the tracked zero is after a step, 2^-bits codes, within ``limit`` either way.

    ``lean``: sums above less sums below; ``per_code``: that of a code; ``code``: zero in force;
    ``part``: the zero beyond it. ``lean`` without what ``part`` makes of it is stepped by.
    """
    known = round_shift_signed(per_code * part, bits)
    step = round_shift_signed(lean - known, step_shift)
    return saturate((code << bits) + part + step, -limit, limit)


def zero_held(there: int, code: int, bits: int, hold: int) -> int:
    """The code that the zero is taken for: ``code``, or the one nearest to ``there`` (2^-bits
    codes) once that is more than ``hold`` away."""
    part = there - (code << bits)
    return round_shift_signed(there, bits) if part > hold or part < -hold else code


def bus_ratio(measured: int, gain: int, shift: int) -> int:
    """The bus over its nominal from a code above the bus's zero, 2^15 = 1.0."""
    return round_shift(measured * gain, shift)


def reciprocal(value: int, other: int, low: int, high: int) -> int:
    """One Newton step of ``value`` towards the reciprocal of ``other`` (2^15 = 1.0 both), within
    ``low`` to ``high``: ``value (2 - other value)``, of which both products are cut.

    With e = 1 - other value it leaves e^2, and comes to rest at |e| of 2^-15 at most. It goes to
    ``low`` if the product is 2 or more, where a plain step would go below zero.
    """
    product = value * other >> 15
    moved = value * (65536 - product) >> 15 if product < 65536 else 0
    return low if moved < low else min(moved, high)


def factor_step(factor: int, ratio: int, low: int, high: int) -> int:
    """One Newton step of the factor of a bus towards the reciprocal of its ratio."""
    return reciprocal(factor, ratio, low, high)


def ratio_step(ratio: int, factor: int, low: int, high: int) -> int:
    """The same of the ratio, towards the reciprocal of the factor."""
    return reciprocal(ratio, factor, low, high)


def towards(mean: int, newest: int, shift: int) -> int:
    """``mean`` moved towards ``newest`` by 2^-shift of the way, cut."""
    return mean + (newest - mean >> shift) if newest > mean else mean - (mean - newest >> shift)


def fed_scale(scale: int, factor: int, limit: int) -> int:
    """What is left of a scale on a bus whose ``factor`` (2^15 = 1.0) is known, within ``limit``."""
    wanted = round_shift(scale * factor, 15)
    return limit if wanted > limit else wanted


def led_factor(factor: int, wanted: int, move: int) -> int:
    """``factor`` moved towards ``wanted`` by at most ``move``."""
    if wanted > factor:
        return factor + move if wanted - factor > move else wanted
    return factor - move if factor - wanted > move else wanted


def alike(lean: int, before: int) -> int:
    """1 if two spans lean the same way, either by more than half as much as the other, else 0."""
    if lean > 0:
        return 1 if lean < 2 * before and before < 2 * lean else 0
    if lean < 0:
        return 1 if lean > 2 * before and before > 2 * lean else 0
    return 0


def inverse_digit(quotient: int, place: int, value: int, power: int) -> int:
    """One binary digit of 2^``power`` / ``value``, the one of ``place``: the ``quotient`` so far
    with it if the product is not beyond, else without. Apart, so that it can be proven."""
    longer = quotient | place
    return longer if longer * value <= 1 << power else quotient


def share(error: int, inverse: int, shift: int, one: int) -> int:
    """``error`` times ``inverse`` (1/target) / 2^shift to nearest, ties away from zero, held inside
    ``[-one / 2, one]``: the error as a share of the target."""
    if error < 0:
        return -min(round_shift(-error * inverse, shift), one >> 1)
    return min(round_shift(error * inverse, shift), one)


def portion(size: int, part: int, split: int, bits: int) -> int:
    """``size * part / 2^bits`` for ``size, part >= 0`` and ``split <= bits``, to nearest but for
    what is cut off below 2^``split``: in two products, so that each fits 32 bits."""
    low = size & ((1 << split) - 1)
    return round_shift((size >> split) * part + ((low * part) >> split), bits - split)
