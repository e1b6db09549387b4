"""Exact integer intervals: what a value can be, from what its operands can be.

Used by the quantiser to derive (not sample) the range of every intermediate of the C.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Interval:
    """All integers from ``low`` to ``high``, both included. Empty intervals are refused."""

    low: int
    high: int

    def __post_init__(self) -> None:
        if self.low > self.high:
            raise ValueError(f"empty interval [{self.low}, {self.high}]")

    def __add__(self, other: Interval) -> Interval:
        return Interval(self.low + other.low, self.high + other.high)

    def __sub__(self, other: Interval) -> Interval:
        return Interval(self.low - other.high, self.high - other.low)

    def __mul__(self, other: Interval) -> Interval:
        corners = [a * b for a in (self.low, self.high) for b in (other.low, other.high)]
        return Interval(min(corners), max(corners))

    def join(self, other: Interval) -> Interval:
        """The least interval that holds both."""
        return Interval(min(self.low, other.low), max(self.high, other.high))

    def map(self, rising: Callable[[int], int]) -> Interval:
        """The image under a non-decreasing function."""
        return Interval(rising(self.low), rising(self.high))

    def headroom(self, bits: int, signed: bool) -> int:
        """How many times the interval may double inside a word of ``bits``; negative: too wide."""
        room = -1
        low, high = self.low, self.high
        least = -(1 << (bits - 1)) if signed else 0
        most = (1 << (bits - 1)) - 1 if signed else (1 << bits) - 1
        while room < bits and least <= low and high <= most:
            room += 1
            low, high = low * 2, high * 2
        return room
