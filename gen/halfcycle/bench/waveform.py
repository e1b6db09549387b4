"""What a recorded waveform is: frequency, zero offset, harmonics, form factor, true RMS.

Frequency, offset and harmonics come from one least-squares fit of a constant and sines at the
frequency's multiples, with the frequency itself as an unknown: the four-parameter sine fit of
IEEE 1057 (from memory) with harmonics added. True RMS needs no model: each sample stands for the
time until the next.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from halfcycle.bench.capture import Capture
from halfcycle.bench.capture_types import Floats

MAX_HARMONICS = 25
FIT_POINTS = 40_000
POINTS_PER_CYCLE = 400
"""Finer captures are averaged in blocks to about this many points a cycle before the fit."""
MIN_POINTS = 6
UNITS = {"ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0}
"""Units of time that a column without one may be in, in seconds."""
UNIT_SPREAD = 0.3
"""How far, relative, a record's frequency may be from the spec's to count as that one."""
_STEPS = 12
_HYSTERESIS = 0.3


@dataclass(frozen=True, slots=True)
class Harmonic:
    """One multiple of the frequency: its RMS in volts and in percent of the fundamental."""

    order: int
    rms_v: float
    percent: float


@dataclass(frozen=True, slots=True)
class Waveform:
    """Figures of a capture from ``start_s`` to ``end_s``, a whole number of cycles."""

    start_s: float
    end_s: float
    frequency_hz: float
    zero_v: float
    """Mean of the waveform: an offset of the output or of the recorder."""
    rms_v: float
    form_factor: float
    """RMS over the mean of the magnitude; 1.1107 for a sine."""
    crest_factor: float
    thd_percent: float
    """RMS of the harmonics listed over the fundamental's."""
    harmonics: tuple[Harmonic, ...]
    """From the fundamental on, as far as the capture resolves them."""


class Integral:
    """The running integral of a function of the samples, for means over any interval.

    Each sample stands for the time until the next, the last one for one usual step.
    """

    def __init__(self, capture: Capture, values: Floats) -> None:
        self._edges = np.append(capture.time_s, capture.time_s[-1] + capture.step_s)
        self._sum = np.append(0.0, np.cumsum(values * np.diff(self._edges)))

    def mean(self, start_s: Floats, end_s: Floats) -> Floats:
        """Mean over each interval; all inside the capture."""
        low, high = (np.interp(at, self._edges, self._sum) for at in (start_s, end_s))
        return np.asarray((high - low) / (end_s - start_s), dtype=np.float64)


def true_rms(capture: Capture, start_s: Floats, end_s: Floats) -> Floats:
    """RMS volts of the capture itself over each interval, seconds in its own time."""
    squares = Integral(capture, capture.volts**2)
    return np.sqrt(np.maximum(squares.mean(np.asarray(start_s), np.asarray(end_s)), 0.0))


def analyse(capture: Capture, near_hz: float) -> Waveform | None:
    """The figures of the longest stretch; ``near_hz`` starts the search where it holds too few
    zero crossings. None where there is no whole cycle, or no periodic signal to be found."""
    stretch, time, volts = _longest_stretch(capture)
    if np.ptp(volts) == 0:
        return None
    rough = _crossing_frequency(time, volts) or near_hz
    fitted = _fit(time, volts, rough)
    if fitted is None:
        return None
    frequency, zero, amplitudes = fitted
    start = float(time[0])
    cycles = math.floor((capture.end_s(stretch) - start) * frequency + 1e-3)
    if cycles < 1 or not amplitudes[0]:
        return None
    end = min(start + cycles / frequency, capture.end_s(stretch))
    span = (np.array([start]), np.array([end]))
    rms = float(true_rms(capture, *span)[0])
    mean = float(Integral(capture, np.abs(capture.volts)).mean(*span)[0])
    if not mean or not rms:
        return None
    inside = (time >= start) & (time < end)
    total = math.sqrt(sum(value**2 for value in amplitudes[1:]))
    return Waveform(
        start_s=start,
        end_s=end,
        frequency_hz=frequency,
        zero_v=zero,
        rms_v=rms,
        form_factor=rms / mean,
        crest_factor=float(np.max(np.abs(volts[inside]))) / rms,
        thd_percent=100 * total / amplitudes[0],
        harmonics=tuple(
            Harmonic(order, value / math.sqrt(2), 100 * value / amplitudes[0])
            for order, value in enumerate(amplitudes, 1)
        ),
    )


def likely_unit(capture: Capture, near_hz: float) -> str | None:
    """The unit that the capture's time is in, if as seconds it is far from ``near_hz`` and as that
    unit near it: "ms", "us", "ns" or "min". None if seconds may be right, or nothing fits."""
    _, time, volts = _longest_stretch(capture)
    frequency = _crossing_frequency(time, volts)
    if frequency is None:
        return None
    for unit, seconds in UNITS.items():
        if abs(frequency / seconds / near_hz - 1) < UNIT_SPREAD:
            return unit
    return None


def _longest_stretch(capture: Capture) -> tuple[tuple[int, int], Floats, Floats]:
    """The stretch that lasts longest: its place, its times and its volts."""
    stretch = max(capture.stretches, key=lambda s: capture.end_s(s) - capture.time_s[s[0]])
    return stretch, capture.time_s[slice(*stretch)], capture.volts[slice(*stretch)]


def _crossing_frequency(time: Floats, volts: Floats) -> float | None:
    """Frequency from the times of the zero crossings, with hysteresis against noise."""
    middle = (float(np.max(volts)) + float(np.min(volts))) / 2
    level = _HYSTERESIS * float(np.ptp(volts)) / 2
    side = np.sign(volts - middle) * (np.abs(volts - middle) > level)
    at = np.flatnonzero(side)
    turns = at[1:][np.diff(side[at]) != 0]
    if len(turns) < 2:
        return None
    # Rising and falling crossings take turns: half a cycle from one to the next.
    slope = float(np.polyfit(np.arange(len(turns)), time[turns], 1)[0])
    return 0.5 / slope if slope > 0 else None


def _fit(time: Floats, volts: Floats, near_hz: float) -> tuple[float, float, list[float]] | None:
    """Frequency, constant, and amplitudes from the fundamental on; None where nothing fits."""
    if len(time) < MIN_POINTS:
        return None
    step = float(time[-1] - time[0]) / (len(time) - 1)
    per_cycle = 1 / (near_hz * step)
    cycles = float(time[-1] - time[0]) * near_hz
    if cycles < 0.9 or per_cycle < 4:
        return None
    block = max(1, int(per_cycle / POINTS_PER_CYCLE))
    whole = min(len(time) // block, FIT_POINTS) * block
    time = time[:whole].reshape(-1, block).mean(axis=1)
    volts = volts[:whole].reshape(-1, block).mean(axis=1)
    orders = np.arange(1, max(1, min(MAX_HARMONICS, int(per_cycle / block / 2.5))) + 1)
    centre = float(time.mean())
    moment = time - centre
    omega = 2 * math.pi * near_hz
    solution = np.zeros(2 * len(orders) + 1)
    for _ in range(_STEPS):
        turns = np.exp(1j * omega * moment)[:, None] ** orders
        cosine, sine = turns.real, turns.imag
        columns = [np.ones_like(moment)[:, None], cosine, sine]
        if np.any(solution):
            a, b = solution[1 : 1 + len(orders)], solution[1 + len(orders) :]
            slope = moment * ((b * cosine - a * sine) @ orders)
            columns.append(slope[:, None])
        unknowns = _least_squares(np.concatenate(columns, axis=1), volts)
        solution, change = np.split(unknowns, [2 * len(orders) + 1])
        if len(change):
            # Half a cycle of drift over the capture is as far as a step may be trusted.
            limit = math.pi / max(float(np.ptp(moment)), step)
            omega += float(np.clip(change[0], -limit, limit))
            if omega <= 0 or abs(change[0]) < 1e-10 * omega:
                break
    frequency = omega / (2 * math.pi)
    if not 0.5 * near_hz < frequency < 2 * near_hz:
        return None
    a, b = solution[1 : 1 + len(orders)], solution[1 + len(orders) :]
    averaged = np.sinc(orders * frequency * step * block) / np.sinc(orders * frequency * step)
    amplitudes = np.hypot(a, b) / averaged
    return frequency, float(solution[0]), [float(value) for value in amplitudes]


def _least_squares(columns: Floats, values: Floats) -> Floats:
    """Normal equations of columns scaled alike: quick, and sines are near enough orthogonal."""
    scale = np.sqrt(np.mean(columns**2, axis=0)) + 1e-300
    scaled = columns / scale
    solution = np.linalg.lstsq(scaled.T @ scaled, scaled.T @ values, rcond=1e-13)[0]
    return np.asarray(solution / scale, dtype=np.float64)
