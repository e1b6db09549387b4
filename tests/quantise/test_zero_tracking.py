"""The tracked zero: its bounds against sweeps, and boards of our own that it converges on.

The bounds are held against recursions written down here with numpy and scipy.signal (general
libraries); the boards' circuit is solved by scipy.signal and knows nothing of the project.
"""

from __future__ import annotations

import functools
import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from scipy import signal

from halfcycle.design.types import Design
from halfcycle.quantise.fixed_point import fixed_point
from halfcycle.quantise.zero import is_fine_enough, resolution_codes
from halfcycle.regulator.plan import FLAG_IMPLAUSIBLE, FLAG_SETTLED, Plan
from halfcycle.spec.models import Spec
from halfcycle.windows.search import Window
from halfcycle.windows.zero_tracking import (
    HOLD,
    NOISE_DEVIATIONS,
    QUANTISING,
    SLOWEST_S,
    ZeroTracking,
    zero_left_codes,
    zero_tracking,
)
from support import block_designs
from support.lc_board import Board

TEXT = block_designs.SPEC.replace(
    "zero_tolerance_codes = 4", "zero_tolerance_codes = 4\ntrack_zero = true"
)
KINDS = {
    "plain": ((1,), 25),
    "shaped 9": (block_designs.ZERO_2F, 9),
    "shaped 17": (block_designs.ZERO_F_2F_4F, 17),
    "moving flat 5": (block_designs.FLAT_5, 25),
}
"""60 Hz and 1 ms: 50 samples are three cycles."""


@functools.cache
def design_of(kind: str, measure: str = "rms") -> Design:
    weights, samples = KINDS[kind]
    text = TEXT.replace('measure = "rms"', f'measure = "{measure}"')
    return block_designs.blocks(weights, samples, text=text)


@functools.cache
def plan_of(kind: str) -> Plan:
    return fixed_point(design_of(kind)).plan


def tracking_of(kind: str, measure: str = "rms", hertz: float = 0.0) -> ZeroTracking:
    design = design_of(kind, measure)
    output = design.spec.output.model_copy(update={"frequency_tolerance_hz": Fraction(hertz)})
    found = zero_tracking(design.spec.model_copy(update={"output": output}), design.window)
    assert found is not None
    return found


@pytest.mark.parametrize("kind", KINDS)
def test_the_lean_is_taken_over_whole_cycles(kind: str) -> None:
    tracking = tracking_of(kind)
    assert tracking.samples * Fraction(6, 100) == 3
    assert tracking.sine_codes == 0
    plan = plan_of(kind)
    assert plan.tracking is not None
    assert plan.tracking.blocks * plan.block_samples == tracking.samples


def test_a_plain_window_of_whole_cycles_is_enough() -> None:
    spec, window = design_of("plain").spec, design_of("plain").window
    even = replace(window, half_cycles=6, samples=50)
    found = zero_tracking(spec, even)
    assert found is not None and found.blocks == 1


def test_without_the_key_or_an_error_nothing_is_tracked() -> None:
    design = design_of("plain")
    for changed in ({"track_zero": False}, {"zero_tolerance_codes": Fraction(0)}):
        sensor = design.spec.sensor.model_copy(update=changed)
        spec = design.spec.model_copy(update={"sensor": sensor})
        assert zero_tracking(spec, design.window) is None
        assert zero_left_codes(spec, design.window) == float(sensor.zero_tolerance_codes)


@pytest.mark.parametrize("measure", ["mean", "rms"])
@pytest.mark.parametrize("hertz", [0.1, 0.5])
def test_a_sweep_of_the_frequency_stays_below_the_bound(measure: str, hertz: float) -> None:
    """Steps of a share ``rate`` as a filter of scipy, on sines at every frequency allowed."""
    tracking = tracking_of("shaped 9", measure, hertz)
    peak = math.sqrt(2) * 115 / 0.11
    worst = 0.0
    for off in np.linspace(-hertz, hertz, 41):
        n = np.arange(tracking.samples * 6000)
        wave = np.sin(2 * math.pi * (60 + off) * 0.001 * n + 0.3)
        if measure == "rms":
            wave = wave * np.abs(wave) * math.pi / 4
        leans = peak * wave.reshape(-1, tracking.samples).mean(axis=1)
        left = signal.lfilter([tracking.rate], [1, tracking.rate - 1], leans)
        worst = max(worst, float(np.abs(left[2000:]).max()))
    assert worst <= tracking.sine_codes
    assert worst > 0.5 * tracking.sine_codes


@pytest.mark.parametrize("measure", ["mean", "rms"])
def test_noise_is_averaged_as_the_bound_says(measure: str) -> None:
    tracking = tracking_of("shaped 9", measure)
    generator = np.random.default_rng(7)
    sine = 1478 * np.sin(2 * math.pi * 0.06 * np.arange(tracking.samples) + 0.2)
    deviation = math.hypot(1, QUANTISING)
    noise = generator.normal(0, deviation, (20000, tracking.samples))
    if measure == "mean":
        leans = (sine + noise).mean(axis=1) - sine.mean()
    else:
        squares = (sine + noise) * np.abs(sine + noise) - sine * np.abs(sine)
        leans = squares.mean(axis=1) / (4 / math.pi * 1478)
    left = signal.lfilter([tracking.rate], [1, tracking.rate - 1], leans)[1000:]
    assert left.std() == pytest.approx(tracking.noise_codes / NOISE_DEVIATIONS, rel=0.12)


def test_a_wide_tolerance_of_the_frequency_slows_it_down() -> None:
    assert tracking_of("shaped 9", hertz=0.5).rate < tracking_of("shaped 9").rate
    assert tracking_of("shaped 9", hertz=0.5).time_constant_s <= SLOWEST_S


@pytest.mark.parametrize("measure", ["mean", "rms"])
@pytest.mark.parametrize("kind", KINDS)
def test_integers_are_as_fine_as_the_bound_allows_and_step_as_far(kind: str, measure: str) -> None:
    plan = fixed_point(design_of(kind, measure)).plan
    tracking = plan.tracking
    assert tracking is not None and is_fine_enough(plan) and resolution_codes(plan) > 0
    per_code = tracking.slope * (
        plan.target_rated / 2**tracking.slope_shift if measure == "rms" else 1
    )
    share = per_code / 2 ** (tracking.bits + tracking.step_shift)
    rate = tracking_of(kind, measure).rate
    assert rate / 2 <= share <= rate * 1.001
    assert tracking.hold / 2**tracking.bits == pytest.approx(HOLD, abs=0.01)


def settled_error(board: Board, samples: int, codes: int = 50) -> tuple[float, int]:
    """Mean code over the last whole cycles less the zero in force, and the greatest distance of
    the zero from its nominal at any time."""
    plan, regulator, last, farthest = board.plan, board.regulator, [], 0
    for _ in board.run(samples=samples):
        last.append(board.code)
        farthest = max(farthest, *(abs(zero - plan.zero_code) for zero in regulator.zero))
    in_force = regulator.zero[regulator.zero_slot]
    return float(np.mean(last[-codes:])) - in_force, farthest


@pytest.mark.parametrize("zero", [-4.0, 3.4, 0.3])
@pytest.mark.parametrize("kind", ["plain", "shaped 9", "moving flat 5"])
def test_a_zero_that_is_off_converges_to_within_the_bound(kind: str, zero: float) -> None:
    plan, tracking = plan_of(kind), tracking_of(kind)
    board = Board(plan, design_of(kind), zero, moves=False)
    samples = 1000 + round(1000 * tracking.converges_s)
    error, farthest = settled_error(board, samples)
    assert abs(error) <= tracking.left_codes
    assert farthest <= 4


def test_more_than_the_tolerance_is_not_tracked_away() -> None:
    """A true DC of the bridge looks like a zero that is off: the clamp limits what it hides."""
    board = Board(plan_of("shaped 17"), design_of("shaped 17"), 20.0, moves=False)
    error, farthest = settled_error(board, 8000)
    assert farthest == 4
    assert error > 15


@pytest.mark.parametrize("kind", ["plain", "shaped 9", "moving flat 5"])
def test_the_zero_is_frozen_in_transients(kind: str) -> None:
    """It moves only after as many blocks of settled output as it takes."""
    plan = plan_of(kind)
    assert plan.tracking is not None
    moved = 0
    for moves in (True, False):
        board = Board(plan, design_of(kind), 4.0, moves=moves)
        settled, before = 0, (0, plan.zero_code)
        for _, flags, _ in board.run(samples=900 if moves else 2500):
            regulator = board.regulator
            settled = settled + 1 if flags & FLAG_SETTLED else 0
            now = (regulator.zero_part, regulator.zero[regulator.zero_slot])
            if now != before:
                moved += 1
                assert settled > (plan.tracking.blocks - 1) * plan.block_samples
            before = now
    assert moved > 2


@pytest.mark.parametrize("at_zero", [4.0, -4.0])
@pytest.mark.parametrize("kind", ["plain", "shaped 9", "moving flat 5"])
def test_a_failed_sensor_is_flagged_though_the_zero_is_tracked(kind: str, at_zero: float) -> None:
    """Stuck at a code that reads as rated, at an end, or lost: within three windows, for good."""
    plan = plan_of(kind)
    crest = round(math.sqrt(2) * 115 / 0.11)
    codes = [round(plan.zero_code + crest * share) for share in (0.7, -0.7, 1)]
    for stuck in (*codes, 0, plan.adc_max, plan.zero_code, plan.zero_code + 4):
        board = Board(plan, design_of(kind), at_zero, moves=False)
        lost_at = 1500
        run = list(board.run(lost_at, stuck, samples=lost_at + 500))
        flagged = [n for n, (_, flags, _) in enumerate(run) if flags & FLAG_IMPLAUSIBLE]
        assert flagged and flagged[0] >= lost_at, stuck
        assert flagged[0] - lost_at <= 3 * plan.samples + plan.block_samples, stuck
        assert flagged == list(range(flagged[0], lost_at + 500)), stuck
        assert run[-1][0] <= max(run[lost_at - 1][0], plan.hold_scale), stuck


@pytest.mark.parametrize("kind", KINDS)
def test_ranges_hold_for_any_zero_within_the_clamp(kind: str) -> None:
    plan = plan_of(kind)
    low, high = plan.signal_range("zero")
    assert (low, high) == (plan.zero_code - 4, plan.zero_code + 4)
    assert plan.magnitude_max == max(high, plan.adc_max - low)
    assert plan.signal_range("magnitude")[1] == plan.magnitude_max


def test_a_healthy_board_is_told_from_a_stuck_one_at_any_zero_within_the_clamp() -> None:
    """The level from which on a sensor may count as stuck allows for twice the tolerance."""
    tracked = plan_of("shaped 9")
    weights, samples = KINDS["shaped 9"]
    plain = fixed_point(block_designs.blocks(weights, samples)).plan
    assert tracked.hold_reading >= plain.hold_reading


def test_a_zero_that_keeps_the_output_from_settling_was_to_be_tracked_for_ever() -> None:
    """Bug: the reading of a short window ripples beyond the band, so that it never counts as
    settled, and the zero was never tracked; the design relied on it all the same."""
    design = design_of("shaped 9")
    sensor = design.spec.sensor.model_copy(update={"zero_tolerance_codes": Fraction(12)})
    spec = design.spec.model_copy(update={"sensor": sensor})
    found = zero_tracking(spec, design.window)
    assert found is not None and not found.settles() and not found.helps
    assert zero_left_codes(spec, design.window) == 12
    assert tracking_of("shaped 9").settles()


def changed(spec: Spec, window: Window, hertz: Fraction) -> float:
    output = spec.output.model_copy(update={"frequency_tolerance_hz": hertz})
    return zero_left_codes(spec.model_copy(update={"output": output}), window)


def test_what_is_left_is_never_more_than_the_tolerance() -> None:
    design = design_of("shaped 9")
    assert changed(design.spec, design.window, Fraction(0)) < 1
    assert changed(design.spec, design.window, Fraction(10)) <= 4
