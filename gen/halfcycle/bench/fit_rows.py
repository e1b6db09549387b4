"""The rows of a log that a fit is made of: those where the drive moves the most.

A fit takes a bounded number of rows, however long the log is: pieces of it in which the scale
moves, each with the rows before it that its first readings still show.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.bench.capture_types import Floats
from halfcycle.bench.log_readings import Readings
from halfcycle.bench.log_rows import Ints, LogRows
from halfcycle.loop.drive import reading_of_scale
from halfcycle.regulator.plan import SCALE_ONE

if TYPE_CHECKING:
    from halfcycle.regulator.plan import Plan

PIECE = 1024
MAX_PIECES = 16
MIN_LEVEL = 0.1
"""Readings below this share of rated are left out: noise alone reads as something."""


@dataclass(frozen=True, slots=True)
class Steps:
    """N PI steps of a log: readings in units of rated, scales (1.0 = bus), the bus, and whether a
    step follows the one before it, all (N,). ``update``: their counts."""

    reading: Floats
    scale: Floats
    bus: Floats
    follows: np.ndarray
    update: Ints

    def __len__(self) -> int:
        return len(self.reading)

    def rows(self, part: slice) -> Steps:
        """Some of the steps."""
        return Steps(
            self.reading[part],
            self.scale[part],
            self.bus[part],
            self.follows[part],
            self.update[part],
        )


def joined(parts: list[Steps]) -> Steps:
    """Several pieces as one."""
    return Steps(
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("reading", "scale", "bus", "follows", "update")
        )
    )


def rated_units(plan: Plan) -> float:
    """Units of the reading at rated, not rounded."""
    return float(plan.rated_mv * plan.target_gain / 2.0**plan.target_shift)


class MovingRows:
    """Keeps the pieces of a log in which the scale moves the most."""

    def __init__(self, plan: Plan) -> None:
        self._rated = rated_units(plan)
        # Half a unit rounds up: of sums of so many bits below it, the readings are high by this.
        self._high = 0.5 / 2.0**plan.reading_shift if plan.measure == "mean" else 0.0
        # With a measured bus the scale is that of the nominal bus: what the bus is, it has already.
        self._bus_counts = plan.bus is None
        self._lead = plan.updates + 2
        self._waiting: list[Steps] = []
        self._context: Steps | None = None
        self._kept: list[tuple[float, int, Steps]] = []
        self._number = 0

    def feed(self, rows: LogRows, readings: Readings, kinds: Ints) -> None:
        """Take in the next piece; ``kinds`` as ``LogCheck.feed`` gives them."""
        low, high = readings.ranges
        reading = ((low + high) / 2 - self._high) / self._rated
        # Of sums and millivolts that contradict each other one is wrong.
        good = (kinds > 0) & (high >= low)
        chosen = np.flatnonzero(good)
        if not len(chosen):
            return
        # A row left out for its reading breaks the sequence.
        broken = np.concatenate([[0], np.cumsum((kinds > 0) & ~good)])[chosen]
        follows = (kinds[chosen] == 2) & np.concatenate([[True], np.diff(broken) == 0])
        bus = np.ones(len(rows))
        if rows.bus is not None and self._bus_counts:
            bus = rows.bus.astype(np.float64)
        steps = Steps(
            reading[chosen],
            rows.scale[chosen] / SCALE_ONE,
            bus[chosen],
            follows,
            rows.update[chosen],
        )
        self._waiting.append(steps)
        if sum(map(len, self._waiting)) >= PIECE:
            self._take()

    def _take(self) -> None:
        steps = joined(self._waiting)
        whole = len(steps) // PIECE * PIECE or len(steps)
        for first in range(0, whole, PIECE):
            self._keep(steps.rows(slice(first, first + PIECE)))
        self._waiting = [steps.rows(slice(whole, None))] if whole < len(steps) else []

    def _keep(self, piece: Steps) -> None:
        moved = float((np.diff(piece.scale) ** 2).sum())
        lead = [self._context] if self._context is not None else []
        first = piece
        if not lead:
            first = Steps(piece.reading, piece.scale, piece.bus, piece.follows.copy(), piece.update)
        self._number += 1
        heapq.heappush(self._kept, (moved, -self._number, joined([*lead, first])))
        if len(self._kept) > MAX_PIECES:
            heapq.heappop(self._kept)
        self._context = joined([*lead, piece]).rows(slice(-self._lead, None))

    def pieces(self) -> list[Steps]:
        """What was kept, in the log's order."""
        if self._waiting:
            self._take()
        return [steps for _, _, steps in sorted(self._kept, key=lambda entry: -entry[1])]


@dataclass(frozen=True, slots=True)
class FitRows:
    """N readings (units of rated) with what a change at once (``now``) and one an update late
    (``later``) would make of them per unit of gain; squares if the reading is RMS. ``run``: equal
    for readings that follow each other. ``sign``: +1 and -1 by turns. ``number``: of each among
    all rows of the log that may be chosen."""

    reading: Floats
    now: Floats
    later: Floats
    scale: Floats
    run: Ints
    sign: Floats
    update: Ints
    number: Ints

    def __len__(self) -> int:
        return len(self.reading)

    def rows(self, chosen: np.ndarray) -> FitRows:
        """Some of the readings; those that follow each other no more are runs of their own."""
        gaps = np.diff(np.flatnonzero(chosen) if chosen.dtype == bool else chosen, prepend=0) > 1
        return FitRows(
            self.reading[chosen],
            self.now[chosen],
            self.later[chosen],
            self.scale[chosen],
            self.run[chosen] + 1_000_000 * np.cumsum(gaps),
            self.sign[chosen],
            self.update[chosen],
            self.number[chosen],
        )


def block_shares(plan: Plan) -> Floats:
    """Share of a window that a scale acts on, by the updates since it was made, if it acts at
    once: sum 1."""
    shares = np.array(plan.block_weights, dtype=np.float64).reshape(plan.updates, -1).sum(axis=1)
    return np.asarray(shares / shares.sum(), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Chosen:
    """The rows of a piece that a fit is made of, by their place in it (``at``), and what all its
    rows drive (squares if the reading is RMS). ``stretch``: the first row (by row) of those that
    follow each other."""

    piece: Steps
    driven: Floats
    stretch: Ints
    at: Ints
    now: Floats
    later: Floats


def chosen_rows(plan: Plan, pieces: list[Steps]) -> Iterator[Chosen]:
    """The rows whose whole past is in a piece, and which are large enough."""
    shares = block_shares(plan)
    past = len(shares) + 1
    mean_bus = float(np.mean(np.concatenate([piece.bus for piece in pieces]))) if pieces else 1.0
    for piece in pieces:
        driven = reading_of_scale(piece.scale, plan.measure)[0] * piece.bus / (mean_bus or 1.0)
        if plan.measure == "rms":
            driven = driven**2
        follows = piece.follows.copy()
        follows[0] = False
        stretch = np.flatnonzero(~follows)[np.cumsum(~follows) - 1]
        weighed = np.convolve(driven, shares)[: len(piece)]
        now, later = (np.concatenate([np.zeros(n), weighed[: len(piece) - n]]) for n in (1, 2))
        large = (piece.reading > MIN_LEVEL) & (now > 0)
        at = np.flatnonzero((np.arange(len(piece)) - stretch >= past) & large)
        if len(at):
            yield Chosen(piece, driven, stretch, at, now, later)


def fit_rows(plan: Plan, pieces: list[Steps]) -> FitRows:
    """The readings whose whole past is in a piece, and which are large enough."""
    parts: list[FitRows] = []
    runs = 0
    for rows in chosen_rows(plan, pieces):
        at, piece, first = rows.at, rows.piece, rows.stretch[rows.at]
        apart = (np.diff(at, prepend=at[0]) > 1) | (np.diff(first, prepend=first[0]) > 0)
        run = runs + np.cumsum(apart)
        runs = int(run[-1]) + 1
        parts.append(
            FitRows(
                piece.reading[at],
                rows.now[at],
                rows.later[at],
                piece.scale[at],
                run,
                np.asarray(1.0 - 2.0 * (piece.update[at] & 1), dtype=np.float64),
                piece.update[at],
                np.arange(len(at)) + sum(map(len, parts)),
            )
        )
    if not parts:
        none = np.zeros(0)
        whole = np.zeros(0, dtype=np.int64)
        return FitRows(none, none, none, none, whole, none, whole, whole)
    names = ("reading", "now", "later", "scale", "run", "sign", "update", "number")
    return FitRows(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))
