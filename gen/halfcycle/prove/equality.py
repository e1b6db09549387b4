"""Proof that one call of the C does what the model does: from every state, for every argument.

Both run on the same unknown state and argument, path by path: the model first, then the C under the
same decisions, as each width of ``int`` has it. At the end of each path every field and the result
must be equal.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import z3

from halfcycle.prove import hand_over, invariants, model_run, root_proof
from halfcycle.prove.c_operators import NotUnderstoodError, Number
from halfcycle.prove.c_source import Source
from halfcycle.prove.expressions import OUT
from halfcycle.prove.path_machine import PathMachine, UndefinedError
from halfcycle.prove.paths import BeyondError, Paths, UndecidedError, term_of
from halfcycle.prove.pure_proof import is_proven, pure_of
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import field_names
from halfcycle.regulator.turn import TURN_CALL_NAMES, TURN_FIELD_NAMES, call_of, fields_for

LIMIT_S = 900.0
"""Seconds for one call and width of ``int``: the examples need a few, on a machine that has nothing
else to do."""


@dataclass(slots=True)
class Equality:
    """What came out for one call."""

    call: str
    paths: int = 0
    undecided: str = ""
    """Why nothing can be said, or ""."""
    cause: Exception | None = None
    """What was raised, if that is why."""
    example: Example | None = None
    """An input for which the two seem to differ."""
    int_bits: int = 0
    """The width of ``int`` for which ``example`` was found."""
    faults: list[str] = field(default_factory=list)
    """Stores and reads of shared fields that are out of order."""
    open_at: int | None = None
    """Which of the sources it was that is not equal, or of which nothing can be said."""
    faulty: set[int] = field(default_factory=set)
    """Which of the sources have ``faults``."""

    @property
    def equal(self) -> bool:
        return not self.undecided and self.example is None


@dataclass(frozen=True, slots=True)
class Example:
    """A state (names of ``state.field_names``) and an argument, and what the proof saw there."""

    state: Mapping[str, int]
    argument: int | None
    why: str
    undefined: bool = False
    """C leaves undefined what the call does there, so that a run may agree by chance."""


class _FoundError(Exception):
    """Ends the search: a difference was found."""


def prove_equal(
    plan: Plan, *sources: Source, call: str, limit_s: float = LIMIT_S, by_parts: bool = True
) -> Equality:
    """Whether ``call`` of the C equals the model's, in at most ``limit_s`` seconds for each of
    ``sources``.

    ``sources``: the C as each width of ``int`` has it. They share the model's run and what the
    solver says of a path, which is most of the time. ``by_parts``: small functions are proven by
    themselves and then stand for no more than the same unknown on both sides; else they are run,
    which takes longer and proves what is equal only by what they compute.
    """
    sources = tuple(source.of_call(plan.name, call) for source in sources)
    paths = Paths(limit_s, cuts=True)
    outcome = _proven(plan, sources, call, paths, by_parts=by_parts)
    if not outcome.equal and paths.has_cut:
        # The two may divide sums that are equal for another reason than that they look so.
        return _proven(plan, sources, call, Paths(limit_s), by_parts=by_parts)
    return outcome


def _proven(
    plan: Plan, sources: tuple[Source, ...], call: str, paths: Paths, *, by_parts: bool
) -> Equality:
    outcome = Equality(call)
    run = _Run(plan, sources, call, outcome, paths, by_parts=by_parts)
    try:
        run.paths.explore(run.once)
    except _FoundError:
        pass
    except root_proof.NotProvenError as error:
        outcome.int_bits = run.source.widths.int_bits
        outcome.example = _root_example(plan, run.source, call, str(error))
        outcome.undecided = "" if outcome.example else str(error)
    except (UndecidedError, NotUnderstoodError) as error:
        outcome.undecided = str(error)
        outcome.cause = error
    except z3.Z3Exception as error:
        outcome.undecided = f"the solver failed: {error}"
    outcome.paths = run.paths.count
    if not outcome.equal:
        outcome.open_at = run.at
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
    regulator.close_with(total)
    return Example(regulator.fields(), None, f"{why}: the root of {value}")


class _Run:
    def __init__(
        self,
        plan: Plan,
        sources: tuple[Source, ...],
        call: str,
        outcome: Equality,
        paths: Paths,
        *,
        by_parts: bool,
    ) -> None:
        self.plan, self.sources, self.call = plan, sources, call
        self.at, self.source = 0, sources[0]
        """The one that runs now, and which it is."""
        self.outcome, self.paths = outcome, paths
        self.result_exists = call_of(call).returns
        self.proven = {
            name: pure
            for name, pure in pure_of(plan).items()
            if by_parts
            and all(is_proven(source, f"{plan.name}_{name}", pure) for source in sources)
        }
        """The small functions that every width of ``int`` was shown to compute as the model."""
        self.model = model_run.copy(paths, self.proven)
        self.ranges = {row.name: row.bounds(plan) for row in fields_for(plan, call)}
        self.shown: set[Any] = set()
        """What was shown to be equal on this path."""

    def _known(self) -> dict[str, Callable[..., Any]]:
        """What the C's functions stand for that are not run as parts of what calls them."""
        prefix = f"{self.plan.name}_"
        known: dict[str, Callable[..., Any]] = {
            prefix + name: functools.partial(self._pure, name) for name in self.proven
        }
        if (root := f"{prefix}root") in self.source.functions:
            known[root] = functools.partial(self._root, root)
        return known

    def _root(self, name: str, machine: PathMachine, value: Any) -> Any:
        del machine
        top = root_proof.prove(self.source, name)
        if not self.paths.is_within(value, 0, top):
            raise BeyondError(f"{name} may be called beyond {top}")
        return model_run.root(self.paths, value)

    def _pure(self, name: str, machine: PathMachine, *arguments: Any) -> Any:
        pure = self.proven[name]
        if pure.moves:
            arguments = (machine.load(pure.moves, [True]), *arguments)
        for value, (low, high) in zip(arguments, pure.domain, strict=True):
            if not (value >= low and value <= high):
                raise BeyondError(f"{name} may be called beyond {low}..{high}")
        ends = pure.apply(self.paths, name, arguments)
        if not pure.moves:
            return ends
        after, result = ends
        machine.store(pure.moves, [True], after)
        return result

    def once(self) -> None:
        """One path."""
        paths, plan = self.paths, self.plan
        self.at, self.source = 0, self.sources[0]
        (fields,) = self.source.structs.values()
        state = {
            name: [
                paths.unknown(f"{name}[{n}]" if length else name, *self._range(name, kind))
                for n in range(length or 1)
            ]
            for name, (kind, length, _) in fields.items()
        }
        # Reset starts from anything at all.
        if not self.call.endswith("reset") and not paths.replaying:
            terms = {name: [term_of(value) for value in row] for name, row in state.items()}
            conditions = (condition for _, condition in invariants.of_call(plan, self.call, terms))
            paths.assume(*(c for c in conditions if not isinstance(c, bool)))
        arguments = [
            paths.unknown(local, kind.low, kind.high)
            for local, kind in self.source.parameters[f"{plan.name}_{self.call}"]
            if kind is not None
        ]
        wanted, wanted_result = model_run.run(self.model, plan, state, self.call, arguments)
        self.shown = set()
        for at, source in enumerate(self.sources):
            self.at, self.source = at, source
            with paths.learning_alone():
                machine, result = self._c(state, arguments)
                self._compare(self._pairs(machine, result, wanted, wanted_result), state, arguments)
                if not self.call.endswith("reset"):
                    # On every path, so that each is the same whenever it is run again.
                    faults = hand_over.faults(plan, self.call, machine, paths)
                    self.outcome.faults += [f for f in faults if f not in self.outcome.faults]
                    if faults:
                        self.outcome.faulty.add(at)

    def _c(
        self, state: dict[str, list[Any]], arguments: list[Any]
    ) -> tuple[PathMachine, Number | None]:
        """The C after the call, and what it returned."""
        name = f"{self.plan.name}_{self.call}"
        kinds = (kind for _, kind in self.source.parameters[name] if kind is not None)
        numbers = [Number(value, kind) for value, kind in zip(arguments, kinds, strict=True)]
        before = {field: list(row) for field, row in state.items()}
        if name in self.source.outs:
            for member, kind in self.source.reading.items():
                before[f"{OUT}{member}"] = [self.paths.unknown(member, kind.low, kind.high)]
        foreign = hand_over.foreign_indexes(self.plan, self.call)
        machine = PathMachine(self.source, self.paths, before, self._known(), foreign)
        try:
            return machine, machine.call(name, numbers, name)
        except UndefinedError as error:
            self._found(self.paths.model(), state, arguments, str(error), undefined=True)
            raise

    def _pairs(
        self,
        machine: PathMachine,
        result: Number | None,
        wanted: Mapping[str, list[Any]],
        wanted_result: Any,
    ) -> list[tuple[str, Any, Any]]:
        """(what, the model's, the C's) of everything that must be equal."""
        pairs = [
            (f"{name}_{n}" if len(row) > 1 else name, model, c)
            for name, row in machine.state.items()
            for n, (model, c) in enumerate(zip(wanted[name], row, strict=True))
        ]
        if result is not None or self.result_exists != "void":
            if result is None or wanted_result is None:
                raise NotUnderstoodError(f"{self.call} returns something in one of the two only")
            pairs.append(("the result", wanted_result, result.value))
        return pairs

    def _range(self, name: str, kind: Any) -> tuple[int, int]:
        if self.call.endswith("reset"):
            return kind.low, kind.high
        low, high = self.ranges[name]
        return max(low, kind.low), min(high, kind.high)

    def _compare(
        self, pairs: list[tuple[str, Any, Any]], state: dict[str, list[Any]], arguments: list[Any]
    ) -> None:
        open_ones, nodes = [], set()
        for name, model, c in pairs:
            if isinstance(model, int) and isinstance(c, int):
                if model != c:
                    open_ones.append((name, z3.BoolVal(val=False)))
                continue
            if self.paths.node_of(model) is self.paths.node_of(c):
                continue
            node = self.paths.node("==", self.paths.node_of(model), self.paths.node_of(c))
            if node not in self.shown and not z3.is_true(node.simple):
                open_ones.append((name, node.simple))
                nodes.add(node)
        if open_ones:
            for model in self.paths.counterexample([equal for _, equal in open_ones]):
                differing = [
                    name
                    for name, equal in open_ones
                    if not z3.is_true(model.eval(equal, model_completion=True))
                ]
                self._found(model, state, arguments, f"{', '.join(differing)} would differ")
            self.shown |= nodes

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

        is_turn = self.call in TURN_CALL_NAMES
        values = dict.fromkeys(TURN_FIELD_NAMES if is_turn else field_names(self.plan), 0)
        for row in fields_for(self.plan, self.call):
            elements = map(number, state[row.name])
            values |= zip(row.elements(self.plan), elements, strict=True)
        argument = number(arguments[0]) if arguments else None
        self.outcome.int_bits = self.source.widths.int_bits
        self.outcome.example = Example(values, argument, why, undefined)
        raise _FoundError
