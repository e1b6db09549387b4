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
from dataclasses import dataclass, replace

import numpy as np

from halfcycle.base.errors import HalfcycleError
from halfcycle.bench.capture_types import Floats
from halfcycle.bench.meter_readings import Reading
from halfcycle.bench.tolerance_interval import reach
from halfcycle.spec.models import Spec

CONFIDENCE = 0.95
COVERAGE = 0.99
FEW = 2
"""Boards that say next to nothing of the spread: of two the half width is 36 times what they are
apart."""
OUTLIER_SIGMAS = 3.5
"""Robust standard deviations (Iglewicz & Hoaglin 1993, from memory). Of few values the scatter is
uncertain, of many one is far off by chance: see ``_sigma_limit``."""
FALSE_ALARMS = 0.02
"""Share of clean sets in which a reading may be called an outlier (simulated with normal values:
at most 1.5 times this, for 2 to 40 boards of 3 to 20 readings)."""
MIN_VALUES = 6
"""Fewer values say too little of their own scatter to call one of them strange."""
MIN_GROUP = 3
"""Of two readings that differ nobody can say which one is wrong."""
MIN_SIGMA = 1e-4
"""Relative scatter that is always allowed for: no bench meter is better than 0.01 %."""
MIN_LEVEL = 0.2
"""Pairs below this share of the greatest reading do not decide on the gain: the zero is in them."""
DEAD_SHARE = 0.02
"""A reading of less than this share of the meter's is none."""
DEAD_LEVEL = 0.05
"""Share of the rated voltage below which a reading of nothing may be rounding."""
FOLLOWING_SHARE = 0.25
"""Readings that grow by less than this share of the meter's growth do not follow it."""
MIN_GROWTH = 0.1
"""Growth of the meter's readings, of the least one, below which following cannot be judged."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its 95 % half width by the scatter alone; infinite if one reading gives no
    scatter. ``systematic``: how far the value may be off besides, which readings do not average."""

    value: float
    uncertainty: float
    readings: int
    systematic: float = 0.0

    @property
    def half(self) -> float:
        """Half width of the whole interval."""
        return self.uncertainty + self.systematic

    @property
    def low(self) -> float:
        """Lower end of the interval."""
        return self.value - self.half

    @property
    def high(self) -> float:
        """Upper end of the interval."""
        return self.value + self.half


def plus_minus(half: float, digits: int) -> str:
    """A half width as it is read: +-10, not +-1e+01."""
    if not math.isfinite(half) or half == 0:
        return f"+-{half:g}"
    rounded = float(f"{half:.{digits}g}")
    return f"+-{rounded:.0f}" if rounded >= 10**digits / 10 else f"+-{rounded:.{digits}g}"


def text_of(estimate: Estimate, digits: int, half_digits: int = 2) -> str:
    """A value with its half width: 1.2 +- 0.01."""
    half = plus_minus(estimate.half, half_digits).removeprefix("+-")
    return f"{estimate.value:.{digits}g} +- {half}"


@dataclass(frozen=True, slots=True)
class Outlier:
    """A reading (or, with ``line`` 0, a board) that does not fit the others."""

    line: int
    board: str
    deviation_percent: float
    sigmas: float


@dataclass(frozen=True, slots=True)
class BoardFit:
    """What one board's readings say. None if they do not tell."""

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
    dead: tuple[Reading, ...] = ()
    """Readings of next to nothing while the meter shows a voltage; they decide on no gain."""
    stuck_boards: tuple[str, ...] = ()
    """Boards whose readings do not follow the meter."""

    @property
    def dead_boards(self) -> tuple[str, ...]:
        """Boards whose every reading with a voltage at the meter is dead."""
        names = dict.fromkeys(reading.board for reading in self.dead)
        gains = {fit.board: fit.volts_per_code for fit in self.boards}
        return tuple(name for name in names if gains[name] is None)


def calibrate(spec: Spec, readings: Sequence[Reading], reading_step_v: float = 0.0) -> Calibration:
    """Fit gain and zero of the boards in ``readings`` to the ``spec`` they were taken with.

    ``reading_step_v``: volts RMS of one count of the firmware's reading (0: not known).
    """
    per_code = float(spec.sensor.volts_per_code)
    dead = tuple(reading for reading in readings if is_dead(reading, spec))
    gains = [
        GainOf(reading, volts, _rounding(reading, reading_step_v))
        for reading in readings
        if reading not in dead and (volts := reading_gain(reading, per_code)) is not None
    ]
    odd_readings, used = _screen(gains)
    names = list(dict.fromkeys(reading.board for reading in readings))
    fits = tuple(_fit_board(name, readings, used, spec) for name in names)
    odd_boards = _odd_boards(fits, used)
    left_out = {outlier.board for outlier in odd_boards}
    good = [fit for fit in fits if fit.board not in left_out]
    gain_values = [fit.volts_per_code.value for fit in good if fit.volts_per_code]
    zero_values = [fit.zero_code.value for fit in good if fit.zero_code]
    gain = _over_boards([fit.volts_per_code for fit in good])
    zero = _over_boards([fit.zero_code for fit in good])
    all_gains = [fit.volts_per_code.value for fit in fits if fit.volts_per_code]
    all_zeros = [fit.zero_code.value for fit in fits if fit.zero_code]
    half = _reach(gain_values)
    return Calibration(
        boards=fits,
        volts_per_code=gain,
        zero_code=zero,
        outliers=(*odd_readings, *odd_boards),
        gain_spread_percent=_spread(all_gains, per_code, 100 / per_code),
        gain_spread_after_percent=(
            _spread(all_gains, gain.value, 100 / gain.value) if gain else None
        ),
        gain_reach_percent=100 * half / gain.value if gain and half is not None else None,
        zero_spread_codes=_spread(all_zeros, spec.sensor.zero_code, 1.0),
        zero_spread_after_codes=_spread(all_zeros, round(zero.value), 1.0) if zero else None,
        zero_reach_codes=_reach(zero_values),
        dead=dead,
        stuck_boards=tuple(name for name in names if _is_stuck(name, used, per_code)),
    )


def firmware_step_v(spec: Spec) -> float:
    """Volts RMS of one count of the firmware's reading; 0 if the spec's targets cannot be met, so
    that there is no firmware."""
    from halfcycle.generate.pipeline import design_integers  # noqa: PLC0415 (not for --help)

    try:
        return design_integers(spec).quantised.reading_step_v
    except HalfcycleError:
        return 0.0


@dataclass(frozen=True, slots=True)
class GainOf:
    """What one reading says of the gain: volts per code, and by what share of it rounding (of the
    meter, of the firmware, of the table's digits) may have moved it."""

    reading: Reading
    gain: float
    rounding: float


def _seen_v(reading: Reading, per_code: float) -> float | None:
    """Volts RMS that the firmware saw; None if the row does not say."""
    if reading.rms_codes is not None:
        return per_code * reading.rms_codes
    return reading.reported_v


def is_dead(reading: Reading, spec: Spec) -> bool:
    """Whether the firmware saw next to nothing while the meter showed a voltage worth the name."""
    seen_v = _seen_v(reading, float(spec.sensor.volts_per_code))
    if not reading.meter_v or seen_v is None:
        return False
    at_work = reading.meter_v >= DEAD_LEVEL * float(spec.output.rated_rms_v)
    return at_work and seen_v < DEAD_SHARE * reading.meter_v


def reading_gain(reading: Reading, per_code: float) -> float | None:
    """Volts per code that one reading speaks for; None if it has no say."""
    seen_v = _seen_v(reading, per_code)
    return per_code * reading.meter_v / seen_v if reading.meter_v and seen_v else None


def _rounding(reading: Reading, reading_step_v: float) -> float:
    """Share of the gain by which rounding may have moved it, either way."""
    if reading.rms_codes is not None or not reading.reported_v:
        return reading.gain_rounding
    return reading.gain_rounding + reading_step_v / 2 / reading.reported_v


def _strong(gains: Sequence[GainOf], board: str) -> list[GainOf]:
    """The board's readings that are not far below its greatest."""
    own = [entry for entry in gains if entry.reading.board == board]
    top = max((entry.reading.meter_v or 0.0 for entry in own), default=0.0)
    return [entry for entry in own if (entry.reading.meter_v or 0.0) >= MIN_LEVEL * top]


def _is_stuck(board: str, gains: Sequence[GainOf], per_code: float) -> bool:
    """Whether the firmware's readings stand still, or fall, while the meter's grow."""
    pairs = [
        (entry.reading.meter_v or 0.0, per_code * (entry.reading.meter_v or 0.0) / entry.gain)
        for entry in _strong(gains, board)
    ]
    if len(pairs) < 2:
        return False
    (low, seen_low), (high, seen_high) = min(pairs), max(pairs)
    growth = high / low - 1
    return growth > MIN_GROWTH and seen_high / seen_low - 1 < FOLLOWING_SHARE * growth


def _screen(gains: Sequence[GainOf]) -> tuple[tuple[Outlier, ...], list[GainOf]]:
    """Readings that are off the others of their board, and all that are not."""
    boards = dict.fromkeys(entry.reading.board for entry in gains)
    groups = [group for board in boards if len(group := _strong(gains, board)) >= MIN_GROUP]
    far_off = _far_off(
        [np.array([entry.gain for entry in group]) for group in groups],
        [np.array([entry.rounding for entry in group]) for group in groups],
    )
    outliers = []
    odd = set()
    for row, at, deviation, sigmas in far_off:
        reading = groups[row][at].reading
        odd.add(reading.line)
        outliers.append(Outlier(reading.line, reading.board, 100 * deviation, sigmas))
    return tuple(outliers), [entry for entry in gains if entry.reading.line not in odd]


def _odd_boards(fits: Sequence[BoardFit], gains: Sequence[GainOf]) -> tuple[Outlier, ...]:
    """Boards whose gain is off that of the others."""
    measured = [(fit.board, fit.volts_per_code.value) for fit in fits if fit.volts_per_code]
    if not measured:
        return ()
    roundings = [
        max((entry.rounding for entry in _strong(gains, board)), default=0.0)
        for board, _ in measured
    ]
    values = np.array([gain for _, gain in measured])
    return tuple(
        Outlier(0, measured[at][0], 100 * deviation, sigmas)
        for _, at, deviation, sigmas in _far_off([values], [np.array(roundings)])
    )


def _far_off(
    groups: Sequence[Floats], roundings: Sequence[Floats]
) -> list[tuple[int, int, float, float]]:
    """The values that do not belong to their group: (group, place in it, relative deviation from
    the group's median, that in robust standard deviations).

    The scatter is that of the differences of two values of one group, over all groups: a median of
    three is one of the three, so deviations from it say too little. A value and its group's median
    are both rounded, so that nothing is called strange that both roundings explain.
    """
    count = sum(map(len, groups))
    if count < MIN_VALUES:
        return []
    relative = [values / np.median(values) - 1 for values in groups]
    differences = np.concatenate(
        [np.abs(values[:, None] - values)[np.triu_indices(len(values), 1)] for values in relative]
    )
    # The median of |N(0, 1)| is 0.6745; a difference of two has sqrt 2 times the deviation of one.
    sigma = max(float(np.median(differences)) / 0.6745 / math.sqrt(2), MIN_SIGMA)
    limit = _sigma_limit(count) * sigma
    return [
        (group, int(at), float(deviations[at]), float(abs(deviations[at])) / sigma)
        for group, (deviations, rounding) in enumerate(zip(relative, roundings, strict=True))
        for at in np.flatnonzero(
            np.abs(deviations)
            > np.maximum(limit, rounding + _middle_rounding(deviations, rounding))
        )
    ]


def _middle_rounding(deviations: Floats, rounding: Floats) -> float:
    """The rounding of the value, or of the coarser of the two, that the median is made of."""
    order = np.argsort(deviations, kind="stable")
    middle = order[(len(order) - 1) // 2 : len(order) // 2 + 1]
    return float(rounding[middle].max())


def _sigma_limit(count: int) -> float:
    """Robust standard deviations beyond which one of ``count`` values is an outlier."""
    from scipy.stats import norm  # noqa: PLC0415

    by_chance = float(norm.isf(FALSE_ALARMS / 2 / count))
    return max(OUTLIER_SIGMAS, by_chance) * (1 + 8 / count)


def _fit_board(
    name: str, readings: Sequence[Reading], gains: Sequence[GainOf], spec: Spec
) -> BoardFit:
    """What the readings of one board say; ``gains``: of those that are no outliers."""
    per_code = float(spec.sensor.volts_per_code)
    zeros = [
        (reading.mean_code, reading.zero_rounding)
        for reading in readings
        if reading.board == name and reading.mean_code is not None
    ]
    own = [entry for entry in gains if entry.reading.board == name]
    by_codes = [entry.gain for entry in own if entry.reading.rms_codes]
    pairs = [
        (entry.reading.meter_v, entry.reading.reported_v)
        for entry in own
        if not entry.reading.rms_codes
    ]
    gain, square = mean_of(by_codes), None
    if pairs and gain is None:
        gain, square = _from_pairs(np.array(pairs), per_code, spec.loop.measure)
    strong = _strong(own, name)
    gain = _rounded_alike(gain, [(entry.gain, entry.gain * entry.rounding) for entry in strong])
    return BoardFit(name, gain, _rounded_alike(mean_of([code for code, _ in zeros]), zeros), square)


def _rounded_alike(
    estimate: Estimate | None, readings: Sequence[tuple[float, float]]
) -> Estimate | None:
    """The estimate of ``readings`` (value, half of what it is rounded to), its interval no
    narrower than the rounding if they scatter less than rounding makes values scatter.

    Then they were rounded alike: off all the same, and no more of them would bring out the truth.
    The standard deviation of a uniform error is its half width over the root of three (GUM, 4.3.7,
    from memory).
    """
    if estimate is None or len(readings) < 2:
        return estimate
    values = [value for value, _ in readings]
    rounding = float(np.mean([half for _, half in readings]))
    if float(np.std(values, ddof=1)) >= rounding / math.sqrt(3):
        return estimate
    return replace(estimate, uncertainty=max(estimate.uncertainty, rounding))


def _from_pairs(
    pairs: np.ndarray, per_code: float, measure: str
) -> tuple[Estimate | None, Estimate | None]:
    """Gain, and the zero's square where the pairs' levels differ enough to show it."""
    from scipy.stats import t  # noqa: PLC0415

    meter, reported = pairs[:, 0], pairs[:, 1]
    count = len(meter)
    if count < 4 or meter.max() < 2 * meter.min():
        strong = meter >= MIN_LEVEL * meter.max()
        return mean_of((per_code * meter / reported)[strong].tolist()), None
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
        return mean_of((per_code * meter / reported).tolist()), None
    ratio = math.sqrt(slope)
    share = (1.0 if measure == "rms" else 2.0) / per_code**2
    return (
        Estimate(per_code / ratio, per_code / ratio * float(errors[0]) / (2 * slope), count),
        Estimate(share * float(constant), share * float(errors[1]), count),
    )


def mean_of(values: Sequence[float]) -> Estimate | None:
    """Mean with the half width of Student's t; None of no values."""
    from scipy.stats import t  # noqa: PLC0415

    if not len(values):
        return None
    if len(values) == 1:
        return Estimate(float(values[0]), math.inf, 1)
    half = float(t.ppf((1 + CONFIDENCE) / 2, len(values) - 1)) * float(np.std(values, ddof=1))
    return Estimate(float(np.mean(values)), half / math.sqrt(len(values)), len(values))


def _over_boards(fits: Sequence[Estimate | None]) -> Estimate | None:
    """Mean over boards; with one board that board's own uncertainty."""
    estimates = [estimate for estimate in fits if estimate is not None]
    if len(estimates) == 1:
        return estimates[0]
    mean = mean_of([estimate.value for estimate in estimates])
    finite = [e.uncertainty for e in estimates if math.isfinite(e.uncertainty)]
    if mean is None or np.ptp([estimate.value for estimate in estimates]) > 0 or not finite:
        return mean
    return replace(mean, uncertainty=float(np.mean(finite)))


def _spread(values: list[float], centre: float, factor: float) -> float | None:
    return factor * max(abs(value - centre) for value in values) if values else None


def _reach(values: list[float]) -> float | None:
    """Half width of the interval that holds ``COVERAGE`` of all boards."""
    return reach(values, COVERAGE)
