"""The periodic loop against runs of an independent circuit, and its margins against plain ones."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction as F

import control
import numpy as np
import pytest
import sympy
from scipy.linalg import eigvals, expm

from halfcycle.loop.block_response import block_response, exponential, update_grid
from halfcycle.loop.corner_filters import corner_filters, resonance_line, ringing_loads
from halfcycle.loop.figures import analyse
from halfcycle.loop.filter_model import FilterCircuit, LoadImpedance
from halfcycle.loop.frequency_response import margins
from halfcycle.loop.periodic import (
    PeriodicLoop,
    greatest_radii,
    offset_radii,
    periodic_loop,
    radii_from,
    radius_bounds,
    spectral_radius_of,
)
from halfcycle.loop.periodic_margins import (
    GAIN_STEP,
    PHASE_STEP_DEG,
    LoopScan,
    board_gains,
    judged_lateness,
    latest_updates,
    periodic_margins,
)
from halfcycle.loop.periodic_scan import first_unstable
from halfcycle.loop.periodic_sensitivity import averaged_taps, lifted_loop
from halfcycle.loop.periodic_worst import filters_inside, worst_margins
from halfcycle.loop.plant import window_plants, window_timing
from halfcycle.spec.load import parse_spec
from halfcycle.windows.candidates import allowed_windows
from halfcycle.windows.search import Window
from oracles.periodic_run import Measuring, Unit, growth

NINE = (21, 27, 31, 31, 27, 31, 31, 27, 21)
"""Zeros at 2f and 4f for 60 Hz and 1 ms."""
ONE = np.array([[1.0, 1.0]])
FIRST = np.array([0])
SENSOR_S = F(1, 100_000)

SPEC = """
name = "quarry_hut"
[output]
frequency_hz = {hertz}
rated_rms_v = {volts}
[loop]
period_us = {period}
measure = "{measure}"
[sensor]
adc_bits = 12
zero_code = 2048
volts_per_code = 0.25
zero_tolerance_codes = 4
delay_us = 10
[bridge]
bus_nominal_v = {bus}
bus_min_v = {low}
bus_max_v = {high}
scale_max = 1.1
pwm_counts = 2000
[filter]
inductance_uh = 1100
inductance_tolerance_percent = 20
winding_resistance_ohm = 0.2
capacitance_uf = 15
capacitance_tolerance_percent = 10
[load]
rated_va = 700
[targets]
settling_ms = 300
"""


def spec_of(measure, hertz=60, period=1000, volts=120, bus=(195, 215, 235)):
    low, nominal, high = bus
    text = SPEC.format(
        hertz=hertz, volts=volts, period=period, measure=measure, bus=nominal, low=low, high=high
    )
    return parse_spec(text, "quarry_hut.toml")


@dataclass(frozen=True)
class Case:
    measure: str
    hertz: F
    period: F
    samples: int
    weights: tuple
    updates: int
    late: F
    unit: Unit
    kp: float
    ki: float

    @property
    def window(self):
        half = max(1, round(2 * self.hertz * self.period * self.samples))
        return Window(half, self.samples, self.hertz, self.period, self.weights, self.updates)

    @property
    def loop(self):
        grid = update_grid(self.window, self.measure)
        return PeriodicLoop(block_response([circuit(self.unit)], grid, self.late + SENSOR_S))

    @property
    def measuring(self):
        """The same for the oracle, sample by sample."""
        block = self.samples // len(self.weights)
        weights = tuple(np.repeat(self.weights, block))
        every = self.samples // self.updates
        latency = float(self.late + SENSOR_S)
        return Measuring(
            float(self.hertz), float(self.period), weights, every, latency, self.measure
        )


def circuit(unit: Unit) -> FilterCircuit:
    if unit.load_h > 0:
        load = LoadImpedance("coil", resistance_ohm=unit.load_ohm, inductance_h=unit.load_h)
    else:
        load = LoadImpedance("load", conductance_s=1 / unit.load_ohm if unit.load_ohm else 0.0)
    return FilterCircuit(unit.henry, unit.farad, unit.ohm, load)


LIGHT = Unit(600e-6, 15e-6, 0.15)
LOADED = Unit(1200e-6, 10e-6, 0.25, 80.0)
COIL = Unit(900e-6, 12e-6, 0.2, 20.0, 0.03)
MS, US800 = F(1, 1000), F(1, 1250)

CASES = {
    "shaped, an update a sample": Case("rms", F(60), MS, 9, NINE, 9, F(0), LIGHT, 0.3, 0.08),
    "a whole loop period late": Case("rms", F(60), MS, 9, NINE, 9, MS, COIL, 0.3, 0.08),
    "half a loop period late": Case("rms", F(60), MS, 9, NINE, 9, MS / 2, LOADED, 0.1, 0.1),
    "an update every three blocks": Case("rms", F(60), MS, 9, NINE, 3, MS, LOADED, 0.3, 0.3),
    "shaped, one update per window": Case("rms", F(60), MS, 9, NINE, 1, F(0), COIL, 0.1, 0.5),
    "two samples a block": Case("rms", F(60), MS / 2, 18, NINE, 9, MS / 2, LOADED, 0.2, 0.1),
    "moving flat rms": Case("rms", F(60), MS, 25, (1,) * 5, 5, MS, LIGHT, 0.1, 0.15),
    "16.7 Hz": Case("rms", F(167, 10), MS, 30, (1,) * 5, 5, MS, LIGHT, 0.0, 0.15),
}

MEANS = {
    "moving flat mean": Case("mean", F(60), MS, 25, (1,) * 5, 5, MS, LIGHT, 0.2, 0.15),
    "plain mean": Case("mean", F(50), US800, 25, (1,), 1, F(0), LOADED, 0.1, 0.6),
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_multipliers_are_what_a_run_dies_by(case):
    """scipy's matrix exponential, the true root of a sum of squares, two runs a little apart."""
    radius = float(spectral_radius_of(case.loop, case.kp, case.ki)[0])
    assert radius < 0.97
    updates = int(-14 / math.log(radius))
    brute = growth(case.unit, case.measuring, case.kp, case.ki, updates, kick=1e-4)
    assert brute == pytest.approx(radius, abs=0.012)


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_a_run_diverges_just_beyond_the_gain_margin_and_not_before(case):
    margin = float(LoopScan(case.loop, case.kp, case.ki, ONE).gain_margin(FIRST)[0])
    assert 1 < margin < 20
    below, above = (
        growth(case.unit, case.measuring, case.kp * gain, case.ki * gain, 500)
        for gain in (0.98 * margin, 1.02 * margin)
    )
    assert below < 1 < above


@pytest.mark.parametrize("case", MEANS.values(), ids=MEANS)
def test_a_mean_is_judged_at_its_worst_offset(case):
    """Between two crossings of samples a mean's run does not depend on the offset but smoothly; the
    worst of all runs is what the loop says, and none is worse."""
    loop = case.loop
    radius = float(spectral_radius_of(loop, case.kp, case.ki)[0])
    updates = int(-10 / math.log(radius))
    runs = [
        growth(case.unit, case.measuring, case.kp, case.ki, updates, phase, 1e-5)
        for phase in np.linspace(0.0, math.pi, 30, endpoint=False) + 0.003
    ]
    assert max(runs) == pytest.approx(radius, abs=0.02)


def test_the_latest_update_is_where_a_run_begins_to_diverge():
    case = replace(CASES["shaped, an update a sample"], kp=0.6, ki=0.3)
    spec = spec_of("rms")
    latest = latest_updates(spec, case.window, [circuit(case.unit)], case.kp, case.ki, ONE)[0]
    assert 0 < latest < float(case.window.duration_s)
    tick = F(1, 256) * case.window.duration_s
    at = F(latest).limit_denominator(10**7)
    below, above = (
        growth(case.unit, replace(case, late=when).measuring, case.kp, case.ki, 700)
        for when in (at - tick, at + 2 * tick)
    )
    assert below < 1 < above


def test_the_margins_of_the_average_are_unsafe():
    """Modulation at f comes back at f with its own conjugate: the average says 4.8, and the loop
    is unstable at half of that. A run agrees with the exact one."""
    at_once = -SENSOR_S
    case = replace(CASES["shaped, an update a sample"], kp=0.1794, ki=0.1794, late=at_once)
    taps = averaged_taps(case.loop)[:, 0]
    averaged = float(margins(taps, case.kp, case.ki).gain[0])
    exact = float(LoopScan(case.loop, case.kp, case.ki, ONE).gain_margin(FIRST)[0])
    assert averaged == pytest.approx(4.8, abs=0.03)
    assert exact == pytest.approx(2.4, abs=0.03)
    brute = growth(case.unit, case.measuring, 2.5 * case.kp, 2.5 * case.ki, 500)
    assert brute > 1


def test_a_filter_that_rings_is_worse_than_its_average_too():
    """1,239 Hz, loaded, a loop period late: 2.8 averaged, 1.8 in truth."""
    unit = Unit(1100e-6, 15e-6, 0.2, 20.0)
    case = Case("rms", F(60), MS, 9, NINE, 9, MS - SENSOR_S, unit, 0.33, 0.165)
    averaged = float(margins(averaged_taps(case.loop)[:, 0], case.kp, case.ki).gain[0])
    exact = float(LoopScan(case.loop, case.kp, case.ki, ONE).gain_margin(FIRST)[0])
    assert averaged == pytest.approx(2.8, abs=0.05)
    assert exact == pytest.approx(1.76, abs=0.05)


def test_a_loop_may_be_stable_again_beyond_its_gain_margin():
    """Which is why the margin is scanned upward: halving from far out would miss it."""
    unit = Unit(1100e-6, 15e-6, 0.2)
    case = Case("rms", F(60), MS, 9, NINE, 9, MS - SENSOR_S, unit, 0.33, 0.1)
    factor = np.linspace(1.0, 6.0, 400)[:, None]
    radius = spectral_radius_of(case.loop, case.kp * factor, case.ki * factor)[:, 0]
    unstable = radius >= 1.0
    first = int(np.argmax(unstable))
    assert not unstable[first:].all()
    exact = float(LoopScan(case.loop, case.kp, case.ki, ONE).gain_margin(FIRST)[0])
    assert factor[first - 1, 0] <= exact <= factor[first, 0]


def test_an_island_between_two_steps_of_the_scan_is_found():
    rows = np.array([0, 1])

    def radius(values, which):
        return 0.9 + np.where(which == 0, 0.105, 0.095) * np.exp(-(((values - 2.03) / 0.07) ** 2))

    found = first_unstable(radius, np.arange(1.0, 4.0, 0.1), rows)
    exact = 2.03 - 0.07 * math.sqrt(math.log(1.05))
    assert found[0] == pytest.approx(exact, abs=1e-3)
    assert np.isinf(found[1])


@pytest.mark.parametrize("measure", ["mean", "rms"])
@pytest.mark.parametrize(("kp", "ki"), [(0.1, 0.5), (-0.05, 0.3)])
def test_a_plain_window_has_the_margins_of_the_loop_at_window_rate(measure, kp, ki):
    spec = spec_of(measure)
    window = allowed_windows(spec, "x")[0]
    plants = window_plants(spec, window)
    plain = analyse(plants, kp, ki, window.duration_s)
    circuits = filters_inside(spec, window)[:12]
    exact = periodic_margins(spec, window, circuits, kp, ki)
    # The corners are at two phases each, which are the worst for the first weight only.
    assert exact.gain_margin.min() == pytest.approx(10 ** (plain.gain_margin_db / 20), rel=0.002)
    assert exact.phase_margin_deg.min() == pytest.approx(plain.phase_margin_deg, abs=0.1)
    assert exact.peak_sensitivity.max() == pytest.approx(plain.peak_sensitivity, rel=0.002)
    assert exact.spectral_radius.max() == pytest.approx(plain.slowest_pole, abs=0.002)
    # One update makes a period: the lifted loop is the loop.
    assert exact.lifted_norm == pytest.approx(exact.peak_sensitivity, rel=1e-4)
    assert judged_lateness(spec, window) == (0,)


def test_the_averaged_loop_has_the_figures_that_control_finds():
    """python-control's closed loop and its response. Its polynomial's own roots are taken, since
    by way of a state-space model of 130 states it finds poles that are not there."""
    case = CASES["a whole loop period late"]
    taps = averaged_taps(case.loop)[0, 0]
    kp, ki = case.kp, case.ki
    controller = control.tf([kp + ki, -kp], [1, -1], True)
    plant = control.tf(taps, [1] + [0] * len(taps), True)
    ours = margins(taps[None], kp, ki)
    sizes = [
        np.abs(np.roots(control.feedback(gain * controller * plant, 1).den[0][0])).max()
        for gain in (0.999 * ours.gain[0], 1.001 * ours.gain[0])
    ]
    assert sizes[0] < 1 < sizes[1]
    theta = np.linspace(0.001, math.pi, 20000)
    sensitivity = control.feedback(1, controller * plant)
    size = np.abs(sensitivity(np.exp(1j * theta)))
    scan = LoopScan(case.loop, kp, ki, ONE)
    assert scan.peak_sensitivity(FIRST)[0] == pytest.approx(size.max(), rel=1e-3)
    response = (controller * plant)(np.exp(1j * theta))
    crossing = np.nonzero(np.diff(np.abs(response) > 1))[0]
    least = np.abs(np.degrees(np.angle(-response[crossing]))).min()
    assert ours.phase_deg[0] == pytest.approx(least, abs=0.1)


def test_averaged_responses_are_the_mean_of_runs_from_every_phase():
    """A single changed scale, followed by the block responses themselves."""
    case = CASES["an update every three blocks"]
    loop = case.loop
    taps = averaged_taps(loop)[0, 0]
    step, reading = loop.open_steps()
    updates, row = loop.grid.updates, loop.integral + 1
    total = np.zeros(40)
    for first in range(updates):
        state = np.zeros(loop.size)
        state[row] = 1.0
        for k in range(len(total)):
            at = (first + k) % updates
            total[k] += reading[0, 0, at] @ state
            state = step[0, 0, at] @ state
            state[loop.integral :][:2] = 0.0
            if at == updates - 1 and loop.grid.turned:
                state[: loop.response.order] *= -1.0
    padded = np.pad(taps, (0, len(total)))[: len(total)]
    assert total / updates == pytest.approx(padded, abs=1e-5)
    assert taps.sum() == pytest.approx(1.0, abs=1e-4)


def test_the_lifted_norm_is_the_greatest_gain_of_the_lifted_loop():
    """Bounded real lemma (Zhou, Doyle and Glover, Robust and Optimal Control, ch. 21, from memory):
    above the norm the symplectic pencil has no eigenvalue on the unit circle, below it has."""
    case = CASES["an update every three blocks"]
    norm = LoopScan(case.loop, case.kp, case.ki, ONE).lifted_norm(FIRST)[0]
    b, c, d, a = (m[0, 0] for m in lifted_loop(case.loop, case.kp, case.ki, np.ones(1)))

    def on_circle(gamma):
        s, q = len(a), d.shape[1]
        r = gamma**2 * np.eye(q) - d.T @ d
        k = np.linalg.inv(r)
        f = a + b @ k @ d.T @ c
        e = np.block([[np.eye(s), -b @ k @ b.T], [np.zeros((s, s)), f.T]])
        g = np.block([[f, np.zeros((s, s))], [-c.T @ (np.eye(q) + d @ k @ d.T) @ c, np.eye(s)]])
        sizes = np.abs(eigvals(g, e))
        return bool((np.abs(sizes[np.isfinite(sizes)] - 1) < 1e-6).any())

    assert on_circle(0.99 * norm)
    assert not on_circle(1.01 * norm)
    assert norm > LoopScan(case.loop, case.kp, case.ki, ONE).peak_sensitivity(FIRST)[0]


def test_a_circuit_without_memory_gives_the_characteristic_polynomial_by_hand():
    """Two blocks, a filter far faster than a sample: y is the mean of the last two scales if no
    update is late. Derived with sympy: z (z - 1) + g (1 + z^-1) ((Kp + Ki) z - Kp) / 2."""
    z = sympy.Symbol("z")
    kp, ki = sympy.Rational(1, 10), sympy.Rational(3, 10)
    loop_gain = (kp + ki * z / (z - 1)) * (1 + 1 / z) / (2 * z)
    polynomial = sympy.numer(sympy.together(1 + loop_gain))
    roots = [abs(complex(root)) for root in sympy.Poly(polynomial, z).nroots()]
    # 50 Hz and 5 ms: two samples fill a half cycle, a quarter of a turn apart.
    window = Window(1, 2, F(50), F(1, 200), (1, 1), 2)
    fast = FilterCircuit(1e-6, 1e-8, 10.0, LoadImpedance("none"))
    # Squares of two samples a quarter turn apart sum to a constant, but each one weighs by its own
    # square; with the samples midway between crossing and crest both weigh the same.
    grid = update_grid(window, "rms")
    loop = PeriodicLoop(block_response([fast], grid, F(0)))
    radii = offset_radii(loop, float(kp), float(ki))[0] ** (1 / grid.updates)
    even = np.argmin(np.abs(grid.start[:, 0] - math.pi / 4))
    assert grid.start[even, 0] == pytest.approx(math.pi / 4, abs=0.14)
    assert radii[even] == pytest.approx(max(roots), abs=0.02)


def test_exponentials_agree_with_scipy():
    a = (
        np.random.default_rng(4).normal(size=(6, 3, 3))
        * np.array([0.01, 0.3, 2, 9, 30, 50])[:, None, None]
    )
    ours, theirs = exponential(a), np.array([expm(m) for m in a])
    assert np.abs(ours - theirs).max(axis=(1, 2)) == pytest.approx(
        0, abs=1e-6 * np.abs(theirs).max()
    )
    for one, other in zip(ours, theirs, strict=True):
        assert one == pytest.approx(other, rel=1e-8, abs=1e-9 * np.abs(other).max())


SHORT_PERIODS = {
    "a period of one update": Case("rms", F(50), MS, 20, (1, 1), 2, MS, LIGHT, 0.1, 0.2),
    "of two": Case("rms", F(50), MS, 10, (1, 1), 2, MS, LIGHT, 0.1, 0.2),
    "of two, mean": Case("mean", F(50), MS, 10, (1, 1), 2, MS, LIGHT, 0.1, 0.2),
    "of three": Case("rms", F(50), MS * 10 / 3, 6, (1,) * 6, 6, MS, LOADED, 0.1, 0.1),
}
OFFSETS = CASES | MEANS | SHORT_PERIODS


@pytest.mark.parametrize("case", OFFSETS.values(), ids=OFFSETS)
def test_no_offset_between_those_looked_at_is_worse(case):
    spec_grid = update_grid(case.window, case.measure)
    fine = update_grid(case.window, case.measure, finer=5)
    assert fine.offsets > 2 * spec_grid.offsets
    at = np.array([1.0, 1.5, 2.0])[:, None]
    radii = [
        spectral_radius_of(
            PeriodicLoop(block_response([circuit(case.unit)], grid, case.late + SENSOR_S)),
            case.kp * at,
            case.ki * at,
        )
        for grid in (spec_grid, fine)
    ]
    assert (radii[1] - radii[0]).max() < 3e-4


def test_a_period_without_a_common_one_is_near_one_that_has():
    """130.2 us at 50 Hz: the nearest fraction is followed. What that changes is no more than the
    slip of the phase that is stated, and a run over many periods agrees."""
    period = F(1302, 10_000_000)
    window = Window(2, 154, F(50), period, (1,) * 7, 7)
    grid = update_grid(window, "rms")
    assert 0 < grid.slip_deg <= 0.5
    unit = LIGHT
    loop = PeriodicLoop(block_response([circuit(unit)], grid, F(0)))
    kp, ki = 0.1, 0.15
    margin = float(LoopScan(loop, kp, ki, ONE).gain_margin(FIRST)[0])
    m = Measuring(50.0, float(period), (1,) * 154, 22, 0.0, "rms")
    below, above = (growth(unit, m, kp * k, ki * k, 300) for k in (0.98 * margin, 1.02 * margin))
    assert below < 1 < above


def test_all_samples_on_one_point_are_refused():
    with pytest.raises(ValueError, match="same point"):
        update_grid(Window(1, 1, F(50), F(1, 100)), "rms")


def test_the_worst_filter_lies_inside_the_tolerances_and_none_is_worse():
    """Filters all over the tolerances, drawn at random: none has less gain margin than the walk
    along the resonances says, and the corners alone have more."""
    spec = spec_of("rms")
    window = Window(1, 9, F(60), MS, NINE, 9)
    kp, ki = 0.1, 0.07
    worst = worst_margins(spec, window, kp, ki)
    assert worst.stable
    rng = np.random.default_rng(11)
    drawn = [
        FilterCircuit(
            1100e-6 * (1 + 0.2 * one), 15e-6 * (1 + 0.1 * two), 0.2, worst.gain_margin.circuit.load
        )
        for one, two in rng.uniform(-1, 1, size=(60, 2))
    ]
    ends = board_gains(spec, drawn)
    gains = []
    for late in judged_lateness(spec, window):
        scan = LoopScan(periodic_loop(spec, window, drawn, late), kp, ki, ends)
        gains.append(scan.gain_margin(np.arange(len(drawn)), least=True).min())
    assert min(gains) > worst.gain_margin.value * 0.995
    corners = periodic_margins(spec, window, filters_inside(spec, window)[:8], kp, ki)
    assert corners.gain_margin.min() > worst.gain_margin.value
    assert worst.lifted_norm.value >= worst.peak_sensitivity.value * 0.99


def test_an_unstable_loop_has_no_margins():
    spec = spec_of("rms")
    window = Window(1, 9, F(60), MS, NINE, 9)
    worst = worst_margins(spec, window, 0.5, 1.5)
    assert not worst.stable
    assert worst.gain_margin.value == worst.phase_margin_deg.value == 0
    circuits = filters_inside(spec, window)[:2]
    each = periodic_margins(spec, window, circuits, 0.5, 1.5)
    assert (each.gain_margin == 0).all()
    assert np.isinf(each.peak_sensitivity).all()
    assert (each.latest_update_s < 0).all()


def test_a_bound_of_the_radius_is_never_below_it():
    """Gelfand's formula (Horn and Johnson, Matrix Analysis, 5.6.14): the norm of a power bounds
    the power of the radius. Against scipy's eigenvalues."""
    rng = np.random.default_rng(3)
    matrices = rng.normal(size=(40, 7, 7)) * rng.uniform(0.01, 3, (40, 1, 1))
    matrices[5:9] = np.triu(matrices[5:9], 1)
    for matrix, bound in zip(matrices, radius_bounds(matrices), strict=True):
        radius = np.abs(eigvals(matrix)).max()
        assert radius <= bound <= 1.1 * radius or radius < bound < 1e-3


@pytest.mark.parametrize("gain", [0.3, 1.0, 2.2])
def test_the_greatest_radii_are_exact_and_no_other_is_greater(gain):
    spec = spec_of("rms")
    window = Window(1, 9, F(60), F(1, 1000), NINE, 9)
    line = resonance_line(spec, ringing_loads(spec)[0], window_timing(spec, window))
    circuits = [*corner_filters(spec), *line[::3]]
    loop = periodic_loop(spec, window, circuits, F(1, 1000))
    gains = gain * np.geomspace(*board_gains(spec, circuits).T, 3)
    true = spectral_radius_of(loop, 0.1 * gains, 0.06 * gains).max(axis=0)
    top = np.sort(true)[::-1]
    for count in (1, 3):
        found = greatest_radii(loop, 0.1 * gains, 0.06 * gains, count)
        assert np.sort(found)[::-1][:count] == pytest.approx(top[:count], rel=1e-12)
        assert (found >= true * (1 - 1e-12)).all()
        assert found.argmax() == true.argmax()
    one = spectral_radius_of(loop, 0.1 * gains[-1], 0.06 * gains[-1])
    for least in (0.9, 0.98, 1.0):
        high = radii_from(least, loop, 0.1 * gains[-1], 0.06 * gains[-1])
        assert ((high >= least) == (one >= least)).all()
        assert high[one >= least] == pytest.approx(one[one >= least], rel=1e-12)
        assert (high >= one * (1 - 1e-12)).all()


def test_margins_found_with_bounds_of_the_multipliers_are_those_found_without():
    spec = spec_of("rms")
    window = Window(1, 9, F(60), F(1, 1000), NINE, 9)
    line = resonance_line(spec, ringing_loads(spec)[0], window_timing(spec, window))
    circuits = [*corner_filters(spec)[::4], *line[::9]]
    ends = board_gains(spec, circuits)
    scan = LoopScan(periodic_loop(spec, window, circuits, F(1, 1000)), 0.1, 0.06, ends)
    rows = np.nonzero(scan.radius() < 1.0)[0]
    assert len(rows) > 10
    assert (scan.stable() == (scan.radius() < 1.0)).all()
    factors = GAIN_STEP ** np.arange(80)
    assert (scan.gain_margin(rows) == first_unstable(scan.at_gain, factors, rows)).all()
    angles = np.arange(0.0, 120.0 + 1.0, PHASE_STEP_DEG)
    assert (scan.phase_margin(rows) == first_unstable(scan.at_phase, angles, rows)).all()
