"""The sensor's zero, tracked: over what time, how fast, and what is left of its error, as a bound.

Over whole cycles the samples above the zero and those below it weigh the same. What one side is
heavier by, the *lean*, is the zero's error d times a known factor: with peak A, codes,

    mean of v      = d
    mean of v |v|  = (4 / pi) A d, for d well below A

A step takes a share ``rate`` of that error off. What is left, as the sensor sees it:

- the code in force is kept while it is off by up to HOLD (5/8) of a code, more by what the factor
  is off (SLOPE_OFF);
- the sine's own lean, if the time is not quite whole cycles: of the harmonic k of v (k = 1) or
  v |v| (b_k = 8 / (pi k (4 - k^2)), k odd) it is b_k sin(M x / 2) / (M sin(x / 2)), x = 2 pi k f T.
  It turns by M x from step to step, and the steps average it: |sin(M x / 2)| of it times
  rate / |1 - (1 - rate) e^(j M x)| is at most rate / (2 sqrt(1 - rate)), however slowly it turns;
- noise, NOISE_DEVIATIONS of it, averaged likewise;
- RESOLUTION: the last places of the integers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import TYPE_CHECKING

from halfcycle.windows.search import Window

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

LONGEST_S = Fraction(12, 100)
"""Longest time over which the lean is taken, unless two windows are longer."""
WHOLE = 1e-3
"""Answer at f below which a time counts as whole cycles."""
RATES = tuple(2.0**-n for n in range(3, 11))
"""Shares of the error that one step takes off, at rated output at most."""
SLOWEST_S = 10.0
"""Greatest time constant, seconds."""
MOVED_BY = 0.125
"""Sine's rest and noise may add so much, codes, if a slower step helps."""
HOLD = 0.625
"""The code in force stays while the zero is off it by no more, codes."""
SLOPE_OFF = 0.05
"""Share by which the lean per code is off: the band of the output, its wave."""
RESOLUTION = 0.0625
"""Codes that the integers' last places come to at most (``quantise`` sees to it)."""
NOISE_DEVIATIONS = 6
QUANTISING = 1 / math.sqrt(12)
"""Standard deviation of an ADC's rounding, codes."""
_HARMONICS = 99


@dataclass(frozen=True, slots=True)
class ZeroTracking:
    """How the zero is tracked, and what is left. ``blocks``: over which the lean is taken;
    ``rate``: share of the error that a step takes off at most, at rated output."""

    blocks: int
    samples: int
    step_s: float
    """From one step to the next, seconds."""
    rate: float
    sine_codes: float
    """What is left of the sine's own lean."""
    noise_codes: float
    before_codes: float
    """Error of the zero before it is tracked: the tolerance."""
    ripple_v: float
    """How far it makes the reading ripple before it is tracked, volts RMS either way."""
    band_v: float
    """Half width of the target band, volts RMS: the output must settle before it is tracked."""

    @property
    def left_codes(self) -> float:
        """Greatest error of the zero in force as the sensor sees it, once it has converged."""
        return HOLD * (1 + SLOPE_OFF) + RESOLUTION + self.sine_codes + self.noise_codes

    @property
    def time_constant_s(self) -> float:
        """In which the error falls to 1/e, at rated output: the steps take half of ``rate`` off at
        least. Of an RMS at a lower target it is longer as that is lower."""
        return self.step_s / (self.rate / 2)

    @property
    def converges_s(self) -> float:
        """In which the error falls from the tolerance to what is left, at rated output."""
        if self.before_codes <= self.left_codes:
            return 0.0
        return self.time_constant_s * math.log(self.before_codes / (self.left_codes - HOLD))

    @property
    def helps(self) -> bool:
        """Whether less is left than the tolerance, and the output settles before that."""
        return self.left_codes < self.before_codes and self.settles()

    def settles(self, back: float = 0.0) -> bool:
        """Whether the reading stays in the band though the zero is off by all of its tolerance.
        ``back``: share of the error that comes back to the loop by its own DC, a bound."""
        return self.ripple_v <= (1 - back) * self.band_v


def zero_tracking(spec: Spec, window: Window) -> ZeroTracking | None:
    """How the zero of ``spec`` is tracked with this window; None if it is not asked for, or if
    there is no error to track."""
    sensor = spec.sensor
    if not sensor.track_zero or not sensor.zero_tolerance_codes:
        return None
    return _Choice(spec, window).best


def zero_left_codes(spec: Spec, window: Window) -> float:
    """Greatest error of the zero that the loop sees at rest, codes: the tolerance, or what tracking
    leaves of it."""
    tolerance = float(spec.sensor.zero_tolerance_codes)
    tracking = zero_tracking(spec, window)
    return tolerance if tracking is None or not tracking.helps else tracking.left_codes


class _Choice:
    def __init__(self, spec: Spec, window: Window) -> None:
        self.spec, self.window = spec, window
        self.turns = float(window.frequency_hz * window.period_s)
        off = float(spec.output.frequency_tolerance_hz * window.period_s)
        self.low, self.high = self.turns - off, self.turns + off

    @cached_property
    def blocks(self) -> int:
        """The fewest blocks that are whole cycles, or those with the least answer at f."""
        block_s = self.window.block_samples * self.window.period_s
        most = max(2, int(LONGEST_S / block_s))
        answers = {n: self._answer(n) for n in range(1, most + 1)}
        return next((n for n, a in answers.items() if a <= WHOLE), min(answers, key=answers.get))  # type: ignore[arg-type]

    def _answer(self, blocks: int) -> float:
        samples = blocks * self.window.block_samples
        half = math.pi * self.turns
        return abs(math.sin(samples * half) / (samples * math.sin(half)))

    @property
    def best(self) -> ZeroTracking:
        """The fastest steps with which sine and noise add little; else the slowest allowed."""
        samples = self.blocks * self.window.block_samples
        step_s = float(samples * self.window.period_s)
        made = [
            ZeroTracking(
                self.blocks,
                samples,
                step_s,
                rate,
                self._sine(samples, rate),
                self._noise(samples, rate),
                float(self.spec.sensor.zero_tolerance_codes),
                self._ripple_v,
                float(self.spec.tolerance_v),
            )
            for rate in RATES
        ]
        allowed = [one for one in made if one.time_constant_s <= SLOWEST_S] or made[:1]
        good = (one for one in allowed if one.sine_codes + one.noise_codes <= MOVED_BY)
        return next(good, allowed[-1])

    @cached_property
    def _ripple_v(self) -> float:
        from halfcycle.windows.reading_errors import alternation  # noqa: PLC0415 (numpy)

        output, sensor = self.spec.output, self.spec.sensor
        volts = float(sensor.zero_tolerance_codes * sensor.volts_per_code)
        rated_v = float(output.rated_rms_v)
        offset = min(0.99, volts / (math.sqrt(2) * rated_v))
        return rated_v * alternation(self.window, offset, self.spec.loop.measure)

    def _noise(self, samples: int, rate: float) -> float:
        deviation = math.hypot(float(self.spec.sensor.noise_codes_rms), QUANTISING)
        if self.spec.loop.measure == "rms":
            deviation *= math.pi / 4 * math.sqrt(2)
        averaged = math.sqrt(rate / (2 - rate) / samples)
        return NOISE_DEVIATIONS * deviation * averaged

    def _sine(self, samples: int, rate: float) -> float:
        """What is left of the sine's lean, codes."""
        output, sensor = self.spec.output, self.spec.sensor
        peak = math.sqrt(2) * float(output.rated_rms_v / sensor.volts_per_code)
        if self.spec.loop.measure == "mean":
            return peak * self._harmonic(samples, rate, 1)
        total = 8 / math.pi / (4 * (_HARMONICS - 1) ** 2) if not self._is_whole(samples) else 0.0
        for k in range(1, _HARMONICS + 1, 2):
            total += abs(8 / (math.pi * k * (4 - k * k))) * self._harmonic(samples, rate, k)
        return peak * total * math.pi / 4

    def _is_whole(self, samples: int) -> bool:
        """Whether no odd harmonic of the sine leans at all, however high: whole cycles, and no odd
        multiple of f is one of the sampling rate."""
        turns = self.window.frequency_hz * self.window.period_s
        whole = (samples * turns).denominator == 1 and self.low == self.high
        return whole and turns.denominator % 2 == 0

    def _harmonic(self, samples: int, rate: float, k: int) -> float:
        """Greatest lean of harmonic ``k`` of size 1 that is left, over the range of frequencies."""
        turns = self.window.frequency_hz * self.window.period_s
        if self.low == self.high and (k * turns).denominator == 1:
            return 1.0
        if self.low == self.high and (k * samples * turns).denominator == 1:
            return 0.0
        low, high = math.pi * k * self.low, math.pi * k * self.high
        if math.floor(low / math.pi) != math.floor(high / math.pi):
            return 1.0
        least = min(abs(math.sin(low)), abs(math.sin(high)))
        averaged = rate / (2 * math.sqrt(1 - rate))
        own = self._greatest_sine(samples * low, samples * high)
        return min(1.0, min(own, averaged) / (samples * least))

    @staticmethod
    def _greatest_sine(low: float, high: float) -> float:
        """Greatest |sin| between two angles."""
        quarter = math.pi / 2
        if math.floor((low - quarter) / math.pi) != math.floor((high - quarter) / math.pi):
            return 1.0
        return max(abs(math.sin(low)), abs(math.sin(high)))
