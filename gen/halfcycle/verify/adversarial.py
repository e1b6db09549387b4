"""States and arguments chosen to break the C: the ends of every derived range and each side of
every decision (rounding ties, squares, band, hold thresholds, drive limits, carries).

Each state lies inside the ranges that the generated header states, so any difference is a fault.
"""

from __future__ import annotations

import functools
import random
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator import arithmetic
from halfcycle.regulator.model import reading_of
from halfcycle.regulator.plan import (
    ALL_FLAGS,
    CODE_MAX,
    SCALE_ONE,
    SEQUENCE_MASK,
    TURN,
    WORD_MASK,
    Plan,
)
from halfcycle.regulator.state import FIELDS, fields_of
from halfcycle.regulator.trace import Ints

HELD_SHARE = 0.1
"""Of update's states: those that hold the drive, at a tie of the held value."""
STEADY_TURNS = 6
"""Turns of drive at one scale drawn from its range, besides those at its ends."""
CHANGING_TURNS = 4
CALLS_PER_CHANGE = 64
"""Calls of drive from one change of the outputs to the next, on average."""
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
    is_held = generator.random() < HELD_SHARE
    edges = [0, plan.hold_reading, plan.target_rated, plan.target_rated - plan.band]
    reading = _pick(generator, 0, plan.reading_max, [*edges, plan.reading_max])
    if is_held:
        reading = _pick(generator, 0, max(0, min(plan.hold_reading - 1, plan.reading_max)), [])
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
    near += [reading + error for error in _error_ties(plan, generator)]
    if is_held:
        near = [plan.target_max, reading + 1]
    target = _pick(generator, 0, plan.target_max, near)
    state[f"target_{state['target_slot']}"] = target
    if plan.ramped:
        goal = target << plan.ramp_bits
        top = plan.target_max << plan.ramp_bits
        state["ramp"] = _pick(generator, 0, top, [0, goal - plan.ramp_step, goal, top])
        target = min(state["ramp"] + plan.ramp_step, goal) >> plan.ramp_bits
    error = target - reading
    now = f"scale_{state['output_slot']}"
    if is_held:
        state[now] = _pick(generator, min(plan.hold_scale, plan.scale_max), plan.scale_max, [])
    state |= _drive_state(plan, generator, error, state[now], is_held)
    return state


def _drive_state(
    plan: Plan, generator: random.Random, error: int, scale: int, is_held: bool
) -> dict[str, int]:
    """Integral and trusted value of a state whose next error and present scale are known."""
    move = arithmetic.round_shift_signed(plan.integral * error, plan.integral_shift)
    push = arithmetic.round_shift_signed(plan.proportional * error, plan.proportional_shift)
    top = plan.drive_max
    below = plan.scale_max if not is_held else max(1, min(scale, plan.scale_max))
    tie = (int(below * generator.random()) << plan.scale_shift) + arithmetic.half(plan.scale_shift)
    if is_held:
        # The least of the two, as a scale, is half way between two and below the one in force.
        pair = [tie, min(top, tie + int((top - tie) * generator.random()))]
        generator.shuffle(pair)
        return {"integral": pair[0], "trusted": pair[1]}
    limits = [0, top, top - move - push, -move - push, top - move, -move, top - push, -push]
    limits += [tie - move - push] * 3
    fits = [edge for edge in limits if 0 <= edge <= top]
    integral = _pick(generator, 0, top, fits)
    held = [integral, max(integral - 1, 0), min(scale << plan.scale_shift, top), top]
    return {"integral": integral, "trusted": _pick(generator, 0, top, held)}


def _error_ties(plan: Plan, generator: random.Random) -> list[int]:
    """An error of either sign for each gain whose product is half way between two, if any is."""
    found = []
    for gain, shift in (
        (plan.integral, plan.integral_shift),
        (plan.proportional, plan.proportional_shift),
    ):
        ties = _ties(gain, shift, max(plan.reading_max, plan.target_max))
        if ties:
            error = ties[int(len(ties) * generator.random())]
            found += [error, -error]
    return found


@functools.lru_cache(maxsize=16)
def _ties(gain: int, shift: int, top: int) -> tuple[int, ...]:
    """Every number of [0, ``top``] whose product with ``gain`` is half way between two multiples of
    2^``shift``."""
    if not shift:
        return ()
    products = np.arange(top + 1, dtype=np.int64) * gain
    rest = products & ((1 << shift) - 1)
    return tuple(np.flatnonzero(rest == arithmetic.half(shift)).tolist())


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


def drive_turns(
    plan: Plan, generator: np.random.Generator
) -> Iterator[tuple[NDArray[np.int16], NDArray[np.uint8], NDArray[np.uint16]]]:
    """Calls of drive, ``TURN`` of them at a time: scales of both slots, slot in use, phase.

    Whole turns at one scale, each end of its range, 1.0 and others, in one slot and the other by
    turns, with another scale in the slot that is not in use. Then turns in which scale and slot
    change at any phase, forwards and backwards, and last any phase at any scale.
    """
    every_phase = np.arange(TURN, dtype=np.uint16)
    for turn, scale in enumerate(drive_scales(plan, generator, STEADY_TURNS)):
        scales = generator.integers(0, plan.scale_max + 1, (2, 1), dtype=np.int16)
        slot = turn % 2
        scales[slot] = scale
        yield (
            np.repeat(scales, TURN, axis=1),
            np.full(TURN, slot, dtype=np.uint8),
            every_phase,
        )
    for turn in range(CHANGING_TURNS):
        changes = generator.random(TURN) < 1 / CALLS_PER_CHANGE
        piece = np.cumsum(changes)
        drawn = generator.integers(0, plan.scale_max + 1, (2, piece[-1] + 1), dtype=np.int16)
        slots = (piece + turn) % 2
        yield drawn[:, piece], slots.astype(np.uint8), every_phase[:: 1 if turn % 2 else -1]
    yield (
        generator.integers(0, plan.scale_max + 1, (2, TURN), dtype=np.int16),
        generator.integers(0, 2, TURN, dtype=np.uint8),
        generator.integers(0, TURN, TURN, dtype=np.uint16),
    )


def drive_scales(plan: Plan, generator: np.random.Generator, count: int) -> list[int]:
    """Amplitude scales whose whole turn is compared: the ends, 1.0 and ``count`` others."""
    edges = [0, 1, SCALE_ONE - 1, SCALE_ONE, SCALE_ONE + 1, plan.scale_max - 1, plan.scale_max]
    between: list[int] = generator.integers(0, plan.scale_max + 1, count).tolist()
    return [scale for scale in edges if 0 <= scale <= plan.scale_max] + between
