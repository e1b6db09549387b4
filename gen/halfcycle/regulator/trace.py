"""What the C must do, tick by tick: the model over whole recordings, fast.

It takes target changes at any tick and updates at any time (late, twice, never): the running sums
and their count are computed for all ticks at once, and the model's ``update`` is called only when
the C's is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator import arithmetic
from halfcycle.regulator.model import Regulator, side_terms
from halfcycle.regulator.plan import WORD_MASK, Plan
from halfcycle.regulator.state import READERS, READING, RUNNING, field_names

Ints = NDArray[np.int64]

MAX_TICKS = 65536
"""Ticks of one trace: the running sum of that many squares stays exact in 64 bits."""
COMPLETE = "complete"
"""The row of what sample returned."""


def record_names(plan: Plan) -> tuple[str, ...]:
    """The rows of a record: the state, then what the calls return after the tick."""
    return (*field_names(plan), COMPLETE, *READERS)


WHOLE = "read"
"""The row of what read returned."""


def reading_names(plan: Plan) -> tuple[str, ...]:
    """The rows of a state and of what read then tells."""
    return (*field_names(plan), WHOLE, *(f"read_{name}" for name, _, _ in READING))


def trace(  # noqa: PLR0917 (what goes in)
    regulator: Regulator,
    codes: NDArray[np.uint16],
    targets: Sequence[tuple[int, int]] = (),
    updates: NDArray[np.uint8] | None = None,
    holds: Sequence[int] = (),
    bus: NDArray[np.int32] | None = None,
) -> Ints:
    """Every field and every call's result after every tick, shape (rows, ticks).

    ``codes``: ADC codes, shape (ticks,), at most ``MAX_TICKS`` of them.
    ``targets``: (tick, millivolts), ascending: set before that tick's sample. ``updates``: calls
    of update after each tick's sample, shape (ticks,); None: one after each whole block.
    ``holds``: ticks before whose sample a limiter acts, ascending. ``bus``: the code of a measured
    bus before each tick's sample, below 0 for no call; None: none.
    Leaves ``regulator`` as it stands after the last tick. Rows: ``record_names``.
    """
    plan, ticks = regulator.plan, len(codes)
    if ticks > MAX_TICKS:
        raise ValueError(f"at most {MAX_TICKS} ticks at a time")
    names = record_names(plan)
    if plan.tracking or plan.bus:
        return _tick_by_tick(regulator, codes, targets, updates, holds, bus)
    fields = names.index(COMPLETE)
    row_of = {name: row for row, name in enumerate(names)}
    taken = regulator.count + np.arange(1, ticks + 1)
    ends = np.flatnonzero(taken % plan.block_samples == 0)
    sides = [_Side(regulator, side, terms, ends) for side, terms in side_terms(plan, codes).items()]
    block = (taken // plan.block_samples) - (regulator.count // plan.block_samples)

    whole = list(zip(*(side.whole.tolist() for side in sides), strict=True))
    starts, rows = _slow_rows(regulator, ends, whole, targets, updates=updates, holds=holds)
    lengths = np.diff(np.asarray([*starts, ticks]))
    result = np.empty((len(names), ticks), dtype=np.int64)
    slow = np.asarray(rows, dtype=np.int64)
    result[:fields] = np.repeat(slow.T, lengths, axis=1)
    for side in sides:
        total = side.running - side.restarts[block]
        total[ends] = 0
        result[row_of[side.name]] = total & np.uint64(WORD_MASK)
        result[row_of[f"{side.name}_high"]] = total >> np.uint64(32)
    result[row_of["count"]] = taken % plan.block_samples
    result[row_of[COMPLETE]] = 0
    result[row_of[COMPLETE], ends] = 1
    for name, values in _read(plan, slow, row_of).items():
        result[row_of[name]] = np.repeat(values, lengths)
    if ticks:
        for name in RUNNING:
            setattr(regulator, name, int(result[row_of[name], -1]))
    return result


def _tick_by_tick(  # noqa: PLR0917 (as ``trace``)
    regulator: Regulator,
    codes: NDArray[np.uint16],
    targets: Sequence[tuple[int, int]],
    updates: NDArray[np.uint8] | None,
    holds: Sequence[int],
    bus: NDArray[np.int32] | None,
) -> Ints:
    """``trace`` of a Plan whose zero may change at any update, or bus at any tick: sums cannot be
    formed ahead."""
    ticks = len(codes)
    calls: list[int] | None = None if updates is None else updates.tolist()
    result = np.empty((len(record_names(regulator.plan)), ticks), dtype=np.int64)
    aims = iter([*targets, (ticks, 0)])
    at, millivolts = next(aims)
    limited = set(holds)
    readings = [-1] * ticks if bus is None else bus.tolist()
    for tick, code in enumerate(codes.tolist()):
        while at == tick:
            regulator.set_target_mv(millivolts)
            at, millivolts = next(aims)
        if tick in limited:
            regulator.hold()
        if readings[tick] >= 0:
            regulator.bus(readings[tick])
        complete = regulator.sample(code)
        for _ in range(complete if calls is None else calls[tick]):
            regulator.update()
        read = [getattr(regulator, name)() for name in READERS]
        result[:, tick] = [*regulator.values(), complete, *read]
    return result


class _Side:
    """The sums of one side of the zero: running over all ticks, at each block's start, and of each
    block that ends."""

    def __init__(
        self, regulator: Regulator, name: str, terms: NDArray[np.uint64], ends: Ints
    ) -> None:
        carried = getattr(regulator, name) + (getattr(regulator, f"{name}_high") << 32)
        self.name = name
        self.running = np.cumsum(terms, dtype=np.uint64) + np.uint64(carried)
        self.whole = np.diff(self.running[ends], prepend=np.uint64(0))
        self.restarts = np.zeros(len(ends) + 1, dtype=np.uint64)
        self.restarts[1:] = self.running[ends]


def _slow_rows(
    regulator: Regulator,
    ends: Ints,
    whole: Sequence[tuple[int, int]],
    targets: Sequence[tuple[int, int]],
    *,
    updates: NDArray[np.uint8] | None,
    holds: Sequence[int],
) -> tuple[list[int], list[list[int]]]:
    """The state without its running sum and count: from which tick on each row of it holds."""
    starts, rows = [0], [regulator.values()]
    # At one tick: targets and a limiter before the sample, then the block's end, then the updates.
    events: list[tuple[int, int, int]] = [(tick, 0, mv) for tick, mv in targets]
    events += [(tick, 1, 0) for tick in holds]
    events += [(end, 2, number) for number, end in enumerate(ends.tolist())]
    if updates is not None:
        called = np.flatnonzero(updates)
        calls = zip(called.tolist(), updates[called].tolist(), strict=True)
        events += [(tick, 3, count) for tick, count in calls]
    if targets or holds or updates is not None:
        events.sort(key=lambda event: event[:2])
    for tick, kind, value in events:
        if kind == 0:
            regulator.set_target_mv(value)
        elif kind == 1:
            regulator.hold()
        elif kind == 2:
            regulator.close_window(*whole[value])
            if updates is None:
                regulator.update()
        else:
            for _ in range(value):
                regulator.update()
        starts.append(tick)
        rows.append(regulator.values())
    return starts, rows


def _read(plan: Plan, rows: Ints, row_of: Mapping[str, int]) -> dict[str, Ints]:
    """What each of ``READERS`` returns from each row of fields, shape (rows,) each."""
    every_row = np.arange(len(rows))

    def in_force(name: str) -> Ints:
        return np.asarray(
            rows[every_row, row_of[f"{name}_0"] + rows[:, row_of["output_sequence"]] % 2]
        )

    return {
        "rms_mv": scale_by(in_force("reading"), plan.millivolt_gain, plan.millivolt_shift),
        "scale": in_force("scale"),
        "flags": in_force("flags"),
    }


def scale_by(value: Ints, gain: int, shift: int) -> Ints:
    """``halfcycle.regulator.arithmetic.scale_by`` for arrays (products stay below 2^40)."""
    product = (value >> 8) * gain + (((value & 255) * gain) >> 8)
    return (product + arithmetic.half(shift - 8)) >> (shift - 8)


def round_shift_signed(value: Ints, shift: int) -> Ints:
    """``halfcycle.regulator.arithmetic.round_shift_signed`` for arrays."""
    size = (np.abs(value) + arithmetic.half(shift)) >> shift
    return np.asarray(np.where(value < 0, -size, size), dtype=np.int64)


def targets_of(plan: Plan, millivolts: Ints) -> Ints:
    """``halfcycle.regulator.model.target_of`` for arrays."""
    clamped = np.clip(millivolts, 0, plan.target_max_mv)
    targets = scale_by(clamped, plan.target_gain, plan.target_shift)
    if plan.law:
        targets[targets < plan.law.least_target] = 0
    return targets
