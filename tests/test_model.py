"""The reference model: its two paths agree, and its sine is a sine."""

from __future__ import annotations

import math

import numpy as np
import plan_cases
import pytest

from halfcycle.model import FIELDS, Regulator, drive_wave, run, target_of
from halfcycle.plan import (
    DRIVE_FULL,
    Plan,
)

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


def test_vectorised_path_equals_the_calls(plan: Plan) -> None:
    rng = np.random.default_rng(7)
    codes = rng.integers(0, 65536, 7 * plan.samples + plan.samples // 2).astype(np.uint16)
    by_call = Regulator(plan)
    expected: dict[str, list[int]] = {name: [] for name in FIELDS}
    for code in codes:
        if by_call.sample(int(code)):
            by_call.update()
        for name, value in by_call.fields().items():
            expected[name].append(value)
    by_run = Regulator(plan)
    chunks = list(run(by_run, codes, chunk_windows=3))
    assert len(chunks) == 3
    for name in FIELDS:
        got = np.concatenate([chunk[name] for chunk in chunks])
        np.testing.assert_array_equal(got, expected[name], err_msg=name)
    assert by_run.fields() == by_call.fields()


def test_vectorised_path_needs_a_window_start(plan: Plan) -> None:
    regulator = Regulator(plan)
    regulator.sample(0)
    with pytest.raises(ValueError, match="window's start"):
        next(run(regulator, np.zeros(3, dtype=np.uint16)))


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
