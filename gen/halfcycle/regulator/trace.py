"""What the C must do, tick by tick: the model over whole recordings, fast.

It takes target changes at any tick and updates at any time (late, twice, never): the running sum
and its count are computed for all ticks at once, and the model's ``update`` is called only when
the C's is.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator import arithmetic
from halfcycle.regulator.model import Regulator, magnitudes
from halfcycle.regulator.plan import WORD_MASK, Plan
from halfcycle.regulator.state import FIELDS, READERS

Ints = NDArray[np.int64]

MAX_TICKS = 65536
"""Ticks of one trace: the running sum of that many squares stays exact in 64 bits."""
COMPLETE = "complete"
"""The row of what sample returned."""
RECORD: tuple[str, ...] = (*FIELDS, COMPLETE, *READERS)
"""The rows of a record: the state, then what the calls return after the tick."""
_ROW = {name: row for row, name in enumerate(RECORD)}


def trace(
    regulator: Regulator,
    codes: NDArray[np.uint16],
    targets: Sequence[tuple[int, int]] = (),
    updates: NDArray[np.uint8] | None = None,
) -> Ints:
    """Every field and every call's result after every tick, shape (len(RECORD), ticks).

    ``codes``: ADC codes, shape (ticks,), at most ``MAX_TICKS`` of them.
    ``targets``: (tick, millivolts), ascending: set before that tick's sample. ``updates``: calls
    of update after each tick's sample, shape (ticks,); None: one after each whole window.
    Leaves ``regulator`` as it stands after the last tick.
    """
    plan, ticks = regulator.plan, len(codes)
    if ticks > MAX_TICKS:
        raise ValueError(f"at most {MAX_TICKS} ticks at a time")
    taken = regulator.count + np.arange(1, ticks + 1)
    ends = np.flatnonzero(taken % plan.samples == 0)
    carried = np.uint64(regulator.sum + (regulator.sum_high << 32))
    running = np.cumsum(magnitudes(plan, codes), dtype=np.uint64) + carried
    whole = np.diff(running[ends], prepend=np.uint64(0))
    restarts = np.zeros(len(ends) + 1, dtype=np.uint64)
    restarts[1:] = running[ends]
    window = (taken // plan.samples) - (regulator.count // plan.samples)

    starts, rows = _slow_rows(regulator, ends, whole, targets, updates)
    lengths = np.diff(np.asarray([*starts, ticks]))
    result = np.empty((len(RECORD), ticks), dtype=np.int64)
    total = running - restarts[window]
    total[ends] = 0
    slow = np.asarray(rows, dtype=np.int64)
    result[: len(FIELDS)] = np.repeat(slow.T, lengths, axis=1)
    result[_ROW["sum"]] = total & np.uint64(WORD_MASK)
    result[_ROW["sum_high"]] = total >> np.uint64(32)
    result[_ROW["count"]] = taken % plan.samples
    result[_ROW[COMPLETE]] = 0
    result[_ROW[COMPLETE], ends] = 1
    for name, values in _read(plan, slow).items():
        result[_ROW[name]] = np.repeat(values, lengths)
    if ticks:
        regulator.sum, regulator.sum_high, regulator.count = (
            int(result[_ROW[name], -1]) for name in ("sum", "sum_high", "count")
        )
    return result


def _slow_rows(
    regulator: Regulator,
    ends: Ints,
    whole: NDArray[np.uint64],
    targets: Sequence[tuple[int, int]],
    updates: NDArray[np.uint8] | None,
) -> tuple[list[int], list[list[int]]]:
    """The state without its running sum and count: from which tick on each row of it holds."""
    starts, rows = [0], [regulator.values()]
    # At one tick: targets before the sample, then the window's end, then the updates.
    events = [(tick, 0, mv) for tick, mv in targets]
    events += [(end, 1, total) for end, total in zip(ends.tolist(), whole.tolist(), strict=True)]
    if updates is not None:
        called = np.flatnonzero(updates)
        calls = zip(called.tolist(), updates[called].tolist(), strict=True)
        events += [(tick, 2, count) for tick, count in calls]
    if targets or updates is not None:
        events.sort(key=lambda event: event[:2])
    for tick, kind, value in events:
        if kind == 0:
            regulator.set_target_mv(value)
        elif kind == 1:
            regulator.close_window(value)
            if updates is None:
                regulator.update()
        else:
            for _ in range(value):
                regulator.update()
        starts.append(tick)
        rows.append(regulator.values())
    return starts, rows


def _read(plan: Plan, rows: Ints) -> dict[str, Ints]:
    """What each of ``READERS`` returns from each row of fields, shape (rows,) each."""
    every_row = np.arange(len(rows))

    def in_force(name: str) -> Ints:
        return np.asarray(rows[every_row, _ROW[f"{name}_0"] + rows[:, _ROW["output_slot"]]])

    return {
        "rms_mv": scale_by(in_force("reading"), plan.millivolt_gain, plan.millivolt_shift),
        "scale": in_force("scale"),
        "flags": in_force("flags"),
    }


def scale_by(value: Ints, gain: int, shift: int) -> Ints:
    """``halfcycle.regulator.arithmetic.scale_by`` for arrays (products stay below 2^40)."""
    product = (value >> 8) * gain + (((value & 255) * gain) >> 8)
    return (product + arithmetic.half(shift - 8)) >> (shift - 8)
