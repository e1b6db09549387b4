"""Integers of windows of weighted blocks: ranges, resolution, and what a reading says."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from halfcycle.base.errors import InputError
from halfcycle.quantise.fixed_point import fixed_point, integer_error_v, quantised_gains
from halfcycle.quantise.formats import UINT48_MAX
from halfcycle.quantise.interval import Interval
from halfcycle.regulator.model import magnitudes, reading_of
from halfcycle.regulator.plan import Plan
from halfcycle.spec.load import parse_spec
from halfcycle.windows.search import Window
from support import block_designs
from support.block_designs import DOUBLE_2F, FLAT_5, FLAT_25, SPEC, ZERO_2F, ZERO_F_2F_4F
from support.started import started

WINDOWS = {
    "zero at 2f": (ZERO_2F, 9),
    "zeros at f 2f 4f": (ZERO_F_2F_4F, 17),
    "double zero at 2f": (DOUBLE_2F, 25),
    "moving flat, 5 blocks": (FLAT_5, 25),
    "moving flat, 25 blocks": (FLAT_25, 25),
}
each_window = pytest.mark.parametrize(("weights", "samples"), WINDOWS.values(), ids=WINDOWS.keys())


def sums(plan: Plan, codes: np.ndarray) -> int:
    """A reference of its own: each sample's term as often as its block weighs, oldest first."""
    terms = magnitudes(plan, codes.astype(np.uint16)).astype(object)
    weighs = np.repeat(np.array(plan.block_weights[::-1], dtype=object), plan.block_samples)
    return int((terms * weighs).sum())


def spec_text(**values: object) -> str:
    """The spec with keys set to other values."""
    lines = SPEC.splitlines()
    for key, value in values.items():
        at = next(i for i, line in enumerate(lines) if line.startswith(f"{key} ="))
        lines[at] = f"{key} = {value}"
    return "\n".join(lines) + "\n"


@st.composite
def designs(draw: st.DrawFn) -> object:
    """Any window of blocks on any converter."""
    bits = draw(st.integers(8, 16))
    top = (1 << bits) - 1
    zero = draw(st.integers(2, top - 2))
    text = spec_text(
        adc_bits=bits,
        zero_code=zero,
        volts_per_code=200 / min(zero, top - zero),
        zero_tolerance_codes=0,
        measure='"' + draw(st.sampled_from(["mean", "rms"])) + '"',
    )
    text += f"[arithmetic]\nword_bits = {draw(st.sampled_from([16, 32]))}\n"
    flat = draw(st.booleans())
    count = draw(st.integers(2, 64))
    one = st.just(1) if flat else st.integers(1, 255)
    weights = tuple(draw(st.lists(one, min_size=count, max_size=count)))
    per_block = draw(st.integers(1, 65535 // count))
    updates = draw(st.sampled_from([n for n in range(1, count + 1) if count % n == 0]))
    made = block_designs.plain()
    window = Window(3, count * per_block, Fraction(60), Fraction(1, 1000), weights, updates)
    ki = Fraction(draw(st.integers(1, 1000)), 1000) / updates
    kp = Fraction(draw(st.integers(-500, 500)), 1000)
    chosen = replace(made.chosen, window=window, kp=kp, ki=ki)
    return replace(made, spec=parse_spec(text, "any.toml"), chosen=chosen)


@settings(deadline=None, max_examples=60)
@given(designs())
def test_no_window_of_blocks_overflows(made: object) -> None:
    """Every range fits its word, and the greatest codes reach the ends that are stated."""
    try:
        plan = fixed_point(made).plan  # type: ignore[arg-type]
    except InputError as error:
        assert error.faults[0].key in {"loop.samples", "sensor.volts_per_code"}
        return
    for row in plan.signals:
        assert Interval(row.lowest, row.highest).headroom(row.bits, row.signed) >= 0
    worst = 0 if plan.zero_code > plan.adc_max - plan.zero_code else plan.adc_max
    total = sums(plan, np.full(plan.samples, worst))
    assert total == plan.signal_range("sum")[1] == plan.total_max <= UINT48_MAX
    assert plan.sum_high == (total > 0xFFFFFFFF)
    assert plan.signal_range("block_sum")[1] == plan.block_samples * plan.term_max
    assert reading_of(plan, total) == plan.reading_max == plan.signal_range("reading")[1]
    assert plan.reading_max < 2**15 or plan.wide
    if plan.measure == "rms":
        assert total >> plan.reading_shift < 2**32


def test_a_count_too_coarse_for_the_report_is_a_fault_of_the_spec() -> None:
    """Found by drawing: a reading of two samples of 100 V codes ended in a traceback."""
    text = spec_text(adc_bits=8, zero_code=2, volts_per_code=100, zero_tolerance_codes=0)
    made = block_designs.plain()
    window = Window(3, 2, Fraction(60), Fraction(1, 1000), (1, 1), 1)
    coarse = replace(made, spec=parse_spec(text, "x"), chosen=replace(made.chosen, window=window))
    with pytest.raises(InputError, match=r"sensor\.volts_per_code.*count"):
        fixed_point(coarse)
    assert integer_error_v(coarse) == math.inf


def test_twelve_bit_codes_about_mid_scale_need_32_bits() -> None:
    for weights, samples in WINDOWS.values():
        plan = fixed_point(block_designs.blocks(weights, samples)).plan
        assert not plan.sum_high
        assert max(row.bits for row in plan.signals) == 32


def test_a_sum_beyond_48_bits_is_a_fault_with_a_remedy_that_helps() -> None:
    """A 16-bit converter, many samples and heavy weights."""
    text = spec_text(adc_bits=16, zero_code=32768, volts_per_code=0.006)
    made = block_designs.plain()

    def of(samples: int) -> object:
        weights = (31, 47, 63, 47, 31)
        window = Window(3, samples, Fraction(60), Fraction(1, 1000), weights, 5)
        chosen = replace(made.chosen, window=window)
        return replace(made, spec=parse_spec(text, "x"), chosen=chosen)

    with pytest.raises(InputError, match=r"loop\.samples.*48 bits.*at most (\d+)") as caught:
        fixed_point(of(10_000))  # type: ignore[arg-type]
    most = int(caught.value.faults[0].remedy.split("at most ")[1].split()[0])
    assert fixed_point(of(most // 5 * 5)).plan.sum_high  # type: ignore[arg-type]
    with pytest.raises(InputError):
        fixed_point(of(most // 5 * 5 + 5))  # type: ignore[arg-type]
    assert integer_error_v(of(10_000)) == math.inf  # type: ignore[arg-type]


@each_window
def test_a_rated_sine_reads_as_the_rated_target(weights: tuple[int, ...], samples: int) -> None:
    """At every phase, within the steady error that is stated; on average far within."""
    made = block_designs.blocks(weights, samples)
    found = fixed_point(made)
    plan = found.plan
    peak = math.sqrt(2) * 115 / 0.11
    angle = 2 * math.pi * 60 * 0.001 * np.arange(samples)
    readings = []
    for phase in np.linspace(0, 2 * math.pi, 720, endpoint=False):
        codes = np.rint(2048 + peak * np.sin(angle + phase))
        readings.append(reading_of(plan, sums(plan, codes)))
    off_v = (np.array(readings) - plan.target_rated) * found.reading_step_v
    stated = found.steady_error_v - made.chosen.hunting_v  # no zero error here
    assert np.abs(off_v).max() <= stated
    assert abs(off_v.mean()) < 0.6 * found.reading_step_v


@each_window
def test_constants_are_per_update(weights: tuple[int, ...], samples: int) -> None:
    made = block_designs.blocks(weights, samples)
    found = fixed_point(made)
    rated = Fraction(found.counts_per_volt) * 115
    kp, ki = quantised_gains(found.plan, rated)
    assert float(ki) == pytest.approx(0.3 / len(weights), rel=1e-3)
    assert float(kp) == pytest.approx(0.4 * 0.3 / 2, rel=1e-3)
    assert found.coefficients[1].unit == "scale per pu and update"
    assert found.plan.updates == len(weights)


def test_the_target_climbs_in_the_time_that_the_spec_asks_for() -> None:
    """The step was one per window, and would have been taken at every update."""
    text = SPEC + "ramp_ms = 500\n"
    for updates in (1, 9):
        plan = fixed_point(block_designs.blocks(ZERO_2F, updates=updates, text=text)).plan
        regulator = started(plan)
        blocks = 0
        # Codes of the rated voltage all along: a reading of nothing would hold the ramp.
        total = plan.target_rated**2 << plan.reading_shift  # of an RMS
        rated = round(total / plan.weighted_samples) * plan.block_samples
        while regulator.ramp >> plan.ramp_bits < plan.target_rated:
            regulator.close_with(rated)
            regulator.update()
            blocks += 1
        assert blocks == pytest.approx(500 + len(ZERO_2F), abs=len(ZERO_2F) + 1)


def test_a_mean_of_a_shaped_window_is_calibrated_to_its_own_middle() -> None:
    """25 samples of 60 Hz at 1 ms are 3 half cycles, but weighted ones are no flat window: the
    closed form of the flat one's middle was taken."""
    text = spec_text(measure='"mean"')
    made = block_designs.blocks(DOUBLE_2F, 25, text=text)
    found = fixed_point(made)
    phases = np.linspace(0, math.pi, 20_011)
    angle = phases[:, None] + 2 * math.pi * 60 * 0.001 * np.arange(25)
    weights = np.array(DOUBLE_2F) / sum(DOUBLE_2F)
    means = np.abs(math.sqrt(2) * np.sin(angle)) @ weights
    middle = (means.max() + means.min()) / 2
    total = 25 * sum(DOUBLE_2F) / 25 / 2**found.plan.reading_shift
    assert found.counts_per_volt == pytest.approx(total * middle / 0.11, rel=1e-5)
