"""Starts in filters that ring near a multiple of the sampling rate: is a good sensor flagged?"""

from __future__ import annotations

import pytest

from halfcycle.generate.pipeline import IntegerDesign, design_integers
from halfcycle.quantise.healthy_start import flagged_starts
from halfcycle.simulate.simulate import prepare
from halfcycle.spec.load import parse_spec
from support.virtual_boards import run_cases

SAMPLED = """
name = "kiln_fan"
[output]
frequency_hz = 60
rated_rms_v = 120
dc_percent = 0.1
[loop]
period_us = 1000
measure = "rms"
weighting = "shaped"
updates_per_window = 1
samples = 15
[sensor]
adc_bits = 12
zero_code = 2048
volts_per_code = 0.11
zero_tolerance_codes = 4
gain_tolerance_percent = 1
[bridge]
bus_nominal_v = 210
bus_min_v = 200
bus_max_v = 220
scale_max = 1.1
pwm_counts = 4000
[filter]
inductance_uh = 1800
inductance_tolerance_percent = 3
winding_resistance_ohm = 0.12
capacitance_uf = CAPACITANCE
capacitance_tolerance_percent = 3
[load]
rated_va = 400
lightest_percent = 0
lowest_power_factor = 0.8
[targets]
settling_ms = 400
overshoot_percent = 20
voltage_tolerance_percent = 2
[gains]
proportional = 0.0254
integral_per_s = 25.5
"""


def designed(capacitance: str) -> IntegerDesign:
    return design_integers(parse_spec(SAMPLED.replace("CAPACITANCE", capacitance), "x"), "x")


@pytest.mark.parametrize(("capacitance", "hertz"), [("14.07", 1000.0), ("18.6", None)])
def test_a_healthy_sensor_was_flagged_at_a_start_and_design_did_not_say(
    capacitance: str, hertz: float | None
) -> None:
    """Bug: 75 of 1,000 boards were called stuck by ``simulate`` alone. The virtual boards, whose
    circuit is another, agree: at 870 Hz no board is flagged, and there is no finding."""
    done = designed(capacitance)
    worst = flagged_starts(done.design, done.quantised.plan)
    codes = {entry.code for entry in done.findings}
    ready = prepare(done.design, done.quantised, done.texts())
    (tally,), _ = run_cases(ready, range(160), ["start"])
    reasons = {reason for failure in tally.failures for reason in failure.reasons}
    flagged = any("flagged implausible" in reason for reason in reasons)
    assert ("start-as-stuck" in codes) == (worst is not None) == flagged == (hertz is not None)
    if worst is not None:
        assert worst.resonance_hz == pytest.approx(hertz, rel=1e-6)
        (told,) = (entry.text for entry in done.findings if entry.code == "start-as-stuck")
        assert "rings at 1000 Hz, 1 times the sampling rate" in told
        assert f"at {worst.flagged} of {worst.starts} starts" in told
