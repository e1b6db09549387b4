"""Whether the barriers stand at what another core reads: the outputs, which update hands over.

On one core the order of volatile accesses is enough, and no proof of values sees a barrier. So it
is the text's own order that is looked at, function by function, with the functions that it calls.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

from pycparser import c_ast

from halfcycle.prove.c_source import FENCE, Source
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import fields_of

INDEX = "output_sequence"
READERS = ("read", "rms_mv", "scale", "flags")
"""The calls that another core may make."""
Step = tuple[str, str]
"""("load", "store" or "fence", field)."""


def faults(plan: Plan, source: Source) -> Iterator[str]:
    """Where a barrier is missing between the outputs and what says which slot is in use."""
    content = {
        field.name
        for field in fields_of(plan)
        if field.writer == "update" and field.is_shared(plan) and field.slot_count(plan) == 2
    } - {field.name for field in fields_of(plan) if field.hand_over}
    for name, function in source.functions.items():
        if name == f"{plan.name}_reset":
            continue
        steps = list(_steps(source, function.body, tuple(source.functions)))
        for at, step in enumerate(steps):
            if step != ("store", INDEX):
                continue
            for near, side in ((steps[:at][-1:], "before"), (steps[at + 1 :][:1], "after")):
                if near != [("fence", "")]:
                    yield f"{name} has no {plan.name.upper()}_FENCE() {side} it stores {INDEX}"
    for call in READERS:
        name = f"{plan.name}_{call}"
        looked = [
            (kind, field)
            for kind, field in _steps(source, source.functions[name].body, (name,))
            if kind == "fence" or field == INDEX or (field in content and kind == "load")
        ]
        for (_, one), (_, other) in itertools.pairwise(looked):
            if one and other and (one == INDEX) != (other == INDEX):
                yield f"{name} has no {plan.name.upper()}_FENCE() between {one} and {other}"


def _steps(source: Source, node: Any, running: tuple[str, ...]) -> Iterator[Step]:
    """The accesses of a part of a function to fields, and its barriers, as the text has them, with
    those of the functions that it calls but for ``running``."""
    match node:
        case c_ast.FuncCall(name=c_ast.ID()):
            if node.args is not None:
                yield from _steps(source, node.args, running)
            called = node.name.name
            if called == FENCE:
                yield "fence", ""
            elif called in source.functions and called not in running:
                yield from _steps(source, source.functions[called].body, (*running, called))
        case c_ast.Assignment():
            yield from _steps(source, node.rvalue, running)
            target = node.lvalue
            if isinstance(target, c_ast.ArrayRef):
                yield from _steps(source, target.subscript, running)
                target = target.name
            if isinstance(target, c_ast.StructRef):
                yield "store", target.field.name
        case c_ast.StructRef():
            yield "load", node.field.name
        case _:
            for _, child in node.children():
                yield from _steps(source, child, running)
