"""An input that the proof found, tried: the model and the compiled C called on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from halfcycle.prove.equality import Example
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.turn import TURN_CALL_NAMES, Turn
from halfcycle.verify import compiler, isolated
from halfcycle.verify.compare import RESULT, results_of


@dataclass(frozen=True, slots=True)
class Replay:
    """What came out. ``field`` is "" if model and C agree."""

    field: str = ""
    model: int = 0
    compiled: int = 0
    trouble: str = ""
    """Why the C could not be called there, or "": it crashes, or does not compile."""


def tried(plan: Plan, files: Mapping[str, str], call: str, example: Example) -> Replay:
    """Call ``call`` of both sides on ``example``; the C in a process of its own."""
    try:
        got = isolated.call_apart(
            plan, files, call=call, state=dict(example.state), argument=example.argument
        )
    except (compiler.CompileError, isolated.ProcessLostError) as error:
        return Replay(trouble=str(error))
    return compared(plan, call, example, got)


def compared(plan: Plan, call: str, example: Example, got: Mapping[str, int]) -> Replay:
    """The first difference of the model to what the C ``got`` (as ``compare.call_once`` has it)."""
    arguments = () if example.argument is None else (example.argument,)
    model = Turn(plan.turning) if call in TURN_CALL_NAMES and plan.turning else Regulator(plan)
    if not call.endswith("reset"):
        model.load(example.state)
    if isinstance(model, Regulator) and call == "read":
        whole, told = model.read()
        results = results_of((whole, *told))
    else:
        results = {RESULT: getattr(model, call)(*arguments) or 0}
    wanted = {**model.fields(), **results}
    for field, value in wanted.items():
        if value != got[field]:
            return Replay(field, value, got[field])
    return Replay()
