"""Which windows a spec allows, and what each one's faults come to in volts at the output."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

from halfcycle.base.errors import Fault, InputError, RefusedError
from halfcycle.base.exact import text
from halfcycle.base.findings import Finding, finding
from halfcycle.base.text import counted, signed_ppm
from halfcycle.windows.insisted import is_whole, window_faults_of
from halfcycle.windows.search import Window, nearest_misses, nearly_whole_windows, whole_windows
from halfcycle.windows.shaped import MAX_BLOCKS, shaped_for
from halfcycle.windows.weights import noise_gain
from halfcycle.windows.zeros import zeros_called_for

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.mean_extremes import Bounds


MOVING_LENGTHS = 4
"""Whole windows that are tried as moving ones, the shortest."""

SPACING = Fraction(19, 10)
"""Numbers of updates that are tried for one window are at least so far apart."""


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
    """The part of the zero tolerance that flips from plain window to plain window, before the
    loop; the amplitude of its ripple at f in any other window."""
    zero_v: float
    """The steady part of the zero tolerance's error, greatest size."""
    noise_v: float
    """Standard deviation of a reading: noise and quantisation, with the weights' noise gain."""
    mean_error: Bounds
    """Bounds of a mean reading's relative error, zero and frequency tolerance included."""
    rms_error: Bounds
    """Bounds of an RMS reading's relative error, likewise."""
    fixed: bool
    """Whether the sampling error is a fixed bias (sine and samples from one clock)."""
    noise_gain: float
    """Noise of the reading beside a flat window of as many samples, 1 and up."""
    harmonic_error: Bounds
    """Bounds of the reading's relative error with harmonics up to `HARMONICS`; frequency tolerance
    included. Of a mean most of it is the wave's shape, not the window's fault."""
    dc_percent: float
    """DC at the output, percent of the rated peak, from the reading's ripple at f: a bound per unit
    of action of the loop at f. The action of given gains: `output_ripple.loop_action`; all of it
    with what comes back: `output_ripple.output_ripple_of`."""
    second_percent: float
    """Second harmonic, likewise."""
    third_percent: float
    """Third harmonic from the ripple at 2f, likewise, per unit of action at 2f."""

    @property
    def ripple_v(self) -> float:
        """The part of ``spread_v`` that moves while the loop runs, volts RMS either way. A loop
        without resonance hands at most all of it to the output."""
        return 0.0 if self.fixed else self.spread_v


def allowed_windows(spec: Spec, file: str) -> tuple[Window, ...]:
    """Candidates, shortest first; only those with the count that the spec insists on, if it does.

    A window that misses its half cycles by less than a clock's error counts as whole; its errors
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
            f"{counted(half_cycles)} would need {float(exact):.6g} samples, which is not a whole "
            "number",
            f'use a multiple of {step}, "auto", or accept_partial_window = true',
        )
        raise InputError([fault])
    return window


def moving_candidates(spec: Spec, file: str = "spec") -> tuple[Window, ...]:
    """Windows of every kind that the spec allows, the cheapest kind first: plain, moving flat,
    shaped, moving shaped. In each kind from the shortest on, fewer updates first.

    Honours weighting, updates_per_window, samples, half_cycles, accept_partial_window and
    longest_window_ms of the loop. A loop period that no whole window fits leaves the shaped ones.

    Raises InputError if the keys ask for a window that cannot be had or contradict each other, and
    RefusedError if there is none and no key is to blame.
    """
    faults = window_faults_of(spec, file)
    if faults:
        raise InputError(faults)
    flat: tuple[Window, ...] = ()
    refused: RefusedError | None = None
    if spec.loop.weighting != "shaped":
        try:
            flat = _flat(spec, file)
        except RefusedError as error:
            refused = error
    shaped = () if spec.loop.weighting == "flat" else shaped_for(spec)
    wanted = spec.loop.updates_per_window
    every = (
        *flat,
        *_moving_flat(flat, wanted),
        *(replace(window, updates=1) for window in shaped),
        *shaped,
    )
    allowed = tuple(window for window in every if wanted in ("auto", window.updates))
    if allowed:
        return allowed
    if every:
        raise InputError([_no_such_updates(spec, file, every)])
    raise refused or RefusedError([_nothing_shaped(spec)])


def _flat(spec: Spec, file: str) -> tuple[Window, ...]:
    """Plain windows, those of the samples that the spec insists on if it does."""
    samples = spec.loop.samples
    if samples == "auto" or spec.loop.half_cycles != "auto":
        return allowed_windows(spec, file)
    f, period = spec.output.frequency_hz, spec.loop.period_us / 1_000_000
    step = 2 * f * period
    if not is_whole(samples, step) and not spec.loop.accept_partial_window:
        return ()
    return (Window(max(1, round(samples * step)), samples, f, period),)


def _moving_flat(windows: tuple[Window, ...], wanted: int | str) -> Iterator[Window]:
    """The shortest of ``windows`` with as many updates as divide them: the number wanted, or some
    that lie apart."""
    for window in windows[:MOVING_LENGTHS]:
        divisors = [n for n in range(2, MAX_BLOCKS + 1) if window.samples % n == 0]
        last = Fraction(1)
        for updates in divisors:
            if wanted == updates or updates >= SPACING * last or updates == divisors[-1]:
                last = Fraction(updates)
                yield replace(window, block_weights=(1,) * updates, updates=updates)


def _no_such_updates(spec: Spec, file: str, windows: tuple[Window, ...]) -> Fault:
    updates = spec.loop.updates_per_window
    possible = sorted({window.updates for window in windows})
    near = sorted(sorted(possible, key=lambda n: (abs(n - int(updates)), n))[:2])
    return Fault(
        file,
        "loop.updates_per_window",
        f"no window up to {text(spec.loop.longest_window_ms)} ms has {updates} updates",
        f"use {' or '.join(map(str, near))}",
    )


def _nothing_shaped(spec: Spec) -> Finding:
    zeros = zeros_called_for(spec).text
    if spec.loop.samples != "auto":
        return finding(
            "no-shaped-window",
            "loop.samples",
            f"no window of {spec.loop.samples} samples has weights with zeros at {zeros}; leave "
            "loop.samples out",
        )
    return finding(
        "no-shaped-window",
        "loop.period_us",
        f"no window up to {text(spec.loop.longest_window_ms)} ms has weights with zeros at "
        f"{zeros}; use a shorter loop period, or a longer window",
    )


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
    # numpy, not for --help
    from halfcycle.windows import output_ripple  # noqa: PLC0415
    from halfcycle.windows import reading_errors as wf  # noqa: PLC0415
    from halfcycle.windows.harmonic_errors import harmonic_error  # noqa: PLC0415

    rated = float(spec.output.rated_rms_v)
    deviation = spec.output.frequency_tolerance_hz
    offset = output_ripple.zero_offset(spec, window)
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
    ripple = output_ripple.reading_ripple(window, spec.loop.measure, offset, deviation)
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
        noise_gain=noise_gain(window.block_weights),
        harmonic_error=harmonic_error(window, spec.loop.measure, deviation),
        dc_percent=100 * output_ripple.per_action(window, 1, 0) * ripple.at_f,
        second_percent=100 * output_ripple.per_action(window, 1, 2) * ripple.at_f,
        third_percent=100 * output_ripple.per_action(window, 2, 3) * ripple.at_2f,
    )
