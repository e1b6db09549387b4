"""States and arguments chosen to break the C: the ends of every derived range and each side of
every decision (rounding ties, squares, band, hold thresholds, drive limits, carries).

Each state lies inside the ranges that the generated header states, so any difference is a fault.
"""

from __future__ import annotations

import functools
import math
import random
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator import arithmetic
from halfcycle.regulator.bus_plan import BUS_ONE, BusPlan
from halfcycle.regulator.model import reading_of
from halfcycle.regulator.plan import (
    CODE_MAX,
    FLAG_IMPLAUSIBLE,
    FLAG_IN_BAND,
    FLAG_SETTLED,
    SCALE_ONE,
    SEQUENCE_MASK,
    TURN,
    WORD_MASK,
    Plan,
    Turning,
)
from halfcycle.regulator.state import field_names, fields_of, least_slots
from halfcycle.regulator.trace import Ints, scale_by
from halfcycle.regulator.turn import TURN_STATE, Turn
from halfcycle.verify import law_states

STUCK_SHARE = 0.2
"""Of update's states: those whose newest block lies on one side of the zero."""
HELD_SHARE = 0.1
"""Of update's states: those that hold the drive, at a tie of the held value."""
LIMIT_SHARE = 0.3
"""Of update's states whose span can end at the least sum that leans: those that do."""
LIMITED_SHARE = 0.2
"""Of update's states: those in whose newest block a limiter acted."""
FAILED_SHARE = 0.2
"""Of update's states: those after an update that found the sensor failed."""
TINY_SHARE = 0.04
"""Of update's states: those whose windows add up to next to nothing, so that the least leans."""
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
    """A window's weighted sum at an edge of what rounds to ``reading``."""
    shift, top = plan.reading_shift, plan.total_max
    if plan.measure == "rms":
        # Root to nearest: r up to r^2 + r inclusive, then r + 1; perfect squares on the way.
        square = reading * reading + generator.choice((0, reading))
        square += generator.randint(-1, 1)
        total = (max(square, 0) << shift) + generator.choice((0, (1 << shift) - 1))
    else:
        tie = arithmetic.half(shift) * generator.randint(-1, 1)
        total = (reading << shift) + tie + generator.randint(-1, 1)
    return arithmetic.saturate(total, 0, top)


def block_sums(plan: Plan, total: int, generator: random.Random) -> list[int]:
    """Sums of the blocks of a window, the newest first, whose weighted sum is ``total`` if there
    is such a window, else nearly."""
    if not plan.blockwise:
        return [total]
    weights, top = plan.block_weights, plan.block_max
    even = total // sum(weights)
    spread = min(even, top - even)
    blocks = [even + round(spread * generator.uniform(-1, 1)) for _ in weights]
    least = min(range(len(weights)), key=weights.__getitem__)
    rest = total - sum(w * s for w, s in zip(weights, blocks, strict=True))
    for at in sorted(range(len(weights)), key=weights.__getitem__, reverse=True):
        filled = arithmetic.saturate(blocks[at] + rest // weights[at], 0, top)
        rest -= weights[at] * (filled - blocks[at])
        blocks[at] = filled
    # What the least weight leaves over: one of the others takes a few steps and so alters the rest.
    for at, weight in enumerate(weights):
        shared = math.gcd(weight, weights[least])
        if at == least or rest % shared:
            continue
        # Steps that leave a multiple of the least weight.
        apart = weights[least] // shared
        first = rest // shared * pow(weight // shared, -1, apart) % apart
        for step in range(first, weights[least], apart):
            moved = (blocks[at] + step, blocks[least] + (rest - step * weight) // weights[least])
            if min(moved) >= 0 and max(moved) <= top:
                blocks[at], blocks[least] = moved
                return blocks
    return blocks


def split_sums(plan: Plan, total: int, generator: random.Random) -> tuple[int, int]:
    """A block's sum in two: of its codes at or above the zero and of those below it. All on one
    side, or an eighth of that on the other, most often: a stuck sensor is told by it."""
    edges = [0, total, total // 9, total - total // 9, total // 2]
    above = _pick(generator, 0, total, edges)
    # Next to a multiple of 8, where the eighth changes.
    if generator.random() < 0.3:
        greater = total - total // 9
        above = greater if generator.random() < 0.5 else total - greater
    return above, total - above


def handed_over(blocks: Sequence[int], sides: Sequence[tuple[int, int]] = ()) -> dict[str, int]:
    """The fields that hold these sums, the newest first: it in both slots, the others in the
    ring. ``sides``: the newest at or above the zero and below it, by slot; else half each."""
    newest = blocks[0]
    values: dict[str, int] = {}
    for slot, (above, below) in enumerate(sides or [(newest - newest // 2, newest // 2)] * 2):
        for side, total in (("above", above), ("below", below)):
            values[f"window_{side}_{slot}"] = total & WORD_MASK
            values[f"window_{side}_high_{slot}"] = total >> 32
    for slot, total in enumerate(blocks[1:]):
        values |= {f"ring_{slot}": total & WORD_MASK, f"ring_high_{slot}": total >> 32}
    return values


def update_states(plan: Plan, generator: random.Random, count: int) -> Ints:
    """States to call update from, shape (count, fields)."""
    return _rows(plan, generator, [_update_state(plan, generator) for _ in range(count)])


def _held_scale(plan: Plan, generator: random.Random) -> int:
    """A scale at which the drive is held: the least of them or any."""
    low = min(plan.hold_scale, plan.scale_top)
    return low if generator.random() < 0.2 else generator.randint(low, plan.scale_top)


def _two_windows(plan: Plan, reading: int, generator: random.Random) -> list[list[int]]:
    """The sums of the blocks of two windows, at edges of ``reading`` or next to nothing."""
    is_tiny = generator.random() < TINY_SHARE
    totals = [
        generator.randint(0, 3) if is_tiny else window_total(plan, reading, generator)
        for _ in range(2)
    ]
    return [block_sums(plan, total, generator) for total in totals]


def _update_state(plan: Plan, generator: random.Random) -> dict[str, int]:
    is_held = generator.random() < HELD_SHARE
    is_stuck = not is_held and generator.random() < STUCK_SHARE
    edges = [0, plan.hold_reading, plan.target_rated, plan.target_rated - plan.band]
    reading = _pick(generator, 0, plan.reading_max, [*edges, plan.reading_max])
    if is_held:
        reading = _pick(generator, 0, max(0, min(plan.hold_reading - 1, plan.reading_max)), [])
    windows = _two_windows(plan, reading, generator)
    state = _any_state(plan, generator)
    failed = _after_failure(state, generator)
    sequence = state["window_sequence"]
    limited = _after_limiter(plan, generator, state, is_held)
    elapsed = _pick(generator, 0, SEQUENCE_MASK, [1, 1, 1, 2, SEQUENCE_MASK])
    state["taken_sequence"] = (sequence - elapsed) & SEQUENCE_MASK
    blocks = windows[sequence & 1]
    sides = [split_sums(plan, window[0], generator) for window in windows]
    if is_stuck:
        whole = [(window[0], 0) for window in windows]
        sides = whole if generator.random() < 0.5 else [one[::-1] for one in whole]
        state["taken_sequence"] = (sequence - generator.choice((1, 1, 1, 2))) & SEQUENCE_MASK
    state |= handed_over(blocks, sides) | _lean_state(plan, generator, sides[sequence & 1])
    if plan.blockwise:
        state |= _step_state(plan, generator, state, is_held)
    weighted = sum(w * s for w, s in zip(plan.block_weights, blocks, strict=True))
    reading = reading_of(plan, weighted)
    near = [reading, reading + plan.band, reading - plan.band, 0, plan.target_max]
    near += [reading + error for error in (*[0, 0] * plan.blockwise, *_error_ties(plan, generator))]
    if is_held:
        near = [plan.target_max, reading + 1]
    target = _pick(generator, 0, plan.target_max, near)
    state[f"target_{state['target_sequence'] & 1}"] = target
    if plan.ramped:
        goal = target << plan.ramp_bits
        top = plan.target_max << plan.ramp_bits
        state["ramp"] = _pick(generator, 0, top, [0, goal - plan.ramp_step, goal, top])
        step = 0 if failed or limited else plan.ramp_step
        target = min(state["ramp"] + step, goal) >> plan.ramp_bits
    now = f"scale_{state['output_sequence'] & 1}"
    if is_held:
        state[now] = _held_scale(plan, generator)
    state |= _least_state(plan, generator, state[now], target)
    bus, limit = _bus_state(plan, generator, sequence & 1, is_held)
    top = min(limit, state[now] << plan.scale_shift) if limited or is_held else limit
    state |= bus | (
        law_states.drive_state(plan, generator, state, target - reading, top)
        if plan.law
        else _drive_state(plan, generator, target - reading, top, is_held)
    )
    state |= _zero_state(plan, generator, sides[sequence & 1], reading)
    if is_stuck:
        state |= _enough_state(plan, state, now) | _floor_state(plan, state)
    return state


def _step_state(
    plan: Plan, generator: random.Random, state: Mapping[str, int], is_held: bool
) -> dict[str, int]:
    """When the next PI step of blocks is due. Mostly it is, and follows the last one: what is
    decided there has the most sides."""
    step: dict[str, int] = {}
    if generator.random() < 0.5:
        step["taken_sequence"] = (state["window_sequence"] - 1) & SEQUENCE_MASK
    due = is_held or generator.random() < 0.8
    driven = is_held or generator.random() < 0.7
    step["blocks_due"] = 1 if due else generator.randint(1, plan.blocks)
    if plan.updates > 1:
        step["undriven"] = 0 if driven else generator.randint(0, plan.updates)
    return step


def _floor_state(plan: Plan, state: Mapping[str, int]) -> dict[str, int]:
    """One-sided sums that read the most that a lost sensor reads, next to it, with drives below
    the one at which such a reading counts; of every fourth state."""
    if plan.latched or state["integral"] % 4:
        return {}
    # Draws of its own: those of the states to come stay as they are.
    generator = random.Random(state["integral"])
    reading = max(0, plan.hold_reading - generator.randint(0, 1))
    blocks = block_sums(plan, window_total(plan, reading, generator), generator)
    side = (blocks[0], 0) if generator.random() < 0.5 else (0, blocks[0])
    aimed = handed_over(blocks, [side, side]) | _lean_state(plan, generator, side)
    top = min(plan.hold_scale, plan.scale_top)
    least = generator.choice((max(0, top - 1), generator.randint(0, top)))
    return aimed | {f"least_{slot}": least for slot in range(least_slots(plan))}


def _enough_state(plan: Plan, state: dict[str, int], scale: str) -> dict[str, int]:
    """A target whose greatest drive after a failure moves with the last place of its gain, and
    drives above that; of every second state, if there is such a target. ``scale``: the element in
    force."""
    targets = _moved_by_one(plan.enough_gain, plan.enough_shift, plan.target_max)
    if not targets or plan.latched or not state[scale] & 1:
        return {}
    target = targets[state["integral"] % len(targets)]
    aimed = {f"least_{slot}": plan.scale_top for slot in range(least_slots(plan))}
    aimed |= {scale: plan.scale_top, f"target_{state['target_sequence'] & 1}": target}
    if plan.ramped:
        aimed["ramp"] = target << plan.ramp_bits
    return aimed


@functools.lru_cache(maxsize=16)
def _moved_by_one(gain: int, shift: int, top: int) -> tuple[int, ...]:
    """Every number of [0, ``top``] that a ``gain`` greater or less by one scales otherwise."""
    numbers = np.arange(top + 1, dtype=np.int64)
    less, here, more = (scale_by(numbers, by, shift) for by in (gain - 1, gain, gain + 1))
    return tuple(numbers[(less != here) | (more != here)].tolist())


def _least_state(plan: Plan, generator: random.Random, scale: int, target: int) -> dict[str, int]:
    """The least drives: often the ``scale`` in force, or where another one is the lesser."""
    enough = arithmetic.scale_by(target, plan.enough_gain, plan.enough_shift)
    beside = [min(plan.scale_top, max(0, enough + off)) for off in (-1, 0, 1)]
    near = [scale, plan.hold_scale, plan.scale_top, 0, *beside]
    return {
        f"least_{slot}": _pick(generator, 0, plan.scale_top, near)
        for slot in range(least_slots(plan))
    }


def _after_failure(state: dict[str, int], generator: random.Random) -> bool:
    """Decide whether the last update found the sensor failed, and say so in the state's flags."""
    failed = generator.random() < FAILED_SHARE
    flags = f"flags_{state['output_sequence'] & 1}"
    state[flags] = state[flags] & ~FLAG_IMPLAUSIBLE | FLAG_IMPLAUSIBLE * failed
    return failed


def _after_limiter(
    plan: Plan, generator: random.Random, state: dict[str, int], never: bool
) -> bool:
    """Decide whether a limiter acted in the window that the newest block ends, and say so in the
    state; ``never``: not in that block."""
    limited = not never and generator.random() < LIMITED_SHARE
    newest = state["window_sequence"] & 1
    state |= {f"window_held_{slot}": int(limited == (slot == newest)) for slot in (0, 1)}
    if plan.blockwise:
        often = (0, 0, 0, 0, 1, 1, min(2, plan.blocks), plan.blocks)
        state["held_due"] = 0 if never else often[int(len(often) * generator.random())]
        limited = limited or state["held_due"] > 1
    return limited


def _zero_state(
    plan: Plan, generator: random.Random, newest: tuple[int, int], reading: int
) -> dict[str, int]:
    """What is known of the tracked zero: often so that this block ends its cycles, with a step to
    where another code is taken or beside it, or to the ends of the clamp."""
    tracking = plan.tracking
    if tracking is None:
        return {}
    bits, hold = tracking.bits, tracking.hold
    code = _pick(generator, -tracking.clamp, tracking.clamp, [-tracking.clamp, 0, tracking.clamp])
    part = _pick(generator, -hold, hold, [-hold, 0, hold])
    slot = generator.randint(0, 1)
    due = 1 if generator.random() < 0.7 else generator.randint(1, tracking.blocks)
    at = code << bits
    beyond = tracking.limit + 1
    edges = [at + hold, at + hold + 1, at - hold, at - hold - 1, beyond, -beyond]
    there = _pick(generator, -beyond, beyond, edges)
    per_code = tracking.slope
    if plan.measure == "rms":
        per_code = arithmetic.round_shift(reading * tracking.slope, tracking.slope_shift)
    known = arithmetic.round_shift_signed(per_code * part, bits)
    lean = known + (there - at - part << tracking.step_shift)
    lean -= (newest[0] >> tracking.shift) - (newest[1] >> tracking.shift)
    most = (tracking.blocks - due) * (plan.block_max >> tracking.shift)
    state = {
        f"zero_{slot}": plan.zero_code + code,
        f"zero_{1 - slot}": plan.zero_code - code,
        "zero_slot": slot,
        "zero_part": part,
        "zero_due": due,
        "zero_lean": arithmetic.saturate(lean, -most, most),
    }
    if generator.random() < 0.6:
        settled = FLAG_IN_BAND | FLAG_SETTLED
        state |= {"flags_0": settled, "flags_1": settled}
        if plan.updates > 1:
            state["unsettled"] = 0
    elif plan.updates > 1:
        state["unsettled"] = generator.randint(0, plan.updates)
    return state


def _lean_state(plan: Plan, generator: random.Random, newest: tuple[int, int]) -> dict[str, int]:
    """The span up to the newest block and how the one before leaned: often as this one will."""
    above, below = (total >> plan.lean_shift for total in newest)
    state: dict[str, int] = {}
    if plan.blockwise:
        due = 1 if generator.random() < 0.6 else generator.randint(1, plan.span_blocks)
        room = (plan.span_blocks - due) * (plan.block_max >> plan.lean_shift)
        taken = int(room * generator.random())
        # On the side of the newest one, so that the whole span leans.
        sides = split_sums(plan, taken, generator)
        if generator.random() < 0.7:
            sides = (taken, 0) if above > below else (0, taken)
        # At and beside the least sum that leans.
        rest = plan.lean_limit - max(above, below) - generator.randint(0, 1)
        if 0 <= rest <= room and generator.random() < LIMIT_SHARE:
            sides = (rest, 0) if above > below else (0, rest)
        state = {"span_due": due, "stuck": generator.randint(0, 1)}
        state |= zip(("span_above", "span_below"), sides, strict=True)
        above, below = above + sides[0], below + sides[1]
    now = arithmetic.lean(above, below, plan.lean_limit)
    top = plan.lean_max
    size, sign = abs(now), -1 if now < 0 else 1
    # At and beside half as much and twice as much, where two spans lean alike no more.
    edges = [size >> 1, (size >> 1) + 1, 2 * size - 1, 2 * size]
    near = [0, now, -now, *(sign * edge for edge in edges)]
    exact = generator.choice(near) if generator.random() < 0.6 else _pick(generator, -top, top, [])
    state["lean"] = arithmetic.saturate(exact, -top, top)
    return state


def _drive_state(
    plan: Plan,
    generator: random.Random,
    error: int,
    top: int,
    is_held: bool,
) -> dict[str, int]:
    """The integral of a state whose next error is known, and the ``top`` at which the drive ends:
    the one in force if a limiter acted or if it ``is_held``."""
    move = arithmetic.round_shift_signed(plan.integral * error, plan.integral_shift)
    push = arithmetic.round_shift_signed(plan.proportional * error, plan.proportional_shift)
    if error - plan.band in (0, 1) and generator.random() < 0.3:
        return {"integral": top}  # The limit is reached at the edge of the band.
    tie = (int(plan.scale_top * generator.random()) << plan.scale_shift) + arithmetic.half(
        plan.scale_shift
    )
    limits = [0, top, top - move - push, -move - push, top - move, -move, top - push, -push]
    limits += [tie - move - push] * 3
    if is_held:
        limits = [top, plan.hold_scale << plan.scale_shift]
    fits = [edge for edge in limits if 0 <= edge <= top]
    return {"integral": _pick(generator, 0, plan.drive_max, fits)}


def _bus_state(
    plan: Plan, generator: random.Random, newest: int, is_held: bool
) -> tuple[dict[str, int], int]:
    """What the samples have of a measured bus, and the limit of the drive that follows: of any mean
    of the bus, its ends and the nominal most often. ``is_held``: at its greatest."""
    bus = plan.bus
    if bus is None:
        return {}, plan.drive_max
    most = plan.block_samples * bus.ratio_high
    edges = [most, plan.block_samples * BUS_ONE, 0]
    total = most if is_held else _pick(generator, 0, most, edges)
    state = {f"window_bus_{slot}": total if slot == newest else most - total for slot in (0, 1)}
    state |= {f"window_lost_{slot}": generator.randint(0, bus.unread) for slot in (0, 1)}
    if plan.blockwise:
        state["bus_mean"] = total if is_held else _pick(generator, 0, most, [*edges, total])
        total = arithmetic.towards(state["bus_mean"], total, bus.mean_shift)
    limit = arithmetic.scale_by(total, bus.limit_gain, bus.limit_shift)
    return state, limit << plan.scale_shift


def bus_states(
    plan: Plan, bus: BusPlan, generator: random.Random, count: int
) -> tuple[Ints, NDArray[np.uint16]]:
    """States to call bus from, shape (count, fields), and a code for each: what reads and what
    does not, factors at rest with it or beside it, led or not, in the same block or a new one,
    after blocks with calls or without."""
    nominal = bus.nominal_code
    edges = [bus.read_low, bus.read_high, bus.high_code, nominal, 0, CODE_MAX]
    codes = [_pick(generator, 0, CODE_MAX, edges) for _ in range(count)]
    for at in range(0, count, 2):
        codes[at] = _pick(generator, bus.read_low, bus.read_high, [nominal])
    states = []
    for code in codes:
        state = _any_state(plan, generator)
        sequence = state["window_sequence"]
        state["bus_block"] = (sequence - (generator.random() < 0.5)) & SEQUENCE_MASK
        state["bus_led"] = _pick(generator, 0, bus.led, [0, bus.led - 1, bus.led])
        state["factor_sequence"] = _pick(generator, 0, SEQUENCE_MASK, [0, SEQUENCE_MASK])
        state["bus_news"] = generator.randint(0, 3)
        for slot in (0, 1):
            state[f"bus_seen_{slot}"] = generator.randint(0, 1)
            state[f"window_lost_{slot}"] = generator.choice(
                (0, 1, bus.unread - 1, *[bus.unread] * 2)
            )
        measured = min(max(code - bus.zero_code, 1), bus.high_code - bus.zero_code)
        ratio = arithmetic.bus_ratio(measured, bus.ratio_gain, bus.ratio_shift)
        there = BUS_ONE * BUS_ONE // max(ratio, 1)
        beside = [there, there + bus.join, there - bus.join, BUS_ONE, BUS_ONE + bus.lead]
        beside += [bus.factor_low, bus.factor_high, BUS_ONE - bus.lead]
        factors = [_pick(generator, bus.factor_low, bus.factor_high, beside) for _ in range(2)]
        state |= {f"factor_{slot}": factor for slot, factor in enumerate(factors)}
        states.append(state)
    return _rows(plan, generator, states), np.asarray(codes, dtype=np.uint16)


class DriveFactors(NamedTuple):
    """The factors of a measured bus at each call of drive."""

    slots: NDArray[np.uint16]
    """What both slots hold, shape (2, calls)."""
    sequences: NDArray[np.uint8]
    """Their lowest bit is the slot in use, shape (calls,)."""

    def in_use(self) -> Ints:
        slots = self.sequences % 2
        return self.slots[slots, np.arange(len(slots))].astype(np.int64)


def drive_factors(bus: BusPlan, generator: np.random.Generator, count: int) -> DriveFactors:
    """Factors of both slots and which of them is in use, whatever slot the outputs use, the same
    for whole stretches of calls at a time."""
    ends = [bus.factor_low, BUS_ONE, bus.factor_high, BUS_ONE - 1, BUS_ONE + 1]
    drawn = generator.integers(bus.factor_low, bus.factor_high + 1, (2, count))
    drawn = np.where(generator.random((2, count)) < 0.3, generator.choice(ends, (2, count)), drawn)
    sequences = generator.integers(0, 256, count)
    piece = np.arange(count) // CALLS_PER_CHANGE
    return DriveFactors(drawn[:, piece].astype(np.uint16), sequences[piece].astype(np.uint8))


def _error_ties(plan: Plan, generator: random.Random) -> list[int]:
    """An error of either sign for each gain whose product is half way between two, if any is."""
    if plan.law:
        return []
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
    count = _pick(generator, 0, plan.block_samples - 1, [0, plan.block_samples - 1])
    top = total_max(plan, count)
    total = _pick(generator, 0, top, [0, top, *range(1 << 32, top + 1, 1 << 32)])
    above = _pick(generator, 0, total, [0, total, *range(1 << 32, total + 1, 1 << 32)])
    sequence = _pick(generator, 0, SEQUENCE_MASK, [0, SEQUENCE_MASK])
    scales = [0, plan.hold_scale, plan.scale_top]
    state = {"count": count}
    for side, of_side in (("above", above), ("below", total - above)):
        state |= {side: of_side & WORD_MASK, f"{side}_high": of_side >> 32}
    state["window_sequence"] = sequence
    if plan.bus:
        state["bus_sum"] = _pick(generator, 0, count * plan.bus.ratio_high, [0])
        state["factor_sequence"] = _pick(generator, 0, SEQUENCE_MASK, [0, SEQUENCE_MASK])
        state["bus_news"] = generator.randint(0, 3)
        for slot in (0, 1):
            state[f"bus_seen_{slot}"] = generator.randint(0, 1)
            state[f"window_lost_{slot}"] = generator.randint(0, plan.bus.unread)
    # Most often none is left; or the next one would make 256 of them.
    elapsed = (-1, 0, 1, 2) if plan.blockwise else (0, 0, 0, -1, 1, 2)
    state["taken_sequence"] = (sequence + generator.choice(elapsed)) & SEQUENCE_MASK
    for field in ("target_sequence", "output_sequence"):
        state[field] = _pick(generator, 0, SEQUENCE_MASK, [0, SEQUENCE_MASK])
    for slot in (0, 1):
        state[f"target_{slot}"] = _pick(generator, 0, plan.target_max, [plan.target_rated])
        state[f"scale_{slot}"] = _pick(generator, 0, plan.scale_top, scales)
        state[f"reading_{slot}"] = _pick(generator, 0, plan.reading_max, [0, plan.reading_max])
        state[f"flags_{slot}"] = generator.randint(0, plan.all_flags)
    return state


_AT_REST = (
    *("window_above", "window_above_high", "window_below", "window_below_high"),
    *("integral", "least", "lean", "span_above", "span_below", "ramp"),
)
"""Fields that no sample reads and that update's states set by themselves."""


def _rows(plan: Plan, generator: random.Random, states: list[dict[str, int]]) -> Ints:
    """The states as rows of numbers; a field that has no edges of its own here is drawn from its
    range, the ends most often."""
    for field in fields_of(plan):
        for name in field.elements(plan):
            if field.name not in _AT_REST and name not in states[0]:
                low, high = field.bounds(plan)
                for state in states:
                    state[name] = _pick(generator, low, high, [low, high])
    names = field_names(plan)
    return np.asarray([[state.get(name, 0) for name in names] for state in states], dtype=np.int64)


def sample_states(
    plan: Plan, generator: random.Random, count: int
) -> tuple[Ints, NDArray[np.uint16]]:
    """States to call sample from, shape (count, fields), and a code for each."""
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
    """Calls of drive, ``TURN`` of them at a time: scales of both slots, sequence, phase.

    Whole turns at one scale, each end of its range, 1.0 and others, in one slot and the other by
    turns, with another scale in the slot that is not in use. Then turns in which scale and slot
    change at any phase, forwards and backwards, and last any phase at any scale.
    """
    every_phase = np.arange(TURN, dtype=np.uint16)
    for turn, scale in enumerate(drive_scales(plan, generator, STEADY_TURNS)):
        scales = generator.integers(0, plan.scale_top + 1, (2, 1), dtype=np.int16)
        sequence = (254 + turn) % 256
        scales[sequence % 2] = scale
        yield (
            np.repeat(scales, TURN, axis=1),
            np.full(TURN, sequence, dtype=np.uint8),
            every_phase,
        )
    for turn in range(CHANGING_TURNS):
        changes = generator.random(TURN) < 1 / CALLS_PER_CHANGE
        piece = np.cumsum(changes)
        drawn = generator.integers(0, plan.scale_top + 1, (2, piece[-1] + 1), dtype=np.int16)
        sequences = (piece + turn) % 256
        yield drawn[:, piece], sequences.astype(np.uint8), every_phase[:: 1 if turn % 2 else -1]
    yield (
        generator.integers(0, plan.scale_top + 1, (2, TURN), dtype=np.int16),
        generator.integers(0, 256, TURN, dtype=np.uint8),
        generator.integers(0, TURN, TURN, dtype=np.uint16),
    )


def drive_scales(plan: Plan, generator: np.random.Generator, count: int) -> list[int]:
    """Amplitude scales whose whole turn is compared: the ends, 1.0 and ``count`` others."""
    edges = [0, 1, SCALE_ONE - 1, SCALE_ONE, SCALE_ONE + 1, plan.scale_top - 1, plan.scale_top]
    between: list[int] = generator.integers(0, plan.scale_top + 1, count).tolist()
    return [scale for scale in edges if 0 <= scale <= plan.scale_top] + between


TURN_CALLS_MAX = 4000
"""Calls of the oscillator in one go."""


def turns(
    plan: Plan, turning: Turning, generator: random.Random
) -> Iterator[tuple[dict[str, int], NDArray[np.uint8], NDArray[np.uint32]]]:
    """Calls of the oscillator: the fields that it has before them, numbers of ``TURN_CALL_NAMES``,
    and frequencies. Each end of the band and what is beside it, any frequency inside it and any at
    all; phases at the very end of a turn, each slot, each end of the sequence."""
    low, high = turning.low_mhz, turning.high_mhz
    edges = [edge + side for edge in (low, high) for side in (-1, 0, 1)]
    asked = [0, WORD_MASK, *edges, *(generator.randint(low, high) for _ in range(2000))]
    asked += [generator.randint(0, WORD_MASK) for _ in range(200)]
    reset = Turn(turning).fields()
    calls = [0, 1, 1, *(2 for _ in asked)]
    yield reset, np.asarray(calls, np.uint8), np.asarray([0, 0, 0, *asked], np.uint32)
    mixed = [generator.choice((1, 1, 1, 2)) for _ in range(TURN_CALLS_MAX)]
    some = np.asarray([generator.choice(asked) for _ in mixed], np.uint32)
    yield reset, np.asarray(mixed, np.uint8), some
    lowest, highest = TURN_STATE[1].bounds(plan)
    for sequence in (0, 1, 254, 255):
        for phase in (0, 1, WORD_MASK - highest, WORD_MASK - lowest, WORD_MASK - 1, WORD_MASK):
            for left in (0, 1, 2):
                fields = {
                    "phase": min(WORD_MASK, phase + left),
                    "step_0": generator.choice((lowest, highest)),
                    "step_1": generator.choice((lowest, highest, turning.rated_step)),
                    "step_sequence": sequence,
                }
                first = np.asarray([1, 1, 2, 1], np.uint8)
                yield fields, first, np.asarray([0, 0, generator.choice(asked), 0], np.uint32)
