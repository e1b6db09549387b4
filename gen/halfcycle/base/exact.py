"""Exact numbers from what a user typed: ``Fraction`` from TOML numbers, strings and arguments."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

DECIMAL_PATTERN = r"[0-9]+(_[0-9]+)*(\.[0-9]+(_[0-9]+)*)?([eE][+-]?[0-9]+)?"
PATTERN = rf"^[+-]?{DECIMAL_PATTERN}( */ *{DECIMAL_PATTERN})?$"
"""What a string may hold: a decimal number, or two of them with a slash between."""

# A number of a spec has a few digits. The limits keep "1e999999999" from filling the memory.
MAX_CHARACTERS = 60
MAX_EXPONENT = 30

_NUMBER = re.compile(PATTERN)
_EXPONENT = re.compile(r"[eE]([+-]?[0-9]+)")


class NotANumberError(ValueError):
    """The value is no exact, finite number; the text says why, in words for the user."""


@dataclass(frozen=True, slots=True)
class NumberText:
    """A bare decimal number of a TOML file, as it was written (``tomllib``'s ``parse_float``)."""

    text: str


def fraction(value: object) -> Fraction:
    """Return ``value`` as an exact fraction.

    Takes an ``int``, a ``Fraction``, a string such as ``"0.22"`` or ``"50/3"``, a ``NumberText``,
    or a ``float`` (by its shortest decimal text: 0.1 is 1/10).

    Raises:
        NotANumberError: for booleans, NaN, infinities, a zero denominator, anything else.
    """
    if isinstance(value, Fraction):
        return value
    if isinstance(value, bool):
        raise NotANumberError(f"{str(value).lower()} is a boolean, not a number")
    if isinstance(value, int):
        if abs(value) >= 10**MAX_CHARACTERS:
            raise NotANumberError("the number has too many digits")
        return Fraction(value)
    if isinstance(value, float):
        return _from_text(repr(value))
    if isinstance(value, NumberText):
        return _from_text(value.text)
    if isinstance(value, str):
        return _from_text(value.strip())
    raise NotANumberError(f"{kind(value)} is not a number")


def text(value: Fraction) -> str:
    """Return the shortest exact text of ``value``: ``"230"``, ``"0.22"`` or ``"50/3"``."""
    rest, twos, fives = value.denominator, 0, 0
    while rest % 2 == 0:
        rest, twos = rest // 2, twos + 1
    while rest % 5 == 0:
        rest, fives = rest // 5, fives + 1
    places = max(twos, fives)
    if rest != 1 or places > MAX_EXPONENT:
        return str(value)
    if places == 0:
        return str(value.numerator)
    digits = str(abs(value.numerator) * 10**places // value.denominator).rjust(places + 1, "0")
    return f"{'-' if value < 0 else ''}{digits[:-places]}.{digits[-places:]}"


def signed(value: float, places: int) -> str:
    """``value`` with its sign to so many places; what rounds to nothing is +0, never -0."""
    return f"{round(value, places) + 0.0:+.{places}f}"


def kind(value: object) -> str:
    """Name the TOML type of ``value`` for a message: ``a table``, ``a list`` ..."""
    names = {bool: "a boolean", dict: "a table", list: "a list", str: "a string"}
    numbers = {int: "a whole number", NumberText: "a decimal number", float: "a decimal number"}
    return {**names, **numbers}.get(type(value), "a date or time")


def _from_text(written: str) -> Fraction:
    if len(written) > MAX_CHARACTERS:
        raise NotANumberError(f"the number is longer than {MAX_CHARACTERS} characters")
    bare = written.lower().lstrip("+-")
    if bare in ("nan", "inf", "infinity"):
        raise NotANumberError(f"{written} is not a finite number")
    if not _NUMBER.fullmatch(written):
        raise NotANumberError(f"{written!a} is not a number")
    if any(abs(int(exponent)) > MAX_EXPONENT for exponent in _EXPONENT.findall(written)):
        raise NotANumberError(f"{written} has an exponent beyond {MAX_EXPONENT}")
    top, _, bottom = written.replace("_", "").partition("/")
    numerator, denominator = Fraction(top.strip()), Fraction(bottom.strip() or 1)
    if denominator == 0:
        raise NotANumberError(f"{written} divides by zero")
    return numerator / denominator
