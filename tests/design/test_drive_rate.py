"""What rare calls of the drive do to the true RMS, against the circuit in time: scipy's matrix
exponential of every held duty, the RMS by Gauss' rule between the calls."""

from __future__ import annotations

import math
import re
from fractions import Fraction

import numpy as np
import pytest
from scipy.linalg import expm

from halfcycle.design import drive_rate
from halfcycle.loop.corner_filters import corner_filters, corner_loads, filter_near, resonance_hz
from halfcycle.loop.filter_model import FilterCircuit, state_matrices
from halfcycle.spec.load import load_spec, parse_spec
from halfcycle.spec.models import Spec
from support.paths import EXAMPLES

CABIN = load_spec(EXAMPLES / "peat_cabin.toml")
RULE = 24


def with_bridge(**changes: str) -> Spec:
    lines = "".join(f"{key} = {value}\n" for key, value in changes.items())
    text = (EXAMPLES / "peat_cabin.toml").read_text()
    return parse_spec(text.replace("[bridge]\n", f"[bridge]\n{lines}"), "peat_cabin.toml")


def in_time(circuit: FilterCircuit, hertz: float, call_s: float) -> float:
    """True RMS of the output over the RMS of samples taken at calls, less 1."""
    (a,), (b,), (c,) = state_matrices([circuit])
    whole = np.zeros((4, 4))
    whole[:3, :3], whole[:3, 3] = a, b
    step = expm(whole * call_s)
    turn = np.exp(2j * math.pi * hertz * call_s)
    state = np.linalg.solve(turn * np.eye(3) - step[:3, :3], step[:3, 3].astype(complex))
    # Of a complex sine the output is the same between any two calls, turned on: one is enough.
    nodes, weights = np.polynomial.legendre.leggauss(RULE)
    square = 0.0
    for node, weight in zip(nodes, weights, strict=True):
        flow = expm(whole * call_s * (node + 1) / 2)
        square += weight / 2 * abs(c @ (flow[:3, :3] @ state + flow[:3, 3])) ** 2
    sampled = abs(c @ state)  # Every sample is this, turned on.
    return float(math.sqrt(square) / sampled - 1)


@pytest.mark.parametrize("calls", [1, 2, 5])
@pytest.mark.parametrize("resonance", [400.0, 1234.0, 1900.0])
def test_the_error_is_that_of_the_circuit_in_time(calls: int, resonance: float) -> None:
    hertz, period = Fraction(50), Fraction(800, 10**6)
    for load in corner_loads(CABIN):
        circuit = FilterCircuit(1.2e-3, 1 / (1.2e-3 * (2 * math.pi * resonance) ** 2), 0.25, load)
        errors = drive_rate.true_rms_errors([circuit], hertz, period / calls, period)
        expected = in_time(circuit, 50.0, float(period / calls))
        assert errors[0, 0] == pytest.approx(expected, rel=2e-3, abs=1e-5)


def test_a_sampling_rate_that_is_no_multiple_sees_images_apart() -> None:
    """Over many periods such samples fall everywhere between two calls, so that their mean square
    is that of the wave: nothing is hidden from them."""
    circuit = FilterCircuit(1.2e-3, 10e-6, 0.25, corner_loads(CABIN)[0])
    period = Fraction(800, 10**6)
    errors = drive_rate.true_rms_errors([circuit], Fraction(50), period * 83 / 97, period)
    assert np.abs(errors).max() < 2e-4
    alike = drive_rate.true_rms_errors([circuit], Fraction(50), period, period)
    assert np.abs(alike).max() > 0.03


@pytest.mark.parametrize(("name", "period_us"), [("weir_pump", 400), ("peat_cabin", 625)])
def test_no_filter_inside_the_tolerances_is_much_worse(name: str, period_us: int) -> None:
    """On a fine line of resonances, up to the size from which on only "more than" is said."""
    text = re.sub(
        r"period_us = \d+", f"period_us = {period_us}", (EXAMPLES / f"{name}.toml").read_text()
    )
    spec, call = parse_spec(text, f"{name}.toml"), Fraction(period_us, 10**6)
    ends = [resonance_hz(circuit) for circuit in corner_filters(spec)]
    line = [
        filter_near(spec, load, hertz)
        for load in corner_loads(spec)
        for hertz in np.linspace(min(ends), max(ends), 200)
    ]
    errors = drive_rate.true_rms_errors(line, spec.output.frequency_hz, call, call)
    low, high = drive_rate.drive_rate(spec, call).worst
    assert errors.min() > 1.05 * low
    assert errors.max() < 1.05 * high or high > drive_rate.MOST_SHOWN


def test_the_corners_alone_miss_a_filter_that_rings_at_an_image() -> None:
    text = (EXAMPLES / "peat_cabin.toml").read_text().replace("period_us = 800", "period_us = 625")
    spec, call = parse_spec(text, "peat_cabin.toml"), Fraction(625, 10**6)
    errors = drive_rate.true_rms_errors(corner_filters(spec), Fraction(50), call, call)
    assert errors.max() < drive_rate.drive_rate(spec, call).worst.high / 2


def test_a_spec_without_a_pwm_period_gets_the_rate_as_a_requirement() -> None:
    (told,) = drive_rate.findings(CABIN)
    assert told.code == "drive-rate" and told.level == "note"
    assert "once per loop period (800 us)" in told.text and "reading looks right" in told.text


def test_the_rate_that_the_text_names_is_enough_and_a_slower_one_is_told() -> None:
    (told,) = drive_rate.findings(CABIN)
    enough = Fraction(re.search(r"every ([0-9.]+) us or more often", told.text)[1])
    limit = float(CABIN.targets.voltage_tolerance_percent) / 100
    assert not list(drive_rate.findings(with_bridge(pwm_period_us=str(float(enough) - 0.1))))
    (slow,) = drive_rate.findings(with_bridge(pwm_period_us="800"))
    assert slow.level == "warning" and "every 800 us" in slow.text
    assert drive_rate.drive_rate(CABIN, Fraction(800, 10**6)).worst.size > limit


def test_a_bridge_that_switches_as_often_as_bridges_do_is_not_mentioned() -> None:
    assert not list(drive_rate.findings(with_bridge(pwm_period_us="50")))
