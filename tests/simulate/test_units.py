"""Units that a design is good for, put through every case: is each board judged by what it does?

The units are made up; each was, or is close to one that was, failed by a rule and not by its C.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from halfcycle.generate.pipeline import design_integers
from halfcycle.loop.step_response import step_response
from halfcycle.simulate.allowances import settling_limit_s, steady_limit
from halfcycle.simulate.boards import draw
from halfcycle.simulate.cases import cases, timetable
from halfcycle.simulate.loads import OVERLOAD, linear_load
from halfcycle.simulate.measurements import measure
from halfcycle.simulate.overload import overload_bus_v, reading_at_limit
from halfcycle.simulate.pace import REST_SHARE, rest_updates
from halfcycle.simulate.parts import FilterParts
from halfcycle.simulate.setup import board, timing
from halfcycle.simulate.simulate import Prepared, compiled, run_piece, simulate
from halfcycle.spec.models import Spec
from support.effort import the_rest_long
from support.spec_text import changed_spec
from support.virtual_boards import KEEPS_ALL, failed_cases, prepared_spec, run_cases

BOARDS = range(72)
"""The nominal board and the corners of the least inductor and capacitor, and more."""

FAST = {
    "loop__period_us": 100,
    "loop__half_cycles": 2,
    "targets__voltage_tolerance_percent": 0.1,
}
SIX_VOLTS = {
    "output__rated_rms_v": 6,
    "sensor__volts_per_code": 0.006,
    "bridge__bus_nominal_v": 12.6,
    "bridge__bus_min_v": 10.5,
    "bridge__bus_max_v": 15,
    "filter__inductance_uh": 47,
    "filter__capacitance_uf": 220,
    "filter__winding_resistance_ohm": 0.03,
    "load__rated_va": 20,
}
APRON = {
    "output__frequency_hz": 400,
    "output__rated_rms_v": 115,
    "output__dc_percent": 1,
    "loop__period_us": 50,
    "loop__longest_window_ms": 20,
    "sensor__volts_per_code": 0.11,
    "sensor__zero_tolerance_codes": 6,
    "bridge__bus_nominal_v": 200,
    "bridge__bus_min_v": 185,
    "bridge__bus_max_v": 215,
    "filter__inductance_uh": 120,
    "filter__capacitance_uf": 8,
    "filter__winding_resistance_ohm": 0.2,
    "load__rated_va": 500,
    "targets__settling_ms": 60,
}
HEAVY = {
    "loop__period_us": 100,
    "loop__half_cycles": 4,
    "filter__inductance_uh": 8000,
    "filter__capacitance_uf": 60,
    "filter__winding_resistance_ohm": 0.8,
    "load__rated_va": 400,
    "targets__settling_ms": 400,
}
RINGING = {
    "loop__period_us": 100,
    "filter__inductance_uh": 1500,
    "filter__capacitance_uf": 6,
    "filter__winding_resistance_ohm": 0.3,
    "load__rated_va": 1000,
    "loop__weighting": "flat",
    "loop__updates_per_window": 1,
    "targets__settling_ms": 100,
}
UNITS: dict[str, dict[str, object]] = {
    "fast loop, 0.1 %": FAST,
    "6 V from a battery": {**SIX_VOLTS, "loop__measure": "rms", "loop__period_us": 200},
    "slow, 2 s": {"targets__settling_ms": 2000},
    "16.7 Hz": {
        "output__frequency_hz": "50/3",
        "loop__period_us": 1000,
        "loop__half_cycles": 2,
        "loop__longest_window_ms": 200,
        "targets__settling_ms": 800,
        "filter__inductance_uh": 3000,
        "filter__capacitance_uf": 40,
    },
    "400 Hz, odd window": APRON,
    "light filter": {
        "loop__period_us": 100,
        "loop__half_cycles": 2,
        "filter__inductance_uh": 300,
        "filter__capacitance_uf": 2,
        "targets__settling_ms": 150,
    },
    "heavy filter": HEAVY,
    "RMS, 0.15 %": {**FAST, "loop__measure": "rms", "targets__voltage_tolerance_percent": 0.15},
    "odd window, zero off": {
        "loop__period_us": 400,
        "loop__half_cycles": 1,
        "sensor__zero_tolerance_codes": 10,
        "targets__settling_ms": 200,
        "targets__voltage_tolerance_percent": 2,
    },
    "no reserve": {"bridge__scale_max": 1.0},
    # The readings rest while the output still rings about them.
    "rings as long as a window": RINGING,
}
DISTORTED = {"fast loop, 0.1 %": "report-shape", "heavy filter": "report-shape"}
"""Units whose mean of a rectifier's wave is honestly off by more than the tolerance: the finding
that has to say so."""


def unit(**keys: object) -> Spec:
    return changed_spec(targets__overshoot_percent=5, **keys)


@cache
def ready(name: str) -> Prepared:
    return prepared_spec(unit(**UNITS[name]))


@pytest.mark.parametrize(
    "name",
    the_rest_long(
        UNITS,
        ("RMS, 0.15 %", "16.7 Hz", "6 V from a battery", "odd window, zero off", "light filter"),
    ),
)
def test_a_unit_that_design_passes_failed_in_simulate(name: str) -> None:
    """1.5 settling times were called steady, where 0.3 % of the step may be left."""
    tallies, remarks = run_cases(ready(name), BOARDS)
    failed = failed_cases(tallies)
    if name in DISTORTED and "non-linear" in failed:
        (reason,) = failed.pop("non-linear")
        assert reason.startswith("steady error"), reason
        assert any(
            entry.code == DISTORTED[name] and entry.key.startswith("non-linear")
            for entry in remarks
        ), remarks
    assert failed == {}


@pytest.mark.parametrize("name", ["fast loop, 0.1 %", "slow, 2 s", "400 Hz, odd window"])
def test_rest_is_when_the_slowest_pole_has_died_away(name: str) -> None:
    """p^n of the slowest pole, from its definition, is what is left after n windows, and no more
    than REST_SHARE of the tolerance at the time that boards are called steady."""
    setting = ready(name).setting
    design = design_integers(setting.spec).design
    share = REST_SHARE * float(setting.spec.targets.voltage_tolerance_percent) / 100
    windows = round(setting.pace.rest_s / setting.window_s)
    pole = design.loop.slowest_pole
    assert pole is not None
    assert 0.3 * share < pole**windows < 1.3 * share
    left = step_response(
        design.plants.step_taps, float(design.kp), float(design.ki), windows + 40,
        design.plants.scale_curve(),
    )  # fmt: skip
    assert np.abs(1 - left[windows - 1 :]).max() <= share < np.abs(1 - left[windows - 2]).max()
    assert rest_updates(design) == windows
    assert timetable(setting).event >= setting.pace.rest_s
    # The old rule: 1.5 settling times and two windows.
    settling_ms = max(float(setting.spec.targets.settling_ms), design.loop.settling_ms or 0)
    assert setting.pace.rest_s > 1.5e-3 * settling_ms + 2 * setting.window_s


RESERVE = {
    **SIX_VOLTS,
    "output__rated_rms_v": 4,
    "sensor__volts_per_code": 0.004,
    "bridge__bus_max_v": 16.5,
    "load__rated_va": 10,
    "loop__measure": "rms",
    "loop__period_us": 100,
    "loop__half_cycles": 2,
    "targets__settling_ms": 200,
}
"""The drive limit gives 3.2 times rated: the way back is longer than a step from zero is."""


def test_recovery_from_the_limit_was_held_to_a_target_step() -> None:
    """The integrator comes back from 3.2 times rated: 235 ms, where a step from zero takes 200."""
    prepared = prepared_spec(unit(**RESERVE))
    setting, case = prepared.setting, cases(prepared.setting)["overload"]
    tally = simulate(prepared, ["overload"], range(193), 1)[0]
    assert tally.failures == []
    asked_ms = float(setting.spec.targets.settling_ms) + 1000 * setting.half_cycle_s
    allowed_ms = 1000 * settling_limit_s(setting, case)
    assert asked_ms < tally.worst["settling_ms"][0] <= allowed_ms
    # From the model and no further: within a window and a half of what the boards take.
    assert allowed_ms - tally.worst["settling_ms"][0] < 1500 * setting.window_s
    slower = replace(setting, pace=replace(setting.pace, recovery_s=0.1))
    harsh = run_piece(replace(prepared, setting=slower), "overload", range(193), 1)
    assert harsh.failed > 0
    assert harsh.failures[0].reasons[0].startswith("settling from the drive limit")


def test_a_heavy_filter_hid_the_brownout() -> None:
    """It lifts the fifth harmonic of the clipped sine: the mean read up to 4 % more than the
    bridge's wave says, so the limit held the target and nothing was wrong."""
    spec = unit(**HEAVY)
    bus = overload_bus_v(spec)
    loads = [linear_load(spec, OVERLOAD, factor) for factor in (0.7, 1.0)]
    boards = draw(spec, range(400), seed=3)
    read = max(bus * reading_at_limit(spec, each.filter, load) for each in boards for load in loads)
    assert 0.87 < read / float(spec.output.rated_rms_v) <= 0.9


def test_the_reading_at_the_limit_is_that_of_the_circuit() -> None:
    """Harmonics behind the filter against the compiled C on its circuit, held at its limit by a
    target that the bus cannot give: the true RMS of its windows."""
    prepared = prepared_spec(unit(**{**HEAVY, "loop__measure": "rms"}))
    setting, case = prepared.setting, cases(prepared.setting)["overload"]
    (drawn,) = draw(setting.spec, range(1), seed=1)
    built = replace(
        board(setting, case, drawn),
        bus_v=150.0,
        noise_codes=0.0,
        loads=(linear_load(setting.spec, OVERLOAD, 1.0),) * 3,
    )
    run = replace(timing(setting, case), events=())
    history = compiled(prepared.name, prepared.texts).run(run, [built])
    last = int(history.window_count[0]) - 1
    wanted = 150.0 * reading_at_limit(setting.spec, built.filter, built.loads[0])
    assert history.window_rms[0, last] == pytest.approx(wanted, rel=2e-3)


@pytest.mark.parametrize("name", ["disconnected-sensor", "stuck-sensor"])
def test_an_odd_window_whose_zero_flips_notices_a_failed_sensor(name: str) -> None:
    """400 Hz, one half cycle: the zero's error moves the scale from window to window, and two
    windows that are not neighbours lean the same way. A drive that keeps what came since fails."""
    prepared = ready("400 Hz, odd window")
    assert run_piece(prepared, name, range(193), 1).failed == 0
    old, new = (text.replace("NAME", prepared.name) for text in KEEPS_ALL)
    undone = tuple((file, text.replace(old, new)) for file, text in prepared.texts)
    assert undone != prepared.texts
    assert run_piece(replace(prepared, texts=undone), name, range(193), 1).failed > 60


@pytest.mark.parametrize("name", ["odd window, zero off", "light filter"])
def test_the_scale_at_rest_moves_as_the_design_says(name: str) -> None:
    """Greatest distance of two scales of a board at rest: below what is allowed, and near it for
    the odd window, whose zero flips the reading."""
    prepared = ready(name)
    setting, case = prepared.setting, cases(prepared.setting)["noise"]
    draws = draw(setting.spec, range(193), seed=1)
    boards = [board(setting, case, drawn) for drawn in draws]
    history = compiled(prepared.name, prepared.texts).run(timing(setting, case), boards)
    assert measure(setting, case, draws, boards, history).steady.error.max() <= steady_limit(
        setting
    )
    resting = history.window_end_s > case.steady_s + setting.window_s
    scale = history.window_scale / 16384
    moved = np.where(resting, scale, -1).max(axis=1) - np.where(resting, scale, 2).min(axis=1)
    allowed = setting.at_rest.scale + 2 / 16384
    assert moved.max() <= 1.4 * allowed  # By chance of the noise, over thousands of windows.
    if name.startswith("odd"):
        assert moved.max() > 0.5 * allowed


def test_a_filter_inside_the_tolerances_is_looked_at_for_the_overload() -> None:
    spec = unit(**HEAVY)
    # 250 Hz: the fifth harmonic itself, 1 / ((2 pi 250)^2 60 uF) = 6.75 mH.
    on_it = FilterParts(inductance_h=6.755e-3, winding_ohm=0.8, capacitance_f=60e-6)
    assert overload_bus_v(spec, [on_it]) <= overload_bus_v(spec)
