"""What may be assumed of the state and must hold again after each call: from the Plan alone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from halfcycle.prove.c_operators import masked, within
from halfcycle.regulator.plan import DRIVE_FULL, FLAGS, Plan

ALL_FLAGS = sum(value for _, value, _ in FLAGS)

LOCALS = {("update", "square"): "root_argument", ("drive", "wide"): ""}
"""Locals that carry another signal than the one of their name ("": none)."""


def field_ranges(plan: Plan) -> dict[str, tuple[int, int]]:
    """Each field of the state, arrays by element: lowest and highest value."""
    signals = {signal.name: (signal.lowest, signal.highest) for signal in plan.signals}
    total = signals["sum"][1]
    sums = {"sum": (0, min(total, 2**32 - 1)), "window_sum": (0, min(total, 2**32 - 1))}
    if plan.sum_high:
        sums |= {"sum_high": (0, total >> 32), "window_high": (0, total >> 32)}
    return sums | {
        "count": (0, plan.samples - 1),
        "window_sequence": (0, 255),
        "taken_sequence": (0, 255),
        "integral": signals["integral"],
        "trusted": signals["trusted"],
        "ramp": signals.get("ramp", (0, 0)),
        "target": signals["target"],
        "target_slot": (0, 1),
        "scale": signals["scale"],
        "reading": signals["reading"],
        "flags": (0, ALL_FLAGS),
        "output_slot": (0, 1),
    }


def invariant(plan: Plan, state: dict[str, list[Any]]) -> Iterator[tuple[str, Any]]:
    """The state's declared ranges, as (words, condition). A field without a range is a KeyError."""
    ranges = field_ranges(plan)
    for name, elements in state.items():
        low, high = ranges[name]
        for element in elements:
            yield f"{name} stays in {low}..{high}", within(element, low, high)
    term = plan.magnitude_max**2 if plan.measure == "rms" else plan.magnitude_max
    high_word = state.get("sum_high", [0])[0]
    total = high_word * 2**32 + state["sum"][0]
    yield f"sum stays below count * {term}", total <= state["count"][0] * term
    if plan.sum_high:
        for high, low in zip(state["window_high"], state["window_sum"], strict=True):
            text = f"a window's sum stays below {plan.samples * term}"
            yield text, high * 2**32 + low <= plan.samples * term
    for flags in state["flags"]:
        yield "only defined flags are set", flags == masked(flags, ALL_FLAGS)


def result_range(plan: Plan, call: str) -> tuple[int, int] | None:
    """What a call may return; None where it returns nothing."""
    signals = {signal.name: (signal.lowest, signal.highest) for signal in plan.signals}
    return {
        "sample": (0, 1),
        "rms_mv": signals["rms_mv"],
        "scale": signals["scale"],
        "flags": (0, ALL_FLAGS),
        "drive": (-DRIVE_FULL, DRIVE_FULL),
    }.get(call)


def local_range(plan: Plan, call: str, local: str) -> tuple[int, int] | None:
    """The declared range of a local that carries a signal of the Plan, else None."""
    wanted = LOCALS.get((call, local), local)
    for signal in plan.signals:
        if signal.name == wanted and signal.bits <= 32:
            return signal.lowest, signal.highest
    return None
