"""Proof that the C's square root is the model's, digit by digit, by induction.

A digit's step takes what is left of the argument and the root so far. If both sides agree on the
first step's input, on every step from any input that can come, and on the end, they agree on all.
"""

from __future__ import annotations

import importlib.util
from types import ModuleType
from typing import Any

import z3
from pycparser import c_ast

from halfcycle.prove.c_operators import NotUnderstoodError, Number
from halfcycle.prove.c_source import Source
from halfcycle.prove.expressions import Locals, Variable
from halfcycle.prove.path_machine import PathMachine, UndefinedError
from halfcycle.prove.paths import Paths, UndecidedError, term_of
from halfcycle.regulator import arithmetic

LEFT, ROOT, PLACE = "remainder", "result", "place"
"""The C's locals that the induction runs over."""
FIRST_PLACE = 1 << 30
LIMIT_S = 30.0


class NotProvenError(Exception):
    """The C's root is not shown to be the model's; the text says where."""


def prove(source: Source, name: str) -> int:
    """Show that the C function ``name`` is ``arithmetic.root`` for all of [0, the answer].

    Raises NotProvenError. What was shown once of a source is remembered with it.
    """
    if name not in source.roots:
        try:
            source.roots[name] = _Induction(source, name).run()
        except (NotUnderstoodError, UndecidedError, UndefinedError, KeyError) as error:
            source.roots[name] = f"{name}: {error}"
        except NotProvenError as error:
            source.roots[name] = str(error)
    shown = source.roots[name]
    if isinstance(shown, str):
        raise NotProvenError(shown)
    return shown


class _Induction:
    def __init__(self, source: Source, name: str) -> None:
        self.source, self.name = source, name
        self.top = 4 * FIRST_PLACE - 1
        """Greatest argument: all that the digits from the first place on can hold."""
        node = source.functions[name]
        items = node.body.block_items or []
        loops = [n for n, item in enumerate(items) if isinstance(item, c_ast.While)]
        parameters = source.parameters[name]
        if len(loops) != 1 or len(parameters) != 1:
            raise NotProvenError(f"{name} is not one loop over the digits of one number")
        self.before, self.loop, self.after = (
            items[: loops[0]],
            items[loops[0]],
            items[loops[0] + 1 :],
        )
        self.parameter, self.kind = parameters[0]

    def run(self) -> int:
        first = self._first_place()
        self.top = 4 * first - 1
        place = FIRST_PLACE
        while place > first:  # Digits that the C leaves out: none of them is set.
            self._each_path(lambda paths, place=place: self._left_out(paths, place))
            place >>= 2
        while place:
            self._each_path(lambda paths, place=place: self._step(paths, first, place))
            place >>= 2
        self._each_path(self._end)
        return self.top

    def _each_path(self, run: Any) -> None:
        paths = Paths(LIMIT_S)
        paths.explore(lambda: run(paths))

    def _machine(self, paths: Paths) -> PathMachine:
        (fields,) = self.source.structs.values()
        state: dict[str, list[Any]] = {name: [] for name in fields}
        machine = PathMachine(self.source, paths, state, {})
        machine.entered(self.name)
        return machine

    def _show(self, paths: Paths, what: str, *conditions: Any) -> None:
        for _ in paths.counterexample([z3.simplify(condition) for condition in conditions]):
            raise NotProvenError(f"{self.name}: not proven that {what}")

    def _equal(self, paths: Paths, what: str, *pairs: tuple[Any, Any]) -> None:
        self._show(paths, what, *(term_of(a) == term_of(b) for a, b in pairs))

    def _argument(self, paths: Paths) -> tuple[Any, Locals]:
        assert self.kind is not None
        value = paths.unknown("value", 0, self.top)
        return value, {self.parameter: Variable(self.kind, value)}

    def _first_place(self) -> int:
        """What the C sets before the loop: all of the argument left, no root, and the place."""
        places: list[int] = []

        def run(paths: Paths) -> None:
            value, variables = self._argument(paths)
            machine = self._machine(paths)
            for item in self.before:
                machine.step(item, variables)
            left, root, place = (variables[name].value for name in (LEFT, ROOT, PLACE))
            self._equal(paths, "it starts with the argument and 0", (left, value), (root, 0))
            places.append(place)

        self._each_path(run)
        if len(places) != 1 or not isinstance(places[0], int):
            raise NotProvenError(f"{self.name}: its first place is not one number")
        if places[0] not in [FIRST_PLACE >> k for k in range(0, 31, 2)]:
            raise NotProvenError(f"{self.name}: its first place is {places[0]}")
        return places[0]

    def _left_out(self, paths: Paths, place: int) -> None:
        value = paths.unknown("value", 0, self.top)
        left, root = arithmetic.root_digit(value, 0, place)
        self._equal(paths, f"no digit of place {place} is set", (left, value), (root, 0))

    def _any(self, paths: Paths, first: int, place: int) -> tuple[Any, Any]:
        """Any remainder and root that can come before the digit of ``place`` = 4^k: the root is a
        multiple of 2^(k+1), and here it is in units of 2^-(k+1)."""
        left = paths.unknown(LEFT, 0, self.top)
        root = paths.unknown(ROOT, 0, self._root_max(first, place) // (4 * place)) * (4 * place)
        for condition in self._possible(left, root, place):
            paths.assume(condition)
        return left, root

    @staticmethod
    def _root_max(first: int, place: int) -> int:
        """With all digits set, in units of 2^(k+1) if the next is the one of 4^k."""
        top, unit = 1 << (first.bit_length() // 2 + 1), 1 << (place.bit_length() // 2 + 1)
        if not place:
            return top
        return (top - unit) * unit

    @staticmethod
    def _possible(left: Any, root: Any, place: int) -> list[Any]:
        """The argument is below the square of the root so far with its last digit one up."""
        return [term_of(left) < 2 * term_of(root) + max(4 * place, 1)]

    def _step(self, paths: Paths, first: int, place: int) -> None:
        left, root = self._any(paths, first, place)
        wanted = arithmetic.root_digit(left, root, place)
        after = place >> 2
        self._show(
            paths,
            "a digit leaves less than the next ones can hold",
            *self._possible(*wanted, after),
            term_of(wanted[0]) >= 0,
            term_of(wanted[0]) <= self.top,
            term_of(wanted[1]) >= 0,
            term_of(wanted[1]) <= self._root_max(first, after),
            term_of(wanted[1]) % place == 0,
        )
        variables = self._inside(left, root, place)
        machine = self._machine(paths)
        if not machine.truth(self.loop.cond, variables):
            raise NotProvenError(f"{self.name} ends before the digit of {place}")
        machine.step(self.loop.stmt, variables)
        got = [variables[name].value for name in (LEFT, ROOT, PLACE)]
        self._equal(
            paths,
            f"the digit of {place} is the model's",
            *zip(got, (*wanted, after), strict=True),
        )

    def _inside(self, left: Any, root: Any, place: int) -> Locals:
        """The locals at the head of the loop."""
        variables: Locals = {}
        machine = self._machine(Paths(LIMIT_S))
        for item in self.before:
            if not isinstance(item, c_ast.Decl):
                raise NotProvenError(f"{self.name}: more than declarations before its loop")
            kind = machine.source.int_type(item.type)
            assert kind is not None
            values = {LEFT: left, ROOT: root, PLACE: place}
            if item.name not in values:
                raise NotProvenError(f"{self.name}: {item.name} is not a part of the induction")
            variables[item.name] = Variable(kind, values[item.name])
        return variables

    def _end(self, paths: Paths) -> None:
        left = paths.unknown(LEFT, 0, self.top)
        root = paths.unknown(ROOT, 0, 1 << 17)
        for condition in self._possible(left, root, 0):
            paths.assume(condition)
        wanted = _ending(left, root)
        variables = self._inside(left, root, 0)
        machine = self._machine(paths)
        if machine.truth(self.loop.cond, variables):
            raise NotProvenError(f"{self.name} does not end after the last digit")
        for item in self.after[:-1]:
            machine.step(item, variables)
        result = machine.step(self.after[-1], variables) if self.after else None
        if not isinstance(result, Number):
            raise NotProvenError(f"{self.name} does not end in a return")
        self._equal(paths, "it rounds as the model does", (result.value, wanted))


def _ending(left: Any, root: Any) -> Any:
    """What ``arithmetic.root`` makes of the last remainder and root: its own code, in a copy whose
    digits are these."""
    spec = importlib.util.find_spec(arithmetic.__name__)
    assert spec is not None and spec.loader is not None
    module: ModuleType = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.root_digit = lambda *_: (left, root)  # type: ignore[attr-defined]
    return module.root(0)
