"""C's integer types for an ``int`` of 16 or 32 bits: promotion, conversion, constants.

C99 6.2.5, 6.3.1.1, 6.3.1.8 and 6.4.4.1. ``long`` has 32 bits either way, as on every target here,
and ``long long`` 64.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

_RANKS = {"char": 0, "short": 1, "int": 2, "long": 3, "long long": 4}

_WORDS = ("signed", "unsigned", "char", "short", "int", "long")


@dataclass(frozen=True, slots=True)
class IntType:
    """An integer type; ``rank`` orders conversions, so int and long differ at the same width."""

    rank: int
    bits: int
    signed: bool
    low: int = field(init=False, compare=False)
    high: int = field(init=False, compare=False)

    def __post_init__(self) -> None:
        # Once for each type: both are asked for at every step of a proof.
        object.__setattr__(self, "low", -(1 << (self.bits - 1)) if self.signed else 0)
        object.__setattr__(self, "high", (1 << (self.bits - self.signed)) - 1)

    def __str__(self) -> str:
        return f"{'' if self.signed else 'u'}int{self.bits}"


@dataclass(frozen=True, slots=True)
class Widths:
    """The integer types of a machine, by the width of its ``int``."""

    int_bits: int

    def named(self, words: list[str]) -> IntType:
        """The type that the specifier ``words`` name, such as ["unsigned", "long"]."""
        if not words or set(words) - set(_WORDS):
            raise ValueError(f"{' '.join(words)} is not an integer type that is known")
        signed = "unsigned" not in words
        if "char" in words:
            if not {"signed", "unsigned"} & set(words):
                raise ValueError("plain char: its sign is the compiler's choice")
            return self.of("char", signed)
        if "short" in words:
            return self.of("short", signed)
        longs = words.count("long")
        return self.of(("int", "long", "long long")[longs], signed)

    @cache  # noqa: B019 (an object for each width of int, a few types each)
    def of(self, name: str, signed: bool) -> IntType:
        bits = {"char": 8, "short": 16, "int": self.int_bits, "long": 32, "long long": 64}[name]
        return IntType(_RANKS[name], bits, signed)

    @property
    def plain(self) -> IntType:
        return self.of("int", True)

    @cache  # noqa: B019 (an object for each width of int, a few types each)
    def promoted(self, operand: IntType) -> IntType:
        """6.3.1.1: what is ranked below int becomes int if int holds it, else unsigned int."""
        plain = self.plain
        if operand.rank > plain.rank or operand == self.of("int", False):
            return operand
        return plain if operand.high <= plain.high else self.of("int", False)

    @cache  # noqa: B019 (an object for each width of int, a few types each)
    def common(self, left: IntType, right: IntType) -> IntType:
        """6.3.1.8, the usual arithmetic conversions, of two types."""
        left, right = self.promoted(left), self.promoted(right)
        if left.signed == right.signed:
            return left if left.rank >= right.rank else right
        signed, unsigned = (left, right) if left.signed else (right, left)
        if unsigned.rank >= signed.rank:
            return unsigned
        if signed.high >= unsigned.high:
            return signed
        return IntType(signed.rank, signed.bits, False)

    @cache  # noqa: B019 (an object for each width of int, a few types each)
    def constant(self, text: str) -> tuple[int, IntType]:
        """6.4.4.1: value and type of an integer constant."""
        digits = text.rstrip("uUlL")
        suffix = text[len(digits) :].lower()
        octal = len(digits) > 1 and digits[0] == "0" and digits[1].isdigit()
        value = int(digits, 8) if octal else int(digits, 0)
        decimal = not octal and digits[:2].lower() != "0x"
        names = ("int", "long", "long long")[suffix.count("l") :]
        for name in names:
            for signed in (False,) if "u" in suffix else (True,) if decimal else (True, False):
                candidate = self.of(name, signed)
                if value <= candidate.high:
                    return value, candidate
        raise ValueError(f"{text} fits no type")
