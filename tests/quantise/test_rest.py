"""What is said of the loop at rest, against the generated C in a circuit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from halfcycle.design.designer import design
from halfcycle.generate.pipeline import design_integers
from halfcycle.quantise.bridge_wave import BridgeWave
from halfcycle.quantise.fixed_point import fixed_point
from halfcycle.quantise.quantised import Rest
from halfcycle.quantise.rest_findings import rest_findings
from halfcycle.regulator.plan import DRIVE_FULL
from halfcycle.spec.load import parse_spec
from halfcycle.spec.models import Spec
from support.circuit_runs import at_rest
from support.paths import example
from support.spec_text import changed_spec
from support.started import started


def changed(name: str, **values: str) -> str:
    """An example with keys (each in the file already) set to other values."""
    lines = example(name).read_text().splitlines()
    for key, value in values.items():
        places = [i for i, line in enumerate(lines) if line.startswith(f"{key} =")]
        assert len(places) == 1, key
        lines[places[0]] = f"{key} = {value}"
    return "\n".join(lines) + "\n"


CASES = {
    "32 bit, finds harmonics near the sampling rate": changed("weir_pump"),
    "16 bit, odd window": changed("ferry_galley"),
    "32 bit, even window, a few boards only": changed("peat_cabin"),
    "coarse duty": changed("peat_cabin", pwm_counts="200"),
    "coarse converter": changed(
        "quay_kiosk",
        adc_bits="8",
        zero_code="128",
        volts_per_code="3.52",
        zero_tolerance_codes="0.3",
        voltage_tolerance_percent="10",
    ),
}


@pytest.mark.parametrize("text", CASES.values(), ids=CASES.keys())
def test_no_board_moves_by_more_than_is_said_at_rest(text: str) -> None:
    """The design said that it moves by 0, and boards of the first three moved by up to 0.16 V and
    ten steps of the scale: the run had a bare sine, the zero on a code and one way in."""
    seen = at_rest(text, 260)
    assert seen.output_v <= seen.claimed.bound_v
    assert seen.steps <= seen.claimed.bound_steps
    # A bound is worth something if it is near: at most so many times what a sample of boards did.
    # It is of every filter inside the tolerances; on the resonances that drive it stand few boards.
    if seen.moving:
        assert seen.claimed.bound_v < 24 * seen.output_v


def test_a_loop_that_was_said_to_rest_is_seen_to_move() -> None:
    """Corner 18 of this spec alternates between two scales, 4 steps apart, for good."""
    seen = at_rest(CASES["32 bit, finds harmonics near the sampling rate"], 20)
    assert seen.moving and seen.steps >= 3
    assert seen.claimed.hunting_v > 0.5 * seen.output_v
    assert seen.claimed.hunting_steps >= 3


def test_the_bridges_spectrum_is_that_of_the_calls_of_drive() -> None:
    """Source: Fourier's sum over a turn of what ``*_drive`` gives, rounded to duties as the
    circuit's oracle rounds it."""
    plan = fixed_point(made := design(parse_spec(CASES["coarse duty"], "x"))).plan
    wave = BridgeWave(made, plan)
    regulator = started(plan)
    regulator.out_scale[regulator.output_sequence & 1] = 13107
    counts, duties = 200, []
    for call in range(wave.points):
        exact = regulator.drive(call * 65536 // wave.points) * counts / DRIVE_FULL
        duties.append(int(exact + (0.5 if exact >= 0 else -0.5)) / counts)
    turns, k = np.arange(wave.points) / wave.points, wave.harmonics
    wanted = 2j * (np.array(duties) * np.exp(-2j * np.pi * k[:, None] * turns)).mean(axis=1)
    got = wave.spectrum(13107) / np.sinc(k / wave.points)
    np.testing.assert_allclose(got, wanted, atol=1e-9)
    assert abs(got[0]) == pytest.approx(0.8, abs=1 / counts)
    assert abs(got[1:]).max() > 1e-5


PARTIAL = changed("peat_cabin", period_us="997", measure='"mean"\naccept_partial_window = true')


@pytest.mark.parametrize(
    ("text", "left", "key", "says"),
    [
        (PARTIAL, (0, 0), "loop.period_us", "change the loop period"),
        (CASES["coarse duty"], (0.1, 0.9), "bridge.pwm_counts", "pwm_counts = {} leaves 0.1 V"),
        (CASES["coarse duty"], (0.9, 0.1), "sensor.adc_bits", "an ADC of 14 bits leaves 0.1 V"),
        (
            CASES["coarse duty"],
            (0.9, 0.7),
            "targets.voltage_tolerance_percent",
            "hardly help (pwm_counts = {} leaves 0.9 V, an ADC of 14 bits leaves 0.7 V): widen",
        ),
    ],
    ids=["partial window", "coarse duty", "coarse codes", "neither"],
)
def test_a_loop_that_does_not_rest_blames_what_moves_it(
    text: str, left: tuple[float, float], key: str, says: str
) -> None:
    """bridge.pwm_counts was blamed for the ripple of a window that is not whole, and codes that are
    coarser than the output's steps whether finer ones help or not."""
    made = design(parse_spec(text, "x"))
    counts = made.spec.bridge.pwm_counts
    tolerance = made.chosen.tolerance_v
    rest = Rest(24, tolerance, 1, tolerance, 1, 0.0, "corner")

    def moved(spec: Spec) -> float:
        return left[spec.sensor != made.spec.sensor]

    (remark,) = rest_findings(made, rest, moved)
    assert remark.key == key
    assert "a scale by up to 1 step of 1/16384" in remark.text
    assert says.format(4 * counts) in remark.text


def test_the_remedy_of_a_loop_that_does_not_rest_keeps_its_word() -> None:
    """More ADC bits were advised, which leave 0.11 V of a movement of 0.075 V."""
    keys = {"targets__voltage_tolerance_percent": 0.1, "loop__measure": "rms"}
    coarse = design_integers(changed_spec(**keys))
    (remark,) = (entry for entry in coarse.findings if entry.code == "no-rest")
    assert remark.key == "bridge.pwm_counts"
    assert "pwm_counts = 6000 leaves 0 V of that" in remark.text
    finer = design_integers(changed_spec(**keys, bridge__pwm_counts=6000))
    assert finer.quantised.rest is not None and finer.quantised.rest.hunting_v == 0
    assert not [entry for entry in finer.findings if entry.code == "no-rest"]


def test_a_bound_beyond_the_tolerance_was_a_red_row_that_nothing_spoke_of() -> None:
    """What no board does, and no proof rules out, is a warning; what a board does has its own."""
    designed = design_integers(parse_spec(example("peat_cabin").read_text("utf-8"), "x"))
    rest, tolerance = designed.quantised.rest, designed.design.chosen.tolerance_v
    assert rest is not None

    def codes(**figures: float) -> list[str]:
        changed = replace(rest, **figures)
        return [f.code for f in rest_findings(designed.design, changed, lambda _: 0.0)]

    assert codes(hunting_v=0.0, bound_v=1.9 * tolerance) == []
    assert codes(hunting_v=0.0, bound_v=2.1 * tolerance) == ["rest-unproven"]
    assert codes(hunting_v=2.0 * tolerance, bound_v=2.1 * tolerance) == ["no-rest"]
