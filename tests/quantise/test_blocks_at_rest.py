"""What is said of loops of blocks at rest, against circuits and regulators of other making."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from halfcycle.base.findings import Finding
from halfcycle.loop.corner_filters import ringing_loads
from halfcycle.loop.filter_model import FilterCircuit
from halfcycle.quantise import periodic_movement
from halfcycle.quantise.block_loop import SineBlocks
from halfcycle.quantise.fixed_point import fixed_point
from halfcycle.quantise.quantise import quantise
from halfcycle.quantise.quantised import Quantised
from halfcycle.quantise.rest_findings import rest_findings
from halfcycle.quantise.rest_runs import Start
from halfcycle.quantise.sampled_circuit import CornerModes, SampledCircuit
from halfcycle.simulate.parts import BoardLoad, FilterParts, LoadKind
from oracles import block_loop as oracle
from support import block_designs
from support.block_designs import FLAT_5, ZERO_2F, ZERO_F_2F_4F
from support.effort import the_rest_long
from support.started import started

CASES = {
    "zero at 2f": (ZERO_2F, 9),
    "zeros at f 2f 4f": (ZERO_F_2F_4F, 17),
    "moving flat, 5 blocks": (FLAT_5, 25),
}
_QUANTISED: dict[tuple[int, ...], Quantised] = {}


def quantised(weights: tuple[int, ...], samples: int) -> Quantised:
    if weights not in _QUANTISED:
        _QUANTISED[weights] = quantise(block_designs.blocks(weights, samples))
    return _QUANTISED[weights]


def test_the_output_after_a_change_of_the_wave_is_that_of_the_equations() -> None:
    """Source: the circuit's equations by scipy's ``solve_ivp``."""
    spec = block_designs.plain().spec
    rated = next(load for load in ringing_loads(spec) if load.inductance_h > 0)
    inductance, capacitance, winding = 0.8e-3, 15e-6, 0.3
    circuit = FilterCircuit(inductance, capacitance, winding, rated)
    angular, period_s = 2 * math.pi * 60, 1e-3
    before, after = np.array([[0.8, 0.05j]]), np.array([[0.7 + 0.1j, -0.03]])
    harmonics, at = np.array([1.0, 7.0]), 0.37
    modes = CornerModes.of([circuit], [0], angular, harmonics, period_s)
    phase = np.exp(1j * 0.9 * harmonics)[None]
    sampled = SampledCircuit(modes, before, phase, angular * period_s * harmonics)
    rows = np.array([0])
    start = (modes.transfer * before * phase).imag.sum()
    sampled.change(rows, after, at)
    got = [start, *sampled.samples(rows, 4)[0], *sampled.samples(rows, 2)[0]]

    def bridge(t: float) -> float:
        wave = after if t >= at * period_s else before
        return float((wave * phase * np.exp(1j * harmonics * angular * t)).imag.sum())

    def slope(t: float, x: np.ndarray) -> list[float]:
        current, volts, drawn = x
        return [
            (bridge(t) - winding * current - volts) / inductance,
            (current - drawn) / capacitance,
            (volts - rated.resistance_ohm * drawn) / rated.inductance_h,
        ]

    # Long enough before for the filter to be at rest.
    grid = [-0.15, 0.0, at * period_s, *(np.arange(1, 7) * period_s)]
    state, seen = np.zeros(3), []
    for begin, end in itertools.pairwise(grid):
        solved = solve_ivp(
            slope, (begin, end - 1e-15), state, method="DOP853", rtol=1e-9, atol=1e-10
        )
        state = solved.y[:, -1]
        seen.append(state[1])
    np.testing.assert_allclose(got, [seen[0], *seen[2:]], atol=2e-7)


@pytest.mark.parametrize(("weights", "samples"), CASES.values(), ids=CASES.keys())
def test_the_run_takes_the_steps_of_the_model(weights: tuple[int, ...], samples: int) -> None:
    """The model of the C, block by block, on the sums of a run."""
    made = block_designs.blocks(weights, samples)
    found = fixed_point(made)
    loop = SineBlocks(made, found, Start(-6), 0.0004)
    corner = int(loop.boards[-1])
    model = started(found.plan)
    model.integral = loop.regulators[corner].integral
    model.out_scale[0] = loop.regulators[corner].out_scale[0]
    for total in loop.ring[corner, -2::-1] if len(weights) > 1 else ():
        model.close_with(int(total))
        model.update()
    for _ in range(40):
        loop.update(loop.boards)
        model.close_with(int(loop.ring[corner, 0]))
        model.update()
        assert model.scale() == loop.regulators[corner].scale()
        assert model.integral == loop.regulators[corner].integral
        assert model.rms_mv() == loop.regulators[corner].rms_mv()


@pytest.mark.parametrize("case", the_rest_long(CASES, ["moving flat, 5 blocks", "zero at 2f"]))
def test_no_board_of_blocks_moves_by_more_than_is_said(case: str) -> None:
    """Boards inside the tolerances, updates on time and late, in a circuit of its own: half-cycle
    RMS of any start."""
    weights, samples = CASES[case]
    made, found = block_designs.blocks(weights, samples), quantised(weights, samples)
    spec, rest = made.spec, found.rest
    assert rest is not None
    generator = np.random.default_rng(5)
    moved_v, steps, off_v = [], [], []
    for place in range(9):
        l_off, c_off, sensor = generator.choice([-1, 1], 3) * (
            1.0 if place < 6 else generator.random(3)
        )
        light = bool(place % 2)
        board = oracle.PlainBoard(
            FilterParts(0.8e-3 * (1 + 0.2 * l_off), 0.3, 15e-6 * (1 + 0.1 * c_off)),
            BoardLoad(LoadKind.RESISTOR, 1e9 if light else 115**2 / 500),
            bus_v=[195.0, 235.0, 214.0][place % 3],
            sensor=1 + 0.01 * sensor,
            zero_codes=float(generator.uniform(-4, 4)) if place > 2 else 4.0,
            late_calls=int(generator.integers(0, 13)),
            phase=float(generator.random()),
        )
        scale = 115 * math.sqrt(2) / board.bus_v / board.sensor
        course = oracle.run(spec, found, board, scale, 400, 12)
        moved_v.append(np.ptp(course.half_rms[-1800:]))
        steps.append(np.ptp(course.scale[-150:]))
        off_v.append(np.abs(course.half_rms[-1800:].mean() - 115))
    assert max(moved_v) <= rest.bound_v
    assert max(steps) <= rest.bound_steps
    assert rest.bound_v < 24 * max(moved_v)
    # On average the reading is the output, the zero's square and a count apart.
    zero_v = (4 * 0.11) ** 2 / 230
    assert max(off_v) < found.steady_error_v + zero_v
    assert rest.error_v <= found.steady_error_v


def test_a_steady_error_of_the_reading_moves_a_slow_loop_by_as_much() -> None:
    """By hand: integral action tracks, so the signed response to an impulse of the reading sums to
    1 and that of the integrator to 1/Ki; far below the filter's rate neither changes sign."""
    made = block_designs.blocks(ZERO_F_2F_4F, ki=0.06, kp=0.0)
    sizes = periodic_movement.PeriodicLoop(made, 0.0).sizes()
    output = sizes.output / periodic_movement.BETWEEN
    np.testing.assert_allclose(output[periodic_movement.READING], 1.0, rtol=0.02)
    np.testing.assert_allclose(output[periodic_movement.INTEGRATOR], 1 / float(made.ki), rtol=0.02)


def test_the_zeros_ripple_is_that_of_the_integer_loop() -> None:
    """Nine samples do not cancel the zero: the scale moves within the cycle, and by what is said.
    A window with a zero at f leaves it alone."""
    made, found = block_designs.blocks(ZERO_2F), quantised(ZERO_2F, 9)
    rest = found.rest
    assert rest is not None and rest.still_v is not None
    late_s = float(made.spec.update_within_s)
    said = max(
        periodic_movement.PeriodicLoop(made, late).sizes().scale[periodic_movement.ZERO].max()
        for late in (0.0, late_s)
    )
    assert 0.8 * said * 16384 < rest.hunting_steps <= said * 16384 + 3
    assert rest.still_v < rest.hunting_v / 3
    cancelled = quantised(ZERO_F_2F_4F, 17).rest
    assert cancelled is not None
    assert cancelled.hunting_steps <= 3


def test_movement_by_the_zero_blames_the_zero() -> None:
    """bridge.pwm_counts or the loop period would have been blamed, and neither helps."""
    made, found = block_designs.blocks(ZERO_2F), quantised(ZERO_2F, 9)
    rest = found.rest
    assert rest is not None and rest.still_v is not None
    tight = replace(made, chosen=replace(made.chosen, tolerance_v=rest.hunting_v / 2))
    quiet = replace(tight.chosen.faults, alternation_v=0.0)
    tight = replace(tight, chosen=replace(tight.chosen, faults=quiet))
    (remark,) = (r for r in rest_findings(tight, rest, lambda _: 0.0) if _no_rest(r))
    assert remark.key == "sensor.zero_tolerance_codes"


def _no_rest(remark: Finding) -> bool:
    return remark.code == "no-rest"
