"""The reference model: its calls, and the sine of its drive."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from halfcycle.regulator.model import Regulator, drive_wave, target_of
from halfcycle.regulator.plan import DRIVE_FULL, FLAG_BROWNOUT, FLAG_LIMIT, Plan
from support import plan_cases
from support.started import started

VARIANTS = {
    "mean": plan_cases.make(),
    "ramped": plan_cases.make(**plan_cases.RAMPED),
    "wide rms": plan_cases.make(**plan_cases.ODD_WIDE_RMS),
    "integral only": plan_cases.make(proportional=0, proportional_shift=0),
    "exact products": plan_cases.make(
        proportional=300, proportional_shift=0, integral=700, integral_shift=0
    ),
}


@pytest.fixture(params=VARIANTS.values(), ids=VARIANTS.keys())
def plan(request: pytest.FixtureRequest) -> Plan:
    assert isinstance(request.param, Plan)
    return request.param


def codes_for(plan: Plan, volts_pu: float, windows: int, phase: float = 0.3) -> np.ndarray:
    """ADC codes of a sine whose reading is about ``volts_pu`` of rated."""
    ticks = np.arange(windows * plan.samples)
    wave = np.sin(math.pi * plan.half_cycles / plan.samples * ticks + phase)
    if plan.measure == "rms":
        root = plan.target_rated * math.sqrt(2.0**plan.reading_shift / plan.samples)
        peak = root * math.sqrt(2)
    else:
        peak = plan.target_rated * 2.0**plan.reading_shift / plan.samples * math.pi / 2
    codes = np.round(plan.zero_code + volts_pu * peak * wave)
    return np.clip(codes, 0, plan.adc_max).astype(np.uint16)


def close_loop(plan: Plan, regulator: Regulator, windows: int, gain: float) -> list[float]:
    """Output (of rated) window by window where the plant is ``gain`` and a delay."""
    outputs = []
    for _ in range(windows):
        output = gain * regulator.scale() / 16384
        turned = 0.3 + math.pi * plan.half_cycles * (regulator.window_sequence % 2)
        for code in codes_for(plan, output, 1, turned):
            regulator.sample(int(code))
        regulator.update()
        outputs.append(output)
    return outputs


def test_fields_load_back(plan: Plan) -> None:
    regulator, other = Regulator(plan), Regulator(plan)
    close_loop(plan, regulator, 5, 1.1)
    other.load(regulator.fields())
    assert other.fields() == regulator.fields()


def test_drive_is_the_clipped_sine(plan: Plan) -> None:
    """Against numpy's sine, within the table's chord error and the roundings."""
    phase = np.arange(65536)
    sine = np.sin(2 * np.pi * phase / 65536)
    chord = (math.pi / 2 / 2**plan.table_bits) ** 2 / 8 * DRIVE_FULL
    for scale in (0, 1, 8191, 16384, plan.scale_max):
        wanted = np.clip(sine * scale / 16384 * DRIVE_FULL, -DRIVE_FULL, DRIVE_FULL)
        error = np.abs(drive_wave(plan, scale, phase) - wanted).max()
        assert error <= (chord + 1.0) * scale / 16384 + 0.5
        assert error >= chord * scale / 16384 / 4, "the table's own error must be there to see"


def test_drive_is_odd_and_mirrored(plan: Plan) -> None:
    phase = np.arange(65536)
    wave = drive_wave(plan, 19000, phase)
    np.testing.assert_array_equal(wave, -drive_wave(plan, 19000, (phase + 32768) % 65536))
    np.testing.assert_array_equal(wave, drive_wave(plan, 19000, (32768 - phase) % 65536))


def test_an_update_without_a_window_changes_nothing(plan: Plan) -> None:
    regulator = started(plan)
    close_loop(plan, regulator, 3, 1.0)
    before = regulator.fields()
    regulator.update()
    assert regulator.fields() == before


def test_targets_are_clamped_to_the_design_range(plan: Plan) -> None:
    assert target_of(plan, -(2**31)) == 0
    assert target_of(plan, 2**31 - 1) == target_of(plan, plan.target_max_mv) == plan.target_max


NEGATIVE = {"weaker": -1450, "stronger": -8000}
"""Proportional constants, one below the integral one in size and one above it."""


@pytest.fixture(params=NEGATIVE.values(), ids=NEGATIVE.keys())
def negative(request: pytest.FixtureRequest) -> Plan:
    return plan_cases.make(proportional=request.param)


def halves(plan: Plan, reading: int) -> tuple[int, int]:
    """What of a window that reads so lies on either side of the zero."""
    total = reading << plan.reading_shift
    return total // 2, total - total // 2


def close_on_readings(plan: Plan, gains: list[float], noise: int = 0) -> list[tuple[int, int]]:
    """Reading and scale of each window, for a plant of one window's delay and these gains (output
    of rated at scale 1.0), with readings off by up to ``noise``."""
    regulator, chance = Regulator(plan), random.Random(1)
    regulator.set_target_mv(plan.rated_mv)
    rows = []
    for gain in gains:
        at = round(gain * regulator.scale() / 16384 * plan.target_rated)
        reading = min(max(at + chance.randint(-noise, noise), 0), plan.reading_max)
        regulator.close_window(*halves(plan, reading))
        regulator.update()
        rows.append((reading, regulator.scale()))
    return rows


def test_a_negative_proportional_gain_kept_brownout_short_of_the_drive_limit(
    negative: Plan,
) -> None:
    """The push was added to an integral that had reached its limit: 16,967 of 18,022 in one
    design, on a bus of 40 %."""
    rows = close_on_readings(negative, [1.0] * 60 + [0.4] * 60 + [1.0] * 90)
    assert {scale for _, scale in rows[90:120]} == {negative.scale_max}
    # It leaves the limit when the bus is back: at once, and for good.
    assert rows[121][1] < negative.scale_max
    assert all(abs(reading - negative.target_rated) <= negative.band for reading, _ in rows[-30:])


def test_a_negative_proportional_gain_raised_the_drive_with_the_reading(negative: Plan) -> None:
    """At the lower limit the drive was the push alone: the more, the higher the reading was above
    the target."""
    scales = []
    for reading in range(500, negative.reading_max, 500):
        regulator = started(negative)
        regulator.set_target_mv(10_000)
        regulator.out_scale = [700, 700]
        regulator.close_window(*halves(negative, reading))
        regulator.update()
        assert regulator.integral == 0
        scales.append(regulator.scale())
    assert set(scales) == {0}


@pytest.mark.parametrize("noise", [0, 6])
def test_the_drive_does_not_chatter_at_its_limit(negative: Plan, noise: int) -> None:
    """The drive steps to its limit as the integral reaches it: with a bus for which the drive that
    is needed lies at the limit, it moves no further than with one well inside."""

    def swing(needed: float) -> int:
        scales = [s for _, s in close_on_readings(negative, [16384 / needed] * 300, noise)[200:]]
        return max(scales) - min(scales)

    top = negative.scale_max
    inside = max(swing(top * share) for share in (0.8, 0.85, 0.9))
    shares = [1 + k / 1000 for k in range(-20, 21, 2)]
    assert max(swing(top * share) for share in shares) <= 1.3 * inside + 2


def test_a_negative_proportional_gain_hid_brownout() -> None:
    """Below the target the term kept the drive off its limit, so neither flag was ever set."""
    plan = plan_cases.CASES["mean negative proportional"]
    regulator = started(plan)
    for _ in range(400):
        regulator.close_with(plan.target_rated // 2 << plan.reading_shift)
        regulator.update()
    assert regulator.integral == plan.drive_max
    assert regulator.flags() == FLAG_LIMIT | FLAG_BROWNOUT
    for _ in range(400):
        regulator.close_with((plan.target_rated + plan.band + 1) << plan.reading_shift)
        regulator.update()
    assert not regulator.flags() & (FLAG_LIMIT | FLAG_BROWNOUT)
