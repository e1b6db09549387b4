"""The compiled circuit against closed forms, scipy's solvers and the plain Python circuit."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from scipy.linalg import expm
from scipy.signal import lsim

from halfcycle.simulate.compiled_loop import CompiledLoop
from halfcycle.simulate.parts import BoardLoad, FilterParts, LoadKind
from halfcycle.simulate.rectifier_load import on_ideal_sine, reference_load, untrimmed
from oracles.circuit import Circuit, equations
from support.plan_cases import CASES, render

PARTS = FilterParts(inductance_h=1.2e-3, winding_ohm=0.25, capacitance_f=10e-6)
NONE = BoardLoad()
RESISTOR = BoardLoad(LoadKind.RESISTOR, series_ohm=75.0)
COIL = BoardLoad(LoadKind.SERIES_RL, series_ohm=53.0, series_h=0.17)
RECTIFIER = BoardLoad(
    LoadKind.RECTIFIER, series_ohm=3.0, drop_v=1.4, reservoir_f=900e-6, reservoir_ohm=210.0
)
STEP = 50e-6


@pytest.fixture(scope="module")
def loop() -> CompiledLoop:
    plan = CASES["mean"]
    return CompiledLoop(plan.name, render(plan))


def sine_duty(step: float, cycles: float, level: float = 0.85, hertz: float = 50.0) -> np.ndarray:
    """The sine at the middle of each step, which a hold then delays by nothing."""
    middle = (np.arange(round(cycles / hertz / step)) + 0.5) * step
    return level * np.sin(2 * math.pi * hertz * middle)


@pytest.mark.parametrize("load", [NONE, RESISTOR, COIL], ids=["none", "resistor", "coil"])
def test_linear_loads_against_scipys_lsim(loop: CompiledLoop, load: BoardLoad) -> None:
    """Source: scipy.signal.lsim with a held input, on the same equations."""
    duty = np.random.default_rng(3).uniform(-1, 1, 400)
    got = loop.run_circuit(PARTS, load, STEP, duty, bus_v=385.0)
    a, b, _ = equations(PARTS, load, conducting=False)
    held = np.append(385.0 * duty, 0.0)
    time = STEP * np.arange(len(held))
    _, _, states = lsim((a, b[:, None], np.eye(3), np.zeros((3, 1))), held, time, interp=False)
    scale = np.abs(states).max(axis=0)
    assert np.abs(got[:, 0] - states[1:, 1]).max() < 1e-10 * scale[1]
    assert np.abs(got[:, 1] - states[1:, 0]).max() < 1e-10 * scale[0]


def test_unloaded_step_rings_as_the_textbook_says(loop: CompiledLoop) -> None:
    """Closed form of a series RLC step: 1 - e^-at (cos wt + a/w sin wt), a = R/2L,
    w^2 = 1/LC - a^2 (any circuits textbook; from memory)."""
    time = STEP * np.arange(1, 401)
    got = loop.run_circuit(PARTS, NONE, STEP, np.ones(400), bus_v=100.0)[:, 0]
    a = PARTS.winding_ohm / (2 * PARTS.inductance_h)
    w = math.sqrt(1 / (PARTS.inductance_h * PARTS.capacitance_f) - a * a)
    wanted = 100 * (1 - np.exp(-a * time) * (np.cos(w * time) + a / w * np.sin(w * time)))
    assert np.abs(got - wanted).max() < 1e-9 * 100


@pytest.mark.parametrize("load", [NONE, RESISTOR, COIL], ids=["none", "resistor", "coil"])
def test_steady_sine_has_the_impedance_divider(loop: CompiledLoop, load: BoardLoad) -> None:
    """Closed form: V/E = Z/(Z + R + jwL), Z the capacitor and the load in parallel; holding for
    a step takes sin(x)/x, x = wh/2, off the sine (zero-order hold, from memory)."""
    w = 2 * math.pi * 50
    duty = sine_duty(STEP, 25)
    volts = loop.run_circuit(PARTS, load, STEP, duty, bus_v=385.0)[-400:, 0]
    admittance = 1j * w * PARTS.capacitance_f
    if load.kind != LoadKind.NONE:
        admittance += 1 / (load.series_ohm + 1j * w * load.series_h)
    series = PARTS.winding_ohm + 1j * w * PARTS.inductance_h
    wanted = 0.85 * 385 / (1 + series * admittance) * math.sin(w * STEP / 2) / (w * STEP / 2)
    at = STEP * np.arange(len(duty) - 399, len(duty) + 1)
    got = 2 / 400 * (volts @ np.exp(-1j * w * at)) * 1j
    # Images of the hold fold back by (wh)^2 at most; the ring's rest after 25 cycles is below.
    assert abs(got - wanted) < 1e-5 * abs(wanted)
    assert abs(cmath.phase(got / wanted)) < 1e-5


def test_output_impedance_under_load(loop: CompiledLoop) -> None:
    """The output sags by the load current in R + jwL beside C: Zout = (R+jwL)/(1+(R+jwL)jwC)."""
    w = 2 * math.pi * 50
    duty = sine_duty(STEP, 25)
    found = []
    for load in (NONE, RESISTOR):
        volts = loop.run_circuit(PARTS, load, STEP, duty, bus_v=385.0)[-400:, 0]
        at = STEP * np.arange(len(duty) - 399, len(duty) + 1)
        found.append(2 / 400 * (volts @ np.exp(-1j * w * at)))
    series = PARTS.winding_ohm + 1j * w * PARTS.inductance_h
    impedance = series / (1 + series * 1j * w * PARTS.capacitance_f)
    got = (found[0] - found[1]) / (found[1] / RESISTOR.series_ohm)
    assert got == pytest.approx(impedance, rel=2e-3)


@pytest.mark.parametrize("load", [NONE, RESISTOR, COIL], ids=["none", "resistor", "coil"])
def test_square_integral_of_linear_loads(loop: CompiledLoop, load: BoardLoad) -> None:
    """Against the plain circuit's exact integral (Van Loan 1978, through scipy.linalg.expm)."""
    duty = sine_duty(STEP, 2)
    got = loop.run_circuit(PARTS, load, STEP, duty, bus_v=385.0)
    slow = Circuit(PARTS, load, STEP)
    for value in duty:
        slow.step(float(value), 385.0)
    assert got[-1, 3] == pytest.approx(slow.energy, rel=1e-6)


def test_rectifier_against_the_plain_circuit(loop: CompiledLoop) -> None:
    """Root search on scipy.linalg.expm's flow; the compiled one resolves h / 2^20."""
    duty = sine_duty(STEP, 2)
    got = loop.run_circuit(PARTS, RECTIFIER, STEP, duty, bus_v=385.0)
    slow = Circuit(PARTS, RECTIFIER, STEP)
    wanted = []
    for value in duty:
        slow.step(float(value), 385.0)
        wanted.append((slow.x[1], slow.x[0], slow.load_current(), slow.energy))
    off = np.abs(got - np.array(wanted)).max(axis=0)
    assert off[0] < 1e-3  # volts, of 325
    assert off[1] < 1e-3  # amperes, of 90 into the empty reservoir
    # One trapezoid spans a 30 us decay of the current: 1e-4 of the square, half that of the RMS.
    assert got[-1, 3] == pytest.approx(slow.energy, rel=1e-4)
    assert np.abs(got[:, 2]).max() > 20  # It did conduct.


@pytest.mark.parametrize("pieces", [2, 4])
def test_rectifier_does_not_depend_on_the_step(loop: CompiledLoop, pieces: int) -> None:
    """The same held duties in steps cut up: the flow is exact, so nothing but rounding moves."""
    duty = sine_duty(STEP, 10)
    whole = loop.run_circuit(PARTS, RECTIFIER, STEP, duty, bus_v=385.0)
    cut = loop.run_circuit(PARTS, RECTIFIER, STEP / pieces, np.repeat(duty, pieces), bus_v=385.0)
    # An instant is moved by up to h/2^20 = 48 ps, a voltage by that times some 10^6 V/s.
    assert np.abs(whole[:, 0] - cut[pieces - 1 :: pieces, 0]).max() < 2e-3


def test_bus_resistance_takes_what_power_balance_says(loop: CompiledLoop) -> None:
    """A held duty d into a resistor settles at d E / (1 + (R + d^2 Rb) / Rload): the bridge draws
    d times the choke's current from the bus (power balance)."""
    duty, bus_ohm = 0.8, 2.0
    got = loop.run_circuit(
        PARTS, RESISTOR, STEP, np.full(4000, duty), bus_v=385.0, bus_ohm=bus_ohm
    )[-1, 0]
    series = PARTS.winding_ohm + duty**2 * bus_ohm
    wanted = 385 * duty / (1 + series / RESISTOR.series_ohm)
    sag = 385 * duty / (1 + PARTS.winding_ohm / RESISTOR.series_ohm) - wanted
    assert sag > 4
    # The bound that circuit.c states for its splitting: (w h)^2 / 12 of the sag, h a piece.
    bound = (STEP / 4) ** 2 / (PARTS.inductance_h * PARTS.capacitance_f) / 12
    assert bound < 1.1e-3
    assert abs(got - wanted) < 1.1 * bound * sag


def test_bus_splitting_is_second_order(loop: CompiledLoop) -> None:
    """Halving the step takes three quarters off the splitting's error, against a fine step."""
    duty = np.tile(sine_duty(200e-6, 1), 4)
    answers = [
        loop.run_circuit(PARTS, COIL, 200e-6 / n, np.repeat(duty, n), bus_v=385.0, bus_ohm=4.0)[
            n - 1 :: n, 0
        ]
        for n in (4, 8, 128)
    ]
    coarse, fine = (np.abs(a - answers[2]).max() for a in answers[:2])
    assert coarse / fine == pytest.approx(4, rel=0.1)
    assert coarse < 385 * 1e-3


def test_step_matrices_are_scipys(loop: CompiledLoop) -> None:
    """One step from unit inputs against scipy.linalg.expm, over badly scaled parts too."""
    for parts in (PARTS, FilterParts(20e-6, 0.01, 1e-6), FilterParts(0.1, 5.0, 200e-6)):
        a, b, c = equations(parts, RECTIFIER, conducting=False)
        whole = np.zeros((4, 4))
        whole[:3, :3], whole[:3, 3] = a, b * 100 + c
        wanted = expm(whole * STEP)[:3, 3]
        plain = loop.run_circuit(parts, NONE, STEP, np.array([1.0]), bus_v=100.0)[0]
        assert plain[1] == pytest.approx(wanted[0], rel=1e-11)
        assert plain[0] == pytest.approx(wanted[1], rel=1e-11)


def test_reference_load_is_trimmed_to_its_apparent_power() -> None:
    """U I = S after the trim; the untrimmed formulas miss it (the standard says to trim R1;
    IEC 62040-3 Annex E, from memory)."""
    load = reference_load(230.0, 700.0, 50.0)
    current, power = on_ideal_sine(load, 230.0, 50.0)
    assert current * 230 == pytest.approx(700, rel=1e-8)
    assert 0.6 < power / 700 < 0.75
    plain = untrimmed(230.0, 700.0, 50.0)
    assert plain.series_ohm == pytest.approx(0.04 * 230**2 / 700)
    assert plain.reservoir_f * plain.reservoir_ohm == pytest.approx(0.15)
    assert on_ideal_sine(plain, 230.0, 50.0)[0] * 230 > 1.1 * 700


def test_reference_load_current_in_the_compiled_circuit(loop: CompiledLoop) -> None:
    """A filter too small to matter is an ideal sine: the same current and power as the closed
    solution of ``on_ideal_sine``."""
    stiff = FilterParts(inductance_h=1e-6, winding_ohm=1e-3, capacitance_f=1e-7)
    load = reference_load(230.0, 700.0, 50.0)
    step, per_cycle = 2e-6, 10000
    duty = np.tile(sine_duty(step, 1, level=math.sqrt(2) * 230 / 400), 80)
    got = loop.run_circuit(stiff, load, step, duty, bus_v=400.0)[-per_cycle:]
    current = got[:, 2]
    assert np.sqrt(np.mean(current**2)) * 230 == pytest.approx(700, rel=2e-3)
    power = on_ideal_sine(load, 230.0, 50.0)[1]
    assert np.mean(current * got[:, 0]) == pytest.approx(power, rel=2e-3)


def test_noise_is_gaussian_enough(loop: CompiledLoop) -> None:
    """Moments of twelve uniform numbers (Irwin-Hall): variance 1, kurtosis 3 - 1.2/12 = 2.9."""
    values = loop.noise(11, 400_000)
    assert abs(values.mean()) < 4 / math.sqrt(len(values))
    assert values.std() == pytest.approx(1, abs=0.005)
    assert np.mean(values**4) / values.std() ** 4 == pytest.approx(2.9, abs=0.05)
    pairs = np.corrcoef(values[:-1], values[1:])[0, 1]
    assert abs(pairs) < 4 / math.sqrt(len(values))
    assert not np.array_equal(values[:100], loop.noise(12, 100))
