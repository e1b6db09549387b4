"""What may be assumed of the state and must hold again after each call: from the Plan alone.

The range of each field and of each call's result stands in ``regulator.state``; here is what
relates fields to each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from halfcycle.prove.c_operators import masked, within
from halfcycle.regulator.plan import ALL_FLAGS, Plan
from halfcycle.regulator.state import fields_of

LOCALS = {("update", "square"): "root_argument", ("drive", "wide"): ""}
"""Locals that carry another signal than the one of their name ("": none)."""


def invariant(plan: Plan, state: dict[str, list[Any]]) -> Iterator[tuple[str, Any]]:
    """The state's declared ranges, as (words, condition). A field without a range is a KeyError."""
    ranges = {field.name: field.bounds(plan) for field in fields_of(plan)}
    for name, elements in state.items():
        low, high = ranges[name]
        for element in elements:
            yield f"{name} stays in {low}..{high}", within(element, low, high)
    term = plan.term_max
    high_word = state.get("sum_high", [0])[0]
    total = high_word * 2**32 + state["sum"][0]
    yield f"sum stays below count * {term}", total <= state["count"][0] * term
    if plan.sum_high:
        for high, low in zip(state["window_high"], state["window_sum"], strict=True):
            text = f"a window's sum stays below {plan.samples * term}"
            yield text, high * 2**32 + low <= plan.samples * term
    for flags in state["flags"]:
        yield "only defined flags are set", flags == masked(flags, ALL_FLAGS)


def local_range(plan: Plan, call: str, local: str) -> tuple[int, int] | None:
    """The declared range of a local that carries a signal of the Plan, else None."""
    carried = LOCALS.get((call, local), local)
    for signal in plan.signals:
        if signal.name == carried and signal.bits <= 32:
            return signal.lowest, signal.highest
    return None
