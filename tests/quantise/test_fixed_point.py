"""Formats, coefficients and ranges: the finest that fit, by brute force or exact rationals."""

from __future__ import annotations

import functools
import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from halfcycle.base.errors import InputError
from halfcycle.design.designer import design
from halfcycle.design.types import Design
from halfcycle.generate.pipeline import design_integers
from halfcycle.quantise import fixed_point, formats, resolution, signals
from halfcycle.quantise.interval import Interval
from halfcycle.quantise.limit_cycle import run_sine
from halfcycle.quantise.quantise import QUIET, quantise
from halfcycle.quantise.quantised import Quantised
from halfcycle.regulator import arithmetic
from halfcycle.spec.load import load_spec, parse_spec
from support import goldens

SPECS = goldens.specs()
PEAT_CABIN = next(spec for spec in SPECS if spec.stem == "peat_cabin")


@functools.cache
def designed(spec: Path) -> Design:
    return design_integers(load_spec(spec)).design


@functools.cache
def made(spec: Path) -> Quantised:
    return design_integers(load_spec(spec)).quantised


each_example = pytest.mark.parametrize("spec", SPECS, ids=lambda path: path.stem)
each_plain = pytest.mark.parametrize(
    "spec",
    [path for path in SPECS if load_spec(path).loop.law != "normalised"],
    ids=lambda path: path.stem,
)
"""Examples of the plain law; ``test_law_format`` has the like of these tests for the other."""


@each_plain
def test_the_integrator_has_the_finest_format_that_fits(spec: Path) -> None:
    plan, made_of = made(spec).plan, designed(spec)
    rated = Fraction(made(spec).counts_per_volt) * made_of.spec.output.rated_rms_v
    error = signals.error_range(plan)
    bits = plan.drive_bits + 1
    finer = [round(gain / rated * 2**bits) for gain in (made_of.kp, made_of.ki)]
    ranges = formats.pi_ranges(finer[0], finer[1], error, plan.scale_max << (bits - 14))
    most = formats.NARROW_MAX if plan.word_bits == 16 else formats.INT32.high
    assert (
        bits > formats.MAX_DRIVE_BITS
        or max(map(abs, finer)) > most
        or not all(map(formats.fits, ranges.values()))
    )


@each_example
def test_sixteen_bit_words_have_sixteen_bit_operands(spec: Path) -> None:
    plan = made(spec).plan
    if plan.word_bits == 16:
        assert not plan.wide
        assert signals.error_bits(plan) == 16
        assert max(abs(plan.proportional), abs(plan.integral)) < 2**15
    assert max(row.bits for row in plan.signals) <= (48 if plan.sum_high else 32)


@each_plain
def test_dead_band_is_where_the_integrator_really_stalls(spec: Path) -> None:
    """Round to nearest stalls where |Ki e| < 1/2 of a last place: brute force over e."""
    plan = made(spec).plan
    for shift in (plan.integral_shift, plan.integral_shift + 14):
        coarse = replace(plan, integral_shift=shift)
        stalled = fixed_point.stalled_error(coarse)
        steps = [
            arithmetic.round_shift_signed(plan.integral * error, shift)
            for error in range(stalled + 2)
        ]
        assert not any(steps[: stalled + 1])
        assert steps[stalled + 1] != 0


@each_example
def test_conversions_hold_a_volt(spec: Path) -> None:
    """Target in, report out: the same voltage to a reading count and a half."""
    plan, step_v = made(spec).plan, made(spec).reading_step_v
    for millivolts in range(0, plan.target_max_mv + 1, 997):
        counts = arithmetic.scale_by(millivolts, plan.target_gain, plan.target_shift)
        back = arithmetic.scale_by(counts, plan.millivolt_gain, plan.millivolt_shift)
        assert abs(back - millivolts) <= 0.5 * 1000 * step_v + 2


@given(
    st.fractions(Fraction(1, 5000), Fraction(5000)),
    st.integers(1, 2**20),
)
def test_a_conversion_is_the_finest_that_fits(ratio: Fraction, value_max: int) -> None:
    assume(value_max * ratio < 2**31)
    gain, shift = formats.conversion(ratio, value_max)
    assert abs(Fraction(gain, 2**shift) - ratio) <= Fraction(1, 2 ** (shift + 1))
    product = (value_max >> 8) * gain + ((255 * gain) >> 8) + arithmetic.half(shift - 8)
    assert product < 2**32
    finer = round(ratio * 2 ** (shift + 1))
    beyond = (value_max >> 8) * finer + ((255 * finer) >> 8) + arithmetic.half(shift - 7)
    assert shift == 39 or finer >= 2**24 or beyond >= 2**32


@given(
    st.sampled_from(["mean", "rms"]),
    st.integers(1, 65535),
    st.integers(128, 65535),
    st.sampled_from([16, 32]),
    st.integers(0, 20),
)
def test_any_sum_gets_a_reading_that_fits(
    measure: str, samples: int, magnitude: int, word_bits: int, least: int
) -> None:
    total = samples * (magnitude**2 if measure == "rms" else magnitude)
    shift, wide = formats.reading_shift(measure, total, least, word_bits)
    reading = formats.reading_max(measure, total, shift)
    assert shift >= least
    assert wide == (reading > 32767)
    assert reading <= (32767 if word_bits == 16 else 2**20)
    if measure == "rms":
        assert total >> shift < 2**32


@pytest.mark.parametrize("bits", range(3, 9))
def test_table_error_is_a_tight_bound(bits: int) -> None:
    """The chord's h^2/8 (Taylor remainder) against every phase of the interpolated table."""
    phase = np.arange(0x4001)
    table = np.asarray(resolution.drive_table(bits), dtype=np.int64)
    step = 14 - bits
    index = np.minimum(phase >> step, (1 << bits) - 1)
    along = phase - (index << step)
    rise = (table[index + 1] - table[index]) * along
    sine = table[index] + ((rise + arithmetic.half(step)) >> step)
    error = np.abs(sine / 32767 - np.sin(phase / 0x4000 * math.pi / 2)).max()
    assert 0.5 * resolution.table_error(bits) < error <= resolution.table_error(bits)


@each_example
def test_the_reading_is_coarser_than_the_output(spec: Path) -> None:
    """Peterchev & Sanders, IEEE T-PEL 18(1), 2003: steps of the control finer than of the reading,
    integral action present and below unity. Then the loop is run on the sine, and stands still; of
    blocks, whose readings come from all over the sine, it moves by what goes for quiet at most."""
    found, made_of = made(spec), designed(spec)
    assert found.reading_step_v > found.output_step_v
    assert 0 < float(made_of.ki) * made_of.loop_gain < 1
    quiet_v = QUIET * made_of.chosen.tolerance_v if found.plan.blockwise else 0
    assert run_sine(made_of, found).moved_v.max() <= quiet_v


def test_a_reading_finer_than_the_output_hunts() -> None:
    """The other way round the same loop does not come to rest: the run is no formality."""
    made_of = designed(PEAT_CABIN)
    finer = fixed_point.fixed_point(made_of, coarser=-1)
    assert finer.reading_step_v < finer.output_step_v
    assert run_sine(made_of, finer).moved_v.max() > 0


def test_one_duty_count_moves_the_amplitude_by_its_bound() -> None:
    """Enumerated: every scale at which a duty flips, and what that does to the amplitude."""
    for stem in ("peat_cabin", "quay_kiosk"):
        window = designed(next(spec for spec in SPECS if spec.stem == stem)).window
        counts = 97
        points = resolution.duty_points(window)
        sine = np.abs(np.sin(2 * np.pi * np.arange(points) / points))
        steps = (np.arange(counts) + 0.5)[:, None] / counts
        with np.errstate(divide="ignore"):
            flips = np.unique(np.round(steps / sine[sine > 1e-9], 12))
        alone = np.diff(flips, prepend=0) > 1e-6
        flips = flips[alone & (np.diff(flips, append=9) > 1e-6) & (flips < 1)]
        jump = resolution.duty_amplitude(flips + 4e-7, window, counts) - resolution.duty_amplitude(
            flips - 4e-7, window, counts
        )
        bound = float(resolution.duty_step(window, counts))
        assert 0.9 * bound < jump.max() <= bound * (1 + 1e-9)
        assert jump.min() > 0


@each_plain
def test_signals_cover_extremes_of_the_model(spec: Path) -> None:
    """Headroom is exact: the declared ends are reached by some input of the stated ranges."""
    plan = made(spec).plan
    rows = {row.name: row for row in plan.signals}
    terms = plan.magnitude_max**2 if plan.measure == "rms" else plan.magnitude_max
    assert rows["sum"].highest == plan.block_samples * sum(plan.block_weights) * terms
    assert (rows["error"].lowest, rows["error"].highest) == (-plan.reading_max, plan.target_max)
    step = rows["step"]
    assert step.highest == arithmetic.round_shift_signed(
        plan.integral * plan.target_max, plan.integral_shift
    )
    assert rows["after"].highest == plan.drive_max + step.highest
    assert rows["after"].lowest == step.lowest
    for row in plan.signals:
        assert Interval(row.lowest, row.highest).headroom(row.bits, row.signed) >= 0


def test_a_dead_band_beyond_the_tolerance_is_refused() -> None:
    text = PEAT_CABIN.read_text()
    tight = text.replace("[targets]\n", "[targets]\nvoltage_tolerance_percent = 0.005\n")
    findings = quantise(design(parse_spec(tight, "tight.toml"))).findings
    assert any(
        finding.level == "error"
        and finding.key == "targets.voltage_tolerance_percent"
        and "dead band" in finding.text
        for finding in findings
    )


def test_a_sensor_range_beyond_the_report_is_a_fault_of_the_spec() -> None:
    """Found by trying: volts_per_code far too large ended in a traceback."""
    text = PEAT_CABIN.read_text().replace("volts_per_code = 0.22", "volts_per_code = 99")
    vast = text.replace("adc_bits = 12", "adc_bits = 16").replace(
        "zero_code = 2048", "zero_code = 32768"
    )
    made_of = replace(designed(PEAT_CABIN), spec=parse_spec(vast, "vast.toml"), file="vast.toml")
    with pytest.raises(InputError, match=r"sensor\.volts_per_code"):
        fixed_point.fixed_point(made_of)
