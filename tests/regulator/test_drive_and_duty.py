"""The waves of the C, at every phase: the drive, and the duty in counts of the PWM."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from numpy.typing import NDArray

from halfcycle.quantise import resolution
from halfcycle.quantise.signals import signal_table
from halfcycle.regulator.model import Regulator, drive_wave, duty_wave
from halfcycle.regulator.plan import DRIVE_FULL, SCALE_ONE, TURN, Plan, duty_crest
from halfcycle.verify import compare
from support import plan_cases

PHASES = np.arange(TURN, dtype=np.int64)
COUNTS = (16, 31, 1000, 1500, 4095, 8191, 8192, 16383, 16384, 32767)
"""Both ends of the range, and of each number of fraction bits that shifts differently."""
UNDOUBLED = {1500: False, 8191: False, 8192: True, 16384: True, 32767: True}


def of_counts(counts: int, **changes: object) -> Plan:
    bits = resolution.table_bits(counts)
    plan = plan_cases.make(
        table_bits=bits,
        table=resolution.drive_table(bits),
        pwm_counts=counts,
        duty_table=resolution.drive_table(bits, duty_crest(counts)),
        **changes,
    )
    return replace(plan, signals=signal_table(plan, 0.01, 0.22))


def scales(plan: Plan) -> list[int]:
    return [1, 333, 9_999, SCALE_ONE - 1, SCALE_ONE, SCALE_ONE + 1, plan.scale_max]


def ideal(scale: int) -> NDArray[np.float64]:
    """The clipped sine, 1 = bus: numpy's sine."""
    return np.clip(scale / SCALE_ONE * np.sin(2 * np.pi * PHASES / TURN), -1.0, 1.0)


@pytest.mark.parametrize("counts", COUNTS)
def test_the_duty_is_within_the_stated_bound_and_never_beyond_the_counts(counts: int) -> None:
    plan = of_counts(counts)
    bound, worst = resolution.duty_error(plan), 0.0
    for scale in scales(plan):
        duty = duty_wave(plan, scale, PHASES)
        worst = max(worst, float(np.abs(duty - counts * ideal(scale)).max()))
        assert np.abs(duty).max() <= counts
        assert (np.abs(duty).max() == counts) == (scale / SCALE_ONE >= 1 - 0.5 / counts)
    assert 0.8 * bound < worst <= bound, "and the bound is not idle"


@pytest.mark.parametrize("counts", COUNTS)
def test_the_halves_of_a_turn_are_each_others_negative(counts: int) -> None:
    """So a whole turn holds no DC and no even harmonic, whatever the rounding does."""
    plan = of_counts(counts)
    for scale in scales(plan):
        for wave in (duty_wave(plan, scale, PHASES), drive_wave(plan, scale, PHASES)):
            assert np.array_equal(wave[TURN // 2 :], -wave[: TURN // 2])


def test_the_drive_is_what_it_was_with_a_clamped_index_and_two_roundings() -> None:
    """The sine by its quarters, rounded, then times the scale, rounded: as plain fractions."""
    plan = of_counts(1500)
    half = Fraction(1, 2)
    table, scale = plan.table[:65], plan.scale_max - 1
    wave = drive_wave(plan, scale, PHASES)
    for phase in (*range(0, TURN, 97), *range(0x3F80, 0x4081), *range(0xBF80, 0xC081)):
        quarter = phase % 0x4000
        position = 0x4000 - quarter if phase & 0x4000 else quarter
        part = min(position // 256, 63)
        between = Fraction((table[part + 1] - table[part]) * (position - 256 * part), 256)
        sine = table[part] + (between + half).__floor__()
        level = min((Fraction(sine * scale, SCALE_ONE) + half).__floor__(), DRIVE_FULL)
        assert wave[phase] == (-level if phase & 0x8000 else level)


@pytest.mark.parametrize("counts", [1500, 8192, 32767])
def test_the_upper_half_of_the_product_rounds_as_all_of_it(counts: int) -> None:
    """The model cuts the product before it rounds, the vectorised form does not."""
    plan = of_counts(counts)
    regulator = Regulator(plan)
    for scale in scales(plan):
        regulator.out_scale = [0, scale]
        regulator.output_sequence = 1
        wave = duty_wave(plan, scale, PHASES)
        assert all(regulator.duty(phase) == wave[phase] for phase in range(0, TURN, 251))


@pytest.mark.parametrize(("counts", "doubled"), UNDOUBLED.items())
@pytest.mark.parametrize("limit", [SCALE_ONE, plan_cases.make().scale_max])
def test_each_way_to_shift_is_bit_exact_in_c(counts: int, doubled: bool, limit: int) -> None:
    plan = of_counts(counts, scale_max=limit, hold_scale=4000)
    assert plan.duty_doubled == doubled
    result = compare.verify(plan, plan_cases.render(plan), samples=1000, scenario="drive")
    assert result.mismatch is None and result.calls > 10 * TURN


@pytest.mark.parametrize("bits", range(3, 9))
def test_the_sine_is_within_its_stated_bound(bits: int) -> None:
    plan = plan_cases.make(table_bits=bits, table=resolution.drive_table(bits))
    worst = np.abs(drive_wave(plan, SCALE_ONE, PHASES) / DRIVE_FULL - ideal(SCALE_ONE)).max()
    assert 0.5 * resolution.table_error(bits) < worst <= resolution.table_error(bits)
