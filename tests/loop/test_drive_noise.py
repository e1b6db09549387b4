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


def steps_of(circuit: FilterCircuit, measure: Measure, weights: Real, periods: int) -> Real:
    """What the reading takes of every step of the drive, ``periods`` of them in a loop period, one
    after the other, back until the filter is at rest: the state that each leaves is that of the
    circuit with an oscillator for its bridge. Shape (phases, steps)."""
    angular, step = 2 * math.pi * HERTZ, float(LOOP_S) / periods
    a, b, c = (matrix[0] for matrix in state_matrices([circuit]))
    whole = np.zeros((5, 5))
    whole[:3, :3], whole[:3, 3] = a, b
    whole[3, 4], whole[4, 3] = angular, -angular
    moved = expm(whole * step)
    transfer = c @ np.linalg.solve(1j * angular * np.eye(3) - a, b)
    bridge = math.sqrt(2) / transfer
    rows = []
    for start in np.pi * (np.arange(PHASES) + 0.5) / PHASES:
        at = np.arange(len(weights)) * periods
        values = math.sqrt(2) * np.sin(start + angular * step * at)
        share = weights[::-1] / weights.sum()
        if measure == "rms":
            moves = share * values / (share @ values**2)
        else:
            moves = math.pi / math.sqrt(8) * share * np.sign(values)
        of_sample = dict(zip(at.tolist(), moves, strict=True))
        held, taken = np.zeros(3), []
        for place in range(int(at[-1]), -2000 * periods, -1):
            held = held + c * of_sample.get(place, 0.0)
            drive = bridge * np.exp(1j * (start + angular * step * (place - 1)))
            taken.append(held @ (moved[:3, 3] * drive.imag + moved[:3, 4] * drive.real))
            held = moved[:3, :3].T @ held
        rows.append(taken)
    return np.asarray(rows)


@pytest.mark.parametrize("blocks", [PLAIN, SHAPED], ids=["plain", "shaped"])
@pytest.mark.parametrize("measure", ["mean", "rms"])
def test_it_is_what_each_period_adds(measure: Measure, blocks: tuple[int, ...]) -> None:
    timing = Timing(40, LOOP_S, Fraction(HERTZ), Fraction(0), measure)
    weights = weights_of(blocks)
    read = read_noise(CIRCUITS, timing, weights, 4)
    for circuit, share in zip(CIRCUITS, read, strict=True):
        steps = steps_of(circuit, measure, weights.astype(float), 4)
        wanted = np.sqrt((steps**2).sum(axis=1)).max()
        assert share == pytest.approx(wanted, rel=1e-6), circuit.load.label


def test_a_filter_that_does_not_ring_leaves_what_the_window_averages() -> None:
    """Every period is then seen by the sample after it alone, and by no other."""
    dull = FilterCircuit(1e-6, 1e-6, 0.01, resistive_load("heavy", 52900.0, 230.0))
    timing = Timing(40, LOOP_S, Fraction(HERTZ), Fraction(0), "rms")
    (read,) = read_noise([dull], timing, weights_of(PLAIN), 1)
    assert read == pytest.approx(math.sqrt(1.5 / 40), rel=0.01)


RINGS_AT_THE_RATE = FilterCircuit(1.875e-3, 3.556e-6, 0.3, resistive_load("light", 10.0, 230.0))
BARELY_HELD = FilterCircuit(1.125e-3, 7.2e-6, 0.3, resistive_load("light", 10.0, 230.0))


@pytest.mark.parametrize("steps_held", [7, 6, 4])
@pytest.mark.parametrize("circuit", [RINGS_AT_THE_RATE, BARELY_HELD])
def test_noise_was_missed_if_the_periods_do_not_divide(
    circuit: FilterCircuit, steps_held: int
) -> None:
    """Bug: 350 us in loop periods of 500 us were taken for 500, which leave nothing of what rings
    at 2 kHz. Here: steps of 50 us, so many of them held, at every place among the samples."""
    weights = weights_of(PLAIN)
    steps = steps_of(circuit, "rms", weights.astype(float), 10)
    squares = np.zeros(PHASES)
    for place in range(steps_held):
        some = steps[:, place:]
        some = some[:, : some.shape[1] // steps_held * steps_held]
        periods = some.reshape(PHASES, -1, steps_held).sum(axis=2)
        squares += ((steps[:, :place].sum(axis=1)) ** 2 + (periods**2).sum(axis=1)) / steps_held
    wanted = math.sqrt(squares.max())
    timing = Timing(40, LOOP_S, Fraction(HERTZ), Fraction(0), "rms")
    (read,) = read_noise([circuit], timing, weights, 10 / steps_held)
    assert 0.98 * wanted < read < 1.35 * wanted
