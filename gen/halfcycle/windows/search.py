"""Measuring windows: which numbers of samples hold a whole number of half cycles, exactly.

With mains frequency f and loop period T, 2fT = K/M in lowest terms says that K half cycles fill M
samples; every whole window is a multiple of that one. All of this is in exact fractions. If no
whole window is short enough, the continued fraction of 2fT gives the nearest misses.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from math import gcd
from typing import Literal

MAX_SAMPLES = 65_535
"""The firmware's sample counter has 16 bits."""

CLOCK_PPM = 20
"""Mismatch up to which a window counts as whole: crystals are sold with 20 to 50 ppm of
tolerance (common practice, no source), so that no clock holds a window closer."""

WindowKind = Literal["plain", "moving flat", "shaped", "moving shaped"]
"""From the cheapest to the dearest."""

LIST_LIMIT = 40
"""Candidates listed when the caller names no other limit."""


@dataclass(frozen=True, slots=True)
class Window:
    """``samples`` loop periods of the mains, in blocks of equal length that weigh differently.

    A window of one block is plain; its ``half_cycles`` are those that it is meant to hold. A window
    whose blocks weigh the same is flat; otherwise it is shaped, needs no whole number of half
    cycles, and ``half_cycles`` is the nearest.
    """

    half_cycles: int
    samples: int
    frequency_hz: Fraction
    period_s: Fraction
    block_weights: tuple[int, ...] = (1,)
    """Weight of each block, the newest first: whole numbers, 1 and up."""
    updates: int = 1
    """PI steps per window, evenly spaced; divides the number of blocks."""

    def __post_init__(self) -> None:
        if self.half_cycles < 1 or self.samples < 1:
            raise ValueError("a window holds at least one half cycle and one sample")
        if not self.block_weights or min(self.block_weights) < 1:
            raise ValueError("a window has blocks, each of a weight above 0")
        if self.samples % self.blocks or self.updates < 1 or self.blocks % self.updates:
            raise ValueError("blocks must divide the samples, and updates the blocks")
        if self.frequency_hz <= 0 or self.period_s <= 0:
            raise ValueError("frequency and period must be above 0")

    @property
    def blocks(self) -> int:
        """Blocks in the window: 1 and up."""
        return len(self.block_weights)

    @property
    def block_samples(self) -> int:
        """Samples in a block: 1 and up."""
        return self.samples // self.blocks

    @property
    def update_samples(self) -> int:
        """Samples between two PI steps: those of one block, or of several."""
        return self.samples // self.updates

    @property
    def update_s(self) -> Fraction:
        """Time between two PI steps, seconds, exact."""
        return self.update_samples * self.period_s

    @property
    def shaped(self) -> bool:
        """Whether its blocks weigh differently."""
        return len(set(self.block_weights)) > 1

    @property
    def moving(self) -> bool:
        """Whether there is more than one PI step per window."""
        return self.updates > 1

    @property
    def kind(self) -> WindowKind:
        """What it is called."""
        if self.shaped:
            return "moving shaped" if self.moving else "shaped"
        return "moving flat" if self.moving else "plain"

    @property
    def duration_s(self) -> Fraction:
        """Length, in seconds, exact."""
        return self.samples * self.period_s

    @property
    def duration_ms(self) -> float:
        """Length, in milliseconds."""
        return float(1000 * self.duration_s)

    @property
    def half_cycles_per_sample(self) -> Fraction:
        """2fT: the phase step between samples, as a fraction of a half cycle."""
        return 2 * self.frequency_hz * self.period_s

    @property
    def mismatch(self) -> Fraction:
        """How much longer (+) or shorter (-) than its half cycles the window is, relative."""
        return self.samples * self.half_cycles_per_sample / self.half_cycles - 1

    @property
    def mismatch_ppm(self) -> float:
        """`mismatch` in parts per million."""
        return float(1_000_000 * self.mismatch)

    @property
    def whole(self) -> bool:
        """Whether the window holds its half cycles exactly."""
        return self.mismatch == 0

    @property
    def within_clock(self) -> bool:
        """Whether the window holds its half cycles as well as a clock can: within CLOCK_PPM."""
        return abs(self.mismatch) * 1_000_000 <= CLOCK_PPM

    @property
    def odd(self) -> bool:
        """Whether the half cycles do not pair up, so that a zero offset does not cancel."""
        return self.half_cycles % 2 == 1

    @property
    def distinct_points(self) -> int:
        """Different places of the half cycle that are sampled.

        A whole window visits N = M/gcd(M, K) equally spaced places. In any other window they all
        differ, unless the step is so simple that it comes back inside the window.
        """
        if self.whole:
            return self.samples // gcd(self.samples, self.half_cycles)
        return min(self.samples, self.half_cycles_per_sample.denominator)

    def times(self, count: int) -> Window:
        """The window ``count`` times as long."""
        return Window(
            self.half_cycles * count, self.samples * count, self.frequency_hz, self.period_s
        )


def whole_windows(
    frequency_hz: Fraction, period_s: Fraction, longest_s: Fraction, limit: int = LIST_LIMIT
) -> tuple[Window, ...]:
    """Every whole window no longer than ``longest_s``, shortest first, at most ``limit``."""
    step = 2 * frequency_hz * period_s
    shortest = Window(step.numerator, step.denominator, frequency_hz, period_s)
    count = _max_samples(period_s, longest_s) // shortest.samples
    return tuple(shortest.times(n) for n in range(1, min(count, limit) + 1))


def nearly_whole_windows(
    frequency_hz: Fraction, period_s: Fraction, longest_s: Fraction, limit: int = LIST_LIMIT
) -> tuple[Window, ...]:
    """The shortest window within CLOCK_PPM of its half cycles, and its multiples, as
    :func:`whole_windows` has them. Each misses by the same share."""
    misses = nearest_misses(frequency_hz, period_s, longest_s)
    shortest = next((window for window in misses if window.within_clock), None)
    if shortest is None:
        return ()
    count = _max_samples(period_s, longest_s) // shortest.samples
    return tuple(shortest.times(n) for n in range(1, min(count, limit) + 1))


def nearest_misses(
    frequency_hz: Fraction, period_s: Fraction, longest_s: Fraction, limit: int = LIST_LIMIT
) -> tuple[Window, ...]:
    """The windows that come nearest to being whole, shortest first, at most ``limit``.

    Each is nearer than every shorter one (in relative mismatch), or is the double of an odd one of
    these, which is as near and cancels a zero offset; and each has the sample count nearest to its
    half cycles. If there are more than ``limit``, the nearest are kept.
    """
    step = 2 * frequency_hz * period_s
    most = _max_samples(period_s, longest_s)
    pairs = sorted(set(_approximations(step, most, limit)), key=lambda pair: (pair[1], pair[0]))
    best: list[Window] = []
    for half_cycles, samples in pairs:
        window = Window(half_cycles, samples, frequency_hz, period_s)
        if not _nearest_count(window):
            continue
        if not best or abs(window.mismatch) < abs(best[-1].mismatch):
            best.append(window)
    doubles = [w.times(2) for w in best if w.odd and 2 * w.samples <= most]
    best += filter(_nearest_count, doubles)
    # A double may coincide with a pair that was found by itself.
    by_count = {(w.half_cycles, w.samples): w for w in best}
    nearest = sorted(by_count.values(), key=lambda w: (abs(w.mismatch), w.samples))[:limit]
    return tuple(sorted(nearest, key=lambda w: (w.samples, w.half_cycles)))


def candidate_windows(
    frequency_hz: Fraction, period_s: Fraction, longest_s: Fraction, limit: int = LIST_LIMIT
) -> tuple[Window, ...]:
    """The whole windows, shortest first; only if there is none, the nearest misses."""
    return whole_windows(frequency_hz, period_s, longest_s, limit) or nearest_misses(
        frequency_hz, period_s, longest_s, limit
    )


def _nearest_count(window: Window) -> bool:
    """Whether one sample more or less would not bring the window nearer to its half cycles."""
    return abs(window.samples - window.half_cycles / window.half_cycles_per_sample) <= Fraction(
        1, 2
    )


def _max_samples(period_s: Fraction, longest_s: Fraction) -> int:
    return min(MAX_SAMPLES, int(longest_s // period_s))


def _approximations(step: Fraction, most: int, limit: int) -> Iterator[tuple[int, int]]:
    """Convergents and semiconvergents K/M of ``step`` with K >= 1 and M <= ``most``.

    Within one run of semiconvergents each is nearer than the one before, so that only the last
    ``limit`` of a run can matter.
    """
    (k_before, m_before), (k_last, m_last) = (0, 1), (1, 0)
    rest = step
    while True:
        digit = int(rest)
        room = (most - m_before) // m_last if m_last else digit
        last = min(digit, room)
        for j in range(max(0, last - limit), last + 1):
            half_cycles, samples = k_before + j * k_last, m_before + j * m_last
            if half_cycles >= 1 and 1 <= samples <= most:
                yield half_cycles, samples
        if room < digit or rest == digit:
            return
        (k_before, m_before), (k_last, m_last) = (
            (k_last, m_last),
            (k_before + digit * k_last, m_before + digit * m_last),
        )
        rest = 1 / (rest - digit)
