"""Why a reported RMS is off: one window of one board taken apart, each cause by a computation.

The board is run again with its waveform, and the reading of the window is made step by step, each
step with one thing more in it. What a step changes is that cause's part, so the parts add up to the
whole error:

    from                                        to                                      part
    true RMS of the window                      reading without gaps, same window       shape
    reading without gaps, same window           the same, late by the sensor's delay    change
    sine in it, read without gaps               the same sine, sampled                  sampling
    distortion in it, read without gaps         the same distortion, sampled            folded
    all of it, sampled                          the same with the zero's error          zero
    all of it, sampled, with the zero's error   what the firmware reports               noise

A reading without gaps is the rectified mean times the form factor, or the RMS, of the waveform, all
of it weighed as the window weighs its samples.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import minimize_scalar

from halfcycle.base.clipped_sine import FORM_FACTOR
from halfcycle.simulate.boards import Draw, draw
from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.cases import cases
from halfcycle.simulate.compiled_loop import CompiledLoop
from halfcycle.simulate.measurements import Measured, measure
from halfcycle.simulate.run_types import Board, EventKind, History, Real, Run
from halfcycle.simulate.setup import board, timing
from halfcycle.simulate.simulate import Prepared, compiled
from halfcycle.simulate.tally import Tally

CAUSES = ("shape", "folded", "sampling", "zero", "noise", "change")
"""The parts of an error, in the order in which they are shown."""
MAX_STEPS = 8_000_000
"""A longer run is not looked into: its waveform would fill the memory (32 bytes a step)."""
_FINE = 16
"""Points of the waveform for each step of the circuit, when it is read without gaps."""

Measure = Literal["mean", "rms"]


@dataclass(frozen=True, slots=True)
class ReadingError:
    """The reported RMS of one window; all errors as shares of the window's true RMS, sensor gain
    apart, and the six parts add up to ``error``.

    ``at_limit``: whether the window is the last before an overload ends, else it is a steady one.
    ``shape``: a mean read as RMS, of a wave that is not a sine. ``folded``: distortion that the
    sampling takes for something else. ``sampling``: of a clean sine. ``zero``: of the sensor.
    ``noise``: the ADC's, with its rounding and the firmware's. ``change``: of the output, within
    the sensor's delay. ``by_rms``: error that an RMS of the very same ADC codes has.
    """

    case: str
    board: int
    at_limit: bool
    error: float
    shape: float
    folded: float
    sampling: float
    zero: float
    noise: float
    change: float
    by_rms: float

    @property
    def greatest(self) -> str:
        """The cause with the greatest part."""
        return max(CAUSES, key=lambda cause: abs(getattr(self, cause)))


def reading_errors(prepared: Prepared, tallies: Sequence[Tally], seed: int) -> list[ReadingError]:
    """The worst reported RMS of each case, steady and at the drive limit, taken apart."""
    errors = []
    for tally in tallies:
        for figure, at_limit in (
            ("report_error_percent", False),
            ("report_error_at_limit_percent", True),
        ):
            if figure in tally.worst:
                number = tally.worst[figure][1]
                error = reading_error(prepared, tally.case, number, seed, at_limit=at_limit)
                if error is not None:
                    errors.append(error)
    return errors


def reading_error(
    prepared: Prepared, case_name: str, number: int, seed: int, *, at_limit: bool
) -> ReadingError | None:
    """One board's worst steady window, or the one at its drive limit; None for too long a run."""
    setting = prepared.setting
    case = cases(setting)[case_name]
    run = timing(setting, case)
    if run.steps > MAX_STEPS:
        return None
    (drawn,) = draw(setting.spec, range(number, number + 1), seed, setting.inside)
    built = board(setting, case, drawn)
    loop = compiled(prepared.name, prepared.texts)
    history = loop.run(run, [built], trace=True)
    measured = measure(setting, case, [drawn], [built], history)
    window = _window(measured, at_limit)
    if not history.window_rms[0, window] > 0:
        return None
    return _Parts(setting, case, run, drawn, built, history, loop).of(window, at_limit)


def _window(measured: Measured, at_limit: bool) -> int:
    chosen = measured.flagged.window_then if at_limit else measured.steady.report_window
    return int(chosen[0])


def reading(volts: Real, measure: Measure, weights: Real) -> float:
    """What a mean, read as RMS, or an RMS makes of points of a wave, of these weights (sum 1)."""
    if measure == "mean":
        return FORM_FACTOR * float(np.abs(volts) @ weights)
    return math.sqrt(float(volts**2 @ weights))


class _Parts:
    """The readings of one board's windows, with more and more in them."""

    def __init__(  # noqa: PLR0917 (one board's run, whole)
        self,
        setting: Setting,
        case: Case,
        run: Run,
        drawn: Draw,
        built: Board,
        history: History,
        loop: CompiledLoop,
    ) -> None:
        self._setting, self._case, self._run = setting, case, run
        self._gain, self._board = drawn.gain, built
        self._history = history
        count = run.steps // run.steps_per_sample + 1
        self._weights = setting.sample_weights
        self._noise = built.noise_codes * loop.noise(built.noise_key, count)

    def of(self, window: int, at_limit: bool) -> ReadingError:
        history, setting, run = self._history, self._setting, self._run
        measure = setting.spec.loop.measure
        end = round(history.window_end_s[0, window] / run.step_s)
        steps = run.steps_per_sample * run.samples_per_window
        true = float(history.window_rms[0, window])
        wave = self._waveform(end, steps)
        late = self._board.delay_s / run.step_s

        fine = np.arange(end - steps, end, 1 / _FINE) + 0.5 / _FINE
        sampled_at = end - run.steps_per_sample * np.arange(run.samples_per_window)[::-1] - late
        weights = self._weights
        held = np.repeat(weights, len(fine) // len(weights)) * (len(weights) / len(fine))
        now = reading(wave(fine), measure, held)
        delayed = reading(wave(fine - late), measure, held)
        turn = self._radians_per_step(wave, fine - late)
        sine = _sine_in(wave, fine - late, turn)
        sine_read = reading(sine(fine - late), measure, held)
        sine_sampled = reading(sine(sampled_at), measure, weights) / setting.at_rest.centre
        volts = wave(sampled_at)
        sampled = reading(volts, measure, weights) / setting.at_rest.centre
        zero_v = self._zero_codes() / self._board.codes_per_volt
        with_zero = reading(volts + zero_v, measure, weights) / setting.at_rest.centre
        reported = float(history.window_reported_mv[0, window]) / 1000 / self._gain
        sampling = sine_sampled - sine_read
        return ReadingError(
            case=self._case.name,
            board=self._board.number,
            at_limit=at_limit,
            error=reported / true - 1,
            shape=now / true - 1,
            change=(delayed - now) / true,
            sampling=sampling / true,
            folded=(sampled - delayed - sampling) / true,
            zero=(with_zero - sampled) / true,
            noise=(reported - with_zero) / true,
            by_rms=self._by_rms(volts, end) / true - 1,
        )

    def _waveform(self, end: int, steps: int) -> CubicSpline:
        """The true output over a window, volts over steps."""
        before = math.ceil(self._board.delay_s / self._run.step_s) + 4
        first, last = max(0, end - steps - before), min(self._run.steps, end + 4)
        return CubicSpline(np.arange(first, last), self._history.trace[first:last, 0])

    def _radians_per_step(self, wave: CubicSpline, at: Real) -> float:
        """Of the mains, which may be off the nominal frequency if a source is followed."""
        spec, step = self._setting.spec, self._run.step_s
        nominal = 2 * math.pi * float(spec.output.frequency_hz) * step
        off = 2 * math.pi * float(spec.output.frequency_tolerance_hz) * step
        if off == 0:
            return nominal
        volts = wave(at)

        def left(turn: float) -> float:
            return float(((volts - _sine_in(wave, at, turn)(at)) ** 2).sum())

        bounds = (nominal - 1.1 * off, nominal + 1.1 * off)
        best = minimize_scalar(left, bounds=bounds, method="bounded", options={"xatol": 1e-12})
        return float(best.x)

    def _zero_codes(self) -> float:
        """Error of the sensor's zero, codes."""
        moved = [event for event in self._case.events if event.kind == EventKind.ZERO]
        nominal = self._run.zero_code
        return moved[-1].value if moved else self._board.zero_code - nominal

    def _by_rms(self, volts: Real, end: int) -> float:
        """What an RMS of the window's ADC codes reads, volts."""
        run = self._run
        last = end // run.steps_per_sample
        noise = self._noise[last - run.samples_per_window : last]
        scale = self._board.codes_per_volt
        exact = volts * scale + run.zero_code + self._zero_codes() + noise
        codes = np.clip(np.floor(exact + 0.5), 0, run.adc_max)
        return reading((codes - run.zero_code) / scale, "rms", self._weights)


class _Sine:
    """A sine with DC, by its least squares fit."""

    def __init__(self, turn: float, factors: Real) -> None:
        self._turn, self._factors = turn, factors

    def __call__(self, at: Real) -> Real:
        a, b, _ = self._factors
        return np.asarray(a * np.sin(self._turn * at) + b * np.cos(self._turn * at))


def _sine_in(wave: CubicSpline, at: Real, turn: float) -> _Sine:
    """The sine of ``turn`` radians a step that is nearest to the wave at these steps."""
    columns = np.stack([np.sin(turn * at), np.cos(turn * at), np.ones_like(at)], axis=1)
    factors, *_ = np.linalg.lstsq(columns, wave(at), rcond=None)
    return _Sine(turn, np.asarray(factors, dtype=np.float64))
