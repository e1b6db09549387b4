"""What may be assumed of the state and must hold again after each call: from the Plan alone.

The range of each field and of each call's result stands in ``regulator.state``; here is what
relates fields to each other.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from halfcycle.prove.c_operators import masked, within
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import Field, fields_of
from halfcycle.regulator.turn import TURN_CALL_NAMES, TURN_STATE

LOCALS = {
    ("update", "square"): "root_argument",
}
"""Locals that carry another signal than the one of their name ("": none)."""
BLOCK_LOCALS = {("update", "block"): "block_sum"}
"""The same, of windows of blocks alone."""


def invariant(plan: Plan, state: dict[str, list[Any]]) -> Iterator[tuple[str, Any]]:
    """The state's declared ranges, as (words, condition). A field without a range is a KeyError."""
    yield from ranges(plan, fields_of(plan), state)
    term = plan.term_max
    (total,) = _both_sides(state, "above", "below")
    yield f"above + below stays below count * {term}", total <= state["count"][0] * term
    for total in _both_sides(state, "window_above", "window_below"):
        yield f"the sums of a block stay below {plan.block_max}", total <= plan.block_max
    if plan.blockwise and plan.block_high:
        for total in _sums(state, "ring"):
            yield f"a sum of ring stays below {plan.block_max}", total <= plan.block_max
    if plan.blockwise:
        taken = plan.span_blocks - state["span_due"][0]
        total = state["span_above"][0] + state["span_below"][0]
        most = plan.block_max >> plan.lean_shift
        yield f"the sums of a span stay below blocks * {most}", total <= taken * most
    if plan.tracking and plan.tracking.blocks > 1:
        taken = plan.tracking.blocks - state["zero_due"][0]
        most = plan.block_max >> plan.tracking.shift
        for lean in (state["zero_lean"][0], -state["zero_lean"][0]):
            yield f"the lean of the zero stays within blocks * {most}", lean <= taken * most
    if plan.bus:
        most = plan.bus.ratio_high
        yield f"bus_sum stays below count * {most}", state["bus_sum"][0] <= state["count"][0] * most
    for flags in state["flags"]:
        yield "only defined flags are set", flags == masked(flags, plan.all_flags)


def ranges(
    plan: Plan, fields: Iterable[Field], state: dict[str, list[Any]]
) -> Iterator[tuple[str, Any]]:
    """The declared ranges of the fields of a struct."""
    bounds = {field.name: field.bounds(plan) for field in fields}
    for name, elements in state.items():
        low, high = bounds[name]
        for element in elements:
            yield f"{name} stays in {low}..{high}", within(element, low, high)


def of_call(plan: Plan, call: str, state: dict[str, list[Any]]) -> Iterator[tuple[str, Any]]:
    """What may be assumed of the struct that a call takes, and must hold again after it."""
    if call in TURN_CALL_NAMES:
        return ranges(plan, TURN_STATE, state)
    return invariant(plan, state)


def _sums(state: dict[str, list[Any]], name: str) -> list[Any]:
    """The elements of a sum with their high words, if it has any."""
    highs = state.get(f"{name}_high", [0] * len(state[name]))
    return [high * 2**32 + low for high, low in zip(highs, state[name], strict=True)]


def _both_sides(state: dict[str, list[Any]], above: str, below: str) -> list[Any]:
    return [a + b for a, b in zip(_sums(state, above), _sums(state, below), strict=True)]


def local_range(plan: Plan, call: str, local: str) -> tuple[int, int] | None:
    """The declared range of a local that carries a signal of the Plan, else None."""
    carried = LOCALS.get((call, local), local)
    if plan.blockwise and (call, local) in BLOCK_LOCALS:
        carried = BLOCK_LOCALS[call, local]
    for signal in plan.signals:
        if signal.name == carried and signal.bits <= 32:
            return signal.lowest, signal.highest
    return None
