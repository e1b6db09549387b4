"""Why a reported RMS is off: parts that add up, each shown by a unit that has that cause alone."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from halfcycle.base import clipped_sine
from halfcycle.base.findings import Finding
from halfcycle.simulate.findings import _what_is_off, findings
from halfcycle.simulate.reading_error import CAUSES, Measure, ReadingError, reading, reading_error
from halfcycle.simulate.simulate import Prepared, run_piece
from support.spec_text import changed_spec
from support.virtual_boards import prepared_example, prepared_spec, run_cases

QUIET = {
    "sensor__zero_tolerance_codes": 0,
    "sensor__noise_codes_rms": 0,
    "sensor__gain_tolerance_percent": 0,
}
FORTY_EIGHT_VOLTS = {
    "output__rated_rms_v": 48,
    "loop__measure": "rms",
    "sensor__volts_per_code": 0.045,
    "sensor__zero_tolerance_codes": 0,
    "bridge__bus_nominal_v": 80,
    "bridge__bus_min_v": 74,
    "bridge__bus_max_v": 90,
    "filter__inductance_uh": 220,
    "filter__capacitance_uf": 22,
    "filter__winding_resistance_ohm": 0.08,
    "load__rated_va": 150,
}


def ready(**keys: Any) -> Prepared:
    return prepared_spec(changed_spec(**keys))


def worst(prepared: Prepared, case: str, boards: range, *, at_limit: bool = False) -> ReadingError:
    """The worst reported RMS of a case, taken apart; it is the one that the tally has."""
    figure = "report_error_at_limit_percent" if at_limit else "report_error_percent"
    percent, number = run_piece(prepared, case, boards, 1).worst[figure]
    error = reading_error(prepared, case, number, 1, at_limit=at_limit)
    assert error is not None
    assert 100 * error.error == pytest.approx(percent, abs=1e-9)
    assert sum(getattr(error, cause) for cause in CAUSES) == pytest.approx(error.error, abs=1e-12)
    return error


def remarks(prepared: Prepared, *errors: ReadingError) -> list[Finding]:
    return findings(prepared.setting, {}, [], errors, 0)


def test_readings_without_gaps_are_those_of_the_closed_forms() -> None:
    """A clipped sine of drive 1.2: mean and RMS by integration (see test_clipped_sine)."""
    wave = np.clip(1.2 * np.sin(np.pi * (np.arange(100_000) + 0.5) / 50_000), -1, 1)
    flat = np.full(len(wave), 1 / len(wave))
    assert reading(wave, "rms", flat) == pytest.approx(clipped_sine.rms(1.2), rel=1e-6)
    mean = clipped_sine.FORM_FACTOR * clipped_sine.mean(1.2)
    assert reading(wave, "mean", flat) == pytest.approx(mean, rel=1e-6)


def test_a_clipped_sine_is_off_by_its_shape() -> None:
    """No zero, no noise: 1.344 % by the closed form at drive 1.2, less what the filter rounds off;
    and an RMS of the same codes is true."""
    prepared = ready(**QUIET, loop__period_us=100, loop__half_cycles=2)
    error = worst(prepared, "overload", range(40), at_limit=True)
    assert error.greatest == "shape"
    assert error.shape == pytest.approx(clipped_sine.reading_error(1.2), abs=1e-3)
    assert abs(error.zero) < 1e-12
    assert abs(error.by_rms) < 1e-3
    (remark,) = remarks(prepared, error)
    assert remark.code == "report-shape"
    assert 'measure = "rms" reads the same ADC codes' in remark.text
    assert error.by_rms == pytest.approx(by_rms_unit(), abs=1e-3)


def by_rms_unit() -> float:
    """What the same unit with measure "rms" reports at its limit."""
    prepared = ready(**QUIET, loop__period_us=100, loop__half_cycles=2, loop__measure="rms")
    return worst(prepared, "overload", range(40), at_limit=True).error


def test_rms_was_advised_where_it_does_not_help() -> None:
    """No clipping (scale_max 1), a zero that is far off: "0 % of it by the clipped sine's shape;
    use rms". An RMS of the same codes is as far off."""
    prepared = ready(
        bridge__scale_max=1.0,
        loop__period_us=400,
        loop__half_cycles=1,
        sensor__zero_tolerance_codes=24,
        targets__settling_ms=200,
        targets__voltage_tolerance_percent=2,
    )
    error = worst(prepared, "overload", range(100), at_limit=True)
    assert error.error > 0.02
    assert error.greatest == "zero"
    assert abs(error.by_rms) > abs(error.error) / 2
    (remark,) = remarks(prepared, error)
    assert remark.code == "report-zero"
    assert "rms" not in remark.text
    # Were it the shape after all, the finding would say what RMS reads and not advise it.
    (other,) = remarks(prepared, replace(error, shape=1.0))
    assert "does not help" in other.text


def test_a_zero_tolerance_of_0_was_blamed() -> None:
    """48 V, true RMS, 25 samples a cycle: ringing about 2.3 kHz, the 46th harmonic, that a
    rectifier starts is folded by the sampling."""
    prepared = ready(**FORTY_EIGHT_VOLTS)
    error = worst(prepared, "non-linear", range(193))
    assert error.greatest == "folded"
    assert error.zero == 0
    assert abs(error.folded) > 0.75 * abs(error.error)
    (remark,) = remarks(prepared, error)
    assert remark.code == "report-folded"
    assert "zero" not in remark.text
    # Sampled ten times as fast there is nothing to fold.
    fast = ready(**{**FORTY_EIGHT_VOLTS, "loop__period_us": 80, "loop__half_cycles": 2})
    assert abs(worst(fast, "non-linear", range(193)).folded) < 0.2 * abs(error.folded)


@pytest.mark.parametrize(
    ("keys", "cause", "code"),
    [
        ({"sensor__zero_tolerance_codes": 12, "loop__half_cycles": 1, "loop__period_us": 400,
          "targets__voltage_tolerance_percent": 2}, "zero", "report-zero"),
        ({"sensor__noise_codes_rms": 8}, "noise", "report-noise"),
        ({**QUIET, "loop__period_us": 1000, "loop__half_cycles": 2,
          "targets__voltage_tolerance_percent": 2}, "sampling", "report-sampling"),
    ],
)  # fmt: skip
def test_each_cause_is_found_alone(keys: dict[str, Any], cause: str, code: str) -> None:
    """A unit made so that one thing is off: the steady reading of a linear load says which."""
    prepared = ready(**keys)
    error = worst(prepared, "noise", range(60))
    assert error.greatest == cause
    assert abs(getattr(error, cause)) > 0.6 * abs(error.error)
    tight = changed_spec(**{**keys, "targets__voltage_tolerance_percent": 0.01})
    (remark,) = remarks(replace(prepared, setting=replace(prepared.setting, spec=tight)), error)
    assert remark.code == code


def test_a_drifting_source_is_followed_in_the_fit() -> None:
    """Half a hertz off: the sine in the window is found at its own frequency, so what the sampling
    makes of it is not taken for distortion."""
    prepared = ready(
        output__frequency_tolerance_hz=0.5, loop__measure="rms", **QUIET,
        targets__voltage_tolerance_percent=1,
    )  # fmt: skip
    error = worst(prepared, "frequency-drift", range(40))
    assert abs(error.folded) < 2e-4
    assert abs(error.sampling) > 1e-3


def test_a_steady_output_off_the_nominal_frequency_was_said_to_be_off() -> None:
    """Bug: the true RMS of a window of blocks was taken over half cycles of the nominal length: of
    a clean sine 1.5 Hz off that alone is 2 %, and "Do not ship" was said of a flat line."""
    prepared = ready(
        output__frequency_tolerance_hz=1.5, loop__measure="rms", loop__weighting="shaped",
        loop__samples=21, loop__updates_per_window=21, gains__proportional=0.1,
        gains__integral_per_s=20, targets__voltage_tolerance_percent=1,
        targets__settling_ms=500,
    )  # fmt: skip
    (tally,), _ = run_cases(prepared, range(8), ["frequency-drift"])
    steady, _ = tally.worst["steady_error_percent"]
    assert steady < 0.5
    assert tally.worst["lowest_percent"][0] > 99.5


def test_a_run_too_long_for_its_waveform_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("halfcycle.simulate.reading_error.MAX_STEPS", 100)
    assert reading_error(prepared_example(), "start", 0, 1, at_limit=False) is None


@pytest.mark.parametrize(("measure", "said"), [("mean", True), ("rms", False)])
def test_the_shape_of_an_rms_reading_was_said_to_be_that_of_a_mean(
    measure: Measure, said: bool
) -> None:
    zeros = dict.fromkeys(("sampling", "zero", "noise", "change"), 0.0)
    error = ReadingError(
        "non-linear", 7, False, 0.02, shape=0.012, folded=0.008, by_rms=0.0, **zeros
    )
    told = _what_is_off(error, 0, measure)
    assert told.startswith("+2 % on board 7: +1.2 % by the wave's shape")
    assert "+0.8 % by harmonics and ringing that the sampling folds" in told
    assert ("as a mean is read as the RMS of a sine" in told) == said
