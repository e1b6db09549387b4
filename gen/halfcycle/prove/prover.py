"""Each call of the interface, proven from any state in its ranges and with any argument."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from halfcycle.prove import invariants
from halfcycle.prove.c_operators import NotUnderstoodError, Number, within
from halfcycle.prove.c_source import UNREADABLE, Source, parse
from halfcycle.prove.claims import Claims, Failure
from halfcycle.prove.executor import Machine
from halfcycle.prove.expressions import OUT
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import READING
from halfcycle.regulator.turn import call_of

SHOWN = 3


def prove_calls(
    plan: Plan, files: Mapping[str, str], int_bits: int, calls: Sequence[str]
) -> Iterator[tuple[str, bool, str]]:
    """(call, proven, detail) for each of ``calls``."""
    try:
        source = parse(files, f"{plan.name}.c", int_bits)
    except UNREADABLE as error:
        yield "read", False, f"the C could not be read: {error}"
        return
    for call in calls:
        yield call, *_prove_call(plan, source.of_call(plan.name, call), call)


def _prove_call(plan: Plan, source: Source, call: str) -> tuple[bool, str]:
    claims = Claims()
    try:
        _run(plan, source, call, claims)
    except NotUnderstoodError as error:
        claims.failures.append(Failure(str(error), "these semantics cover it", ""))
    except KeyError as error:
        claims.failures.append(Failure(f"{plan.name}.h", f"{error} has a declared range", ""))
    if not claims.failures:
        return True, f"{claims.claims} claims hold"
    lines = [
        f"{failure.where}: not proven that {failure.claim}"
        + (f" (with {failure.example})" if failure.example else "")
        for failure in claims.failures[:SHOWN]
    ]
    more = len(claims.failures) - SHOWN
    return False, "; ".join(lines + ([f"and {more} more"] if more > 0 else []))


def _run(plan: Plan, source: Source, call: str, claims: Claims) -> None:
    (fields,) = source.structs.values()
    state = {
        name: [
            claims.unknown(f"{name}[{n}]" if length else name, kind.low, kind.high, True)
            for n in range(length or 1)
        ]
        for name, (kind, length, _) in fields.items()
    }
    if not call.endswith("reset"):  # Reset starts from anything at all.
        claims.assume(*(condition for _, condition in invariants.of_call(plan, call, state)))
    if not claims.possible():
        claims.failures.append(Failure(plan.name, "any state is inside the declared ranges", ""))

    def local_set(function: str, local: str, value: Any, where: str) -> None:
        bounds = invariants.local_range(plan, function.removeprefix(f"{plan.name}_"), local)
        if bounds is not None:
            text = f"{local} stays in its range, {bounds[0]}..{bounds[1]}"
            claims.claim(where, text, within(value, *bounds))

    name = f"{plan.name}_{call}"
    if name in source.outs:
        for member, kind in source.reading.items():
            state[f"{OUT}{member}"] = [claims.unknown(member, kind.low, kind.high)]
    machine = Machine(source, claims, state, local_set)
    arguments = [
        Number(claims.unknown(local, kind.low, kind.high, True), kind)
        for local, kind in source.parameters[name]
        if kind is not None
    ]
    result = machine.call(name, arguments, name)
    after = {name: row for name, row in machine.state.items() if not name.startswith(OUT)}
    for text, condition in invariants.of_call(plan, call, after):
        claims.claim(f"{name} ends", text, condition)
    result_bounds = call_of(call).result
    for member, _, bounds in READING if name in source.outs else ():
        low, high = bounds(plan)
        text = f"{member} is in {low}..{high}"
        (value,) = machine.state[f"{OUT}{member}"]
        claims.claim(f"{name} ends", text, within(value, low, high))
    if result_bounds is not None and result is not None:
        low, high = result_bounds(plan)
        text = f"the result is in {low}..{high}"
        claims.claim(f"{name} returns", text, within(result.value, low, high))
