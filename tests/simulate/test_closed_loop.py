"""The compiled closed loop against the plain Python one, and its RMS against Fourier."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from halfcycle.base import clipped_sine
from halfcycle.regulator.plan import FLAG_LIMIT, Plan
from halfcycle.simulate.compiled_loop import CompiledLoop
from halfcycle.simulate.parts import BoardLoad, FilterParts, LoadKind
from halfcycle.simulate.run_types import (
    Board,
    Event,
    EventKind,
    History,
    Judged,
    Run,
    SensorState,
)
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
        rated_v=230.0,
        stuck_code=2300,
        loads=(
            BoardLoad(LoadKind.RESISTOR, series_ohm=75.0),
            BoardLoad(LoadKind.SERIES_RL, series_ohm=53.0, series_h=0.17),
            BoardLoad(LoadKind.RECTIFIER, 3.0, 0.0, 1.4, 900e-6, 210.0),
        ),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def run_of(plan: Plan, seconds: float, *events: Event, **changes: object) -> Run:
    step = 800e-6 / EACH
    plain = Run(
        step_s=step,
        frequency_hz=50.0,
        steps_per_sample=EACH,
        steps=round(seconds / step),
        pwm_counts=1500,
        adc_max=4095,
        zero_code=2048,
        samples_per_window=plan.samples,
        first_block=plan.blocks,
        update_blocks=plan.update_blocks,
        events=events,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


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
    run = run_of(plan, 0.3, *LINEAR)
    one = board(late_s=latency * run.step_s)
    got = compiled(plan).run(run, [one], trace=True)
    agree(got, PlainLoop(plan, run, one).run(), volts=5e-4, amperes=1e-9)


@pytest.mark.parametrize(
    ("name", "latency"),
    [("moving flat", 7), ("moving two updates", 16), ("shaped once", 0),
     ("moving each sample", 16), ("moving shaped rms ramped", 16)],
)  # fmt: skip
def test_compiled_loop_of_blocks_is_the_plain_one(name: str, latency: int) -> None:
    """A history for every PI step, the true RMS over 20 ms before it, from a grid of three steps
    (0.01 %); 16 steps late is as the next sample comes, which an update of blocks of one sample
    may still be."""
    plan = CASES[name]
    run = run_of(plan, 0.3, *LINEAR, true_s=0.02, grid_steps=3)
    one = board(late_s=latency * run.step_s)
    got = compiled(plan).run(run, [one], trace=True)
    assert got.window_count[0] > 5 and (got.window_reported_mv[0, :3] > 0).all()
    agree(got, PlainLoop(plan, run, one).run(), volts=2e-2, amperes=1e-9)


STEADY_FREQUENCY = (
    Event(0.06, EventKind.LOAD, 1),
    Event(0.1, EventKind.BUS, 420.0, 0.01),
    Event(0.14, EventKind.TARGET, 160000),
    Event(0.2, EventKind.LOAD, 0),
)


@pytest.mark.parametrize("grid", [1, 3, 7])
@pytest.mark.parametrize("from_s", [0.0, 0.1, 0.14])
def test_half_cycle_rms_of_any_start_is_the_dense_one(grid: int, from_s: float) -> None:
    """Against every eighth of a step, 6 us: on a grid of 3 steps, four points in a period of the
    ring, as a run takes it, a level moves by less than 0.005 %; on one of 7, 0.05 %."""
    plan = CASES["mean"]
    judged = Judged(from_s=from_s, rest_s=0.55, moves=from_s > 0, band=0.02, high=0.9)
    run = run_of(plan, 0.7, *STEADY_FREQUENCY, grid_steps=grid, judged=judged)
    got, wanted = compiled(plan).run(run, [board()]), PlainLoop(plan, run, board()).run()
    for name in ("rest_rms", "lowest_rms", "highest_rms"):
        assert getattr(got, name)[0] == pytest.approx(
            getattr(wanted, name)[0], rel=5e-4 if grid == 7 else 5e-5
        ), name
    assert got.settling_s[0] == pytest.approx(wanted.settling_s[0], abs=2e-5)
    assert got.high_s[0] == pytest.approx(wanted.high_s[0], abs=4e-5)
    # The greatest size of the output itself, which stood nowhere.
    assert got.peak_v[0] == pytest.approx(wanted.peak_v[0], rel=1e-9)
    assert got.peak_v[0] > got.highest_rms[0]
    assert 0.03 < got.settling_s[0] < 0.3 and 0.005 < got.high_s[0] < 0.1


def test_rms_of_a_cycle_lies_between_those_of_its_half_cycles() -> None:
    """Urms(1/2) of IEC 61000-4-30 (its definition: over one cycle, every half cycle) of the run's
    waveform never leaves what the half cycles of any start span."""
    plan = CASES["mean"]
    run = run_of(plan, 0.5, *STEADY_FREQUENCY, judged=Judged(from_s=0.1, moves=True))
    history = compiled(plan).run(run, [board()], trace=True)
    cycle = round(0.02 / run.step_s)
    square = np.concatenate([[0.0], np.cumsum(history.trace[:, 0] ** 2)]) / cycle
    ends = np.arange(cycle, run.steps, cycle // 2)
    ends = ends[(ends - cycle) * run.step_s > 0.1 + board().event_delay_s]
    rms = np.sqrt(square[ends] - square[ends - cycle])
    assert history.lowest_rms[0] - 0.05 < rms.min() < rms.max() < history.highest_rms[0] + 0.05


@pytest.mark.parametrize("load", [0, 2])
def test_wave_at_rest_is_the_mean_of_the_last_turns(load: int) -> None:
    """Harmonics of the kept wave against numpy's FFT over the same cycles of the trace: 400 steps
    a cycle, interpolated by cubics, are off by less than 0.02 % of the fundamental."""
    plan = make(scale_max=round(1.2 * 16384))
    run = run_of(plan, 1.0, wave_turns=4)
    distorted = board(bus_v=250.0, start_turn=0.0)
    distorted = replace(distorted, loads=(distorted.loads[load],) * 3)
    history = compiled(plan).run(run, [distorted], trace=True)
    # The last whole turns that end before the run: its phase starts at 0, a turn has 400 steps.
    last = run.steps - (run.steps - run.wave_step) % 400
    assert run.steps - run.wave_step > 4 * 400
    wave = np.fft.rfft(history.wave[0])[:41] / 128
    best = min(
        np.abs(np.abs(np.fft.rfft(history.trace[end - 1600 : end, 0])[:161:4] / 1600)
               - np.abs(wave)).max()
        for end in (last, run.steps)
    )  # fmt: skip
    assert best < 2e-4 * np.abs(wave[1])
    assert np.sqrt((np.abs(wave[2:]) ** 2).sum()) > 0.03 * np.abs(wave[1])


@pytest.mark.parametrize("drive", [1.05, 1.2])
def test_thd_of_a_clipped_sine_behind_a_stiff_filter_is_the_closed_form(drive: float) -> None:
    """A filter that resonates far above lets the bridge's clipped sine through; its THD is then
    that of the closed form, 7.385 % at drive 1.2 (tests of halfcycle.base.clipped_sine). Of the
    harmonics above the 40th it has less than 0.1 % of the fundamental."""
    plan = make(scale_max=round(drive * 16384))
    run = run_of(plan, 1.0, wave_turns=8)
    stiff = replace(board(bus_v=60.0, noise_codes=0.0), filter=FilterParts(20e-6, 0.25, 0.1e-6))
    wave = compiled(plan).run(run, [stiff]).wave
    spectrum = np.abs(np.fft.rfft(wave[0]))
    thd = np.sqrt((spectrum[2:41] ** 2).sum()) / spectrum[1]
    assert thd == pytest.approx(clipped_sine.thd(drive), abs=1e-3)


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
