"""The reference model: its calls, and the sine of its drive."""

from __future__ import annotations

import math

import numpy as np
import pytest

from halfcycle.regulator.model import Regulator, drive_wave, target_of
from halfcycle.regulator.plan import DRIVE_FULL, FLAG_BROWNOUT, FLAG_LIMIT, Plan
from support import plan_cases

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
        for code in codes_for(plan, output, 1):
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
    regulator = Regulator(plan)
    close_loop(plan, regulator, 3, 1.0)
    before = regulator.fields()
    regulator.update()
    assert regulator.fields() == before


def test_targets_are_clamped_to_the_design_range(plan: Plan) -> None:
    assert target_of(plan, -(2**31)) == 0
    assert target_of(plan, 2**31 - 1) == target_of(plan, plan.target_max_mv) == plan.target_max


def test_a_negative_proportional_gain_hid_brownout() -> None:
    """Below the target the term kept the drive off its limit, so neither flag was ever set."""
    plan = plan_cases.CASES["mean negative proportional"]
    regulator = Regulator(plan)
    for _ in range(400):
        regulator.close_window(plan.target_rated // 2 << plan.reading_shift)
        regulator.update()
    assert regulator.integral == plan.drive_max
    assert regulator.flags() == FLAG_LIMIT | FLAG_BROWNOUT
    for _ in range(400):
        regulator.close_window((plan.target_rated + plan.band + 1) << plan.reading_shift)
        regulator.update()
    assert not regulator.flags() & (FLAG_LIMIT | FLAG_BROWNOUT)
