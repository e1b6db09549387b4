"""States and arguments chosen to break the C: the ends of every derived range and each side of
every decision (rounding ties, squares, band, hold thresholds, drive limits, carries).

Each state lies inside the ranges that the generated header states, so any difference is a fault.
"""

from __future__ import annotations

import random
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator import arithmetic
from halfcycle.regulator.model import reading_of
from halfcycle.regulator.plan import ALL_FLAGS, CODE_MAX, SCALE_ONE, SEQUENCE_MASK, WORD_MASK, Plan
from halfcycle.regulator.state import FIELDS, fields_of
from halfcycle.regulator.trace import Ints

ALL_BELOW_MV = 1 << 20
"""Millivolts below which every target is tried: a thousandth of a second for a hundred thousand."""


def _pick(generator: random.Random, low: int, high: int, special: Sequence[int]) -> int:
    """A value of ``[low, high]``: one of ``special`` or its neighbours most often, or any."""
    # random() alone: randint and choice take three times as long, and this is called a lot.
    draw = generator.random()
    if special and draw < 0.8:
        value = special[int(draw / 0.8 * len(special))] + int(3 * generator.random()) - 1
    else:
        value = low + int((high + 1 - low) * generator.random())
    return arithmetic.saturate(value, low, high)


def total_max(plan: Plan, samples: int) -> int:
    """Greatest sum of ``samples`` samples."""
    return samples * plan.term_max


def window_total(plan: Plan, reading: int, generator: random.Random) -> int:
    """A window's sum at an edge of what rounds to ``reading``."""
    shift, top = plan.reading_shift, total_max(plan, plan.samples)
    if plan.measure == "rms":
        # Root to nearest: r up to r^2 + r inclusive, then r + 1; perfect squares on the way.
        square = reading * reading + generator.choice((0, reading))
        square += generator.randint(-1, 1)
        total = (max(square, 0) << shift) + generator.choice((0, (1 << shift) - 1))
    else:
        tie = arithmetic.half(shift) * generator.randint(-1, 1)
        total = (reading << shift) + tie + generator.randint(-1, 1)
    return arithmetic.saturate(total, 0, top)


def update_states(plan: Plan, generator: random.Random, count: int) -> Ints:
    """States to call update from, shape (count, len(FIELDS))."""
    return _rows(plan, generator, [_update_state(plan, generator) for _ in range(count)])


def _update_state(plan: Plan, generator: random.Random) -> dict[str, int]:
    edges = [0, plan.hold_reading, plan.target_rated, plan.target_rated - plan.band]
    reading = _pick(generator, 0, plan.reading_max, [*edges, plan.reading_max])
    totals = [window_total(plan, reading, generator) for _ in range(2)]
    state = _any_state(plan, generator)
    sequence = state["window_sequence"]
    elapsed = _pick(generator, 0, SEQUENCE_MASK, [1, 1, 1, 2, SEQUENCE_MASK])
    state["taken_sequence"] = (sequence - elapsed) & SEQUENCE_MASK
    for slot in (0, 1):
        state[f"window_sum_{slot}"] = totals[slot] & WORD_MASK
        state[f"window_high_{slot}"] = totals[slot] >> 32
    reading = reading_of(plan, totals[sequence & 1])
    near = [reading, reading + plan.band, reading - plan.band, 0, plan.target_max]
    target = _pick(generator, 0, plan.target_max, near)
    state[f"target_{state['target_slot']}"] = target
    if plan.ramped:
        goal = target << plan.ramp_bits
        top = plan.target_max << plan.ramp_bits
        state["ramp"] = _pick(generator, 0, top, [0, goal - plan.ramp_step, goal, top])
        target = min(state["ramp"] + plan.ramp_step, goal) >> plan.ramp_bits
    error = target - reading
    move = arithmetic.round_shift_signed(plan.integral * error, plan.integral_shift)
    push = arithmetic.round_shift_signed(plan.proportional * error, plan.proportional_shift)
    top = plan.drive_max
    limits = [0, top, top - move - push, -move - push, top - move, -move, top - push, -push]
    state["integral"] = _pick(generator, 0, top, [edge for edge in limits if 0 <= edge <= top])
    scale = state[f"scale_{state['output_slot']}"] << plan.scale_shift
    held = [state["integral"], state["integral"] - 1, min(scale, top), top]
    state["trusted"] = _pick(generator, 0, top, [edge for edge in held if edge >= 0])
    return state


def _any_state(plan: Plan, generator: random.Random) -> dict[str, int]:
    """Every field anywhere in its range, the ends and thresholds most often."""
    count = _pick(generator, 0, plan.samples - 1, [0, plan.samples - 1])
    top = total_max(plan, count)
    total = _pick(generator, 0, top, [0, top, *range(1 << 32, top + 1, 1 << 32)])
    sequence = _pick(generator, 0, SEQUENCE_MASK, [0, SEQUENCE_MASK])
    scales = [0, plan.hold_scale, plan.scale_max]
    state = {"sum": total & WORD_MASK, "sum_high": total >> 32, "count": count}
    state |= {"window_sequence": sequence, "taken_sequence": sequence}
    state["target_slot"], state["output_slot"] = generator.randint(0, 1), generator.randint(0, 1)
    for slot in (0, 1):
        state[f"target_{slot}"] = _pick(generator, 0, plan.target_max, [plan.target_rated])
        state[f"scale_{slot}"] = _pick(generator, 0, plan.scale_max, scales)
        state[f"reading_{slot}"] = _pick(generator, 0, plan.reading_max, [0, plan.reading_max])
        state[f"flags_{slot}"] = generator.randint(0, ALL_FLAGS)
    return state


_AT_REST = ("window_sum", "window_high", "integral", "trusted", "ramp")
"""Fields that no sample reads and that update's states set by themselves."""


def _rows(plan: Plan, generator: random.Random, states: list[dict[str, int]]) -> Ints:
    """The states as rows of FIELDS; a field that has no edges of its own here is drawn from its
    range, the ends most often."""
    for field in fields_of(plan):
        for name in field.elements:
            if field.name not in _AT_REST and name not in states[0]:
                low, high = field.bounds(plan)
                for state in states:
                    state[name] = _pick(generator, low, high, [low, high])
    return np.asarray([[state.get(name, 0) for name in FIELDS] for state in states], dtype=np.int64)


def sample_states(
    plan: Plan, generator: random.Random, count: int
) -> tuple[Ints, NDArray[np.uint16]]:
    """States to call sample from, shape (count, len(FIELDS)), and a code for each."""
    states = [_any_state(plan, generator) for _ in range(count)]
    edges = [0, plan.zero_code, plan.adc_max, CODE_MAX]
    codes = np.asarray([_pick(generator, 0, CODE_MAX, edges) for _ in states], dtype=np.uint16)
    return _rows(plan, generator, states), codes


def target_values(plan: Plan, generator: np.random.Generator, count: int) -> Ints:
    """Arguments of set_target_mv, any int32: all of the design range if that ends below
    ``ALL_BELOW_MV``, else ``count`` of it, and some beyond."""
    edges = [-(2**31), -(2**31) + 1, -1, 0, 1, 255, 256, 257, plan.rated_mv, 2**31 - 1]
    edges += [plan.target_max_mv - 1, plan.target_max_mv, plan.target_max_mv + 1]
    return np.concatenate(
        [
            np.asarray(edges, dtype=np.int64),
            np.arange(plan.target_max_mv + 1)
            if plan.target_max_mv < ALL_BELOW_MV
            else generator.integers(0, plan.target_max_mv + 1, count),
            generator.integers(-(2**31), 2**31, count // 8),
        ]
    )


def readings(plan: Plan, generator: np.random.Generator, count: int) -> Ints:
    """Readings for rms_mv: all of them if they are few, else both ends and ``count`` more."""
    if plan.reading_max < 70_000:
        return np.arange(plan.reading_max + 1)
    ends = np.arange(512)
    between = generator.integers(0, plan.reading_max + 1, count)
    return np.concatenate([ends, plan.reading_max - ends, between])


def drive_scales(plan: Plan, generator: np.random.Generator, count: int) -> list[int]:
    """Amplitude scales whose whole turn is compared: the ends, 1.0 and ``count`` others."""
    edges = [0, 1, SCALE_ONE - 1, SCALE_ONE, SCALE_ONE + 1, plan.scale_max - 1, plan.scale_max]
    between: list[int] = generator.integers(0, plan.scale_max + 1, count).tolist()
    return [scale for scale in edges if 0 <= scale <= plan.scale_max] + between
