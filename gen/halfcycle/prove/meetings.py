"""Which calls meet in one another, and from which states: for ``preempted``.

Which call may preempt which is what the generated header says.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from halfcycle.prove.c_source import Source
from halfcycle.prove.interleaving import Call, Values
from halfcycle.regulator.plan import SEQUENCE_MASK, WORD_MASK, Plan
from halfcycle.regulator.state import field_names
from halfcycle.verify import adversarial

SHARES = ((0.61, 0.17), (0.23, 0.52), (0.44, 0.31), (0.09, 0.71), (0.52, 0.06))
"""Of what a window or block may add up to, at or above the zero and below it: one after the other,
so that no two have bytes in common."""
CODES = (0.97, 0.46, 0.73, 0.08, 0.64)
TARGETS = (0.47, 0.91, 0.63, 0.28)
BUSES = (0.2, 0.85, 0.5, 0.67)
"""Arguments, of their range."""
FLAGS = (0x0155, 0x00CC, 0x01AA, 0x0037, 0x0099)
"""Flags of one update after the other: half of one and half of another is none of them."""
OUTPUTS = (0.31, 0.87, 0.12, 0.68, 0.49)
LOW_BYTES = (0x5A, 0xC3, 0x96, 0x2D, 0xE1)
"""Other outputs likewise: of their range, and their lowest bytes."""
STATES, SEED = 2, 11
"""How many states, of the likeliest of forty."""


@dataclass(frozen=True, slots=True)
class Step:
    """A call that comes in between, after ``sets``: what calls before it that matter to nobody else
    would have left."""

    call: Call
    sets: Mapping[str, list[int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Meeting:
    """``low``, and what preempts it: hand-overs of one other call, each of some steps."""

    low: Call
    turns: tuple[tuple[Step, ...], ...]
    by_field: bool = False
    """Whether each field by itself must be as in one of the orders, and not all as in the same."""
    may_take_nothing: bool = False
    """Whether two turns may make ``low`` leave all as it is."""


def states(plan: Plan, among: list[Values]) -> list[Values]:
    """The first two of the :func:`candidates`: of blocks, one with a PI step and one without."""
    chosen = among[:STATES]
    if not plan.blockwise:
        return chosen
    return [
        {**state, "blocks_due": [min(plan.blocks, 1 + step)]} for step, state in enumerate(chosen)
    ]


def candidates(plan: Plan, source: Source) -> list[Values]:
    """States with a window or block to take, of blocks one with a PI step; those whose slots have
    the most bytes that differ first."""
    (fields,) = source.structs.values()
    chosen: list[Values] = []
    for row in adversarial.update_states(plan, random.Random(SEED), 40):
        values = dict(zip(field_names(plan), row.tolist(), strict=True))
        values["taken_sequence"] = (values["window_sequence"] - 1) & SEQUENCE_MASK
        elements = {
            name: [values[f"{name}_{n}"] for n in range(length)] if length else [values[name]]
            for name, (_, length, _) in fields.items()
        }
        chosen.append({**elements, "hold_pending": [0], **_ended(plan, 0)})
    chosen.sort(key=lambda state: -_apart(state["reading"]) - _apart(state["target"]))
    if plan.blockwise:
        for state in chosen:
            state["blocks_due"] = [1]
    return chosen


def targets(plan: Plan) -> Meeting:
    """Targets that are set inside an update."""
    set_target = (Step(Call("set_target_mv", int(plan.target_max_mv * t))) for t in TARGETS)
    return Meeting(Call("update"), tuple((step,) for step in set_target))


def _apart(pair: list[int]) -> int:
    """How many of their lower two bytes the slots do not have in common."""
    return sum(bool((pair[0] ^ pair[1]) >> place & 255) for place in (0, 8))


def _ended(plan: Plan, number: int) -> dict[str, list[int]]:
    """What the samples before its last one leave of a window or block."""
    room = plan.block_max - plan.term_max
    fields = {"count": [plan.block_samples - 1]}
    for side, share in zip(("above", "below"), SHARES[number], strict=True):
        total = int(room * share)
        fields[side] = [total & WORD_MASK]
        if plan.block_high:
            fields[f"{side}_high"] = [total >> 32]
    return fields


def windows(plan: Plan) -> list[Step]:
    """Ends of windows or blocks."""
    return [
        Step(Call("sample", int(share * plan.adc_max)), _ended(plan, number))
        for number, share in enumerate(CODES)
    ]


def writers(plan: Plan) -> Iterator[Meeting]:
    """Of calls that store."""
    ends = [(step,) for step in windows(plan)[1:4]]
    hold, clear = (Step(Call("hold")),), (Step(Call("clear", 0x0010)),)
    update = Call("update")
    yield Meeting(update, tuple(ends), may_take_nothing=True)
    yield targets(plan)
    yield Meeting(update, (clear,))
    sample = windows(plan)[0].call
    yield Meeting(sample, (hold,))
    if plan.bus:
        low, high = plan.bus.read_low, plan.bus.high_code
        codes = [low + int((high - low) * share) for share in BUSES]
        yield Meeting(sample, tuple((Step(Call("bus", c)),) for c in codes), by_field=True)
    yield Meeting(clear[0].call, ((ends[0][0], Step(update)),))


def readers(plan: Plan) -> Iterator[Meeting]:
    """Of calls that only read, overtaken by updates."""
    turns = tuple((step, Step(Call("update"))) for step in windows(plan)[1:])
    for name in ("read", "rms_mv", "scale", "flags"):
        yield Meeting(Call(name), turns)
    yield Meeting(Call("read"), ((Step(Call("clear", 0x0010)),),))
