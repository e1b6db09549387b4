"""Shaped windows for a spec: how long, of which blocks, with which weights.

A shaped window measures at any loop period. Its length follows from its zeros: with too few blocks
for them some weights come out next to nothing or below, and noise grows. A reading's mean holds
every even harmonic of the mains, so that a mean gets a shaped window only if the sampling
is so fast that what aliases stays small.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

from halfcycle.windows import weights
from halfcycle.windows.search import MAX_SAMPLES, Window
from halfcycle.windows.weights import NoSuchZeroError, ZeroSet
from halfcycle.windows.zeros import sets_of_zeros

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

MAX_BLOCKS = 64
"""The firmware's ring holds so many sums."""

BLOCKS_PER_HALF_CYCLE = 8
"""Blocks are at most this part of a half cycle: longer ones fold harmonics onto the zeros. Shorter
ones would update more often than the loop has a use for."""

MAX_CYCLES = Fraction(3, 2)
"""Longest window that is tried, cycles, unless the shortest is longer: more only adds delay."""

LENGTHS = (Fraction(1), Fraction(4, 3), Fraction(5, 3))
"""Lengths that are tried, beside the shortest that carries its zeros."""

MAX_NOISE = Fraction(5, 4)
"""A length carries its zeros if no real weight is below 0, and its noise is at most so many times
that of a flat window as long."""

Shape = tuple[int, int]
"""Blocks, and samples in each."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What shaped windows are to be for."""

    frequency_hz: Fraction
    period_s: Fraction
    longest_s: Fraction
    sets: tuple[ZeroSet, ...]
    """Sets of zeros to try, each with fewer than the one before."""
    samples: int | None = None
    """The length insisted on; None: any."""
    updates: int | None = None
    """PI steps per window insisted on; None: one a block."""

    @classmethod
    def of(cls, spec: Spec) -> Wanted:
        """What a spec asks for."""
        loop, f, period = spec.loop, spec.output.frequency_hz, spec.loop.period_us / 1_000_000
        samples = None if loop.samples == "auto" else loop.samples
        if samples is None and loop.half_cycles != "auto":
            samples = max(1, round(loop.half_cycles / (2 * f * period)))
        return cls(
            frequency_hz=f,
            period_s=period,
            longest_s=loop.longest_window_ms / 1000,
            sets=sets_of_zeros(spec),
            samples=samples,
            updates=None if loop.updates_per_window == "auto" else loop.updates_per_window,
        )

    @property
    def half_cycle(self) -> Fraction:
        """Samples in a half cycle."""
        return 1 / (2 * self.frequency_hz * self.period_s)

    @property
    def block(self) -> int:
        """Samples in a block."""
        return max(1, int(self.half_cycle / BLOCKS_PER_HALF_CYCLE))

    @property
    def longest(self) -> int:
        """Samples in the longest window."""
        return min(int(self.longest_s / self.period_s), MAX_SAMPLES)

    @property
    def block_counts(self) -> range:
        """Numbers of blocks that the updates insisted on divide."""
        step = self.updates or 1
        return range(step, MAX_BLOCKS + 1, step)

    def carries(self, zeros: ZeroSet, blocks: int, block_samples: int) -> bool:
        """Whether weights of so many blocks have the zeros, none below 0 and not far apart."""
        try:
            ideal = weights.least_norm(
                self.frequency_hz, self.period_s, blocks, block_samples, zeros
            )
        except NoSuchZeroError:
            return False
        if ideal is None or min(ideal) < 0:
            return False
        return blocks * sum(weight**2 for weight in ideal) <= MAX_NOISE**2


def shaped_for(spec: Spec) -> tuple[Window, ...]:
    """Moving shaped windows that the spec allows, the shortest first; one update a block, or as
    many as it insists on. None if nothing carries the zeros, or a mean would alias."""
    return tuple(window for window in shaped_windows(Wanted.of(spec)) if _good_mean(spec, window))


def shaped_windows(wanted: Wanted) -> tuple[Window, ...]:
    """Moving shaped windows, the shortest first; of two as long that with more zeros."""
    found: dict[int, Window] = {}
    for zeros in wanted.sets:
        for blocks, block_samples in shapes(wanted, zeros):
            if blocks * block_samples not in found:
                window = _weighted(wanted, zeros, blocks, block_samples)
                if window is not None:
                    found[window.samples] = window
    return tuple(found[samples] for samples in sorted(found))


def shapes(wanted: Wanted, zeros: ZeroSet) -> list[Shape]:
    """Shapes to be tried for these zeros, the shortest first."""
    block = wanted.block
    if wanted.samples is not None:
        fits = wanted.samples <= wanted.longest
        return _of_samples(wanted, zeros, wanted.samples) if fits else []
    counts = [n for n in wanted.block_counts if n * block <= wanted.longest]
    shortest = next((n for n in counts if wanted.carries(zeros, n, block)), None)
    if shortest is None:
        return []
    limit = max(2 * MAX_CYCLES * wanted.half_cycle / block, Fraction(shortest))
    lengths = {max(n for n in counts if n <= min(limit, shortest * share)) for share in LENGTHS}
    return [(n, block) for n in sorted(lengths) if wanted.carries(zeros, n, block)]


def _of_samples(wanted: Wanted, zeros: ZeroSet, samples: int) -> list[Shape]:
    """The fewest blocks that are short enough and carry the zeros; if there are none that short,
    the most."""
    counts = [n for n in wanted.block_counts if samples % n == 0]
    short = [n for n in counts if samples // n <= wanted.block]
    long = [n for n in reversed(counts) if samples // n > wanted.block]
    carrying = (n for n in (*short, *long) if wanted.carries(zeros, n, samples // n))
    return [(n, samples // n) for n in carrying][:1]


def _weighted(wanted: Wanted, zeros: ZeroSet, blocks: int, block_samples: int) -> Window | None:
    """The window with the weights of fewest bits that leave next to nothing at the zeros; if none
    do, with those that leave least."""
    f, period = wanted.frequency_hz, wanted.period_s
    best: tuple[int, ...] = ()
    least = math.inf
    for bits in range(weights.MIN_BITS, weights.MAX_BITS + 1):
        found = weights.shaped_weights(f, period, blocks, block_samples, zeros, bits)
        if found is None:
            continue
        left = weights.counted_rest(f, period, found, block_samples, zeros)
        if left < least:
            best, least = found, left
        if left <= weights.REST:
            break
    if len(set(best)) < 2:
        return None
    samples = blocks * block_samples
    updates = wanted.updates or blocks
    return Window(
        half_cycles=max(1, round(2 * f * period * samples)),
        samples=samples,
        frequency_hz=f,
        period_s=period,
        block_weights=best,
        updates=updates if updates > 1 else blocks,
    )


def _good_mean(spec: Spec, window: Window) -> bool:
    """Whether a mean over the window is good to half the tolerance, or the spec insists on it."""
    if spec.loop.measure == "rms" or spec.loop.weighting == "shaped":
        return True
    from halfcycle.windows.reading_errors import mean_error  # noqa: PLC0415 (numpy: not for --help)

    low, high = mean_error(window)
    return (high - low) / 2 <= float(spec.targets.voltage_tolerance_percent) / 200


def nearest_samples(wanted: Wanted, samples: int, tried: int = 200) -> Iterator[int]:
    """Numbers of samples that carry a shaped window, the nearest to ``samples`` first."""
    for away in range(1, tried):
        for count in (samples + away, samples - away):
            other = replace(wanted, samples=count)
            if count >= 2 and any(shapes(other, zeros) for zeros in wanted.sets):
                yield count
