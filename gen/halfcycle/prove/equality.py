"""Proof that one call of the C does what the model does: from every state, for every argument.

Both run on the same unknown state and argument, path by path: the model first, then the C under the
same decisions. At the end of each path every field and the result must be equal.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import z3

from halfcycle.prove import hand_over, invariants, model_run, root_proof
from halfcycle.prove.c_operators import NotUnderstoodError, Number
from halfcycle.prove.c_source import Source
from halfcycle.prove.path_machine import PathMachine, UndefinedError
from halfcycle.prove.paths import Paths, UndecidedError, term_of
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import CALLS, FIELDS, STATE

LIMIT_S = 900.0
"""Seconds for one call: the examples need a few, on a machine that has nothing else to do."""


@dataclass(slots=True)
class Equality:
    """What came out for one call."""

    call: str
    paths: int = 0
    undecided: str = ""
    """Why nothing can be said, or ""."""
    example: Example | None = None
    """An input for which the two seem to differ."""
    faults: list[str] = field(default_factory=list)
    """Stores and reads of shared fields that are out of order."""

    @property
    def equal(self) -> bool:
        return not self.undecided and self.example is None


@dataclass(frozen=True, slots=True)
class Example:
    """A state (names of ``state.FIELDS``) and an argument, and what the proof saw there."""

    state: Mapping[str, int]
    argument: int | None
    why: str
    undefined: bool = False
    """C leaves undefined what the call does there, so that a run may agree by chance."""


class _FoundError(Exception):
    """Ends the search: a difference was found."""


def prove_equal(plan: Plan, source: Source, call: str, limit_s: float = LIMIT_S) -> Equality:
    """Whether ``call`` of the C equals the model's, in at most ``limit_s`` seconds."""
    outcome = Equality(call)
    run = _Run(plan, source, call, outcome, Paths(limit_s))
    try:
        run.paths.explore(run.once)
    except _FoundError:
        pass
    except root_proof.NotProvenError as error:
        outcome.example = _root_example(plan, source, call, str(error))
        outcome.undecided = "" if outcome.example else str(error)
    except (UndecidedError, NotUnderstoodError) as error:
        outcome.undecided = str(error)
    except z3.Z3Exception as error:
        outcome.undecided = f"the solver failed: {error}"
    outcome.paths = run.paths.count
    return outcome


def _root_example(plan: Plan, source: Source, call: str, why: str) -> Example | None:
    """A state whose window's sum has a root that the C takes wrongly, if one is met."""
    top = plan.samples * plan.term_max
    name = f"{plan.name}_root"
    value = root_proof.wrong_argument(source, name, top >> plan.reading_shift)
    if call != "update" or value is None:
        return None
    total = value << plan.reading_shift
    regulator = Regulator(plan)
    regulator.close_window(total)
    return Example(regulator.fields(), None, f"{why}: the root of {value}")


class _Run:
    def __init__(
        self, plan: Plan, source: Source, call: str, outcome: Equality, paths: Paths
    ) -> None:
        self.plan, self.source, self.call = plan, source, call
        self.outcome, self.paths = outcome, paths
        self.result_exists = next(public for public in CALLS if public.name == call).returns
        self.model = model_run.copy(paths)
        root_name = f"{plan.name}_root"
        known = functools.partial(self._root, root_name)
        self.known = {root_name: known} if root_name in source.functions else {}

    def _root(self, name: str, value: Any) -> Any:
        top = root_proof.prove(self.source, name)
        if not (value >= 0 and value <= top):
            raise UndecidedError(f"{name} may be called beyond {top}")
        return model_run.root(self.paths, value)

    def once(self) -> None:
        """One path."""
        paths, plan = self.paths, self.plan
        (fields,) = self.source.structs.values()
        state = {
            name: [
                paths.unknown(f"{name}[{n}]" if length else name, *self._range(name, kind))
                for n in range(length or 1)
            ]
            for name, (kind, length, _) in fields.items()
        }
        # Reset starts from anything at all.
        if self.call != "reset" and not paths.replaying:
            terms = {name: [term_of(value) for value in row] for name, row in state.items()}
            conditions = (condition for _, condition in invariants.invariant(plan, terms))
            paths.assume(*(c for c in conditions if not isinstance(c, bool)))
        name = f"{plan.name}_{self.call}"
        numbers = [
            Number(paths.unknown(local, kind.low, kind.high), kind)
            for local, kind in self.source.parameters[name]
            if kind is not None
        ]
        arguments = [number.value for number in numbers]
        wanted, wanted_result = model_run.run(self.model, plan, state, self.call, arguments)
        machine = PathMachine(
            self.source, paths, {name: list(row) for name, row in state.items()}, self.known
        )
        try:
            result = machine.call(name, numbers, name)
        except UndefinedError as error:
            self._found(paths.model(), state, arguments, str(error), undefined=True)
        pairs = [
            (f"{name}_{n}" if len(row) > 1 else name, model, c)
            for name, row in machine.state.items()
            for n, (model, c) in enumerate(zip(wanted[name], row, strict=True))
        ]
        if result is not None or self.result_exists != "void":
            if result is None or wanted_result is None:
                raise NotUnderstoodError(f"{self.call} returns something in one of the two only")
            pairs.append(("the result", wanted_result, result.value))
        self._compare(pairs, state, arguments)
        if self.call != "reset" and not self.outcome.faults:
            self.outcome.faults += hand_over.faults(plan, self.call, machine, paths)

    def _range(self, name: str, kind: Any) -> tuple[int, int]:
        if self.call == "reset":
            return kind.low, kind.high
        low, high = next(f for f in STATE if f.name == name).bounds(self.plan)
        return max(low, kind.low), min(high, kind.high)

    def _compare(
        self, pairs: list[tuple[str, Any, Any]], state: dict[str, list[Any]], arguments: list[Any]
    ) -> None:
        open_ones = []
        for name, model, c in pairs:
            if isinstance(model, int) and isinstance(c, int):
                if model != c:
                    open_ones.append((name, z3.BoolVal(val=False)))
                continue
            if self.paths.node_of(model) is self.paths.node_of(c):
                continue
            equal = self.paths.node("==", self.paths.node_of(model), self.paths.node_of(c)).simple
            if not z3.is_true(equal):
                open_ones.append((name, equal))
        if open_ones:
            for model in self.paths.counterexample([equal for _, equal in open_ones]):
                differing = [
                    name
                    for name, equal in open_ones
                    if not z3.is_true(model.eval(equal, model_completion=True))
                ]
                self._found(model, state, arguments, f"{', '.join(differing)} would differ")

    def _found(
        self,
        model: Any,
        state: dict[str, list[Any]],
        arguments: list[Any],
        why: str,
        *,
        undefined: bool = False,
    ) -> None:
        def number(value: Any) -> int:
            if isinstance(value, int):
                return value
            return int(model.eval(value.term, model_completion=True).as_long())

        values = dict.fromkeys(FIELDS, 0)
        for row in STATE:
            elements = state.get(row.name)
            if elements is not None:
                values |= zip(row.elements, map(number, elements), strict=True)
        argument = number(arguments[0]) if arguments else None
        self.outcome.example = Example(values, argument, why, undefined)
        raise _FoundError
