"""What a finding says to do is what helps: the part that dominates is named, with its remedy."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from halfcycle.base.findings import Finding
from halfcycle.design.findings import findings
from halfcycle.design.types import Design, LateUpdate
from halfcycle.generate.pipeline import design_integers
from halfcycle.spec.load import parse_spec
from halfcycle.spec.start import start_text
from support.paths import example


def started(**values: str) -> str:
    """The spec of ``start`` with keys (each in the file, if only as a comment) set."""
    lines = []
    for line in start_text("gauge_hut", "x").splitlines():
        key = line.split("=")[0].strip(" #")
        lines.append(f"{key} = {values.pop(key)}" if "=" in line and key in values else line)
    assert not values, values
    return "\n".join(lines)


def made(text: str) -> Design:
    return design_integers(parse_spec(text, "x"), "x").design


def said(design_: Design, code: str) -> Finding | None:
    return next((remark for remark in findings(design_) if remark.code == code), None)


FEW = started(
    period_us="2500",
    settling_ms="300",
    longest_window_ms="160",
    voltage_tolerance_percent="2",
    zero_tolerance_codes="20",
)


@pytest.mark.long
def test_a_window_error_of_few_points_does_not_ask_for_a_longer_window() -> None:
    """Every window has the same four points and the same error; "no other window meets the
    targets" was false and a longer one cannot help. A shorter period or rms does."""
    few = made(FEW)
    assert sum(trial.meets for trial in few.trials) > 1
    remark = said(few, "window-error")
    assert remark is not None
    assert "no other window" not in remark.text and "longest_window_ms" not in remark.text
    assert "largest part is sampling" in remark.text
    assert "sample faster" in remark.text and 'measure = "rms"' in remark.text
    for helped in (FEW.replace("= 2500", "= 250"), FEW.replace('"mean"', '"rms"')):
        assert helped != FEW
        assert said(made(helped), "window-error") is None


@pytest.mark.long
def test_no_sampling_error_to_leave_alone_beside_one_that_is_too_much() -> None:
    """ "Nothing to do" stood beside errors about the same volts."""
    few = made(FEW)
    assert few.chosen.faults.sampling_v > few.chosen.tolerance_v / 4
    assert said(few, "few-points") is not None
    assert said(few, "sampling-error") is None
    assert said(made(example("peat_cabin").read_text()), "sampling-error") is not None


def test_no_time_at_all_for_the_update_is_a_warning() -> None:
    """ "Within 0 loop periods" was a note that asked for a priority."""
    plain = made(example("peat_cabin").read_text())
    none = said(replace(plain, late=LateUpdate(9, 0)), "latest-update")
    assert none is not None and none.level == "warning" and "settling_ms" in none.text
    one = said(replace(plain, late=LateUpdate(9, 1)), "latest-update")
    assert one is not None and one.level == "note" and "1 loop period (" in one.text


def test_an_odd_window_that_is_kept_says_why() -> None:
    """Twice the window was better in every figure shown, and nothing said why it was not taken.
    Both settle in time; in 80 ms only the short one does, as the output of the other rings on."""
    text = started(
        period_us="100",
        dc_percent="1",
        measure='"rms"',
        settling_ms="100",
        voltage_tolerance_percent="0.3",
        zero_tolerance_codes="2",
        noise_codes_rms="0.5",
        delay_us="100",
    )
    odd = made(text)
    assert odd.window.half_cycles == 1
    remark = said(odd, "odd-window")
    assert remark is not None and "kept, as it sees a load step sooner" in remark.text


def test_the_steady_error_names_its_largest_part_first_with_that_ones_remedy() -> None:
    """Noise was the most of it, and "sample faster" came first."""
    text = example("peat_cabin").read_text().replace("volts_per_code = 0.22", "volts_per_code = 3")
    # Other kinds of windows do not help it either, which takes a while to see.
    text = text.replace("[loop]", '[loop]\nweighting = "flat"\nupdates_per_window = 1')
    integers = design_integers(parse_spec(text, "x"))
    remark = next(f for f in integers.findings if f.code == "steady-error")
    shown = remark.text.split("(")[1]
    assert shown.startswith("noise") and "for the noise: filter the sensor" in remark.text
    assert "sample faster" not in remark.text


@pytest.mark.parametrize("volts", [pytest.param(50, marks=pytest.mark.long), 100])
def test_a_converter_that_cannot_resolve_the_output_is_a_finding(volts: int) -> None:
    """100 V a code ended in a NaN: a scale without any duty has no fundamental."""
    text = example("peat_cabin").read_text()
    coarse = text.replace("volts_per_code = 0.22", f"volts_per_code = {volts}")
    integers = design_integers(parse_spec(coarse, "x"))
    assert not integers.good
    remark = next(f for f in integers.findings if f.code == "adc-noise")
    assert remark.key == "sensor.volts_per_code" and remark.level == "error"
    crest = 230 * math.sqrt(2) / volts
    assert "cannot resolve" in remark.text and f"{crest:.3g} codes" in remark.text
    rest = next(f for f in integers.findings if f.code == "no-rest")
    assert rest.key == "sensor.adc_bits" and "an ADC of 14 bits leaves" in rest.text
