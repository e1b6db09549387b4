"""Which windows a spec allows, and what each one's faults come to in volts at the output."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from halfcycle.base.errors import Fault, InputError, RefusedError
from halfcycle.base.exact import text
from halfcycle.base.findings import Finding, finding
from halfcycle.base.text import counted, signed_ppm
from halfcycle.windows.search import Window, nearest_misses, nearly_whole_windows, whole_windows

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.mean_extremes import Bounds


@dataclass(frozen=True, slots=True)
class ReadingFaults:
    """Errors of a window's reading as volts RMS of the output, the sensor's gain apart."""

    centre: float
    """Middle of the reading's range over its true value; the calibration takes it out."""
    spread_v: float
    """What is left either way: sampling, partial window and frequency, over every phase."""
    sampling_v: float
    """The part of it that is there at the rated frequency already."""
    alternation_v: float
    """The part of the zero tolerance that flips from window to window, before the loop."""
    zero_v: float
    """The steady part of the zero tolerance's error, greatest size."""
    noise_v: float
    """Standard deviation of a reading: noise and quantisation."""
    mean_error: Bounds
    """Bounds of a mean reading's relative error, zero and frequency tolerance included."""
    rms_error: Bounds
    """Bounds of an RMS reading's relative error, likewise."""
    fixed: bool
    """Whether the sampling error is a fixed bias (sine and samples from one clock)."""

    @property
    def ripple_v(self) -> float:
        """The part of ``spread_v`` that moves while the loop runs, volts RMS either way. A loop
        without resonance hands at most all of it to the output."""
        return 0.0 if self.fixed else self.spread_v


def allowed_windows(spec: Spec, file: str) -> tuple[Window, ...]:
    """Candidates, shortest first; only those with the count that the spec insists on, if it does.

    A window that misses its half cycles by less than a clock holds counts as whole; its errors
    still include what it misses by.

    Raises RefusedError if no whole window is short enough and a partial one is not accepted, and
    InputError if the count insisted on cannot be had.
    """
    f, period = spec.output.frequency_hz, spec.loop.period_us / 1_000_000
    longest = spec.loop.longest_window_ms / 1000
    wanted = spec.loop.half_cycles
    whole = whole_windows(f, period, longest)
    if wanted != "auto":
        return (_insisted(spec, file, wanted),)
    if whole:
        return whole
    nearly = nearly_whole_windows(f, period, longest)
    if nearly:
        return nearly
    misses = nearest_misses(f, period, longest)
    if spec.loop.accept_partial_window and misses:
        # Nearer is better as far as the tolerance; the longest of the list is the nearest.
        return misses
    raise RefusedError([_nothing_whole(spec, misses)])


def _insisted(spec: Spec, file: str, half_cycles: int) -> Window:
    f, period = spec.output.frequency_hz, spec.loop.period_us / 1_000_000
    exact = half_cycles / (2 * f * period)
    window = Window(half_cycles, max(1, round(exact)), f, period)
    if not window.within_clock and not spec.loop.accept_partial_window:
        step = (2 * f * period).numerator
        fault = Fault(
            file,
            "loop.half_cycles",
            f"{counted(half_cycles)} would need {float(exact):.6g} samples, which is not whole",
            f'use a multiple of {step}, "auto", or accept_partial_window = true',
        )
        raise InputError([fault])
    return window


def _nothing_whole(spec: Spec, misses: tuple[Window, ...]) -> Finding:
    f = spec.output.frequency_hz
    near = ", ".join(
        f"{counted(w.half_cycles)} in {w.samples} samples ({signed_ppm(w.mismatch_ppm)})"
        for w in misses[-3:]
    )
    if misses:
        nearest = misses[-1]
        fitting = Fraction(nearest.half_cycles, 2 * nearest.samples) / f * 1_000_000
        advice = f'use a loop period of "{fitting}" us ({float(fitting):.6g} us)'
    else:
        advice = f"use a loop period of {float(Fraction(500_000) / f / 25):.6g} us or so"
    return finding(
        "no-whole-window",
        "loop.period_us",
        f"no window up to {text(spec.loop.longest_window_ms)} ms holds a whole number of half "
        f"cycles; the nearest: {near or 'none'}; {advice}, a longer window, or "
        "accept_partial_window = true",
    )


def reading_faults(spec: Spec, window: Window) -> ReadingFaults:
    """The faults of ``window`` for this spec's sensor, frequency tolerance and measure."""
    from halfcycle.windows import reading_errors as wf  # noqa: PLC0415 (numpy)

    rated = float(spec.output.rated_rms_v)
    deviation = spec.output.frequency_tolerance_hz
    offset_v = float(spec.sensor.zero_tolerance_codes * spec.sensor.volts_per_code)
    offset = min(0.99, offset_v / (rated * math.sqrt(2)))
    bounds = wf.mean_error if spec.loop.measure == "mean" else wf.rms_error
    own = bounds(window, 0.0, deviation)
    with_zero = bounds(window, offset, Fraction(0))
    without = bounds(window, 0.0, Fraction(0))
    alternation = wf.alternation(window, offset, spec.loop.measure)
    noise = wf.resolution(
        window,
        float(spec.sensor.volts_per_code),
        float(spec.sensor.noise_codes_rms),
        spec.loop.measure,
    )
    steady = max(with_zero.high - without.high, without.low - with_zero.low) - alternation
    return ReadingFaults(
        centre=1 + (own.low + own.high) / 2,
        spread_v=rated * (own.high - own.low) / 2,
        sampling_v=rated * (without.high - without.low) / 2,
        alternation_v=rated * alternation,
        zero_v=rated * max(0.0, steady),
        noise_v=math.hypot(noise.noise, noise.quantisation),
        mean_error=wf.mean_error(window, offset, deviation),
        rms_error=wf.rms_error(window, offset, deviation),
        fixed=wf.sampling_kind(window, same_clock=deviation == 0) == "fixed bias",
    )
