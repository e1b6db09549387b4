"""Axes: from values to places on the paper, and where the ticks go."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis from ``low`` to ``high`` (either way round); ``log`` needs both above 0.

    ``ticks`` are (value, text); left empty, there are about ``wanted`` round ones.
    """

    low: float
    high: float
    label: str
    log: bool = False
    given: tuple[tuple[float, str], ...] = ()
    wanted: int = 5

    def share(self, value: float) -> float:
        """Place of ``value``: 0 at the low end, 1 at the high end, beyond for values outside."""
        if self.log:
            return math.log(max(value, 1e-300) / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def ticks(self) -> tuple[tuple[float, str], ...]:
        """Ticks inside the axis."""
        if self.given:
            return self.given
        return _decades(self.low, self.high) if self.log else _round(self)


def _round(axis: Axis) -> tuple[tuple[float, str], ...]:
    low, high = min(axis.low, axis.high), max(axis.low, axis.high)
    step = _step((high - low) / axis.wanted)
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    places += round(step * 10**places, 6) % 1 != 0  # 0.25 needs a digit more than 0.2
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple((n * step, _plain(n * step, places)) for n in range(first, last + 1))


def _step(rough: float) -> float:
    """1, 2, 2.5 or 5 times a power of ten, ``rough`` or a little more."""
    power = 10.0 ** math.floor(math.log10(rough))
    return next(m * power for m in (1, 2, 2.5, 5, 10) if m * power >= rough * (1 - 1e-9))


def _plain(value: float, places: int) -> str:
    text = f"{value:.{places}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if float(text) == 0 else text.replace("-", "−")


def _decades(low: float, high: float) -> tuple[tuple[float, str], ...]:
    first, last = math.ceil(math.log10(low) - 1e-9), math.floor(math.log10(high) + 1e-9)
    values = [10.0**n for n in range(first, last + 1)]
    if len(values) < 3:
        values = [
            m * 10.0**n
            for n in range(first - 1, last + 1)
            for m in (1, 2, 5)
            if low * (1 - 1e-9) <= m * 10.0**n <= high * (1 + 1e-9)
        ]
    return tuple((value, f"{value:g}") for value in values)


def padded(values: list[float], share: float = 0.06) -> tuple[float, float]:
    """Least and greatest of ``values`` with some room on either side."""
    low, high = min(values), max(values)
    room = share * (high - low) or 0.05 * abs(high) or 1.0
    return low - room, high + room
