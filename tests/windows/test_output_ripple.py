"""What a reading's ripple does to the output: against a loop that runs, by Fourier transform."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from halfcycle.windows import output_ripple
from halfcycle.windows.output_ripple import Ripple, loop_action, per_action, reading_ripple
from halfcycle.windows.search import Window

US = Fraction(1, 1_000_000)
SIXTY = Fraction(60)


def window(half_cycles, samples, us, *, f=SIXTY, half=(), updates=1):
    weights = (*half, *half[-2::-1]) if half else (1,) * updates
    return Window(half_cycles, samples, f, us * US, weights, updates)


NINE = window(1, 9, 1000, half=(21, 27, 31, 31, 27), updates=9)
NINE_SELDOM = replace(NINE, updates=3)
SEVENTEEN = window(2, 17, 1000, half=(26, 28, 29, 29, 29, 30, 31, 29, 27), updates=17)
PLAIN = window(3, 25, 1000)
FLAT_FIVE = window(3, 25, 1000, updates=5)
HALF_CYCLE = window(1, 25, 400, f=Fraction(50))
CASES = [NINE, NINE_SELDOM, SEVENTEEN, PLAIN, FLAT_FIVE, HALF_CYCLE]
IDS = ["nine", "nine-in-3", "seventeen", "plain", "flat-5", "half-cycle"]

FINE = 20
"""Points of the drive per sample."""


def staircase(w: Window, multiple: int, gains: tuple[float, float], phase: float, delay: float):
    """The scale that the loop (Ki, Kp) makes of a unit ripple at ``multiple`` f, over whole cycles
    and updates, and the time in cycles."""
    ki, kp = gains
    samples = (w.frequency_hz * w.period_s).denominator * w.update_samples
    cycles = float(w.frequency_hz * w.period_s * samples)
    at = (np.arange(samples * FINE) + 0.5) / (samples * FINE) * cycles
    per_update = float(w.frequency_hz * w.update_s)
    updates = np.floor((at - delay) / per_update)
    k = np.arange(-3, round(cycles / per_update) + 3)
    error = np.cos(2 * np.pi * multiple * per_update * k + phase)
    # The steady state of the sum: its own pointer over 1 - z^-1.
    z = np.exp(2j * np.pi * multiple * per_update)
    pointer = np.exp(1j * (2 * np.pi * multiple * per_update * k + phase))
    scale = kp * error + (ki * pointer / (1 - 1 / z)).real
    return scale[(updates + 3).astype(int)], at, cycles


def harmonic(values: np.ndarray, at: np.ndarray, order: int) -> float:
    """Amplitude of a harmonic of f, or the mean."""
    pointer = (values * np.exp(-2j * np.pi * order * at)).mean()
    return abs(pointer) * (2 if order else 1)


@pytest.mark.parametrize("w", CASES, ids=IDS)
@pytest.mark.parametrize(("multiple", "order"), [(1, 0), (1, 2), (2, 3)])
def test_harmonics_of_the_drive_against_a_transform(w, multiple, order):
    ki, kp = 0.05, 0.12
    bound = loop_action(w, multiple, ki, kp) * per_action(w, multiple, order)
    if loop_action(w, multiple, ki, kp) == 0:
        return  # in step: the integrator sees a constant
    greatest = 0.0
    for phase in np.linspace(0, 2 * np.pi, 48, endpoint=False):
        for delay in np.linspace(0, float(w.frequency_hz * w.update_s), 6, endpoint=False):
            scale, at, _ = staircase(w, multiple, (ki, kp), phase, delay)
            for shift in (0.0, 0.25):
                drive = scale * np.sin(2 * np.pi * (at + shift))
                greatest = max(greatest, harmonic(drive, at, order))
    assert greatest <= bound * 1.001 + 1e-9
    assert greatest >= 0.97 * bound - 1e-9


def test_updates_in_step_with_a_ripple_make_none_of_it():
    assert loop_action(PLAIN, 2, 0.1, 0.1) == 0
    assert loop_action(PLAIN, 1, 0.1, 0.0) == pytest.approx(0.05)
    assert loop_action(HALF_CYCLE, 1, 0.1, 0.3) == pytest.approx(0.35)


def test_action_against_another_library():
    """Outside source: scipy.signal.freqz of Kp + Ki / (1 - z^-1)."""
    signal = pytest.importorskip("scipy.signal")
    ki, kp = 0.07, 0.2
    for w in (NINE, SEVENTEEN, FLAT_FIVE):
        for multiple in (1, 2):
            at = 2 * math.pi * float(multiple * w.frequency_hz * w.update_s)
            answer = signal.freqz([kp + ki, -kp], [1, -1], worN=[at])[1][0]
            assert loop_action(w, multiple, ki, kp) == pytest.approx(abs(answer), rel=1e-12)


@pytest.mark.parametrize("measure", ["mean", "rms"])
@pytest.mark.parametrize("w", [NINE, SEVENTEEN, FLAT_FIVE], ids=["nine", "seventeen", "flat-5"])
def test_ripple_of_a_reading_against_plain_sums(w, measure):
    """The reading at every phase, by plain sums; its lines at f and 2f by Fourier transform."""
    shares = np.repeat(w.block_weights, w.block_samples) / (w.block_samples * sum(w.block_weights))
    turns = np.arange(4096) / 4096
    found = reading_ripple(w, measure, 0.01, Fraction(1, 2))
    at_f = at_2f = 0.0
    for f in (59.5, 60.0, 60.5):
        for offset in (0.0, 0.01):
            x = np.sin(2 * np.pi * (turns[:, None] + f / 1000 * np.arange(w.samples))) + offset
            if measure == "mean":
                reading = np.pi / 2 * np.abs(x) @ shares
            else:
                reading = np.sqrt(2 * x**2 @ shares)
            if f == 60.0:
                at_f = max(at_f, harmonic(reading, turns, 1))
            if not offset:
                at_2f = max(at_2f, harmonic(reading, turns, 2))
    assert at_f <= found.at_f * 1.0001 + 1e-9
    assert at_2f <= found.at_2f * 1.0001 + 1e-9
    if measure == "rms":
        assert at_f >= 0.98 * found.at_f - 1e-6
        assert at_2f >= 0.98 * found.at_2f - 1e-6
    elif w is FLAT_FIVE:
        # The ripple of a mean is taken for a square wave; of nine samples it is all harmonics.
        assert at_f >= 0.55 * found.at_f
        assert at_2f >= 0.4 * found.at_2f


@pytest.mark.parametrize(("ki", "kp"), [(0.04, 0.1), (0.1, 0.2)])
def test_dc_of_a_loop_that_runs(ki, kp):
    """The whole loop at 60 Hz and 1 ms, sample by sample, without a filter: reading, PI law, sine.
    The zero is off by 1 % of the peak; DC and second harmonic come back through the sensor."""
    offset = 0.01
    for w in (NINE, SEVENTEEN):
        shares = np.array(w.block_weights) / sum(w.block_weights)
        samples = 60 * 50
        sine = np.sin(2 * np.pi * 0.06 * np.arange(samples) + 0.3)
        scale, total, wave = 1.0, 1.0, np.zeros(samples)
        for k in range(samples):
            wave[k] = scale * sine[k]
            if k + 1 >= w.samples:
                x = wave[k + 1 - w.samples : k + 1] + offset
                error = 1 - math.sqrt(2 * (x[::-1] ** 2) @ shares)
                total += ki * error
                scale = total + kp * error
        last = wave[-1000:]  # sixty whole cycles
        at = 0.06 * np.arange(1000)
        bound = output_ripple.output_ripple(
            w, reading_ripple(w, "rms", offset, Fraction(0)), ki=ki, kp=kp
        )
        assert 100 * abs(last.mean()) <= bound.dc_percent + 1e-6
        assert 100 * harmonic(last, at, 2) <= bound.second_percent + 1e-6
        if w is NINE:
            assert 100 * abs(last.mean()) >= 0.15 * bound.dc_percent
            assert bound.dc_percent > 0.05
        else:
            assert bound.dc_percent < 0.0005


def test_a_way_round_of_gain_one_has_no_bound():
    found = output_ripple.output_ripple(NINE, Ripple(0.01, 0.0), ki=3.0, kp=3.0)
    assert found.dc_percent == math.inf
    none = output_ripple.output_ripple(NINE, Ripple(0.0, 0.0), ki=3.0, kp=3.0)
    assert (none.dc_percent, none.third_percent) == (0.0, 0.0)


def test_volts():
    found = output_ripple.OutputRipple(0.1, 0.1, 0.2)
    assert found.dc_v(230) == pytest.approx(0.001 * 230 * math.sqrt(2))
    assert (found.second_v(230), found.third_v(230)) == (pytest.approx(0.23), pytest.approx(0.46))
