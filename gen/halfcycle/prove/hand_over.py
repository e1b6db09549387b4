"""Whether the C keeps the order in which levels of interrupt hand values over.

Every field has one call that stores it (``regulator.state``), besides reset; one that is not shared
is that call's alone, to read as well. The content goes into the slot that is not in use, its count
first, then the field that says which slot is stored, once and last; a reader reads that field once
before the content, and perhaps again after it, and the content of that slot only. Compilers keep
the order of volatile accesses, so it is enough that the source has it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from typing import Any

from halfcycle.prove.c_source import Source
from halfcycle.prove.c_types import IntType
from halfcycle.prove.expressions import OUT
from halfcycle.prove.path_machine import Access, PathMachine, reads_again
from halfcycle.prove.paths import Paths
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import Field, fields_of
from halfcycle.regulator.turn import TURN_STATE, call_names, call_of, fields_for


def declaration_faults(plan: Plan, source: Source) -> Iterator[str]:
    """Fields of the struct and calls that are not declared as ``regulator.state`` has them."""
    yield from _field_faults(plan, source, fields_of(plan), "state")
    oscillator = f"{plan.name}_turn"
    if (plan.turning is not None) != (oscillator in source.declared):
        yield f"the C has {'no' if plan.turning else 'an'} oscillator, {oscillator}"
    elif plan.turning is not None:
        yield from _field_faults(plan, source.seen_from(oscillator), TURN_STATE, "oscillator")
    reading = f"{plan.name}_bus"
    if (plan.bus is not None) != (reading in source.functions):
        yield f"the C has {'no' if plan.bus else 'a'} {reading}"
    else:
        yield from _call_faults(plan, source)


def _field_faults(plan: Plan, source: Source, fields: Iterable[Field], whose: str) -> Iterator[str]:
    (declared,) = source.structs.values()
    wanted = {field.name: field for field in fields}
    for name in declared.keys() - wanted.keys():
        yield f"the {whose} has a field {name} that is not known"
    for name, field in wanted.items():
        if name not in declared:
            yield f"the {whose} has no field {name}"
            continue
        kind, length, volatile = declared[name]
        if field.is_shared(plan) and not volatile:
            yield f"{name} is seen by another level and is not volatile"
        slots = field.slot_count(plan) if field.indexed(plan) else 0
        if length != slots:
            yield f"{name} has {length or 1} elements, not {slots or 1}"
        if kind != source.types.get(field.c_type(plan)):
            yield f"{name} is not {field.c_type(plan)}"


def _call_faults(plan: Plan, source: Source) -> Iterator[str]:
    """Calls that take or return other types than ``state.CALLS`` says."""
    for call in map(call_of, call_names(plan)):
        name = f"{plan.name}_{call.name}"
        wanted: list[IntType | None] = [None]
        if call.argument is not None:
            wanted.append(source.types.get(call.argument[0]))
        if call.fills:
            wanted.append(None)
        if [kind for _, kind in source.parameters[name]] != wanted or (
            call.fills != (name in source.outs)
        ):
            yield f"{name} takes other arguments than the interface says"
        returned = source.int_type(source.functions[name].decl.type.type)
        kind = source.types.get(call.returns)
        if call.returns == "int":
            kind = source.widths.plain
        if returned != kind:
            yield f"{name} does not return {call.returns}"


def faults(plan: Plan, call: str, machine: PathMachine, paths: Paths) -> list[str]:
    """What is out of order on the path that ``machine`` has run."""
    fields = {field.name: field for field in fields_for(plan, call)}
    shared = {name: field for name, field in fields.items() if field.is_shared(plan)}
    accesses = [access for access in machine.accesses if access.field in shared]
    own = [access for access in machine.accesses if not access.field.startswith(OUT)]
    found = list(_trespasses(call, fields, shared, own))
    found += _clears(call, shared, accesses)
    found += _read_again(call, machine.accesses)
    found += _stores(call, shared, [a for a in accesses if a.is_store], machine, paths)
    found += _reads(call, shared, [a for a in accesses if not a.is_store], machine, paths)
    return found


def foreign_indexes(plan: Plan, call: str) -> frozenset[str]:
    """What says which slots other calls hand over: it may change between two accesses of ``call``.
    None of reset's, which runs alone."""
    if call.endswith("reset"):
        return frozenset()
    fields = fields_for(plan, call)
    return frozenset(field.name for field in fields if field.hands_over and field.writer != call)


def _read_again(call: str, accesses: list[Access]) -> Iterator[str]:
    """Stores of what says which slot is in use, read once more: it may have gone on, past what was
    taken. It may tell that this happened, and no more."""
    for access in accesses:
        if not access.is_store:
            continue
        for index in reads_again(access.value):
            yield f"{call} stores in {access.field} what it has read of {index} once more"


def _clears(call: str, shared: dict[str, Field], accesses: list[Access]) -> Iterator[str]:
    """Fields that another call sets, and this one clears: what comes in after they were read must
    not be lost."""
    for field in shared.values():
        if field.cleared_by != call:
            continue
        own = [access for access in accesses if access.field == field.name]
        for at, access in enumerate(own):
            if access.is_store and not (at and _holds(own[at - 1].value != 0)):
                yield f"{call} clears {field.name} though it may have read it as 0"
        if sum(not access.is_store for access in own) > 1:
            yield f"{call} reads {field.name} more than once, so that it may change in between"


def _is_content(field: Field) -> bool:
    """Whether it has two slots, of which an index says which one is in use. ``field``: shared."""
    return not field.hands_over and (field.slots == 2 or bool(field.hand_over))


def _is_of(content: Field, index: Field) -> bool:
    """Whether ``index`` says which slot of ``content`` is in use."""
    if content.hand_over or index.hand_over:
        return content.hand_over == index.name
    return content.writer == index.writer


def _trespasses(
    call: str, fields: dict[str, Field], shared: Collection[str], accesses: list[Access]
) -> Iterator[str]:
    """Accesses that are not this call's to make. A store of another call's field loses what that
    call stores in between, even if it stores what it has read; a read of one that is not
    ``shared`` may see a half of it, which is in no range that the proof takes for granted."""
    for access in accesses:
        field = fields[access.field]
        if field.writer == call or (access.is_store and field.cleared_by == call):
            continue
        if access.is_store:
            yield f"{call} stores {field.name}, which {field.writer} writes"
        elif field.name not in shared:
            yield f"{call} reads {field.name}, which is {field.writer}'s alone"


def _stores(
    call: str, shared: dict[str, Field], stores: list[Access], machine: PathMachine, paths: Paths
) -> Iterator[str]:
    indexes = [field for field in shared.values() if field.hands_over]
    stores = [access for access in stores if shared[access.field].writer == call]
    for access in stores:
        field = shared[access.field]
        if _is_content(field) and not any(
            _is_of(field, shared[a.field]) for a in stores if shared[a.field].hands_over
        ):
            yield f"{call} stores {access.field} and hands nothing over"
            return
    for index in indexes:
        # What it hands over and what else is stored up to it, but for other hand-overs.
        own = [
            access
            for access in stores
            if access.field == index.name
            or _is_of(shared[access.field], index)
            or (not index.hand_over and not shared[access.field].hand_over)
        ]
        places = [n for n, access in enumerate(own) if access.field == index.name]
        if not places:
            continue
        content = [shared[access.field] for access in own]
        content = [field for field in content if _is_content(field) and _is_of(field, index)]
        if any(field.counts for field in content[1:]):
            yield f"{call} stores what counts its updates after what they hand over"
            return
        if places != [len(own) - 1]:
            late = own[places[0] + 1 if places[0] + 1 < len(own) else places[0]].field
            yield f"{call} stores {late} after {index.name}, which hands it over"
            return
        (slot,) = machine.state[index.name]
        newest = slot & 1
        for access in own:
            if not _is_content(shared[access.field]):
                continue
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
    for name, field in shared.items():
        places = [n for n, access in enumerate(foreign) if access.field == name]
        contents = [
            n
            for n, access in enumerate(foreign)
            if _is_content(shared[access.field]) and shared[access.field].writer == field.writer
        ]
        # Read again after the content, it tells whether anything came in between.
        if not _is_content(field) and len([n for n in places if n < max(contents, default=0)]) > 1:
            yield f"{call} reads {name} more than once, so that it may change in between"
    for position, access in enumerate(foreign):
        if not _is_content(shared[access.field]):
            continue
        writer_indexes = [
            name
            for name in (a.field for a in foreign[:position])
            if shared[name].hands_over and _is_of(shared[access.field], shared[name])
        ]
        if not writer_indexes:
            yield f"{call} reads {access.field} before what says which slot is in use"
        elif not _holds(_meant(access.at or [], machine.state[writer_indexes[0]][0] & 1, paths)):
            yield f"{call} reads {access.field} in a slot that may be written meanwhile"
