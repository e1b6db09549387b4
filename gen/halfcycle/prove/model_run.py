"""The reference model itself on unknown integers: the other side of every proof of equality.

It is run from a copy of its own module, in which the square root stands for what ``root_proof``
shows of it, and some small functions for what ``pure_proof`` shows; everything else is the code
that the tests and ``verify.compare`` run.
"""

from __future__ import annotations

import functools
import importlib.util
import math
from collections.abc import Callable, Mapping
from types import ModuleType, SimpleNamespace
from typing import Any

from halfcycle.prove.expressions import OUT
from halfcycle.prove.paths import Paths, Symbol
from halfcycle.prove.pure_proof import Pure
from halfcycle.regulator import arithmetic
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import STATE
from halfcycle.regulator.turn import TURN_CALL_NAMES, TURN_STATE, Turn

MODEL = "halfcycle.regulator.model"
MAX_FORKLESS = 2


class Elements(list[Any]):
    """A field of several elements: of two, an unknown index chooses without a fork."""

    def __getitem__(self, at: Any) -> Any:
        if isinstance(at, Symbol) and len(self) <= MAX_FORKLESS:
            return at.paths.choice(at == 0, *(list.__getitem__(self, k) for k in (0, 1)))
        return super().__getitem__(at)

    def __setitem__(self, at: Any, value: Any) -> None:
        if isinstance(at, Symbol) and len(self) <= MAX_FORKLESS:
            for k in (0, 1):
                before = list.__getitem__(self, k)
                super().__setitem__(k, at.paths.choice(at == k, value, before))
        else:
            super().__setitem__(at, value)


def copy(paths: Paths, proven: Mapping[str, Pure]) -> ModuleType:
    """The model's module with the root of ``paths``, and with the functions that are ``proven`` of
    the C."""
    spec = importlib.util.find_spec(MODEL)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    functions = {**vars(arithmetic), "root": functools.partial(root, paths)}
    functions |= {
        name: functools.partial(_pure, paths, name, pure)
        for name, pure in proven.items()
        if not pure.moves
    }
    module.arithmetic = SimpleNamespace(**functions)  # type: ignore[attr-defined]
    for name, pure in proven.items():
        if pure.moves:
            setattr(module.Regulator, f"_{name}", _moving(paths, name, pure))
    return module


def _moving(paths: Paths, name: str, pure: Pure) -> Callable[..., Any]:
    """The method that moves a field of the regulator."""

    def method(regulator: Any, *arguments: Any) -> Any:
        before = getattr(regulator, pure.moves)
        after, result = pure.apply(paths, name, (before, *arguments))
        setattr(regulator, pure.moves, after)
        return result

    return method


def root(paths: Paths, value: Any) -> Any:
    """``arithmetic.root``: of an unknown, the same for the same value, and no more is known."""
    if not isinstance(value, Symbol):
        return arithmetic.root(value)
    low, high = value.bounds
    top = math.isqrt(max(high, 0)) + 1
    return paths.function("root", (value,), math.isqrt(max(low, 0)), top)[0]


def _pure(paths: Paths, name: str, pure: Pure, *arguments: Any) -> Any:
    """The function of what the C's takes: constants of the Plan come after it."""
    return pure.apply(paths, name, arguments[: len(pure.domain)])


def run(
    model: ModuleType, plan: Plan, state: dict[str, list[Any]], call: str, arguments: list[Any]
) -> tuple[dict[str, list[Any]], Any]:
    """State and result of the model (a ``copy``) after ``call`` from ``state`` (field to
    elements); what read fills in, after ``OUT``, beside the state."""
    if call in TURN_CALL_NAMES:
        return _turned(plan, state, call, arguments)
    regulator = model.Regulator(plan)
    present = [field for field in STATE if field.slot_count(plan)]
    for field in present:
        elements = state.get(field.name, [0] * field.slot_count(plan))
        value = Elements(elements) if field.indexed(plan) else elements[0]
        setattr(regulator, model.attribute(field), value)
    result = getattr(regulator, call)(*arguments)
    after: dict[str, list[Any]] = {}
    if call == "read":
        result, told = result
        after |= {f"{OUT}{name}": [value] for name, value in told._asdict().items()}
    for field in present:
        value = getattr(regulator, model.attribute(field))
        after[field.name] = list(value) if isinstance(value, list) else [value]
    return after, result


def _turned(
    plan: Plan, state: dict[str, list[Any]], call: str, arguments: list[Any]
) -> tuple[dict[str, list[Any]], Any]:
    """The same of the oscillator."""
    assert plan.turning is not None
    turn = Turn(plan.turning)
    for field in TURN_STATE:
        elements = state[field.name]
        setattr(turn, field.name, Elements(elements) if field.indexed(plan) else elements[0])
    result = getattr(turn, call)(*arguments)
    after = {field.name: getattr(turn, field.name) for field in TURN_STATE}
    return {k: list(v) if isinstance(v, list) else [v] for k, v in after.items()}, result
