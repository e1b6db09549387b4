"""Noise of the drive in a reading, against every period of the drive followed by itself."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from scipy.linalg import expm

from halfcycle.loop.drive_noise import PHASES, read_noise
from halfcycle.loop.envelope import Measure, Timing
from halfcycle.loop.filter_model import (
    FilterCircuit,
    Real,
    inductive_load,
    resistive_load,
    state_matrices,
)

HERTZ = 50
LOOP_S = Fraction(1, 2000)
CIRCUITS = (
    FilterCircuit(1.5e-3, 8e-6, 0.3, resistive_load("rated", 500.0, 230.0)),
    FilterCircuit(0.75e-3, 9e-6, 0.3, resistive_load("light", 10.0, 230.0)),
    FilterCircuit(1e-3, 7e-6, 0.3, inductive_load("lagging", 500.0, 230.0, 0.7, HERTZ)),
)
PLAIN = (1,) * 40
SHAPED = (1, 3, 6, 8, 8, 6, 3, 1)


def weights_of(blocks: tuple[int, ...]) -> np.ndarray:
    return np.repeat(blocks, 40 // len(blocks)).astype(np.int64)


def stepped(circuit: FilterCircuit, measure: Measure, weights: Real, periods: int) -> float:
    """The same, one period of the drive after the other, back until the filter is at rest: the
    state that each leaves is that of the circuit with an oscillator for its bridge."""
    angular, step = 2 * math.pi * HERTZ, float(LOOP_S) / periods
    a, b, c = (matrix[0] for matrix in state_matrices([circuit]))
    whole = np.zeros((5, 5))
    whole[:3, :3], whole[:3, 3] = a, b
    whole[3, 4], whole[4, 3] = angular, -angular
    moved = expm(whole * step)
    transfer = c @ np.linalg.solve(1j * angular * np.eye(3) - a, b)
    bridge = math.sqrt(2) / transfer
    worst = 0.0
    for start in np.pi * (np.arange(PHASES) + 0.5) / PHASES:
        at = np.arange(len(weights)) * periods
        values = math.sqrt(2) * np.sin(start + angular * step * at)
        share = weights[::-1] / weights.sum()
        if measure == "rms":
            moves = share * values / (share @ values**2)
        else:
            moves = math.pi / math.sqrt(8) * share * np.sign(values)
        of_sample = dict(zip(at.tolist(), moves, strict=True))
        held, total = np.zeros(3), 0.0
        for place in range(int(at[-1]), -8_000, -1):
            held = held + c * of_sample.get(place, 0.0)
            drive = bridge * np.exp(1j * (start + angular * step * (place - 1)))
            total += (held @ (moved[:3, 3] * drive.imag + moved[:3, 4] * drive.real)) ** 2
            held = moved[:3, :3].T @ held
        worst = max(worst, math.sqrt(total))
    return worst


@pytest.mark.parametrize("blocks", [PLAIN, SHAPED], ids=["plain", "shaped"])
@pytest.mark.parametrize("measure", ["mean", "rms"])
def test_it_is_what_each_period_adds(measure: Measure, blocks: tuple[int, ...]) -> None:
    timing = Timing(40, LOOP_S, Fraction(HERTZ), Fraction(0), measure)
    weights = weights_of(blocks)
    read = read_noise(CIRCUITS, timing, weights, 4)
    for circuit, share in zip(CIRCUITS, read, strict=True):
        wanted = stepped(circuit, measure, weights.astype(float), 4)
        assert share == pytest.approx(wanted, rel=1e-6), circuit.load.label


def test_a_filter_that_does_not_ring_leaves_what_the_window_averages() -> None:
    """Every period is then seen by the sample after it alone, and by no other."""
    dull = FilterCircuit(1e-6, 1e-6, 0.01, resistive_load("heavy", 52900.0, 230.0))
    timing = Timing(40, LOOP_S, Fraction(HERTZ), Fraction(0), "rms")
    (read,) = read_noise([dull], timing, weights_of(PLAIN), 1)
    assert read == pytest.approx(math.sqrt(1.5 / 40), rel=0.01)


def test_more_periods_of_the_same_density_are_the_same_noise() -> None:
    timing = Timing(40, LOOP_S, Fraction(HERTZ), Fraction(0), "rms")
    exact, between = (
        read_noise(CIRCUITS, timing, weights_of(PLAIN), periods) for periods in (10, 10.4)
    )
    assert between == pytest.approx(exact * math.sqrt(10 / 10.4))
