"""Constants for moving and weighted windows: found, refused, and said of them what is true."""

from __future__ import annotations

import math
from fractions import Fraction as F

import numpy as np
import pytest

from halfcycle.loop.corner_filters import corner_filters
from halfcycle.loop.figures import analyse
from halfcycle.loop.frequency_response import open_loop
from halfcycle.loop.judged_steps import TARGETS, cases, judge
from halfcycle.loop.moving import (
    FINER_GAIN,
    MovingDesign,
    MovingRefusal,
    analyse_moving,
    may_settle,
    moving_design,
)
from halfcycle.loop.moving_figures import _noise
from halfcycle.loop.moving_plants import moving_plants
from halfcycle.loop.moving_search import MIN_GAIN_MARGIN, three_digits
from halfcycle.loop.periodic_margins import periodic_margins
from halfcycle.loop.plant import window_plants
from halfcycle.loop.true_settling import true_settling
from halfcycle.spec.load import parse_spec
from halfcycle.windows.search import Window

SPEC = """
name = "tide_gate"
[output]
frequency_hz = 60
rated_rms_v = 120
[loop]
period_us = 1000
measure = "rms"
[sensor]
adc_bits = 12
zero_code = 2048
volts_per_code = 0.12
zero_tolerance_codes = 4
delay_us = 10
[bridge]
bus_nominal_v = 215
bus_min_v = 205
bus_max_v = 225
scale_max = 1.1
pwm_counts = 2000
[filter]
inductance_uh = 600
inductance_tolerance_percent = 0
winding_resistance_ohm = 0.5
capacitance_uf = 15
capacitance_tolerance_percent = 0
[load]
rated_va = 500
lowest_power_factor = 1
[targets]
settling_ms = 80
overshoot_percent = 6
"""
NINE = Window(1, 9, F(60), F(1, 1000), (21, 27, 31, 31, 27, 31, 31, 27, 21), 9)
FLAT = Window(3, 25, F(60), F(1, 1000), (1,) * 5, 5)


@pytest.fixture(scope="module")
def spec():
    return parse_spec(SPEC, "x")


@pytest.fixture(scope="module")
def gentle(spec):
    return {ms: moving_design(spec, NINE, settling_s=ms / 1000, zero=0.0) for ms in (40, 60, 100)}


def test_more_time_never_gives_a_worse_peak_sensitivity(gentle) -> None:
    assert all(isinstance(each, MovingDesign) for each in gentle.values())
    peaks = [round(gentle[ms].figures.peak_sensitivity, 2) for ms in (40, 60, 100)]
    assert peaks == sorted(peaks, reverse=True)
    assert peaks[0] > peaks[-1]


def test_what_was_asked_for_is_met_at_every_board(gentle, spec) -> None:
    for ms, each in gentle.items():
        figures = each.figures
        assert figures.settling_ms <= ms
        assert figures.overshoot_percent <= 6
        assert figures.periodic_gain_margin >= MIN_GAIN_MARGIN
        assert figures.peak_sensitivity <= spec.targets.peak_sensitivity
        assert figures.lateness_us == 1000
        assert figures.stable
        assert set(figures.steps) == {*TARGETS, "load on", "load off", "bus up", "bus down"}


def test_the_search_is_deterministic_and_its_constants_have_three_digits(gentle, spec) -> None:
    again = moving_design(spec, NINE, settling_s=0.06, zero=0.0)
    assert (again.kp, again.ki) == (gentle[60].kp, gentle[60].ki)
    assert again.figures == gentle[60].figures
    assert again.ki == three_digits(float(again.ki))


def test_three_digits() -> None:
    assert three_digits(0.123456) == F(123, 1000)
    assert three_digits(-0.0098765) == F(-988, 100000)
    assert three_digits(0.0) == 0


def test_settling_of_a_design_is_found_again_by_an_analysis(gentle, spec) -> None:
    """With boards followed for as long as they take, not as long as the search did."""
    design = gentle[60]
    again = analyse_moving(spec, NINE, design.kp, design.ki, zero=0.0)
    assert again.settling_ms == pytest.approx(design.figures.settling_ms, abs=0.6)
    assert again.overshoot_percent == pytest.approx(design.figures.overshoot_percent, abs=0.05)
    assert again.periodic_gain_margin == design.figures.periodic_gain_margin


def test_margins_are_those_of_the_periodic_loop(gentle, spec) -> None:
    design = gentle[40]
    circuits = corner_filters(spec)
    margins = periodic_margins(spec, NINE, circuits, design.kp, design.ki)
    assert design.figures.periodic_gain_margin == pytest.approx(margins.gain_margin.min(), rel=1e-3)
    assert 20 * math.log10(design.figures.periodic_gain_margin) == pytest.approx(
        design.figures.gain_margin_db
    )


@pytest.mark.parametrize(("factor", "settles"), [(0.95, True), (1.06, False)])
def test_the_gain_margin_is_where_runs_begin_to_diverge(gentle, spec, factor, settles) -> None:
    """Brute force: constants raised to just below and just above the margin, in time."""
    design = gentle[40]
    gain = factor * design.figures.periodic_gain_margin
    kp, ki = (np.array([float(k) * gain]) for k in (design.kp, design.ki))
    boards = cases(spec, "bus up", corner_filters(spec))
    judged = judge(spec, NINE, "bus up", boards, kp, ki, 0.6, zero=0.0, band=0.02)
    assert bool(np.isfinite(judged.settling_s).all()) == settles


def test_a_target_out_of_reach_is_refused_with_the_best_there_is(spec) -> None:
    refused = moving_design(spec, FLAT, settling_s=0.02)
    assert isinstance(refused, MovingRefusal)
    best = moving_design(spec, FLAT)
    assert isinstance(best, MovingDesign)
    assert refused.settling_ms == best.figures.settling_ms > 20
    assert (refused.kp, refused.ki) == (best.kp, best.ki)
    assert "bus" in refused.corner
    met = moving_design(spec, FLAT, settling_s=refused.settling_ms / 1000)
    assert isinstance(met, MovingDesign)


@pytest.mark.parametrize("window", [NINE, FLAT], ids=["nine", "flat"])
def test_the_fastest_of_the_coarse_constants_was_taken_for_the_fastest(spec, window) -> None:
    """Settling counts half cycles of any start, so that it jumps from pair to pair."""
    coarse, finer = (moving_design(spec, window, finer=finer) for finer in (False, True))
    assert isinstance(finer, MovingDesign)
    times = (finer.figures.settling_ms, coarse.figures.settling_ms)
    assert times[0] < times[1] <= FINER_GAIN * times[0]
    assert finer.figures.overshoot_percent <= 6
    assert finer.figures.periodic_gain_margin >= MIN_GAIN_MARGIN
    assert finer.ki == three_digits(float(finer.ki))


def test_a_brief_refusal_promises_nothing_that_cannot_be_had(spec) -> None:
    brief = moving_design(spec, FLAT, settling_s=0.045, brief=True)
    full = moving_design(spec, FLAT, settling_s=0.045)
    assert isinstance(brief, MovingRefusal)
    assert brief.settling_ms is None
    assert brief.figures.steps == {}
    assert brief.at_least_ms <= full.settling_ms


@pytest.mark.parametrize("ms", [20, 60, 80])
def test_a_window_without_hope_has_no_constants(spec, ms) -> None:
    """The first look leaves out no window that a search finds constants for."""
    found = moving_design(spec, FLAT, settling_s=ms / 1000, brief=True)
    assert may_settle(spec, FLAT, ms / 1000) >= isinstance(found, MovingDesign)
    assert may_settle(spec, FLAT, ms / 1000) == (ms != 20)


def test_a_later_update_is_never_faster(spec) -> None:
    loop = spec.loop.model_copy(update={"update_within_us": F(3000)})
    later = moving_design(spec.model_copy(update={"loop": loop}), FLAT)
    assert later.figures.settling_ms >= moving_design(spec, FLAT).figures.settling_ms
    assert later.figures.lateness_us == 3000


def test_readings_that_overlap_are_not_taken_as_independent_noise(spec) -> None:
    """The impulse response of the loop convolved with the window's weights."""
    plants = moving_plants(spec, NINE, corner_filters(spec))
    kp, ki = 0.1, 0.06
    theta = 2 * math.pi * (np.arange(4096) + 0.5) / 4096
    weights = np.array(NINE.block_weights, dtype=float)
    for row, gain in enumerate(_noise(NINE, plants.taps, kp, ki)):
        loop = open_loop(plants.taps[row : row + 1], kp, ki, theta[None, :])[0]
        shaped = np.exp(-1j * theta[:, None] * np.arange(9)) @ weights
        response = np.fft.ifft(loop / (1 + loop) * shaped)
        assert gain == pytest.approx(
            math.sqrt((np.abs(response) ** 2).sum() / (weights**2).sum()), rel=2e-3
        )


def test_a_reset_adds_the_time_in_which_the_window_fills(gentle) -> None:
    figures = gentle[60].figures
    assert figures.start_ms == pytest.approx(figures.steps["up"].settling_ms + 8)
    assert figures.last_start_ms == pytest.approx(figures.settling_ms - 1000 / 120)


def test_the_true_settling_of_a_plain_window(spec) -> None:
    """Its last change of the scale comes a window before the reading is in its band, or two if the
    filter takes the output there first; the output follows within a half cycle."""
    window = Window(3, 25, F(60), F(1, 1000))
    sensor = spec.sensor.model_copy(update={"zero_tolerance_codes": F(0)})
    spec = spec.model_copy(update={"sensor": sensor})
    reading = analyse(window_plants(spec, window), 0, F(589, 1000), F(25, 1000)).settling_ms
    figures = true_settling(spec, window, 0, F(589, 1000))
    assert reading - 25 <= figures.steps["up"].settling_ms <= reading + 1000 / 120 + 1
    assert figures.start_ms == figures.steps["up"].settling_ms
