"""What the C must do, tick by tick: the model over whole recordings, fast.

It takes target changes at any tick and updates at any time (late,
twice, never): the sample's own fields are computed for all ticks at once, and the model's
``update`` is called only where the C's is.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator import arithmetic
from halfcycle.regulator.model import FIELDS, Regulator, magnitudes
from halfcycle.regulator.plan import Plan

Ints = NDArray[np.int64]

CALLS: tuple[str, ...] = ("complete", "rms_mv", "scale", "flags")
"""What the calls return after a tick: sample, and the three readers."""
RECORD: tuple[str, ...] = (*FIELDS, *CALLS)
"""The rows of a record; ``c_harness/harness.c`` has the same order."""

_SAMPLE_OWN = ("sum", "sum_high", "count")
_SLOW = tuple(name for name in FIELDS if name not in _SAMPLE_OWN)


def trace(
    regulator: Regulator,
    codes: NDArray[np.uint16],
    targets: Sequence[tuple[int, int]] = (),
    updates: NDArray[np.uint8] | None = None,
) -> Ints:
    """Every field and every call's result after every tick, shape (len(RECORD), ticks).

    ``codes``: ADC codes, shape (ticks,), at most 65536 of them (the running sum then stays exact).
    ``targets``: (tick, millivolts), ascending: set before that tick's sample. ``updates``: calls
    of update after each tick's sample, shape (ticks,); None: one after each whole window.
    Leaves ``regulator`` as it stands after the last tick.
    """
    plan, ticks = regulator.plan, len(codes)
    if ticks > 65536:
        raise ValueError("at most 65536 ticks at a time")
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
    result[0] = total & np.uint64(0xFFFFFFFF)
    result[1] = total >> np.uint64(32)
    result[2] = taken % plan.samples
    slow = np.asarray(rows, dtype=np.int64)
    result[3 : 3 + len(_SLOW)] = np.repeat(slow.T, lengths, axis=1)
    result[len(FIELDS)] = 0
    result[len(FIELDS), ends] = 1
    result[-3:] = np.repeat(_readers(plan, slow), lengths, axis=1)
    if ticks:
        regulator.sum, regulator.sum_high, regulator.count = (int(x) for x in result[:3, -1])
    return result


def _slow_rows(
    regulator: Regulator,
    ends: Ints,
    whole: NDArray[np.uint64],
    targets: Sequence[tuple[int, int]],
    updates: NDArray[np.uint8] | None,
) -> tuple[list[int], list[tuple[int, ...]]]:
    """The fields that seldom move: from which tick on each row of them holds."""
    starts, rows = [0], [_slow_fields(regulator)]
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
            sequence = (regulator.window_sequence + 1) & 255
            regulator.window_sequence = sequence
            regulator.window_sum[sequence & 1] = value & 0xFFFFFFFF
            regulator.window_high[sequence & 1] = value >> 32
            if updates is None:
                regulator.update()
        else:
            for _ in range(value):
                regulator.update()
        starts.append(tick)
        rows.append(_slow_fields(regulator))
    return starts, rows


def _slow_fields(regulator: Regulator) -> tuple[int, ...]:
    """The fields of ``_SLOW``, in that order."""
    return (
        *regulator.window_sum,
        *regulator.window_high,
        regulator.window_sequence,
        regulator.taken_sequence,
        regulator.integral,
        regulator.ramp,
        *regulator.target,
        regulator.target_slot,
        *regulator.out_scale,
        *regulator.out_reading,
        *regulator.out_flags,
        regulator.output_slot,
        regulator.trusted,
    )


def _readers(plan: Plan, slow: Ints) -> Ints:
    """rms_mv, scale and flags of each row of slow fields, shape (3, rows)."""
    slot = slow[:, _SLOW.index("output_slot")]
    every = np.arange(len(slow))
    reading = slow[every, _SLOW.index("reading_0") + slot]
    return np.stack(
        [
            scale_by(reading, plan.millivolt_gain, plan.millivolt_shift),
            slow[every, _SLOW.index("scale_0") + slot],
            slow[every, _SLOW.index("flags_0") + slot],
        ]
    )


def scale_by(value: Ints, gain: int, shift: int) -> Ints:
    """``halfcycle.regulator.arithmetic.scale_by`` for arrays (products stay below 2^40)."""
    product = (value >> 8) * gain + (((value & 255) * gain) >> 8)
    return (product + arithmetic.half(shift - 8)) >> (shift - 8)
