"""C's operators on mathematical integers, each with the claims that make them agree with C.

A ``Number`` is a Python int if it is known, else a z3 integer. C99 6.5.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import z3

from halfcycle.prove.c_types import IntType, Widths
from halfcycle.prove.claims import Claims


class NotUnderstoodError(Exception):
    """C that these semantics do not cover: the proof fails rather than guesses."""


class UnsetError(NotUnderstoodError):
    """A local is read before it is set."""


_WORDS = {
    "ArrayRef": "this use of an index",
    "Break": "break",
    "Compound": "a block of its own inside a function",
    "CompoundLiteral": "a compound literal",
    "Constant": "this constant",
    "Continue": "continue",
    "DeclList": "a declaration of several names",
    "DoWhile": "do",
    "ExprList": "a comma operator",
    "Goto": "goto",
    "ID": "this name",
    "InitList": "a list of values",
    "Label": "a label",
    "StructRef": "this use of a member",
    "Switch": "switch",
    "Typedef": "a typedef inside a function",
}


def not_understood(node: Any, where: str) -> NotUnderstoodError:
    """The error for a kind of C that has no meaning here, in words."""
    kind = type(node).__name__
    return NotUnderstoodError(f"{where}: {_WORDS.get(kind, kind)} is not understood")


@dataclass(frozen=True, slots=True)
class Number:
    value: Any
    type: IntType


def either(condition: Any, yes: Any, no: Any) -> Any:
    """``condition ? yes : no`` of two values."""
    if isinstance(condition, bool):
        return yes if condition else no
    return yes if yes is no else z3.If(condition, yes, no)


def both(*conditions: Any) -> Any:
    """All of ``conditions``, a bool if that is known."""
    open_ones = [condition for condition in conditions if condition is not True]
    if any(condition is False for condition in open_ones):
        return False
    return z3.And(*open_ones) if open_ones else True


def negated(condition: Any) -> Any:
    return not condition if isinstance(condition, bool) else z3.Not(condition)


def within(value: Any, low: int, high: int) -> Any:
    return both(value >= low, value <= high)


def shifted_right(value: Any, places: int) -> Any:
    """Floor of value / 2^places, value >= 0 (z3's integer division rounds so)."""
    return value >> places if isinstance(value, int) else value / (1 << places)


def masked(value: Any, mask: int) -> Any:
    """``value & mask``, value >= 0: a division and a remainder for each run of ones."""
    if isinstance(value, int):
        return value & mask
    total: Any = 0
    while mask:
        low = (mask & -mask).bit_length() - 1
        run = ((mask >> low) ^ ((mask >> low) + 1)).bit_length() - 1
        total = total + ((value / (1 << low)) % (1 << run)) * (1 << low)
        mask &= ~(((1 << run) - 1) << low)
    return total


MAX_BITS = 16
"""The result of two unknowns of no more has no more."""


class Arithmetic:
    """The operators, for one width of int; ``where`` names the place in messages."""

    def __init__(self, widths: Widths, claims: Claims) -> None:
        self.widths, self.claims = widths, claims

    def converted(self, number: Number, to: IntType, where: str) -> Number:
        """A conversion, written or implied: it must keep the value."""
        value = number.value
        if (number.type.low, number.type.high) != (to.low, to.high):
            text = f"the conversion to {to} keeps the value"
            self.claims.claim(where, text, within(value, to.low, to.high))
        return Number(value, to)

    def compared(self, sign: str, left: Number, right: Number, where: str) -> Any:
        common = self.widths.common(left.type, right.type)
        a = self.converted(left, common, where).value
        b = self.converted(right, common, where).value
        if sign == "==":
            return a == b
        if sign == "!=":
            return a != b
        return {"<": a < b, ">": a > b, "<=": a <= b, ">=": a >= b}[sign]

    def unary(self, sign: str, operand: Number, where: str) -> Number:
        kind = self.widths.promoted(operand.type)
        value = self.converted(operand, kind, where).value
        if sign == "-":
            return self._held(-value, kind, "negation", where)
        if sign == "+":
            return Number(value, kind)
        if sign == "~":
            return Number((-1 if kind.signed else kind.high) - value, kind)
        raise NotUnderstoodError(f"{where}: operator {sign}")

    def binary(self, sign: str, left: Number, right: Number, where: str) -> Number:
        if sign in ("<<", ">>"):
            return self._shift(sign, left, right, where)
        kind = self.widths.common(left.type, right.type)
        a = self.converted(left, kind, where).value
        b = self.converted(right, kind, where).value
        if sign == "+":
            return self._held(a + b, kind, "sum", where)
        if sign == "-":
            return self._held(a - b, kind, "difference", where)
        if sign == "*":
            return self._held(self._product(a, b, kind), kind, "product", where)
        if sign in ("&", "|", "^"):
            return Number(self._bits(sign, a, b, where), kind)
        raise NotUnderstoodError(f"{where}: operator {sign}")

    def _held(self, value: Any, kind: IntType, operation: str, where: str) -> Number:
        text = f"the {operation} {'fits' if kind.signed else 'does not wrap in'} {kind}"
        self.claims.claim(where, text, within(value, kind.low, kind.high))
        return Number(value, kind)

    def _shift(self, sign: str, left: Number, right: Number, where: str) -> Number:
        kind = self.widths.promoted(left.type)
        value = self.converted(left, kind, where).value
        places = right.value
        if not isinstance(places, int):
            raise NotUnderstoodError(f"{where}: a shift by a number that is not constant")
        in_range = 0 <= places < kind.bits
        self.claims.claim(where, f"a shift by 0 to {kind.bits - 1}", in_range)
        if not in_range:
            raise NotUnderstoodError(f"{where}: a shift by {places} means nothing")
        self.claims.claim(where, "no shift of a negative value", value >= 0)
        if sign == ">>":
            return Number(shifted_right(value, places), kind)
        return self._held(value * (1 << places), kind, "left shift", where)

    def _product(self, a: Any, b: Any, kind: IntType) -> Any:
        if isinstance(a, int) or isinstance(b, int):
            return a * b
        a_low, a_high = self.claims.bounds(a, kind.low, kind.high)
        b_low, b_high = (a_low, a_high) if a is b else self.claims.bounds(b, kind.low, kind.high)
        corners = [x * y for x in (a_low, a_high) for y in (b_low, b_high)]
        product = self.claims.unknown("product", min(corners), max(corners))
        # McCormick's envelope: (a - a_low)(b - b_low) >= 0 and its three likes, multiplied out.
        self.claims.assume(
            product >= a * b_low + b * a_low - a_low * b_low,
            product >= a * b_high + b * a_high - a_high * b_high,
            product <= a * b_low + b * a_high - a_high * b_low,
            product <= a * b_high + b * a_low - a_low * b_high,
        )
        return product

    def _bits(self, sign: str, a: Any, b: Any, where: str) -> Any:
        self.claims.claim(where, "no bit operation on a negative value", both(a >= 0, b >= 0))
        if isinstance(a, int):
            a, b = b, a
        if isinstance(b, int):
            common = masked(a, b)
            return {"&": common, "|": a + b - common, "^": a + b - 2 * common}[sign]
        # Two unknowns: only what holds for any bits of so many.
        lengths = [self._bit_length(value) for value in (a, b)]
        bits = min(lengths) if sign == "&" else max(lengths)
        most = (1 << bits) - 1 if bits <= MAX_BITS else 1 << 64
        result = self.claims.unknown("bits", 0, most)
        if sign == "&":
            self.claims.assume(result <= a, result <= b)
        else:
            self.claims.assume(result <= a + b)
        if sign == "|":
            self.claims.assume(result >= a, result >= b)
        return result

    def _bit_length(self, value: Any) -> int:
        """Bits that hold a value of at least 0, above ``MAX_BITS`` if it needs more."""
        lengths = range(8, MAX_BITS + 1)
        fits = (bits for bits in lengths if self.claims.holds(value < 1 << bits))
        return next(fits, MAX_BITS + 1)
