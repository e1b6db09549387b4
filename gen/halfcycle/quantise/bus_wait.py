"""How long a bus that is not read is waited for, before the factor is led."""

from __future__ import annotations

import numpy as np

from halfcycle.regulator.bus_plan import MAX_UNREAD

ANSWERED = 0.9
"""Of a step that a lost bus makes: what the loop answers of it is on the output once the bus is
followed again; if the factor is led instead, what it has not. The bus may have moved at any time
of the loss, so neither is more than the other before the loop may have answered nearly all."""


def answered_after(block_weights: tuple[int, ...], updates: int, kp: float, ki: float) -> float:
    """For how many blocks the output may be off, and then right again, for the loop to answer
    ``ANSWERED`` of that at most: up to MAX_UNREAD.

    ``block_weights``: of the window; ``updates`` of it come in every window. ``kp``, ``ki``: gains
    of the loop, without unit, ki an update. Part of a block counts as much as it is of one.
    """
    before = 0.0
    for blocks in range(1, MAX_UNREAD):
        answer = _answer(block_weights, updates, kp, ki, blocks)
        if answer >= ANSWERED:
            return blocks - 1 + (ANSWERED - before) / (answer - before)
        before = answer
    return float(MAX_UNREAD)


def _answer(
    block_weights: tuple[int, ...], updates: int, kp: float, ki: float, blocks: int
) -> float:
    """The most that a loop answers of an output that is off by 1 for so many blocks."""
    count = len(block_weights)
    weights = np.array(block_weights) / sum(block_weights)
    off = np.zeros(count)
    integral = answered = most = 0.0
    for block in range(1, blocks + 2 * count + 1):
        off = np.append(off[1:], (1.0 if block <= blocks else 0.0) - answered)
        if block % (count // updates) == 0:
            reading = float(weights @ off)
            integral += ki * reading
            answered = integral + kp * reading
            most = max(most, answered)
    return most
