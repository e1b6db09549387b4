"""Why a window: the figures of the other way, and that no loop is claimed that cannot be."""

from __future__ import annotations

from dataclasses import replace

import control
import numpy as np
import pytest
from click.testing import CliRunner

from halfcycle.cli import cli
from halfcycle.simulate.boards import Draw, draw
from halfcycle.simulate.loads import linear_load
from halfcycle.simulate.why_window import Reason, plain_is_stable, reason
from halfcycle.spec.models import Spec
from support.paths import example
from support.spec_text import changed_spec
from support.virtual_boards import prepared_example


def reason_for(**keys: object) -> Reason:
    """The reason for the cabin with keys changed; its window's settling stays the cabin's."""
    return reason(replace(prepared_example().setting, spec=changed_spec(**keys)))


def test_why_a_window() -> None:
    """The nominal filter's lag by its phasor, worked by hand for the cabin: 700 VA and 75.57 ohm,
    wRC... = 2 pi 50 (L/R + R_w C) = 0.29 deg or less; 1.5 x 800 us at 50 Hz are 21.6 deg."""
    why = reason_for()
    assert why.lag_deg[0] - why.lag_from_parts_deg[0] == pytest.approx(21.6)
    # Rated resistor, L +25 %: atan(w L / R) = 100 pi 1.5e-3 / 75.57 = 0.357 deg, and at most
    # w (R_w C) = 0.05 deg and 6 us of sensor, 0.108 deg, on top.
    assert 0.357 < why.lag_from_parts_deg[1] < 0.357 + 0.05 + 0.108 + 0.01
    assert why.lag_from_parts_deg[0] > 0
    volts = np.sqrt(2) * 230 * np.sin(np.radians(why.lag_deg[1]))
    assert why.zero_crossing_v[1] == pytest.approx(volts)
    # A hundred and twenty volts of apparent error: why no loop follows the sine sample by sample.
    assert why.zero_crossing_v[0] > 115
    assert why.plain_crossover_hz > why.nyquist_hz
    low, high = why.resonant_margin_deg
    assert low < high < 90
    # An ideal integrator gives 90 deg, less the lag at 52.5 Hz.
    crossed = 50 + np.log(50) / (2 * np.pi * 0.25)
    assert why.resonant_crossover_hz == pytest.approx(crossed)
    assert high == pytest.approx(90 - 21.6 * crossed / 50, abs=0.15)


def test_a_fast_loop_may_follow_the_sine_on_paper_only() -> None:
    """With a loop of 1 us the plain loop's lag is the filter's own: 180 deg past its resonance,
    so its margin is near -90 deg; closed form of a second-order low-pass."""
    why = reason_for(loop__period_us=1)
    assert why.plain_crossover_hz < why.nyquist_hz
    assert why.plain_margin_deg[0] == pytest.approx(-90 - 360 * 2500 * (1.5e-6 + 6e-6), abs=8)


def test_a_plain_loop_that_is_not_there_had_a_settling_time() -> None:
    """0.249 ms beside "there is none" (800 us), and for a loop that rings up (1 us)."""
    assert reason_for().plain_settling_ms is None
    assert reason_for(loop__period_us=1).plain_settling_ms is None


QUICK = {
    "loop__period_us": 5,
    "filter__inductance_uh": 120,
    "filter__capacitance_uf": 0.5,
    "load__lightest_percent": 100,
    "load__lowest_power_factor": 1,
}
"""The filter rings at 20 kHz under a resistor that damps it: Q = 75.6 / 15.5 = 4.9."""


def test_a_plain_loop_that_is_there_has_one() -> None:
    """ln 50 / (2 pi 2500 Hz) = 0.249 ms; at the ring its gain is 2500 / 20.5 k times 4.9 = 0.6."""
    assert reason_for(**QUICK).plain_settling_ms == pytest.approx(0.24904, abs=1e-5)


def closed_loop_poles(spec: Spec, board: Draw, crossover_hz: float) -> np.ndarray:
    """Poles of the plain loop with a Pade form of the delay (python-control)."""
    load = linear_load(spec, board.load, board.power_factor)
    s = control.TransferFunction.s
    conductance = 1 / (load.series_ohm + s * load.series_h) if load.kind else control.tf(0, 1)
    choke = board.filter.winding_ohm + s * board.filter.inductance_h
    plant = 1 / (1 + choke * (s * board.filter.capacitance_f + conductance))
    late = control.tf(*control.pade(board.delay_s + 1.5e-6 * float(spec.loop.period_us), 6))
    loop = control.minreal(2 * np.pi * crossover_hz / s * plant * late, verbose=False)
    return control.feedback(loop, 1).poles()


@pytest.mark.parametrize("keys", [QUICK, {"loop__period_us": 20}, {**QUICK, "loop__period_us": 60}])
@pytest.mark.parametrize("crossover_hz", [20.0, 150.0, 2500.0, 6000.0])
def test_stability_of_the_plain_loop_is_that_of_its_poles(
    keys: dict[str, object], crossover_hz: float
) -> None:
    spec = changed_spec(**keys)
    for board in draw(spec, range(1, 40, 1), seed=0)[::6]:
        stable = bool((closed_loop_poles(spec, board, crossover_hz).real < 0).all())
        assert plain_is_stable(spec, board, crossover_hz) == stable, board


def test_the_table_says_it_once() -> None:
    shown = CliRunner().invoke(cli, ["simulate", str(example("peat_cabin")), "--boards", "2"])
    lines = " ".join(shown.stdout.split())
    assert "there is none" in lines
    assert "241.9 ms, none" in lines
