"""What a log says of each reading: from its sums exactly, else as far as its millivolts tell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.bench.log_rows import Ints, LogRows, steps_of
from halfcycle.regulator import arithmetic
from halfcycle.regulator.trace import scale_by

if TYPE_CHECKING:
    from halfcycle.regulator.plan import Plan

NEAREST = 400
"""Readings about the likeliest that are tried for a number of millivolts, either way."""


@dataclass(frozen=True, slots=True)
class Readings:
    """Of N rows: the least and the greatest reading (N,) that show these millivolts, the greatest
    below the least if none does; and the reading that the sums give, -1 if they do not tell."""

    low: Ints
    high: Ints
    by_sums: Ints

    @property
    def ranges(self) -> tuple[Ints, Ints]:
        """Least and greatest (N,) by sums and millivolts; the greatest below the least if they
        contradict each other. ``log_hidden.Row.reading`` for arrays."""
        summed = self.by_sums >= 0
        agree = (self.low <= self.by_sums) & (self.by_sums <= self.high)
        by_both = np.where(agree, self.by_sums, -1)
        return np.where(summed, self.by_sums, self.low), np.where(summed, by_both, self.high)


class ReadingsOf:
    """Makes the readings of a log's pieces, one after the other."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._sums = np.zeros(0, dtype=np.int64)
        self._updates = np.zeros(0, dtype=np.int64)

    def of(self, rows: LogRows) -> Readings:
        """The readings of the next piece."""
        low, high = readings_of_millivolts(self.plan, rows.rms_mv)
        by_sums = np.full(len(rows), -1, dtype=np.int64)
        if rows.sum is not None and not (self.plan.blockwise and self.plan.block_high):
            by_sums = self._of_sums(rows, rows.sum, high)
        return Readings(low, high, by_sums)

    def _of_sums(self, rows: LogRows, sums: Ints, high: Ints) -> Ints:
        plan, ring = self.plan, self.plan.blocks - 1
        if plan.block_high:
            return self._of_low_words(sums, high)
        sums = np.concatenate([self._sums, sums])
        updates = np.concatenate([self._updates, rows.update])
        gaps = np.concatenate([[0], np.cumsum(steps_of(updates) != 1)])
        total = np.zeros(len(rows), dtype=np.int64)
        known = np.zeros(len(rows), dtype=bool)
        count = len(sums) - ring
        if count > 0:
            # Of the last so many rows each has its whole window in the log, if there is no gap.
            for ago, weight in enumerate(plan.block_weights):
                total[-count:] += weight * sums[ring - ago : len(sums) - ago]
            known[-count:] = gaps[ring:] == gaps[: len(gaps) - ring]
        kept = max(0, len(sums) - ring)
        self._sums, self._updates = sums[kept:], updates[kept:]
        return np.where(known, reading_of(plan, total), -1)

    def _of_low_words(self, sums: Ints, high: Ints) -> Ints:
        """From the low words of a plain window's sums: the reading is far finer than the high
        word."""
        plan = self.plan
        about = (high**2 if plan.measure == "rms" else high) << plan.reading_shift
        total = ((about - sums + (1 << 31)) >> 32 << 32) + sums
        return np.where(total >= 0, reading_of(plan, np.maximum(total, 0)), -1)


def reading_of(plan: Plan, total: Ints) -> Ints:
    """``halfcycle.regulator.model.reading_of`` for arrays."""
    if plan.measure == "mean":
        return (total + arithmetic.half(plan.reading_shift)) >> plan.reading_shift
    value = total >> plan.reading_shift
    root = np.floor(np.sqrt(value.astype(np.float64))).astype(np.int64)
    return np.asarray(root + (value - root * root > root), dtype=np.int64)


def readings_of_millivolts(plan: Plan, millivolts: Ints) -> tuple[Ints, Ints]:
    """Least and greatest reading with these millivolts; the greatest is below the least if no
    reading has them."""
    gain, shift = plan.millivolt_gain, plan.millivolt_shift
    about = np.round(millivolts * (2.0**shift / gain)).astype(np.int64)
    # Several readings share a millivolt where the millivolt is the coarser one.
    reach = min(NEAREST, 2 + int(2.0**shift / gain))
    low = np.full(len(millivolts), np.iinfo(np.int64).max, dtype=np.int64)
    high = np.full(len(millivolts), -1, dtype=np.int64)
    for off in range(-reach, reach + 1):
        tried = about + off
        fits = (tried >= 0) & (tried <= plan.reading_max)
        fits &= scale_by(np.maximum(tried, 0), gain, shift) == millivolts
        low = np.where(fits, np.minimum(low, tried), low)
        high = np.where(fits, np.maximum(high, tried), high)
    return low, high
