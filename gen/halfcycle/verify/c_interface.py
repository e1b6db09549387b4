"""What ``c_harness`` must know of a regulator, as two C headers made for it from ``state``.

The headers serve the harness on this machine and the guest on a target alike, whose C then names no
field that it only copies and no call that it only repeats.
"""

from __future__ import annotations

from collections.abc import Iterator

from halfcycle.base import resources
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import (
    BUS_CALL_NAMES,
    CALL_NAMES,
    READERS,
    READING,
    STATE,
    calls_of,
    field_names,
)
from halfcycle.regulator.trace import COMPLETE, record_names
from halfcycle.regulator.turn import TURN_CALL_NAMES

NAMES_HEADER = "regulator.h"
STATE_HEADER = "state_fields.h"
FOLDER = "harness"
"""Where ``c_harness`` and these headers stand in a build, below the generated files: so no name of
a regulator can clash with theirs."""


def harness_files(*names: str) -> dict[str, str]:
    """Texts of files of ``c_harness`` by their place in a build."""
    return {f"{FOLDER}/{name}": resources.harness_text(name) for name in names}


def names_header(
    name: str, *, turning: bool = False, bus: bool = False, law: bool = False
) -> dict[str, str]:
    """The header that gives the regulator ``name`` the same names as any other, by its place.
    ``turning``: with the oscillator; ``HC_TURN`` says so. ``bus``: with the call that reads the
    bus; ``HC_BUS`` says so. ``law``: with the normalised law; ``HC_LAW`` says so."""
    oscillator = ("turn", *TURN_CALL_NAMES) if turning else ()
    reading = BUS_CALL_NAMES if bus else ()
    same = ["state", "reading", *CALL_NAMES, *reading, *oscillator]
    lines = [
        *(["#define HC_TURN", ""] if turning else []),
        *(["#define HC_BUS", ""] if bus else []),
        *(["#define HC_LAW", ""] if law else []),
        f'#include "../{name}.h"',
        "",
        *(f"#define hc_{ending} {name}_{ending}" for ending in same),
        f"#define HC_RATED_MV {name.upper()}_RATED_MV",
    ]
    return {f"{FOLDER}/{NAMES_HEADER}": _guarded("HC_REGULATOR_H", lines)}


def names_of(plan: Plan) -> dict[str, str]:
    """:func:`names_header` of all that this Plan's C has."""
    turning, bus = plan.turning is not None, plan.bus is not None
    return names_header(plan.name, turning=turning, bus=bus, law=plan.law is not None)


def state_header(plan: Plan) -> dict[str, str]:
    """The header that lists the numbers of a record, by its place in a build.

    ``HC_STATE(FIELD, ABSENT)`` is, in the order of a record, ``FIELD(number, place, type)`` for
    each number that the Plan's C has and ``ABSENT(number)`` for each that it leaves out;
    ``HC_READERS(READER)`` is ``READER(number, call)`` for each result of a reader. ``HC_CALLS`` has
    every call with its number in ``state.calls_of``: ``DO`` and ``GET`` take the state alone, the
    others an argument of the type named; ``GET`` and ``GET_WITH`` return something, and so does
    ``READ``, which fills a struct hc_reading. ``HC_READING(MEMBER)`` is ``MEMBER(number, name)``
    for each of its members, from 1.
    """
    record = record_names(plan)
    lines = [
        f"#define HC_FIELDS {len(field_names(plan))}",
        f"#define HC_RECORD {len(record)}",
        f"#define HC_COMPLETE {record.index(COMPLETE)}",
        "#define HC_STATE(FIELD, ABSENT) \\",
        " \\\n".join(f"    {entry}" for entry in _state_entries(plan)),
        "#define HC_READERS(READER) \\",
        " \\\n".join(f"    READER({record.index(name)}, hc_{name})" for name in READERS),
        f"#define HC_MEMBERS {len(READING)}",
        "#define HC_READING(MEMBER) \\",
        " \\\n".join(f"    MEMBER({n}, {name})" for n, (name, _, _) in enumerate(READING, 1)),
        "#define HC_CALLS(DO, DO_WITH, GET, GET_WITH, READ) \\",
        " \\\n".join(f"    {entry}" for entry in _call_entries(plan)),
        *(f"#define HC_TYPE_{field.name} {field.c_type(plan)}" for field in STATE),
    ]
    return {f"{FOLDER}/{STATE_HEADER}": _guarded("HC_STATE_FIELDS_H", lines)}


def _state_entries(plan: Plan) -> Iterator[str]:
    number = 0
    for field in STATE:
        for slot in range(field.slot_count(plan)):
            place = f"{field.name}[{slot}]" if field.indexed(plan) else field.name
            if field.present(plan):
                yield f"FIELD({number}, {place}, {field.c_type(plan)})"
            else:
                yield f"ABSENT({number})"
            number += 1


def _call_entries(plan: Plan) -> Iterator[str]:
    for number, call in enumerate(calls_of(plan)):
        kind = "DO" if call.returns == "void" else "GET"
        if call.fills:
            yield f"READ({number}, hc_{call.name})"
        elif call.argument is None:
            yield f"{kind}({number}, hc_{call.name})"
        else:
            yield f"{kind}_WITH({number}, hc_{call.name}, {call.argument[0]})"


def _guarded(guard: str, lines: list[str]) -> str:
    return "\n".join([f"#ifndef {guard}", f"#define {guard}", "", *lines, "", "#endif", ""])
