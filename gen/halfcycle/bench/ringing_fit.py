"""From a sampled waveform to the frequency and damping at which the filter rings, with 95 %
intervals.

After a step (a load that is switched, a start) the output is its sine, and a damped one beside it:

    v(t) = c + sum_n (a_n cos(n w t) + b_n sin(n w t)) + exp(-d t) (p cos(r t) + q sin(r t))

n = 1, and 3 and 5 if they are far below the ringing. Least squares over all of it at once, so that
the mains and the ringing do not take from each other: for given d and r the rest is linear
(variable projection, Golub & Pereyra 1973, from memory). Noise may hang together from sample to
sample: a first-order process, whose correlation is found by the restricted likelihood (Patterson &
Thompson 1971, from memory) and taken out before the squares are. Intervals by Student's t from the
slopes of the whole model.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from halfcycle.bench.calibrate import CONFIDENCE, Estimate
from halfcycle.bench.capture_types import Floats

MIN_POINTS_PER_PERIOD = 5.0
"""Of the fastest ringing to be expected; at 2 it would fold, and a board may ring faster still."""
POINTS_PER_PERIOD = 24
"""Finer captures are averaged in blocks to about this many."""
PERIODS = (3.0, 5.0, 8.0, 12.0)
"""Lengths that are fitted. The longest counts that the model explains as well as the shortest: an
update of the drive, or a contact that bounces, makes another step."""
ALIKE = 1.3
"""How much more than the shortest one a longer fit may leave."""
BAND = 1.7
"""The ringing is looked for so far, as a factor, beyond the frequencies to be expected."""
TOLD = 30.0
"""F ratio (four and many degrees of freedom) from which the ringing counts as seen: noise comes to
it once in far more than 10^9 captures, and a wave's harmonics do not decay."""
MAX_DECAY_WIDTH = 0.5
"""Half width of the decay's interval, of the decay, beyond which the capture says too little."""
MAX_ALIKE = 0.98
HANGS_TOGETHER = 4.0
"""Fall of twice the logarithm of the likelihood from which neighbours count as correlated: white
noise comes to it once in 40 (chi square of one degree, one side)."""
TRIED, DECAYS = 33, (0.01, 0.03, 0.1, 0.25)
"""Frequencies and damping ratios that the search begins with."""


@dataclass(frozen=True, slots=True)
class RingingFit:
    """``decay_per_s``: the ringing falls by e in its inverse; ``damping_ratio``: that over the
    undamped angular frequency; ``amplitude_v``: at ``start_s``; ``noise_v``: what is left, RMS.
    ``time_s``: seconds of the capture; ``ringing_v``: what was sampled less all but the ringing;
    ``fitted_v``: the ringing of the fit."""

    frequency_hz: Estimate
    decay_per_s: Estimate
    damping_ratio: Estimate
    amplitude_v: float
    noise_v: float
    start_s: float
    time_s: Floats
    ringing_v: Floats
    fitted_v: Floats


@dataclass(frozen=True, slots=True)
class NoRinging:
    """Why a waveform says nothing of the filter."""

    reason: str


def fit_ringing(
    stretches: Sequence[tuple[Floats, Floats]], mains_hz: float, low_hz: float, high_hz: float
) -> RingingFit | NoRinging:
    """The ringing after the greatest step in ``stretches`` (seconds, volts; each evenly sampled,
    ``MIN_POINTS_PER_PERIOD`` or more in a period of ``high_hz``), to be expected between
    ``low_hz`` and ``high_hz``."""
    expected = math.sqrt(low_hz * high_hz)
    best: tuple[float, Floats, Floats] | None = None
    for time, volts in stretches:
        found = _after_step(*_averaged(time, volts, high_hz), expected)
        if found is not None and (best is None or found[0] > best[0]):
            best = found
    if best is None:
        return NoRinging(
            f"no part of it lasts {PERIODS[0]:g} periods of the ringing to be expected"
        )
    _, time, volts = best
    if not float(np.ptp(volts)) > 0:
        return NoRinging("the voltage never changes: check the probe and the channel")
    periods = (time[-1] - time[0]) * expected
    if periods < PERIODS[0]:
        text = f"it ends {periods:.2g} periods of the ringing to be expected after the step"
        return NoRinging(f"{text}, {PERIODS[0]:g} are needed")
    return _judged(list(_fits(time, volts, mains_hz, low_hz, high_hz)), low_hz, high_hz)


def _averaged(time: Floats, volts: Floats, high_hz: float) -> tuple[Floats, Floats]:
    """In blocks, to about ``POINTS_PER_PERIOD``."""
    if len(time) < 2:
        return time, volts
    step = float(time[-1] - time[0]) / (len(time) - 1)
    block = max(1, int(1 / (high_hz * step * POINTS_PER_PERIOD)))
    whole = len(time) // block * block
    return time[:whole].reshape(-1, block).mean(axis=1), volts[:whole].reshape(-1, block).mean(
        axis=1
    )


def _after_step(
    time: Floats, volts: Floats, expected_hz: float
) -> tuple[float, Floats, Floats] | None:
    """The power of the greatest ringing, and the waveform from soon after its step on; None if the
    stretch is too short."""
    if len(time) < 2:
        return None
    step = float(time[-1] - time[0]) / (len(time) - 1)
    half = max(1, round(0.5 / expected_hz / step))
    if len(time) < 2 * half * PERIODS[0] + 2 * half:
        return None
    # Against its neighbours half a period away the ringing counts twice, and the slow sine hardly.
    curved = volts[half:-half] - (volts[: -2 * half] + volts[2 * half :]) / 2
    sums = np.cumsum(np.append(0.0, curved**2))
    power = (sums[2 * half :] - sums[: -2 * half]) / (2 * half)
    at = int(np.argmax(power))
    # The strongest period begins with the step or half a period before it: its middle and as much
    # again is after what a contact does.
    first = at + half + half + half // 2
    return float(power[at]), time[first:], volts[first:]


@dataclass(frozen=True, slots=True)
class _Model:
    """A part of the waveform, ``time`` from its start; ``alike``: correlation of the noise of
    neighbours."""

    time: Floats
    volts: Floats
    mains: Floats
    """Columns of what is no ringing."""
    start_s: float
    alike: float = 0.0

    def white(self, values: Floats) -> Floats:
        """Columns (or one) with the noise's correlation taken out; the first row keeps its own."""
        made = values.astype(np.float64)
        made[1:] -= self.alike * values[:-1]
        made[0] *= math.sqrt(1.0 - self.alike**2)
        return made

    def ringing(self, angular: float, decay: float) -> Floats:
        """The two columns of the ringing."""
        fade = np.exp(-decay * self.time)
        turn = angular * self.time
        return np.column_stack([fade * np.cos(turn), fade * np.sin(turn)])

    def solved(self, angular: float, decay: float) -> tuple[Floats, Floats, Floats]:
        """Columns, their coefficients, and what they leave, made white."""
        columns = np.column_stack([self.mains, self.ringing(angular, decay)])
        found = _squares(self.white(columns), self.white(self.volts))
        return columns, found, self.white(self.volts - columns @ found)

    def slopes(self, angular: float, decay: float) -> Floats:
        """How the waveform moves with angular frequency, decay and each coefficient."""
        columns, found, _ = self.solved(angular, decay)
        cosine, sine = columns[:, -2], columns[:, -1]
        p, q = found[-2:]
        by_angular = self.time * (q * cosine - p * sine)
        by_decay = -self.time * (p * cosine + q * sine)
        return np.column_stack([by_angular, by_decay, columns])

    @property
    def without(self) -> float:
        """Squares that are left without any ringing."""
        found = _squares(self.white(self.mains), self.white(self.volts))
        left = self.white(self.volts - self.mains @ found)
        return float(left @ left)


def _squares(columns: Floats, values: Floats) -> Floats:
    return np.asarray(np.linalg.lstsq(columns, values, rcond=1e-12)[0], dtype=np.float64)


@dataclass(frozen=True, slots=True)
class _Solved:
    model: _Model
    angular: float
    decay: float

    @property
    def noise(self) -> float:
        """What is left, made white, RMS, volts."""
        columns, _, left = self.model.solved(self.angular, self.decay)
        return math.sqrt(float(left @ left) / (len(left) - columns.shape[1] - 2))

    def correlated(self) -> _Model:
        """The model with the correlation of its noise."""
        from scipy.optimize import minimize_scalar  # noqa: PLC0415 (slow)

        slopes = self.model.slopes(self.angular, self.decay)
        slopes = slopes / np.sqrt(np.mean(slopes**2, axis=0))
        freedom = len(self.model.volts) - slopes.shape[1]

        def unlikely(alike: float) -> float:
            trial = replace(self.model, alike=alike)
            columns = trial.white(slopes)
            left = trial.white(self.model.volts)
            left = left - columns @ _squares(columns, left)
            information = float(np.linalg.slogdet(columns.T @ columns)[1])
            squares = max(float(left @ left), 1e-300)
            return float(freedom * math.log(squares) + information - math.log(1.0 - alike**2))

        best = minimize_scalar(
            unlikely, bounds=(0.0, MAX_ALIKE), method="bounded", options={"xatol": 1e-3}
        )
        if unlikely(0.0) - float(best.fun) < HANGS_TOGETHER:
            return self.model
        return replace(self.model, alike=float(best.x))


def _fits(
    time: Floats, volts: Floats, mains_hz: float, low_hz: float, high_hz: float
) -> Iterator[_Solved]:
    """The fit of each length, the shortest first; each begins where the one before ended."""
    expected = math.sqrt(low_hz * high_hz)
    orders = [n for n in (1, 3, 5) if n == 1 or 2 * n * mains_hz < low_hz]
    begun: tuple[float, float] | None = None
    for periods in PERIODS:
        last = int(np.searchsorted(time, time[0] + periods / expected))
        if periods > PERIODS[0] and last >= len(time):
            return
        moment = time[:last] - time[0]
        turns = [2 * math.pi * mains_hz * n * moment for n in orders]
        columns = [np.ones_like(moment)]
        columns += [wave for turn in turns for wave in (np.cos(turn), np.sin(turn))]
        model = _Model(moment, volts[:last], np.column_stack(columns), float(time[0]))
        begun = _refined(model, begun or _rough(model, low_hz, high_hz))
        model = _Solved(model, *begun).correlated()
        if model.alike:
            begun = _refined(model, begun)
        yield _Solved(model, *begun)


def _rough(model: _Model, low_hz: float, high_hz: float) -> tuple[float, float]:
    """The best of a coarse grid: angular frequency and decay."""
    tried = [
        (angular, ratio * angular)
        for angular in 2 * math.pi * np.geomspace(low_hz / BAND, high_hz * BAND, TRIED)
        for ratio in DECAYS
    ]
    squares = [float(left @ left) for pair in tried for left in [model.solved(*pair)[2]]]
    return tried[int(np.argmin(squares))]


def _refined(model: _Model, begun: tuple[float, float]) -> tuple[float, float]:
    """The least squares near ``begun``."""
    from scipy.optimize import least_squares  # noqa: PLC0415 (slow)

    unit = begun[0]

    def left(x: Floats) -> Floats:
        return model.solved(unit * float(x[0]), unit * float(x[1]))[2]

    found = least_squares(
        left,
        [1.0, begun[1] / unit],
        method="lm",
        x_scale=(1.0, 0.1),
        xtol=1e-10,
        ftol=1e-12,
        max_nfev=60,
    )
    return float(unit * found.x[0]), float(unit * found.x[1])


def _judged(fits: list[_Solved], low_hz: float, high_hz: float) -> RingingFit | NoRinging:
    """The longest fit that is as good as the shortest, if it shows a ringing that decays."""
    chosen = [fit for fit in fits if fit.noise <= ALIKE * fits[0].noise][-1]
    model = chosen.model
    columns, found, left = model.solved(chosen.angular, chosen.decay)
    freedom = len(left) - columns.shape[1] - 2
    squares = float(left @ left)
    hertz = chosen.angular / 2 / math.pi
    within = f"between {low_hz / BAND:.4g} and {high_hz * BAND:.4g} Hz"
    seen = (model.without - squares) / 4 / max(squares / freedom, 1e-300)
    if seen < TOLD or not low_hz / BAND < hertz < high_hz * BAND:
        return NoRinging(
            f"no ringing {within} stands out of what is left, {chosen.noise:.3g} V RMS"
        )
    halves = _half_widths(chosen, left)
    decay = Estimate(chosen.decay, halves[1], len(left))
    if not decay.low > 0:
        return NoRinging(
            f"what there is at {hertz:.4g} Hz does not decay: a harmonic or a tone, not the filter"
        )
    if decay.uncertainty > MAX_DECAY_WIDTH * decay.value:
        return NoRinging(
            f"the ringing at {hertz:.4g} Hz is too weak or too short to tell its damping: "
            f"{decay.value:.3g} +- {decay.uncertainty:.2g} per second"
        )
    apart = columns[:, :-2] @ found[:-2]
    whole = math.hypot(chosen.angular, chosen.decay)
    # The ratio hangs on the decay; on the frequency it does by the share of the ratio itself.
    ratio = Estimate(chosen.decay / whole, halves[1] / whole, len(left))
    return RingingFit(
        frequency_hz=Estimate(hertz, halves[0] / 2 / math.pi, len(left)),
        decay_per_s=decay,
        damping_ratio=ratio,
        amplitude_v=float(math.hypot(*found[-2:])),
        noise_v=float(np.sqrt(np.mean((model.volts - columns @ found) ** 2))),
        start_s=model.start_s,
        time_s=model.time + model.start_s,
        ringing_v=model.volts - apart,
        fitted_v=columns[:, -2:] @ found[-2:],
    )


def _half_widths(chosen: _Solved, left: Floats) -> tuple[float, float]:
    """Of the angular frequency and of the decay."""
    from scipy.stats import t  # noqa: PLC0415 (slow)

    slopes = chosen.model.white(chosen.model.slopes(chosen.angular, chosen.decay))
    scale = np.sqrt(np.mean(slopes**2, axis=0))
    freedom = len(left) - slopes.shape[1]
    inverse = np.linalg.pinv((slopes / scale).T @ (slopes / scale))
    sigma = np.sqrt(float(left @ left) / freedom * np.diag(inverse)[:2]) / scale[:2]
    half = float(t.ppf((1 + CONFIDENCE) / 2, freedom)) * sigma
    return float(half[0]), float(half[1])
