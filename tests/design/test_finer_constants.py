"""Constants between those of the coarse grid: whatever time the fastest of them settle in may be
asked for, and more time is never refused."""

from __future__ import annotations

from fractions import Fraction

import pytest

from halfcycle.design.trial import asking_for_the_fastest, try_window
from halfcycle.loop.moving import moving_design
from halfcycle.loop.moving_figures import MovingFigures
from halfcycle.spec.load import parse_spec
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import moving_candidates
from halfcycle.windows.search import Window
from halfcycle.windows.zeros import zeros_of
from support.goal_units import unit

FOUR_HUNDRED = """
name = "ground_cart"
[output]
frequency_hz = 400
rated_rms_v = 115
dc_percent = 0.1
[sensor]
adc_bits = 12
zero_code = 2048
volts_per_code = 0.11
zero_tolerance_codes = 3
gain_tolerance_percent = 1
noise_codes_rms = 1
delay_us = 2
[bridge]
bus_nominal_v = 200
bus_min_v = 185
bus_max_v = 215
scale_max = 1.1
pwm_counts = 4000
[filter]
inductance_uh = 300
inductance_tolerance_percent = 10
winding_resistance_ohm = 0.15
capacitance_uf = 3
capacitance_tolerance_percent = 10
[load]
rated_va = 500
lightest_percent = 0
lowest_power_factor = 0.8
[targets]
settling_ms = "fastest"
overshoot_percent = 6
voltage_tolerance_percent = 1
"""
"""A unit for an aircraft on the ground."""


def within(spec: Spec, settling_ms: float) -> Spec:
    """The spec with that settling time."""
    targets = spec.targets.model_copy(update={"settling_ms": Fraction(settling_ms)})
    return spec.model_copy(update={"targets": targets})


def fourteen() -> tuple[Spec, Window]:
    """Fourteen weighed samples, updated with each."""
    spec = unit(weighting="shaped", samples=14, updates_per_window=14)
    (window,) = moving_candidates(spec)
    return spec, window


def test_the_time_of_the_fastest_could_not_be_asked_for() -> None:
    spec, window = fourteen()
    coarse = moving_design(spec, window, finer=False).figures.settling_ms
    fastest = try_window(asking_for_the_fastest(spec), window).loop.settling_ms
    assert coarse is not None and fastest is not None and fastest < coarse
    for time in (fastest, coarse):
        met = try_window(within(spec, time), window)
        assert met.refusal is None, time
        assert met.loop.settling_ms is not None and met.loop.settling_ms <= time
    assert try_window(within(spec, 0.98 * fastest), window).refusal is not None


def test_a_corner_overshot_by_more_than_all_of_them() -> None:
    """The dip below the end of a step down was among its figures, and not among those of all."""
    spec, window = fourteen()
    loop = try_window(asking_for_the_fastest(spec), window).loop
    assert isinstance(loop, MovingFigures) and loop.overshoot_percent is not None
    corners = [corner.overshoot_percent or 0.0 for corner in loop.corners]
    assert 0 < max(corners) <= loop.overshoot_percent + 1e-9
    assert loop.steps["half down"].overshoot_percent > loop.overshoot_percent


def test_fourteen_samples_at_60_hz_carry_a_zero_at_f() -> None:
    """They have three half cycles' worth of zeros (f, 2f, 4f, 6f) with weights above 0, and noise
    21 % above that of a flat window as long: fifteen were the fewest."""
    shortest = min(
        (w for w in moving_candidates(unit(weighting="shaped")) if zeros_of(w).f),
        key=lambda window: window.samples,
    )
    weights = shortest.block_weights
    assert shortest.samples == 14 and min(weights) > 0 and zeros_of(shortest).f4
    noise = 14 * sum(w * w for w in weights) / sum(weights) ** 2
    assert 1.2**2 < noise <= 1.25**2


@pytest.mark.long
def test_a_time_that_the_fastest_has_was_refused_at_400_hz() -> None:
    """Into its narrower band the search took two half cycles more, and gave up a window that
    settles in 7.35 ms if 7.36 are allowed."""
    text = (
        FOUR_HUNDRED.replace('"fastest"', "7.36")
        + "[loop]\nperiod_us = 100\nsamples = 11\nupdates_per_window = 11\n"
        + 'measure = "rms"\nweighting = "shaped"\n'
    )
    spec = parse_spec(text, "x")
    (window,) = moving_candidates(spec)
    met = try_window(spec, window)
    assert met.refusal is None and (met.loop.settling_ms or 9) <= 7.36
