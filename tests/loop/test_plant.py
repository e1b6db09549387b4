"""The plant at window rate against the full circuit, simulated with scipy's matrix exponential."""

from __future__ import annotations

import math
from fractions import Fraction as F
from functools import cache

import numpy as np
import pytest
from scipy import signal
from scipy.linalg import expm

from halfcycle.base import clipped_sine
from halfcycle.base.errors import InputError
from halfcycle.loop.drive import needed_scale, reading_of_scale
from halfcycle.loop.envelope import Timing, worst_weights
from halfcycle.loop.figures import analyse
from halfcycle.loop.filter_model import (
    FilterCircuit,
    LoadImpedance,
    inductive_load,
    modes,
    resistive_load,
)
from halfcycle.loop.frequency_response import margins
from halfcycle.loop.gains import analyse_inside
from halfcycle.loop.plant import window_plants
from halfcycle.loop.ringing import ringing_lines
from halfcycle.loop.step_response import settled_window, step_response
from support.loop_specs import spec, window


def circuit_matrices(circuit):
    """Kirchhoff's laws in volts and amperes, written apart from the module under test."""
    l_, c_, r = circuit.inductance_h, circuit.capacitance_f, circuit.resistance_ohm
    load = circuit.load
    if load.inductance_h > 0:
        a = [
            [-r / l_, -1 / l_, 0],
            [1 / c_, 0, -1 / c_],
            [0, 1 / load.inductance_h, -load.resistance_ohm / load.inductance_h],
        ]
        return np.array(a), np.array([1 / l_, 0, 0]), 1
    return (
        np.array([[-r / l_, -1 / l_], [1 / c_, -load.conductance_s / c_]]),
        np.array([1 / l_, 0]),
        1,
    )


def readings(circuit, timing, phase, scales):
    """Window readings of the sensed output, by stepping the circuit and a sine generator with
    expm; each scale holds for one window. The sensor's delay must be below one loop period."""
    a, b, out = circuit_matrices(circuit)
    n, w, period = len(a), timing.angular, float(timing.period_s)
    delay = float(timing.delay_s)
    assert delay < period

    @cache
    def step(scale, dt):
        whole = np.zeros((n + 2, n + 2))
        whole[:n, :n] = a
        whole[:n, n] = scale * b
        whole[n, n + 1], whole[n + 1, n] = w, -w
        return expm(whole * dt)

    state = np.concatenate([np.zeros(n), [math.sin(phase), math.cos(phase)]])
    result = []
    for scale in scales:
        first, each, rest = step(scale, period - delay), step(scale, period), step(scale, delay)
        volts = []
        for j in range(timing.samples):
            state = (first if j == 0 else each) @ state
            volts.append(state[out])
        state = rest @ state
        v = np.array(volts)
        result.append(
            np.abs(v).mean() if timing.measure == "mean" else math.sqrt(np.square(v).mean())
        )
    return np.array(result)


LIGHT = LoadImpedance("0 %")
CIRCUITS = [
    FilterCircuit(1.5e-3, 9.992e-6, 0.25, LIGHT),  # rings at 1300 Hz: folds onto 50 Hz at 800 us
    FilterCircuit(1.2e-3, 10e-6, 0.25, LIGHT),
    FilterCircuit(0.9e-3, 11e-6, 0.25, resistive_load("rated", 700, 230)),
    FilterCircuit(1.2e-3, 10e-6, 0.25, inductive_load("0.7", 700, 230, 0.7, 50)),
]
TIMINGS = [
    Timing(25, F(800, 10**6), F(50), F(4, 10**6), "mean"),
    Timing(25, F(1, 1000), F(60), F(300, 10**6), "mean"),  # an odd count: 3 half cycles
    Timing(40, F(500, 10**6), F(50), F(4, 10**6), "rms"),
]


@pytest.mark.parametrize("circuit", CIRCUITS, ids=lambda c: c.load.label)
@pytest.mark.parametrize("timing", TIMINGS, ids=lambda t: t.measure + str(t.frequency_hz))
def test_weights_match_the_stepped_circuit(circuit, timing):
    """Source: scipy.linalg.expm on the circuit's own equations, small step about the steady
    sine. Gain by the steady reading, weights by the difference of two runs."""
    response = modes([circuit], timing.angular)
    got = worst_weights(response, timing)
    settle, step, shown = 60, 1e-6, 6
    for side in (0, 1):
        # The bridge's phase counts from a scale change; whole windows leave it but for its sign.
        # At the extreme a sample sits on the zero crossing: more than a step away is
        # off it, on the side of the limit.
        for nudge in (1e-4, -1e-4):
            phase = math.radians(got.phase_deg[0, side]) + nudge
            scales = np.ones(settle + shown)
            base = readings(circuit, timing, phase, scales)
            scales[settle:] += step
            moved = readings(circuit, timing, phase, scales)
            cumulative = (moved - base)[settle:] / step / base[-1]
            expected = np.diff(cumulative, prepend=0.0)
            weights = np.zeros(shown)
            n = min(shown, got.weights.shape[-1])
            weights[:n] = got.weights[0, side, :n]
            if np.abs(weights - expected).max() < 1e-3:
                break
        np.testing.assert_allclose(weights, expected, atol=1e-3)
        true = 2 / math.pi if timing.measure == "mean" else 1 / math.sqrt(2)
        reading = abs(response.transfer[0]) * got.ratio[0, side] * true
        assert reading == pytest.approx(base[-1], rel=1e-4)


@pytest.mark.parametrize("timing", TIMINGS, ids=lambda t: t.measure + str(t.frequency_hz))
def test_no_phase_is_worse_than_the_two_kept(timing):
    """Source: a dense sweep of the phase over the stepped circuit's first window."""
    circuit = CIRCUITS[0]
    got = worst_weights(modes([circuit], timing.angular), timing)
    least, greatest = got.weights[0, :, 0]
    settle, step = 50, 1e-3
    seen = []
    for phase in np.linspace(0.0, math.pi, 41):
        scales = np.ones(settle + 1)
        base = readings(circuit, timing, phase, scales)[-1]
        scales[-1] += step
        seen.append((readings(circuit, timing, phase, scales)[-1] - base) / step / base)
    assert least - 2e-3 <= min(seen)
    assert max(seen) <= greatest + 2e-3
    spread = greatest - least
    assert min(seen) - least < 0.1 * spread, "the bound is not tight"
    assert greatest - max(seen) < 0.1 * spread, "the bound is not tight"


def test_transfer_matches_scipy_frequency_response():
    """Source: scipy.signal.freqresp of the same equations."""
    for circuit in CIRCUITS:
        a, b, out = circuit_matrices(circuit)
        system = signal.StateSpace(a, b[:, None], np.eye(len(a))[[out]], [[0.0]])
        _, expected = signal.freqresp(system, [2 * math.pi * 50])
        assert modes([circuit], 2 * math.pi * 50).transfer[0] == pytest.approx(expected[0])


@pytest.mark.parametrize("delay_periods", [1, 5, 25, 30])
def test_pure_delay(delay_periods):
    """A filter that does nothing, and a sensor d periods late: each sample counts, by its square,
    for the window that the sensor still shows. Source: counting."""
    circuit = FilterCircuit(1e-9, 1e-9, 1.0, resistive_load("r", 1.0, 1.0))
    late = Timing(8, F(1, 400), F(50), delay_periods * F(1, 400), "rms")
    got = worst_weights(modes([circuit], late.angular), late)
    with pytest.raises(ValueError, match="same point"):
        worst_weights(modes([circuit], 1.0), Timing(8, F(1, 400), F(200), F(0), "rms"))
    # Weight of each window: share of sin^2 over the samples that saw it, at either phase.
    for side in (0, 1):
        phase = math.radians(got.phase_deg[0, side])
        j = np.arange(1, 9)
        at = (j - delay_periods) / 400.0
        power = np.sin(late.angular * at + phase) ** 2
        # At the very instant of a change the output has not moved yet: it shows the window before.
        ago = 1 - np.ceil(at / float(late.window_s) - 1e-9).astype(int)
        expected = np.bincount(ago, weights=power, minlength=6)[:6] / power.sum()
        weights = np.zeros(6)
        weights[: got.weights.shape[-1]] = got.weights[0, side]
        np.testing.assert_allclose(weights, expected, atol=1e-3)


def test_gain_range_of_the_example():
    """Source: |1/(1 - w^2 LC + ...)| by hand for the unloaded filter and for the loaded one."""
    plants = window_plants(spec(), window())
    w = 2 * math.pi * 50
    unloaded = 1 / abs(1 - w**2 * 1.5e-3 * 11e-6 + 1j * w * 11e-6 * 0.25)
    assert plants.gains.max() == pytest.approx(
        420 / math.sqrt(2) * unloaded * 1.01 / 230, rel=0.5 * (math.pi / 50) ** 2
    )
    z = 230**2 / 700 * (0.7 + 1j * math.sqrt(1 - 0.49))
    y = 1 / z + 1j * w * 9e-6
    loaded = 1 / abs(1 + (0.25 + 1j * w * 1.5e-3) * y)
    assert plants.gains.min() == pytest.approx(
        350 / math.sqrt(2) * loaded * 0.99 / 230, rel=0.5 * (math.pi / 50) ** 2
    )
    assert "bus 420 V" in plants.corners[plants.strongest].label
    assert "bus 350 V" in plants.corners[plants.weakest].label
    assert plants.hardest == plants.weakest
    np.testing.assert_allclose(plants.weights.sum(axis=1), 1.0, atol=1e-12)


def test_undamped_filter_is_refused():
    with pytest.raises(InputError, match="winding_resistance"):
        window_plants(spec(filter__winding_resistance_ohm=F(0)), window())


def test_samples_on_one_point_are_refused():
    """Two samples a cycle, half a cycle apart: every one falls on the same phase."""
    with pytest.raises(InputError, match=r"gauge.toml: loop.period_us"):
        window_plants(spec(), window(2, 2, F(50), F(1, 100)), "gauge.toml")


@pytest.mark.parametrize("measure", ["mean", "rms"])
def test_reading_while_clipping(measure):
    """Source: numerical integration of the clipped sine; docs/theory.md's figures at drive 1.2."""
    angle = (np.arange(400_000) + 0.5) * (math.pi / 400_000)
    for drive in (0.4, 1.0, 1.05, 1.2, 3.0):
        wave = np.minimum(drive * np.sin(angle), 1.0)
        expected = (
            wave.mean() * math.pi / 2
            if measure == "mean"
            else math.sqrt(2 * np.square(wave).mean())
        )
        reading, slope = reading_of_scale(np.array([drive]), measure)
        assert reading[0] == pytest.approx(expected, rel=1e-8)
        up, _ = reading_of_scale(np.array([drive + 1e-6]), measure)
        down, _ = reading_of_scale(np.array([drive - 1e-6]), measure)
        if drive != 1.0:
            assert slope[0] == pytest.approx((up[0] - down[0]) / 2e-6, rel=1e-5)
        whole = getattr(clipped_sine, measure)
        assert reading[0] == pytest.approx(whole(drive) / whole(1.0), rel=1e-12)
        slope_of = getattr(clipped_sine, measure + "_gain")
        if drive != 1.0:
            assert slope[0] == pytest.approx(slope_of(drive) / slope_of(1.0), rel=1e-9)
    at_limit, _ = reading_of_scale(np.array([1.2]), measure)
    known = 0.714517 * math.pi / 2 if measure == "mean" else 0.783108 * math.sqrt(2)
    assert at_limit[0] == pytest.approx(known, rel=2e-6)


def test_a_corner_that_clips_has_a_second_slower_one():
    plants = window_plants(spec(bridge__bus_min_v=F(320)), window())
    slow = [i for i, c in enumerate(plants.corners) if c.drive > 1]
    assert slow
    for i in slow:
        gain = next(
            plants.gains[k]
            for k, c in enumerate(plants.corners)
            if c.drive == 0 and plants.corners[i].label.startswith(c.label)
        )
        # rated is met there: gain times the clipped reading is 1
        reading, slope = reading_of_scale(plants.scale_for_rated[[i]], "mean")
        assert gain * reading[0] == pytest.approx(1.0, abs=1e-9)
        assert plants.gains[i] == pytest.approx(gain * slope[0])


def test_unreachable_rated_is_infinite_and_named():
    plants = window_plants(spec(bridge__bus_min_v=F(200)), window())
    assert math.isinf(plants.scale_for_rated[plants.hardest])
    assert "bus 200 V" in plants.corners[plants.hardest].label


def test_bus_resistance_sags_the_reading():
    """Source: the averaged bridge i_bus = s sin(wt) iL into a resistive bus, resistive load,
    first harmonic by numerical projection."""
    gain, a = 1.05, 0.75 * 2.0 / 75.0
    scale, slope = needed_scale(np.array([gain]), np.array([a]), "mean")
    angle = (np.arange(3600) + 0.5) * (2 * math.pi / 3600)
    sine = np.sin(angle)

    def first_harmonic(s):  # v = s sin (1 - Rs s sin i), i = amplitude sin / 75 (unit bus)
        amplitude = s
        for _ in range(60):
            v = s * sine * (1.0 - 2.0 * s * sine * amplitude * sine / 75.0)
            amplitude = 2 * (v * sine).mean()
        return amplitude

    assert gain * first_harmonic(scale[0]) == pytest.approx(1.0, rel=1e-3)
    step = 1e-4
    numeric = (first_harmonic(scale[0] + step) - first_harmonic(scale[0] - step)) / (2 * step)
    assert slope[0] == pytest.approx(gain * numeric, rel=2e-3)


@pytest.mark.parametrize("period_us", [F(800), F(625)])
def test_random_boards_stay_within_the_corners_figures(period_us):
    """Filter, load, bus and sensor anywhere in their tolerances, at each board's own worst phases:
    none settles later, overshoots more or has less margin than the corners said, save 2 % of
    Ms - 1. Source: random draws."""
    win = window(2, int(20000 / period_us), F(50), period_us / 10**6)
    kp, ki = 0.0, 0.286
    tables = spec(loop__period_us=period_us)
    ends = window_plants(tables, win)
    promised, _ = analyse_inside(ends, ringing_lines(tables, win), kp, ki, F(1, 50))
    by_ends = analyse(ends, kp, ki, F(1, 50))
    if period_us == 800:  # The ringing folds.
        assert promised.peak_sensitivity > by_ends.peak_sensitivity + 0.02
    rng = np.random.default_rng(2)
    circuits, gains = [], []
    for _ in range(600):
        va = 700 * rng.uniform()
        load = [
            LIGHT,
            resistive_load("r", va, 230),
            inductive_load("rl", va, 230, rng.uniform(0.7, 0.99), 50),
        ][rng.integers(3)]
        l_, c_ = 1.2e-3 * rng.uniform(0.75, 1.25), 10e-6 * rng.uniform(0.9, 1.1)
        circuits.append(FilterCircuit(l_, c_, 0.25, load))
        gains.append(rng.choice([350 * 0.99, rng.uniform(350, 420), 420 * 1.01]) / math.sqrt(2))
    timing = Timing(win.samples, win.period_s, F(50), F(4, 10**6), "mean")
    response = modes(circuits, timing.angular)
    weights = worst_weights(response, timing)
    gain = np.array(gains) * np.abs(response.transfer) / 230
    taps = (gain[:, None, None] * weights.weights).reshape(1200, -1)
    y = step_response(taps, kp, ki, 60)
    found = margins(taps, kp, ki)
    assert 20 * settled_window(y).max() <= promised.settling_ms + 1e-9
    assert 100 * (y.max() - 1) <= promised.overshoot_percent + 0.02
    assert found.peak.max() - 1 <= 1.02 * (promised.peak_sensitivity - 1)
    assert found.nyquist.max() <= 1.02 * promised.nyquist_gain
    assert found.phase_deg.min() >= promised.phase_margin_deg - 0.5


def test_critically_damped_filter():
    """A double pole has no full set of modes. Source: the stepped circuit."""
    circuit = FilterCircuit(1e-3, 10e-6, 0.0, LoadImpedance("critical", conductance_s=0.2))
    timing = Timing(25, F(800, 10**6), F(50), F(4, 10**6), "rms")
    response = modes([circuit], timing.angular)
    assert np.isfinite(response.steady).all()
    got = worst_weights(response, timing)
    phase = math.radians(got.phase_deg[0, 1])
    scales = np.ones(12)
    base = readings(circuit, timing, phase, scales)[-1]
    scales[-1] += 1e-5
    first = (readings(circuit, timing, phase, scales)[-1] - base) / 1e-5 / base
    assert got.weights[0, 1, 0] == pytest.approx(first, abs=1e-4)
