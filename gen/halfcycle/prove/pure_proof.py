"""Small functions of the C that take numbers only, each proven once and equal to its like in the
model's arithmetic: wherever they are called both sides may then use one and the same unknown, and
no path forks inside them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from halfcycle.prove.c_operators import NotUnderstoodError, Number
from halfcycle.prove.c_source import Source
from halfcycle.prove.path_machine import PathMachine, UndefinedError
from halfcycle.prove.paths import Paths, Symbol, UndecidedError
from halfcycle.regulator import arithmetic
from halfcycle.regulator.plan import LEAN_WORD, Plan

LIMIT_S = 60.0
_SHORT = 1 << 15


@dataclass(frozen=True, slots=True)
class Pure:
    """``domain``: lowest and highest of each argument. ``result``: the same of what it returns, for
    any arguments in it."""

    model: Callable[..., int]
    domain: tuple[tuple[int, int], ...]
    result: tuple[int, int]

    def apply(self, paths: Paths, name: str, arguments: tuple[Any, ...]) -> Any:
        """The result: of unknowns, the same for the same ones, and no more is known of it."""
        if not any(isinstance(argument, Symbol) for argument in arguments):
            return self.model(*arguments)
        return paths.function(name, arguments, *self.result, rule=self.model)[0]


PURE: dict[str, Pure] = {
    "lesser": Pure(arithmetic.lesser, ((0, _SHORT - 1),) * 2, (0, _SHORT - 1)),
    "lean": Pure(
        arithmetic.lean,
        ((0, LEAN_WORD), (0, LEAN_WORD), (0, LEAN_WORD)),
        (-LEAN_WORD, LEAN_WORD),
    ),
    "alike": Pure(arithmetic.alike, ((-LEAN_WORD, LEAN_WORD),) * 2, (0, 1)),
}
"""By their names in ``arithmetic``; in the C they follow the regulator's name and _."""


def pure_of(plan: Plan) -> dict[str, Pure]:
    """``PURE``, and what tracks the zero: the Plan's constants, which the model's functions take
    after the numbers, stand in the C's themselves."""
    tracking = plan.tracking
    if tracking is None:
        return PURE
    bits, shift, limit = tracking.bits, tracking.step_shift, tracking.limit
    lean, per_code = plan.zero_lean_max, plan.lean_per_code_max
    codes = (-tracking.clamp, tracking.clamp)
    return PURE | {
        "zero_there": Pure(
            lambda lean, per_code, part, code: arithmetic.zero_there(
                lean, per_code, part, code, bits, shift, limit
            ),
            ((-lean, lean), (0, per_code), (-tracking.hold, tracking.hold), codes),
            (-limit, limit),
        ),
        "zero_held": Pure(
            lambda there, code: arithmetic.zero_held(there, code, bits, tracking.hold),
            ((-limit, limit), codes),
            codes,
        ),
    }


def is_proven(source: Source, name: str, pure: Pure) -> bool:
    """Whether the C's function ``name`` is the model's for all arguments of the domain. What was
    shown once of a source is remembered with it."""
    if name not in source.functions:
        return False
    if name not in source.pure:
        try:
            source.pure[name] = _is_equal(source, name, pure)
        except (NotUnderstoodError, UndecidedError, UndefinedError):
            # Run as a part of what calls it, it shows what is wrong and where.
            source.pure[name] = False
    return source.pure[name]


def _is_equal(source: Source, name: str, pure: Pure) -> bool:
    kinds = [kind for _, kind in source.parameters[name] if kind is not None]
    if len(kinds) != len(pure.domain) or len(source.parameters[name]) != len(kinds):
        return False
    if any(
        not kind.low <= low <= high <= kind.high
        for kind, (low, high) in zip(kinds, pure.domain, strict=True)
    ):
        return False
    paths = Paths(LIMIT_S)
    sides: list[bool] = []

    def run() -> None:
        unknowns = [
            paths.unknown(local, *bounds)
            for (local, _), bounds in zip(source.parameters[name], pure.domain, strict=True)
        ]
        wanted = pure.model(*unknowns)
        numbers = [Number(value, kind) for value, kind in zip(unknowns, kinds, strict=True)]
        got = PathMachine(source, paths, {}, {}).call(name, numbers, name)
        low, high = pure.result
        sides.append(got is not None and bool(wanted == got.value and low <= wanted <= high))

    paths.explore(run)
    return all(sides)
