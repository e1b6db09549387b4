"""From bench readings to the sensor's gain and zero, with their uncertainty.

Per board:

* ADC statistics: ``volts_per_code`` is the meter's volts over the codes' RMS, the zero is the mean
  code.
* Pairs: the firmware's reading is proportional to the true value but for the zero's second-order
  part, so reported^2 = g^2 meter^2 + c: for an RMS reading c is the zero's square, for a mean over
  an even number of half cycles half of it (the mean of |A sin + z| is (2A/pi)(1 + z^2/(2A^2) + ..);
  expansion of the closed form). The sign of the zero cannot be seen in pairs.

Uncertainties are 95 % confidence half widths by Student's t (scipy.stats).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfcycle.bench.meter_readings import Reading
from halfcycle.spec.models import Spec

CONFIDENCE = 0.95
COVERAGE = 0.99
OUTLIER = 3.5
"""Robust standard deviations (Iglewicz & Hoaglin 1993, from memory), for many values; among n
the limit is this times 1 + 8/n, so that a clean set of 6 to 40 is flagged 1 time in 50 (simulated
with normal values)."""
LEAST_VALUES = 6
"""Fewer values say too little of their own scatter to call one of them strange."""
LEAST_SIGMA = 1e-4
"""Relative scatter that is always allowed for: no bench meter is better than 0.01 %."""
LEAST_LEVEL = 0.2
"""Pairs below this share of the greatest reading do not decide on the gain: the zero is in them."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its 95 % half width; infinite where one reading gives no scatter."""

    value: float
    uncertainty: float
    readings: int

    @property
    def low(self) -> float:
        """Lower end of the interval."""
        return self.value - self.uncertainty

    @property
    def high(self) -> float:
        """Upper end of the interval."""
        return self.value + self.uncertainty


@dataclass(frozen=True, slots=True)
class Outlier:
    """A reading (or, with ``line`` 0, a board) that does not fit the others."""

    line: int
    board: str
    deviation_percent: float
    sigmas: float


@dataclass(frozen=True, slots=True)
class BoardFit:
    """What one board's readings say. None where they do not tell."""

    board: str
    volts_per_code: Estimate | None
    zero_code: Estimate | None
    zero_square: Estimate | None
    """From pairs: the zero's offset squared, in codes squared; its sign is unknown."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """Fits per board and over the boards; outliers are left out of the latter."""

    boards: tuple[BoardFit, ...]
    volts_per_code: Estimate | None
    zero_code: Estimate | None
    outliers: tuple[Outlier, ...]
    gain_spread_percent: float | None
    """Greatest distance of a board's gain from the spec's, percent of the spec's."""
    gain_spread_after_percent: float | None
    """The same from the fitted value."""
    gain_reach_percent: float | None
    """Half width of the interval that holds 99 % of all boards with 95 % confidence, about the
    fitted value; None below two boards."""
    zero_spread_codes: float | None
    zero_spread_after_codes: float | None
    zero_reach_codes: float | None


def calibrate(spec: Spec, readings: Sequence[Reading]) -> Calibration:
    """Fit gain and zero of the boards in ``readings`` to the ``spec`` they were taken with."""
    per_code = float(spec.sensor.volts_per_code)
    gains = [(reading, value) for reading in readings if (value := _gain(reading, per_code))]
    strange, kept = _screen(gains)
    names = list(dict.fromkeys(reading.board for reading in readings))
    fits = tuple(_board(name, readings, kept, spec) for name in names)
    boards = [fit for fit in fits if fit.volts_per_code is not None]
    odd = _odd_boards(boards)
    good = [fit for fit in fits if fit.board not in {outlier.board for outlier in odd}]
    gain_values = [fit.volts_per_code.value for fit in good if fit.volts_per_code]
    zero_values = [fit.zero_code.value for fit in good if fit.zero_code]
    gain = _over_boards(gain_values, [fit.volts_per_code for fit in good])
    zero = _over_boards(zero_values, [fit.zero_code for fit in good])
    every_gain = [fit.volts_per_code.value for fit in fits if fit.volts_per_code]
    every_zero = [fit.zero_code.value for fit in fits if fit.zero_code]
    reach = _reach(gain_values)
    gain_after = _spread(every_gain, gain.value, 100 / gain.value) if gain else None
    return Calibration(
        boards=fits,
        volts_per_code=gain,
        zero_code=zero,
        outliers=(*strange, *odd),
        gain_spread_percent=_spread(every_gain, per_code, 100 / per_code),
        gain_spread_after_percent=gain_after,
        gain_reach_percent=100 * reach / gain.value if gain and reach is not None else None,
        zero_spread_codes=_spread(every_zero, spec.sensor.zero_code, 1.0),
        zero_spread_after_codes=_spread(every_zero, round(zero.value), 1.0) if zero else None,
        zero_reach_codes=_reach(zero_values),
    )


def _gain(reading: Reading, per_code: float) -> float | None:
    """Volts per code that one reading speaks for; None where it has no say."""
    if not reading.meter_v:
        return None
    if reading.rms_codes:
        return reading.meter_v / reading.rms_codes
    return per_code * reading.meter_v / reading.reported_v if reading.reported_v else None


def _screen(gains: list[tuple[Reading, float]]) -> tuple[tuple[Outlier, ...], set[int]]:
    """Readings off the others of their board, and the lines of those that are kept."""
    top: dict[str, float] = {}
    for reading, _ in gains:
        top[reading.board] = max(top.get(reading.board, 0.0), reading.meter_v or 0.0)
    strong = [
        (reading, gain)
        for reading, gain in gains
        if (reading.meter_v or 0.0) >= LEAST_LEVEL * top[reading.board]
    ]
    middles = {
        board: float(np.median([gain for reading, gain in strong if reading.board == board]))
        for board in top
    }
    deviations = np.array([gain / middles[reading.board] - 1 for reading, gain in strong])
    kept = {reading.line for reading, _ in gains}
    outliers = []
    for at, sigmas in _strange(deviations):
        reading = strong[at][0]
        kept.discard(reading.line)
        outliers.append(Outlier(reading.line, reading.board, 100 * float(deviations[at]), sigmas))
    return tuple(outliers), kept


def _odd_boards(fits: list[BoardFit]) -> tuple[Outlier, ...]:
    values = np.array([fit.volts_per_code.value for fit in fits if fit.volts_per_code])
    if not len(values):
        return ()
    deviations = values / np.median(values) - 1
    return tuple(
        Outlier(0, fits[at].board, 100 * float(deviations[at]), sigmas)
        for at, sigmas in _strange(deviations)
    )


def _strange(deviations: np.ndarray) -> list[tuple[int, float]]:
    """Index and robust sigmas of the values that do not belong; none among too few."""
    from scipy.stats import median_abs_deviation  # noqa: PLC0415

    if len(deviations) < LEAST_VALUES:
        return []
    sigma = max(float(median_abs_deviation(deviations, scale="normal")), LEAST_SIGMA)
    distance = np.abs(deviations - np.median(deviations)) / sigma
    limit = OUTLIER * (1 + 8 / len(deviations))
    return [(int(at), float(distance[at])) for at in np.flatnonzero(distance > limit)]


def _board(name: str, readings: Sequence[Reading], kept: set[int], spec: Spec) -> BoardFit:
    per_code = float(spec.sensor.volts_per_code)
    mine = [reading for reading in readings if reading.board == name]
    zeros = [reading.mean_code for reading in mine if reading.mean_code is not None]
    used = [reading for reading in mine if reading.line in kept]
    by_codes = [r.meter_v / r.rms_codes for r in used if r.meter_v and r.rms_codes]
    pairs = [
        (r.meter_v, r.reported_v) for r in used if r.meter_v and r.reported_v and not r.rms_codes
    ]
    gain, square = _mean(by_codes), None
    if pairs and gain is None:
        gain, square = _from_pairs(np.array(pairs), per_code, spec.loop.measure)
    return BoardFit(name, gain, _mean(zeros), square)


def _from_pairs(
    pairs: np.ndarray, per_code: float, measure: str
) -> tuple[Estimate | None, Estimate | None]:
    """Gain, and the zero's square where the pairs' levels differ enough to show it."""
    from scipy.stats import t  # noqa: PLC0415

    meter, reported = pairs[:, 0], pairs[:, 1]
    count = len(meter)
    if count < 4 or meter.max() < 2 * meter.min():
        strong = meter >= LEAST_LEVEL * meter.max()
        return _mean((per_code * meter / reported)[strong].tolist()), None
    # Errors are alike in volts, so those of a square grow with the reading: weights 1/(2 y).
    weights = 1 / (2 * reported)
    columns = np.stack([meter**2, np.ones(count)], axis=1) * weights[:, None]
    values = reported**2 * weights
    scale = np.sqrt((columns**2).sum(axis=0))
    inverse = np.linalg.inv((columns / scale).T @ (columns / scale))
    slope, constant = (inverse @ ((columns / scale).T @ values)) / scale
    left = values - columns @ np.array([slope, constant])
    variance = float(left @ left) / (count - 2)
    errors = np.sqrt(np.diag(inverse) * variance) / scale * t.ppf((1 + CONFIDENCE) / 2, count - 2)
    if slope <= 0:
        return _mean((per_code * meter / reported).tolist()), None
    ratio = math.sqrt(slope)
    share = (1.0 if measure == "rms" else 2.0) / per_code**2
    return (
        Estimate(per_code / ratio, per_code / ratio * float(errors[0]) / (2 * slope), count),
        Estimate(share * float(constant), share * float(errors[1]), count),
    )


def _mean(values: Sequence[float]) -> Estimate | None:
    """Mean with the half width of Student's t."""
    from scipy.stats import t  # noqa: PLC0415

    if not len(values):
        return None
    if len(values) == 1:
        return Estimate(float(values[0]), math.inf, 1)
    half = float(t.ppf((1 + CONFIDENCE) / 2, len(values) - 1)) * float(np.std(values, ddof=1))
    return Estimate(float(np.mean(values)), half / math.sqrt(len(values)), len(values))


def _over_boards(values: list[float], each: Sequence[Estimate | None]) -> Estimate | None:
    """Mean over boards; with one board that board's own uncertainty."""
    if len(values) == 1:
        return next(one for one in each if one is not None)
    return _mean(values)


def _spread(values: list[float], centre: float, factor: float) -> float | None:
    return factor * max(abs(value - centre) for value in values) if values else None


def _reach(values: list[float]) -> float | None:
    """Half width of the two-sided normal tolerance interval (Howe 1969, from memory)."""
    from scipy.stats import chi2, norm  # noqa: PLC0415

    count = len(values)
    if count < 2:
        return None
    middle = float(norm.ppf((1 + COVERAGE) / 2))
    low = float(chi2.ppf(1 - CONFIDENCE, count - 1))
    factor = middle * math.sqrt((count - 1) * (1 + 1 / count) / low)
    return factor * float(np.std(values, ddof=1))
