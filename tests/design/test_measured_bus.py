"""A design whose bus is measured: its corners, its reach, and what its findings say."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from halfcycle.base.errors import RefusedError
from halfcycle.design.error_parts import noise_part
from halfcycle.design.findings import findings
from halfcycle.design.measured_bus import bus_findings, bus_noise_v
from halfcycle.generate.pipeline import design_integers
from halfcycle.quantise.bus import bus_plan, step_on_return
from halfcycle.quantise.bus_findings import bus_step_findings
from halfcycle.spec.bus_sensor import ripple_left
from halfcycle.spec.load import load_spec, parse_spec
from support import measured

SPEC = load_spec(measured.SPEC)
DESIGNED = design_integers(SPEC)


def test_corners_have_the_nominal_bus_and_the_tolerance_of_its_sensor() -> None:
    assert {corner.bus_v for corner in DESIGNED.design.plants.corners} == {396.0, 404.0}


def test_rated_has_to_be_in_reach_of_the_lowest_bus() -> None:
    text = measured.SPEC.read_text(encoding="utf-8").replace("bus_min_v = 360", "bus_min_v = 290")
    with pytest.raises(RefusedError) as caught:
        design_integers(parse_spec(text, "x.toml"))
    found = caught.value.findings[0]
    assert found.code == "rated-unreachable" and "bus 290 V" in found.text


def test_the_finding_tells_the_ripple_that_is_left() -> None:
    (found,) = [one for one in DESIGNED.findings if one.code == "bus-measured"]
    assert "1.6 % of it is left" in found.text and "0.039 % third harmonic" in found.text


def test_the_loop_stays_stable_if_the_bus_is_lost_and_moves_as_far_as_it_may() -> None:
    """The gain then grows by the range of the bus, at most."""
    design = DESIGNED.design
    assert design.loop.gain_margin_db is not None
    assert 10 ** (design.loop.gain_margin_db / 20) > 440 / 360
    assert not [one for one in DESIGNED.findings if one.code == "bus-lost-margin"]


def test_noise_of_the_readings_moves_the_output_as_drawn() -> None:
    """Against the spread of windows of a sine whose amplitude is redrawn at every reading."""
    window = DESIGNED.design.window
    draws = np.random.default_rng(1)
    readings = int(window.duration_s / SPEC.bus_period_s)
    assert window.duration_s / SPEC.bus_period_s == readings == 400
    share = math.hypot(1, 1 / math.sqrt(12)) / (360 / 0.13)
    angle = (
        2
        * np.pi
        * (np.arange(readings) + 0.5)
        / readings
        * float(SPEC.output.frequency_hz * window.duration_s)
    )
    wave = np.sin(angle) * (1 + share * draws.standard_normal((4000, readings)))
    rms = np.sqrt((wave**2).mean(axis=1)) * math.sqrt(2) * 230
    wanted = bus_noise_v(SPEC, window, 0.0)
    assert wanted == pytest.approx(3 * rms.std(), rel=0.05)
    assert DESIGNED.design.chosen.noise_v > wanted


@pytest.mark.parametrize(
    ("was", "now"),
    [
        ("adc_bits = 12\nvolts_per_code = 0.13", "adc_bits = 8\nvolts_per_code = 2"),
        ("noise_codes_rms = 1\nperiod", "noise_codes_rms = 30\nperiod"),
        (
            "adc_bits = 12\nvolts_per_code = 0.13\ngain_tolerance_percent = 1\nnoise_codes_rms = 1",
            "adc_bits = 8\nvolts_per_code = 2\ngain_tolerance_percent = 1\nnoise_codes_rms = 0",
        ),
    ],
)
def test_a_return_of_the_reading_beyond_the_tolerance_is_told(was: str, now: str) -> None:
    """A code is 2 V of 360, or four standard deviations are 120 codes of 2769: more than 1 %."""
    text = measured.SPEC.read_text(encoding="utf-8")
    assert was in text
    spec = parse_spec(text.replace(was, now), "x.toml")
    bus = bus_plan(replace(DESIGNED.design, spec=spec))
    assert bus is not None
    (told,) = bus_step_findings(spec, bus)
    assert told.code == "bus-return-step"
    assert f"{100 * step_on_return(bus):.3g} %" in told.text
    assert bus.join / 32768 > (2 / 360 if "bits = 8" in now else 120 / 2769)


def test_a_return_of_the_reading_within_the_tolerance_is_not_told() -> None:
    assert not [one for one in DESIGNED.findings if one.code == "bus-return-step"]


@pytest.mark.parametrize(("volts", "level"), [(1.5, "warning"), (2.5, "error")])
def test_noise_that_is_mostly_of_the_bus_names_the_key_of_the_bus(volts: float, level: str) -> None:
    """Half the tolerance of 2.3 V and more is warned of; beyond it is an error."""
    chosen = replace(DESIGNED.design.chosen, bus_noise_v=volts)
    design = replace(DESIGNED.design, chosen=chosen)
    (told,) = [one for one in findings(design) if one.code == "adc-noise"]
    assert (told.key, told.level) == ("bus_sensor.noise_codes_rms", level)
    assert noise_part(design).remedy == "filter the bus sensor"


def test_what_is_left_of_a_ripple_is_never_told_as_a_power_of_ten() -> None:
    """With a delay of 1.6 ms nearly all is left: 99.6 % of two digits would be 1e+02."""
    text = measured.SPEC.read_text(encoding="utf-8")
    text = text.replace(
        "noise_codes_rms = 1\nperiod", "delay_us = 1640\nnoise_codes_rms = 1\nperiod"
    )
    spec = parse_spec(text, "x.toml")
    assert 0.995 < ripple_left(spec) < 1.05
    (told,) = [
        one
        for one in bus_findings(replace(DESIGNED.design, spec=spec))
        if one.code == "bus-measured"
    ]
    assert "e+" not in told.text and f"{100 * ripple_left(spec):.0f} % of it is left" in told.text


def test_given_gains_and_moving_windows_take_a_measured_bus() -> None:
    text = measured.SPEC.read_text(encoding="utf-8")
    text = text.replace("updates_per_window = 1\n", "updates_per_window = 4\nsamples = 40\n")
    text = text.replace("[targets]", "[gains]\nintegral_per_s = 20\n\n[targets]")
    text = text.replace("settling_ms = 80", "settling_ms = 200")
    done = design_integers(parse_spec(text, "x.toml"))
    plan = done.quantised.plan
    assert plan.blockwise and plan.bus is not None
    assert plan.bus.mean_shift == 1  # two blocks a half cycle
    assert plan.bus.lead >= 1
    assert done.design.ki > Fraction(0)
