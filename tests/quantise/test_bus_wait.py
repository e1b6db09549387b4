"""How long a lost bus is waited for, against the closed loop written as a filter."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import signal

from halfcycle.generate.pipeline import design_integers
from halfcycle.quantise.bus_wait import ANSWERED, answered_after
from halfcycle.regulator.bus_plan import MAX_UNREAD
from halfcycle.spec.load import load_spec
from support import measured

if TYPE_CHECKING:
    from halfcycle.design.types import Design


@pytest.fixture(scope="module")
def design() -> Design:
    return design_integers(load_spec(measured.SPEC)).design


def answered(weights: tuple[int, ...], kp: float, ki: float, count: int) -> np.ndarray:
    """What a loop that is updated every block answers of a unit step, after each block: the
    closed loop C W / (1 + C W / z) of C = kp + ki z / (z - 1) and the window W."""
    window = np.array(weights) / sum(weights)
    open_loop = np.convolve([kp + ki, -kp], window)
    bottom = np.zeros(len(open_loop) + 1)
    bottom[:2] = (1.0, -1.0)
    bottom[1:] += open_loop
    return np.asarray(signal.lfilter(open_loop, bottom, np.ones(count)))


@pytest.mark.parametrize("ki", [1.0, 0.5, 0.2, 0.05, 0.003])
@pytest.mark.parametrize("kp", [-0.05, 0.0, 0.3])
@pytest.mark.parametrize("weights", [(1,), (1,) * 7, (1, 3, 5, 6, 5, 3, 1), (1,) * 40])
def test_the_loop_answers_nearly_all(weights: tuple[int, ...], kp: float, ki: float) -> None:
    """What follows a pulse is the response to a step less the same, later."""
    response = answered(weights, kp, ki, 1000)
    blocks = answered_after(weights, len(weights), kp, ki)
    whole = math.floor(blocks)
    if blocks == MAX_UNREAD:
        assert (response[MAX_UNREAD:] - response[:-MAX_UNREAD])[: 2 * len(weights)].max() < ANSWERED
        return
    peaks = []
    for length in (whole, whole + 1):
        late = np.append(np.zeros(length), response[: len(response) - length])
        peaks.append(float((response - late)[: length + 2 * len(weights)].max()))
    assert peaks[0] <= ANSWERED <= peaks[1]
    assert peaks[0] + (blocks - whole) * (peaks[1] - peaks[0]) == pytest.approx(ANSWERED)


def test_updates_that_are_fewer_than_the_blocks_answer_later() -> None:
    assert answered_after((1,) * 8, 8, 0.0, 0.3) <= answered_after((1,) * 8, 2, 0.0, 0.3)


def test_the_plan_waits_for_its_own_loop(design: Design) -> None:
    """A plain window: what it reads of a loss inside it is its share of the window."""
    bus = design_integers(load_spec(measured.SPEC)).quantised.plan.bus
    assert bus is not None and design.window.blocks == 1
    gain = float(design.kp + design.ki) * design.greatest_gain
    # The first update answers kp + ki of it; after the second it is ki, and as much of the rest.
    second = float(design.ki) * design.greatest_gain + gain * (1 - gain)
    windows = 1 + (ANSWERED - gain) / (second - gain)
    seconds = windows * float(design.window.samples * design.window.period_s)
    assert bus.led == round(seconds * 1e6 / bus.period_us) and bus.unread == 3
