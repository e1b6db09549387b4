"""Whether the C keeps the order in which levels of interrupt hand values over.

Every field has one call that stores it (``regulator.state``), besides reset; one that is not shared
is that call's alone, to read as well. The content goes into the slot that is not in use, then the
field that says which slot is stored, once and last; a reader reads that field once and before the
content, and the content of that slot only. Compilers keep the order of volatile accesses, so it is
enough that the source has it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from halfcycle.prove.c_source import Source
from halfcycle.prove.path_machine import Access, PathMachine
from halfcycle.prove.paths import Paths
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import CALLS, Field, fields_of


def declaration_faults(plan: Plan, source: Source) -> Iterator[str]:
    """Fields of the struct and calls that are not declared as ``regulator.state`` has them."""
    (declared,) = source.structs.values()
    wanted = {field.name: field for field in fields_of(plan)}
    for name in declared.keys() - wanted.keys():
        yield f"the state has a field {name} that is not known"
    for name, field in wanted.items():
        if name not in declared:
            yield f"the state has no field {name}"
            continue
        kind, length, volatile = declared[name]
        if field.shared and not volatile:
            yield f"{name} is seen by another level and is not volatile"
        if (length or 1) != field.slots:
            yield f"{name} has {length or 1} elements, not {field.slots}"
        if kind != source.types.get(field.c_type(plan)):
            yield f"{name} is not {field.c_type(plan)}"
    yield from _call_faults(plan, source)


def _call_faults(plan: Plan, source: Source) -> Iterator[str]:
    """Calls that take or return other types than ``state.CALLS`` says."""
    for call in CALLS:
        name = f"{plan.name}_{call.name}"
        wanted = [None] if call.argument is None else [None, source.types.get(call.argument[0])]
        if [kind for _, kind in source.parameters[name]] != wanted:
            yield f"{name} takes other arguments than the interface says"
        returned = source.int_type(source.functions[name].decl.type.type)
        kind = source.types.get(call.returns)
        if call.returns == "int":
            kind = source.widths.plain
        if returned != kind:
            yield f"{name} does not return {call.returns}"


def faults(plan: Plan, call: str, machine: PathMachine, paths: Paths) -> list[str]:
    """What is out of order on the path that ``machine`` has run."""
    fields = {field.name: field for field in fields_of(plan)}
    shared = {name: field for name, field in fields.items() if field.shared}
    accesses = [access for access in machine.accesses if access.field in shared]
    found = list(_trespasses(call, fields, machine.accesses))
    found += _stores(call, shared, [a for a in accesses if a.is_store], machine, paths)
    found += _reads(call, shared, [a for a in accesses if not a.is_store], machine, paths)
    return found


def _trespasses(call: str, fields: dict[str, Field], accesses: list[Access]) -> Iterator[str]:
    """Accesses that are not this call's to make. A store of another call's field loses what that
    call stores in between, even if it stores what it has read; a read of one that is not shared may
    see a half of it, which is in no range that the proof takes for granted."""
    for access in accesses:
        field = fields[access.field]
        if field.writer == call:
            continue
        if access.is_store:
            yield f"{call} stores {field.name}, which {field.writer} writes"
        elif not field.shared:
            yield f"{call} reads {field.name}, which is {field.writer}'s alone"


def _is_index(field: Field) -> bool:
    return field.slots == 1


def _stores(
    call: str, shared: dict[str, Field], stores: list[Access], machine: PathMachine, paths: Paths
) -> Iterator[str]:
    indexes = [n for n, access in enumerate(stores) if _is_index(shared[access.field])]
    if not stores:
        return
    if not indexes:
        yield f"{call} stores {stores[0].field} and hands nothing over"
        return
    if indexes != [len(stores) - 1]:
        late = stores[indexes[0] + 1 if indexes[0] + 1 < len(stores) else indexes[0]].field
        yield f"{call} stores {late} after {stores[indexes[0]].field}, which hands it over"
        return
    (slot,) = machine.state[stores[-1].field]
    newest = slot & 1
    for access in stores[:-1]:
        if access.at is None or not _holds(_meant(access.at, newest, paths)):
            yield f"{call} stores {access.field} in a slot that is in use"


def _meant(at: list[Any], newest: Any, paths: Paths) -> Any:
    """Whether the element ``newest`` is the one that was meant."""
    if isinstance(newest, int):
        return at[newest]
    return paths.choice(newest == 0, as_number(paths, at[0]), as_number(paths, at[1])) == 1


def as_number(paths: Paths, condition: Any) -> Any:
    return paths.choice(condition, 1, 0)


def _holds(condition: Any) -> bool:
    return bool(condition)


def _reads(
    call: str, shared: dict[str, Field], reads: list[Access], machine: PathMachine, paths: Paths
) -> Iterator[str]:
    """Of fields that another call writes: that call may come in between."""
    foreign = [access for access in reads if shared[access.field].writer != call]
    indexes = [access.field for access in foreign if _is_index(shared[access.field])]
    for name in sorted({name for name in indexes if indexes.count(name) > 1}):
        yield f"{call} reads {name} more than once, so that it may change in between"
    for position, access in enumerate(foreign):
        if _is_index(shared[access.field]):
            continue
        writer = shared[access.field].writer
        before = [a.field for a in foreign[:position] if _is_index(shared[a.field])]
        indexes = [name for name in before if shared[name].writer == writer]
        if not indexes:
            yield f"{call} reads {access.field} before what says which slot is in use"
        elif not _holds(_meant(access.at or [], machine.state[indexes[0]][0] & 1, paths)):
            yield f"{call} reads {access.field} in a slot that may be written meanwhile"
