"""The bounds of what a healthy sine makes of two spans, and the sensors that are stuck or lost.

Bounds are held against dense sweeps of the phase with numpy (a general library), and the flag
against sines written down here and a filter solved by scipy.signal (another one): none of it knows
how the bounds are derived.
"""

from __future__ import annotations

import functools
import math
from fractions import Fraction

import numpy as np
import pytest
from numpy.typing import NDArray

from halfcycle.design.types import Design
from halfcycle.quantise import lean
from halfcycle.quantise.fixed_point import fixed_point
from halfcycle.regulator import arithmetic
from halfcycle.regulator.plan import FLAG_IMPLAUSIBLE, Plan
from halfcycle.spec.models import Spec
from halfcycle.windows.search import Window
from support import block_designs
from support.lc_board import Board
from support.started import started

Reals = NDArray[np.float64]
KINDS = {
    "plain": ((1,), 25),
    "shaped 9": (block_designs.ZERO_2F, 9),
    "shaped 17": (block_designs.ZERO_F_2F_4F, 17),
    "moving flat 5": (block_designs.FLAT_5, 25),
    "moving flat 25": (block_designs.FLAT_25, 25),
}
"""60 Hz and 1 ms: three half cycles in 25 samples."""
PHASES = np.arange(0, 2 * math.pi, math.pi / 720)


def design_of(kind: str) -> Design:
    weights, samples = KINDS[kind]
    return block_designs.blocks(weights, samples)


def spec_of(kind: str, measure: str, zero_codes: int = 4) -> tuple[Spec, Window]:
    design = design_of(kind)
    spec = design.spec
    loop = spec.loop.model_copy(update={"measure": measure})
    sensor = spec.sensor.model_copy(update={"zero_tolerance_codes": Fraction(zero_codes)})
    return spec.model_copy(update={"loop": loop, "sensor": sensor}), design.window


def swept(samples: int, step: float, measure: str) -> tuple[Reals, Reals]:
    """Mean of v (or v |v|) and of |v| (or v^2) over so many samples of a sine, at every phase."""
    wave = np.sin(PHASES[:, None] + step * np.arange(samples))
    signed = wave * np.abs(wave) if measure == "rms" else wave
    return signed.mean(axis=1), np.abs(signed).mean(axis=1)


@pytest.mark.parametrize("measure", ["mean", "rms"])
@pytest.mark.parametrize("kind", KINDS)
def test_a_sweep_stays_below_the_bound_and_nearly_reaches_it(kind: str, measure: str) -> None:
    spec, window = spec_of(kind, measure)
    for span in range(1, window.blocks + 1):
        samples = 2 * span * window.block_samples
        step = 2 * math.pi * 60 * 0.001
        signed, sums = swept(samples, step, measure)
        bound = lean.sine_share(spec, window, span)
        worst = np.abs(signed).max() / sums.min()
        assert worst <= bound * (1 + 1e-9) + 1e-12
        if bound > 0.05:
            assert worst > 0.5 * bound


@pytest.mark.parametrize("kind", KINDS)
def test_a_span_is_about_whole_half_cycles_and_covers_a_window_in_two(kind: str) -> None:
    spec, window = spec_of(kind, "rms")
    span = lean.span_blocks(spec, window)
    assert window.blocks < 2 * span <= 2 * window.blocks or window.blocks == span
    half_cycles = span * window.block_samples * 0.12
    assert abs(half_cycles - round(half_cycles)) < 0.1


@pytest.mark.parametrize("measure", ["mean", "rms"])
@pytest.mark.parametrize("kind", KINDS)
def test_no_sine_leans_at_the_level_that_the_bound_gives(kind: str, measure: str) -> None:
    """Any amplitude and phase, zero off either way, with the test of the C itself on codes; from a
    fifth of that level on some would, so that the bound is not idle."""
    spec, window = spec_of(kind, measure, zero_codes=40)
    level = lean.near_zero_codes(spec, window)
    assert level is not None
    span = lean.span_blocks(spec, window) * window.block_samples
    power = 2 if measure == "rms" else 1
    flagged = dict.fromkeys((1.0, 0.2), 0)
    for share in flagged:
        least = (share * level) ** power
        for peak in np.geomspace(10, 2000, 60):
            for offset in (40, -40):
                flagged[share] += leaning(window, span, peak, offset, power, least)
    assert flagged[1.0] == 0
    assert flagged[0.2] > 0


def leaning(  # noqa: PLR0917 (a sine, then the test's own numbers)
    window: Window, span: int, peak: float, offset: float, power: int, least: float
) -> int:
    """How many phases of a sine two successive spans of which lean alike by the C's test, with a
    window of at least so much per sample that ends as they do."""
    step = 2 * math.pi * float(window.frequency_hz * window.period_s)
    wave = np.round(peak * np.sin(PHASES[::8, None] + step * np.arange(2 * span)) + offset)
    above = np.where(wave >= 0, np.abs(wave), 0).astype(np.int64) ** power
    below = np.where(wave < 0, np.abs(wave), 0).astype(np.int64) ** power
    count = 0
    weights = np.repeat(window.block_weights[::-1], window.block_samples)
    readings = (above + below)[:, -window.samples :] @ weights / weights.sum()
    for up, down in zip(above[readings >= least], below[readings >= least], strict=True):
        halves = [
            arithmetic.lean(int(up[part].sum()), int(down[part].sum()), 0)
            for part in (slice(0, span), slice(span, 2 * span))
        ]
        count += arithmetic.alike(halves[1], halves[0])
    return count


MOMENTS = {"start": 2, "climbing": 45, "at rest": 333, "after a swell": 412, "at the limit": 660}
"""Samples from the start to the sensor's loss, in a run whose bus swells at 400 and sags at 500."""
SAMPLES = 900


@functools.cache
def plan_of(kind: str) -> Plan:
    return fixed_point(design_of(kind)).plan


@pytest.mark.parametrize("zero", [-4.0, 4.0])
@pytest.mark.parametrize("kind", KINDS)
def test_a_healthy_board_is_never_implausible(kind: str, zero: float) -> None:
    """Start, swell, sag to the limit and the way back: every flag of every update."""
    flags = [flag for _, flag, _ in Board(plan_of(kind), design_of(kind), zero).run()]
    assert not any(flag & FLAG_IMPLAUSIBLE for flag in flags)


def codes_of(plan: Plan) -> list[int]:
    """Ends of the ADC, the zero, each side of it near and far, and codes that read as rated."""
    zero, crest = plan.zero_code, round(math.sqrt(2) * 115 / 0.11)
    return [
        *(0, plan.adc_max, zero, zero + 1, zero - 9, zero + 60, zero - 60, zero + 300),
        *(zero + round(crest * share) for share in (math.sqrt(0.5), -math.sqrt(0.5), 1, -1)),
    ]


@pytest.mark.parametrize(
    ("kind", "moment"),
    [
        # Each kind and each moment once in CI.
        pytest.param(kind, moment, marks=[pytest.mark.long] * (number != place))
        for number, kind in enumerate(KINDS)
        for place, moment in enumerate(MOMENTS)
    ],
)
def test_a_failed_sensor_is_flagged_and_leaves_no_more_drive(kind: str, moment: str) -> None:
    """Within three windows of a drive that shows it, whenever it fails and at whatever code; then
    for good, at no more drive than before, or than that below which a lost one is plausible."""
    plan, design, lost_at = plan_of(kind), design_of(kind), MOMENTS[moment]
    for stuck in codes_of(plan):
        run = list(Board(plan, design, 4.0).run(lost_at, stuck))
        scales = [scale for scale, _, _ in run]
        driven = next(n for n, scale in enumerate(scales) if scale >= plan.hold_scale or n > 880)
        flagged = [n for n, (_, flag, _) in enumerate(run) if flag & FLAG_IMPLAUSIBLE]
        reads = abs(stuck - plan.zero_code) * 0.11 >= 0.05 * 115
        since = lost_at if reads else max(lost_at, driven)
        assert flagged, (stuck, moment)
        assert flagged[0] - since <= 3 * plan.samples + plan.block_samples, (stuck, moment)
        assert flagged == list(range(flagged[0], SAMPLES)), (stuck, moment)
        most = max(scales[lost_at - 1], 0 if reads else plan.hold_scale)
        assert scales[-1] <= most, (stuck, moment)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "plain"])
def test_a_zero_error_before_the_start_was_taken_for_a_stuck_sensor(kind: str) -> None:
    """Bug: two spans of nothing but the zero's error leaned alike, and the flag came as soon as a
    reading of the output that then rose was not near zero, before the next span had ended."""
    plan = plan_of(kind)
    regulator = started(plan)
    for _ in range(4 * plan.samples):
        if regulator.sample(plan.zero_code - 4):
            regulator.update()
    for now in range(plan.samples):
        code = plan.zero_code + round(1400 * math.sin(2 * math.pi * 0.06 * now))
        if regulator.sample(code):
            regulator.update()
            near_zero = regulator.reading[regulator.output_sequence & 1] < plan.hold_reading
            assert near_zero or not regulator.flags() & FLAG_IMPLAUSIBLE
