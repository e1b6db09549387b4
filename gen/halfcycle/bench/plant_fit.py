"""From a log's readings and scales to gain and share of delay, with 95 % intervals.

A reading is what the scales of the last updates made: with the share s of a change that acts before
the next update,

    mean:  y[k+1] = g sum_i w_i (s r(u[k-i]) + (1 - s) r(u[k-i-1]))
    rms:   y[k+1]^2 = g^2 sum_i w_i (s r(u[k-i])^2 + (1 - s) r(u[k-i-1])^2)

with w_i the weights of the window's blocks (one, 1, of a plain window) and r the clipped sine's
curve. That is ``Plants.delayed`` of ``halfcycle.loop`` by 1 - s of an update. Least squares of what
the noise leaves white (``reading_noise``), Student's t of the degrees of freedom that are left.
A load's step makes another gain: steps of the gain are looked for, and each level gets its own.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.bench.calibrate import CONFIDENCE, Estimate, plus_minus
from halfcycle.bench.capture_types import Floats
from halfcycle.bench.fit_pull import Pull
from halfcycle.bench.fit_rows import FitRows, block_shares, rated_units
from halfcycle.bench.reading_noise import Whitening, correlation

if TYPE_CHECKING:
    from halfcycle.regulator.plan import Plan

MIN_ROWS = 12
MAX_SHARE_WIDTH = 0.1
"""Half width of the share's interval, in windows, beyond which the log says too little of it. The
share counts updates, and the loop answers to a delay as a part of its window: an update of a moving
one is as small beside it as the window has updates."""
MAX_GAIN_WIDTH = 5e-3
"""Half width of the gain's interval, over the gain, beyond which the log says too little of it:
well below what bus and sensor are allowed."""
MOVED = 0.02
"""A scale that moves by this has been stepped: what is lacking is another step."""
MAX_LEVELS = 6
LEVEL_TEST = 45.0
"""Fall of the squares, in variances of the noise, by which a second level of the gain counts: by
chance once in about 10^8 rows (chi square of two degrees)."""
MIN_LEVEL_PASTS = 5
"""So many times the past that a reading shows, a level lasts: what is shorter may be the answer to
a step, which the model has not quite right. Of a plain window 10 rows."""
MIN_LEVEL_STEP = 1e-3
"""Smaller steps of the gain are what the model leaves out."""
LEAST_STEP = 3.0
"""Steps of the gain below this many times what the model leaves of the levels beside it, noise
apart, are the model's own error: a filter or a window's phase in the answer to a great step of the
target, which lasts for some windows as a level does."""
NOISE_ROOM = 1.5
"""So many times the noise at rest may be left of a level without any error of the model."""
LEAST_SHARE, MOST_SHARE = 1e-4, 1e4
"""White part of the noise beside the one that overlapping windows share."""


@dataclass(frozen=True, slots=True)
class GainLevel:
    """The gain from one update on; more than one only if a load or the bus stepped."""

    update: int
    gain: Estimate


@dataclass(frozen=True, slots=True)
class PlantFit:
    """``gain``: rated volts per unit of scale, of the level with the most readings. ``share``: of a
    change of scale that acts in the first update's time; 1: at once; None if the log does not tell,
    with the reason in ``doubt``. ``noise``: of a reading, a share of rated, RMS. ``moved``: how far
    the scale moved. ``predicted``: what the fit makes of each of ``rows``, units of rated."""

    gain: Estimate
    share: Estimate | None
    noise: float
    freedom: int
    moved: float
    levels: tuple[GainLevel, ...]
    rows: FitRows
    predicted: Floats
    doubt: str = ""
    pull: Pull | None = None


@dataclass(frozen=True, slots=True)
class NoFit:
    """Why the log says nothing of the plant."""

    reason: str
    moved: float


def fit_plant(plan: Plan, rows: FitRows) -> PlantFit | NoFit:
    """Gain and share of the plant behind ``rows``."""
    past = len(block_shares(plan)) + 1
    if len(rows) < MIN_ROWS + past:
        text = f"{len(rows)} readings with their past in the log are too few"
        return NoFit(f"{text}: {MIN_ROWS + 2 * past} rows without a gap are needed", 0.0)
    moved = float(np.ptp(rows.scale))
    model = _Model(plan, rows)
    if float(np.ptp(rows.now)) <= 0:
        return NoFit("the scale does not move", moved)
    solved = model.solved()
    while len(solved.model.starts) < MAX_LEVELS:
        better = solved.with_level(past)
        if better is None:
            break
        solved = better
    while (doubtful := solved.doubtful_level()) is not None:
        solved = solved.without_level(doubtful)
    return _told(plan, solved.fit(moved))


def _told(plan: Plan, fit: PlantFit) -> PlantFit | NoFit:
    """The fit, less what the log says too little of."""
    width = math.inf if fit.share is None else fit.share.uncertainty
    moves = f"the scale moves by {fit.moved:.2g}, too little beside the noise"
    # Many levels, each of few readings, may leave the one with the most as uncertain as the rest.
    if not fit.gain.uncertainty <= MAX_GAIN_WIDTH * abs(fit.gain.value):
        half = plus_minus(fit.gain.uncertainty, 2)
        return NoFit(f"the gain is known to {half} only: {moves}", fit.moved)
    if width <= MAX_SHARE_WIDTH * plan.updates:
        return fit
    doubt = f"the share of delay is known to {plus_minus(width, 2)} only: {moves}"
    return replace(fit, share=None, doubt=doubt)


@dataclass(frozen=True, slots=True)
class _Model:
    """Readings as a function of (share, gains of the levels, alternation)."""

    plan: Plan
    rows: FitRows
    starts: tuple[int, ...] = (0,)
    """First row of each level."""

    @property
    def alternates(self) -> bool:
        """Whether an error of the zero flips the sign of what it adds from window to window."""
        plan = self.plan
        return not plan.blockwise and plan.measure == "mean" and plan.half_cycles % 2 == 1

    @property
    def level(self) -> np.ndarray:
        """The level of each row."""
        return np.searchsorted(self.starts, np.arange(len(self.rows)), side="right") - 1

    def predict(self, values: Floats) -> Floats:
        """The readings with these parameters."""
        rows, levels = self.rows, len(self.starts)
        driven = values[0] * rows.now + (1.0 - values[0]) * rows.later
        if self.plan.measure == "rms":
            driven = np.sqrt(np.maximum(driven, 1e-12))
        made = values[1 : 1 + levels][self.level] * driven
        if self.alternates:
            made = made + values[1 + levels] * rows.sign
        return np.asarray(made, dtype=np.float64)

    def left(self, values: Floats, white: Whitening) -> Floats:
        """What these parameters leave of the readings, made white."""
        return white(self.rows.reading - self.predict(values))

    def solved(self) -> _Solved:
        """The best parameters, with the noise as it is left."""
        white = Whitening(self.rows.run, correlation(self.plan), 0.0 + LEAST_SHARE)
        solved = self._solved(white)
        if len(white.correlation) == 1:
            return solved
        return self._solved(replace(white, share=_white_share(solved)))

    def _solved(self, white: Whitening) -> _Solved:
        from scipy.optimize import least_squares  # noqa: PLC0415 (slow)

        rows, levels = self.rows, len(self.starts)
        driven = np.sqrt(rows.now) if self.plan.measure == "rms" else rows.now
        at = self.level
        gains = [
            float(np.median(rows.reading[at == n] / np.maximum(driven[at == n], 1e-9)))
            for n in range(levels)
        ]
        start = np.array([0.9, *gains, *([0.0] if self.alternates else [])])
        found = least_squares(
            self.left,
            start,
            args=(white,),
            method="lm",
            x_scale=np.maximum(np.abs(start), 0.1),
            xtol=1e-12,
            ftol=1e-12,
        )
        return _Solved(self, found.x, found.fun, np.asarray(found.jac), white)


@dataclass(frozen=True, slots=True)
class _Solved:
    """A model's best parameters, what is left (white) and the slopes."""

    model: _Model
    values: Floats
    left: Floats
    slopes: Floats
    white: Whitening

    @property
    def freedom(self) -> int:
        return len(self.left) - len(self.values)

    @property
    def variance(self) -> float:
        return float(self.left @ self.left) / self.freedom

    def with_level(self, past: int) -> _Solved | None:
        """With one more level of the gain, if that explains far more than chance would."""
        model = self.model
        made = model.predict(self.values)
        ratio = (model.rows.reading - made) / np.maximum(made, 1e-6)
        spread = np.sum(np.abs(self.white.correlation)) * 2 - 1
        best, split = 0.0, None
        edges = [*model.starts, len(ratio)]
        least = MIN_LEVEL_PASTS * past
        for first, last in itertools.pairwise(edges):
            count = last - first
            if count < 2 * least:
                continue
            cut = np.arange(least, count - least + 1)
            sums = np.cumsum(ratio[first:last])
            before, after = sums[cut - 1] / cut, (sums[-1] - sums[cut - 1]) / (count - cut)
            apart = np.abs(before - after)
            apart = np.where(apart > max(MIN_LEVEL_STEP, 2 / rated_units(model.plan)), apart, 0.0)
            fall = cut * (count - cut) / count * apart**2
            at = int(np.argmax(fall))
            if fall[at] > best:
                best, split = float(fall[at]), first + int(cut[at])
        typical = self._noise(ratio)
        # Readings at rest may all be rounded alike, and seem to have no noise.
        unit = 1.0 / rated_units(model.plan)
        if split is None or best <= LEVEL_TEST * spread * max(typical**2, unit**2 / 12):
            return None
        # Readings across the step are of both levels.
        kept = np.ones(len(ratio), dtype=bool)
        kept[max(0, split - past) : split + past] = False
        moved = np.cumsum(~kept)
        starts = sorted({*model.starts, split})
        rows = model.rows.rows(kept)
        shifted = tuple(int(start - (moved[start - 1] if start else 0)) for start in starts)
        # Rows taken out around the split itself count on both sides.
        shifted = tuple(min(start, len(rows) - 1) for start in shifted)
        better = replace(model, rows=rows, starts=shifted).solved()
        return better if better.variance < self.variance else None

    def _noise(self, ratio: Floats) -> float:
        """The noise of a reading, of all of them: what one differs from the next by."""
        # Readings that overlap differ by less than their noise.
        alike = float(self.white.correlation[1:2].sum())
        differ = math.sqrt(2.0 * (1.0 - alike))
        return float(np.median(np.abs(np.diff(ratio)))) / 0.6745 / differ

    def doubtful_level(self) -> int | None:
        """The level (from 1) whose step the model's own error explains best; None if it explains
        none."""
        model = self.model
        made = model.predict(self.values)
        ratio = (model.rows.reading - made) / np.maximum(made, 1e-6)
        room = (NOISE_ROOM * self._noise(ratio)) ** 2
        count = len(model.starts)
        squares = [float(np.mean(ratio[model.level == n] ** 2)) for n in range(count)]
        errors = [math.sqrt(max(0.0, square - room)) for square in squares]
        gains = self.values[1 : 1 + count]
        times = {
            n: abs(float(gains[n] / gains[n - 1]) - 1) / max(errors[n - 1], errors[n], 1e-12)
            for n in range(1, count)
        }
        least = min(times, key=lambda n: times[n], default=None)
        return least if least is not None and times[least] < LEAST_STEP else None

    def without_level(self, level: int) -> _Solved:
        """With this level (from 1) as part of the one before."""
        starts = self.model.starts
        return replace(self.model, starts=starts[:level] + starts[level + 1 :]).solved()

    def fit(self, moved: float) -> PlantFit:
        """Values with their intervals."""
        from scipy.stats import t  # noqa: PLC0415 (slow)

        model, freedom = self.model, self.freedom
        covariance = np.linalg.pinv(self.slopes.T @ self.slopes) * self.variance
        half = float(t.ppf((1 + CONFIDENCE) / 2, freedom)) * np.sqrt(np.diag(covariance))
        at, rows = model.level, model.rows
        rounding = 0.5 / rated_units(model.plan)
        residual = rows.reading - model.predict(self.values)
        noise = float(np.sqrt(residual @ residual / freedom))
        levels = []
        for number in range(len(model.starts)):
            gain, own = float(self.values[1 + number]), at == number
            width = float(half[1 + number])
            if noise < rounding:
                # Too little noise to move readings at rest across a unit: they are rounded alike,
                # and off alike, however many they are.
                width = max(width, gain * rounding / float(np.median(rows.reading[own])))
            update = int(rows.update[int(np.argmax(own))])
            levels.append(GainLevel(update, Estimate(gain, width, int(own.sum()))))
        share = Estimate(float(self.values[0]), float(half[0]), len(rows))
        return PlantFit(
            gain=max((level.gain for level in levels), key=lambda gain: gain.readings),
            share=share,
            noise=noise,
            freedom=freedom,
            moved=moved,
            levels=tuple(levels),
            rows=rows,
            predicted=model.predict(self.values),
            pull=Pull(self.white, self.slopes, float(self.left @ self.left), 1 + len(model.starts)),
        )


def _white_share(solved: _Solved) -> float:
    """The white part of the noise, over the one that overlapping windows share: by the restricted
    likelihood of what is left (Patterson & Thompson 1971, from memory)."""
    from scipy.optimize import minimize_scalar  # noqa: PLC0415 (slow)

    model = solved.model
    values, rows = solved.values, model.rows
    left = rows.reading - model.predict(values)
    slopes = np.stack(
        [
            (model.predict(values + step) - model.predict(values - step)) / 2e-6
            for step in 1e-6 * np.eye(len(values))
        ],
        axis=1,
    )

    def unlikely(log: float) -> float:
        white = replace(solved.white, share=math.exp(log))
        columns = white(np.column_stack([left, slopes]))
        fitted = np.linalg.lstsq(columns[:, 1:], columns[:, 0], rcond=None)[0]
        rest = columns[:, 0] - columns[:, 1:] @ fitted
        information = np.linalg.slogdet(columns[:, 1:].T @ columns[:, 1:])[1]
        freedom = len(left) - len(values)
        return float(freedom * math.log(float(rest @ rest)) + white.log_determinant + information)

    ends = math.log(LEAST_SHARE), math.log(MOST_SHARE)
    return math.exp(float(minimize_scalar(unlikely, bounds=ends, method="bounded").x))
