"""Every call of the interface, proven equal to the model for each width of ``int``, in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from halfcycle.prove import fences, hand_over
from halfcycle.prove.c_source import UNREADABLE, parse
from halfcycle.prove.equality import Equality, Example, prove_equal
from halfcycle.prove.replay import tried
from halfcycle.regulator.plan import Plan

SHOWN = 3


def prove_all(
    plan: Plan, files: Mapping[str, str], widths: Sequence[int], calls: Sequence[str], run: bool
) -> Iterator[tuple[str, bool, str]]:
    """(what, proven, detail) for each of ``calls`` and for the hand-over between levels."""
    try:
        sources = [parse(files, f"{plan.name}.c", bits) for bits in widths]
    except UNREADABLE as error:
        yield "equal", False, f"not proven: the C could not be read: {error}"
        return
    faults: dict[str, None] = {}
    for source in sources:
        faults |= dict.fromkeys(hand_over.declaration_faults(plan, source))
    if faults:
        # What is declared otherwise cannot hold the model's state.
        yield "hand-over", False, "; ".join(list(faults)[:SHOWN])
        return
    faults |= dict.fromkeys(fences.faults(plan, sources[0]))
    unread = []
    for call in calls:
        outcome = prove_equal(plan, *sources, call=call)
        faults |= dict.fromkeys(outcome.faults)
        if not outcome.equal:
            unread.append(call)
        yield f"{call} equal", *_said(plan, files, outcome, run, widths)
    if faults:
        yield "hand-over", False, "; ".join(list(faults)[:SHOWN])
    elif unread:
        names = ", ".join(unread)
        yield "hand-over", False, f"not shown, as not every path of {names} was followed: see there"
    else:
        yield "hand-over", True, "each call stores its own fields, shared ones in their order"


def _said(
    plan: Plan, files: Mapping[str, str], outcome: Equality, run: bool, widths: Sequence[int]
) -> tuple[bool, str]:
    if outcome.undecided:
        return False, f"not proven equal to the model: {outcome.undecided}"
    if outcome.example is not None:
        return False, _difference(plan, files, outcome, run)
    bits = " and ".join(map(str, widths))
    return True, (
        f"equal to the model for every input and an int of {bits} bits, "
        f"{'on its only path' if outcome.paths == 1 else f'on each of its {outcome.paths} paths'}"
    )


def _difference(plan: Plan, files: Mapping[str, str], outcome: Equality, run: bool) -> str:
    call, example = outcome.call, outcome.example
    assert example is not None
    where = shown(call, example)
    if not run:
        return f"not equal to the model with {where}: {example.why} (not run)"
    replay = tried(plan, files, call, example)
    if replay.trouble:
        return f"not equal to the model with {where}: {example.why}; run there, {replay.trouble}"
    if replay.field:
        return (
            f"not equal to the model with {where}: {replay.field}: "
            f"the model has {replay.model}, the C has {replay.compiled}"
        )
    here = f"for an int of {outcome.int_bits} bits: {example.why}, though not when compiled here"
    return f"not proven equal to the model {here} (with {where})"


def shown(call: str, example: Example) -> str:
    """The input in words: what is not 0 of it."""
    state = example.state if not call.endswith("reset") else {}
    words = [f"{name} = {value}" for name, value in state.items() if value]
    if example.argument is not None:
        words.append(f"argument {example.argument}")
    return ", ".join(words) or "everything 0"
