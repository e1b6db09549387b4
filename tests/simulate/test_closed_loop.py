"""The compiled closed loop against the plain Python one, and its RMS against Fourier."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from halfcycle.base import clipped_sine
from halfcycle.regulator.plan import FLAG_LIMIT, Plan
from halfcycle.simulate.compiled_loop import CompiledLoop
from halfcycle.simulate.parts import BoardLoad, FilterParts, LoadKind
from halfcycle.simulate.run_types import Board, Event, EventKind, History, Run, SensorState
from oracles.plain_loop import PlainLoop
from support.plan_cases import CASES, make, render

EACH = 16
"""Steps in a loop period of 800 us."""


def board(**changes: object) -> Board:
    plain = Board(
        number=0,
        filter=FilterParts(1.2e-3, 0.25, 10e-6),
        bus_v=385.0,
        bus_ohm=0.0,
        codes_per_volt=1 / 0.22,
        zero_code=2049.3,
        delay_s=130e-6,
        noise_codes=1.5,
        start_turn=0.1,
        event_delay_s=0.0021,
        noise_key=77,
        loads=(
            BoardLoad(LoadKind.RESISTOR, series_ohm=75.0),
            BoardLoad(LoadKind.SERIES_RL, series_ohm=53.0, series_h=0.17),
            BoardLoad(LoadKind.RECTIFIER, 3.0, 0.0, 1.4, 900e-6, 210.0),
        ),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def run_of(plan: Plan, seconds: float, *events: Event, latency: int = 0) -> Run:
    step = 800e-6 / EACH
    return Run(
        step_s=step,
        frequency_hz=50.0,
        steps_per_sample=EACH,
        steps=round(seconds / step),
        pwm_counts=1500,
        adc_max=4095,
        zero_code=2048,
        samples_per_window=plan.samples,
        latency_steps=latency,
        events=events,
    )


def compiled(plan: Plan) -> CompiledLoop:
    return CompiledLoop(plan.name, render(plan))


LINEAR = (
    Event(0.06, EventKind.LOAD, 1),
    Event(0.1, EventKind.BUS, 350.0, 0.01),
    Event(0.12, EventKind.FREQUENCY, 0.5, 0.02),
    Event(0.15, EventKind.ZERO, 6.0),
    Event(0.17, EventKind.TARGET, 200000),
    Event(0.2, EventKind.BUS, 0.0),
    Event(0.22, EventKind.SENSOR, SensorState.STUCK),
    Event(0.25, EventKind.SENSOR, SensorState.OPEN),
)


def agree(got: History, wanted: History, volts: float, amperes: float) -> None:
    halves, windows = int(wanted.half_count[0]), int(wanted.window_count[0])
    assert int(got.half_count[0]) == halves
    assert int(got.window_count[0]) == windows
    # What the regulator saw and did is the same, integer for integer.
    for name in ("window_reported_mv", "window_scale", "window_flags"):
        assert np.array_equal(getattr(got, name)[0, :windows], getattr(wanted, name)[0]), name
    assert np.abs(got.half_end_s[0, :halves] - wanted.half_end_s[0]).max() < 1e-12
    assert np.abs(got.half_rms[0, :halves] - wanted.half_rms[0]).max() < volts
    assert np.abs(got.window_rms[0, :windows] - wanted.window_rms[0]).max() < volts
    assert np.abs(got.trace[:, :2] - wanted.trace[:, :2]).max() < volts
    assert np.abs(got.trace[:, 2:] - wanted.trace[:, 2:]).max() < amperes


@pytest.mark.parametrize(
    ("name", "latency"), [("mean", 0), ("mean ramped", 5), ("rms", 2), ("mean integral only", 40)]
)
def test_compiled_loop_is_the_plain_one(name: str, latency: int) -> None:
    """Every event and a late update; half of a millivolt is left to the trapezoid of v^2."""
    plan = CASES[name]
    run = run_of(plan, 0.3, *LINEAR, latency=latency)
    got = compiled(plan).run(run, [board()], trace=True)
    agree(got, PlainLoop(plan, run, board()).run(), volts=5e-4, amperes=1e-9)


def test_compiled_loop_with_rectifier_is_the_plain_one() -> None:
    """A rectifier after a resistor, through a bus resistance."""
    plan = CASES["mean"]
    run = run_of(plan, 0.05, Event(0.021, EventKind.LOAD, 2))
    one = board(bus_ohm=1.0, event_delay_s=0.0)
    got = compiled(plan).run(run, [one], trace=True)
    agree(got, PlainLoop(plan, run, one).run(), volts=2e-3, amperes=2e-3)


def test_boards_of_one_call_do_not_touch_each_other() -> None:
    plan = CASES["mean"]
    boards = [board(bus_v=volts, noise_key=key) for key, volts in enumerate((360, 385, 410))]
    run = run_of(plan, 0.2)
    together = compiled(plan).run(run, boards)
    for row, one in enumerate(boards):
        alone = compiled(plan).run(run, [one])
        assert np.array_equal(alone.window_scale[0], together.window_scale[row])
        assert np.array_equal(alone.half_rms[0], together.half_rms[row])
    assert len({int(together.window_scale[row, 5]) for row in range(3)}) == 3


def at_limit(drive: float) -> tuple[Plan, History, Run]:
    """A regulator held at a drive limit: its target is far above what the bus gives."""
    plan = make(scale_max=round(drive * 16384))
    run = run_of(plan, 1.0)
    weak = board(bus_v=60.0, start_turn=0.0, noise_codes=0.0)
    return plan, compiled(plan).run(run, [weak], trace=True), run


@pytest.mark.parametrize("drive", [1.05, 1.1, 1.2, 1.5])
def test_clipped_sine_has_the_distortion_of_the_closed_form(drive: float) -> None:
    """THD of the bridge's voltage at the drive limit, by FFT over a cycle of 400 steps, against
    the closed form of a clipped sine (its source is in tests of halfcycle.base.clipped_sine)."""
    _, history, run = at_limit(drive)
    assert history.window_flags[0, history.window_count[0] - 1] & FLAG_LIMIT
    assert run.step_s * 400 == pytest.approx(0.02)
    spectrum = np.abs(np.fft.rfft(history.trace[-400:, 1]))
    thd = np.sqrt((spectrum[2:] ** 2).sum()) / spectrum[1]
    # A duty count is 1/1500 of the bus: its noise, 1/(1500 sqrt 12), adds in squares; 400 points
    # fold harmonics from the 399th on, which a clipped sine has no more of than 1/399^2.
    assert thd == pytest.approx(clipped_sine.thd(drive), abs=3e-4)
    peak = 2 / 400 * spectrum[1] / 60.0
    assert peak == pytest.approx(clipped_sine.fundamental(drive), abs=2e-4)


@pytest.mark.parametrize("load", [0, 2])
def test_window_rms_of_a_distorted_wave_is_parsevals(load: int) -> None:
    """Parseval: the mean square over a window of whole cycles is the sum of the harmonics'."""
    plan = make(scale_max=round(1.2 * 16384))
    run = run_of(plan, 1.0)
    distorted = board(bus_v=250.0, start_turn=0.0)
    distorted = replace(distorted, loads=(distorted.loads[load],) * 3)
    history = compiled(plan).run(run, [distorted], trace=True)
    last = int(history.window_count[0]) - 1
    end = round(history.window_end_s[0, last] / run.step_s)
    volts = history.trace[end - 400 : end, 0]
    spectrum = np.abs(np.fft.rfft(volts)) / 400
    square = spectrum[0] ** 2 + 2 * (spectrum[1:-1] ** 2).sum() + spectrum[-1] ** 2
    assert np.sqrt(2 * (spectrum[2:] ** 2).sum()) > 0.03 * np.sqrt(square)  # It is distorted.
    # 400 points of a wave with rings and corners: harmonics beyond the 200th fold.
    assert history.window_rms[0, last] == pytest.approx(np.sqrt(square), rel=1e-4)


def test_half_cycles_are_those_of_the_reference() -> None:
    plan = CASES["mean"]
    run = run_of(plan, 0.2)
    history = compiled(plan).run(run, [board(start_turn=0.35)])
    ends = history.half_end_s[0, : history.half_count[0]]
    # The phase starts at 0.35 turn, so half turns end 0.15, 0.65, ... turns on; the first is cut.
    assert ends == pytest.approx(0.02 * (0.65 + 0.5 * np.arange(len(ends))), abs=1e-9)
    assert len(ends) == 19


def test_disconnected_sensor_reads_its_zero() -> None:
    plan = CASES["mean"]
    run = run_of(plan, 0.3, Event(0.1, EventKind.SENSOR, SensorState.OPEN))
    history = compiled(plan).run(run, [board(noise_codes=0.0)])
    assert (history.window_reported_mv[0, 7 : history.window_count[0]] == 0).all()
