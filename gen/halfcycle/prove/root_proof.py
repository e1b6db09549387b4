"""Proof that the C's square root is the model's: both are the nearest one, digit by digit.

By induction over the digits. Before the digit of place 4^k the argument is R^2 + ``remainder`` for
a multiple R of 2^(k+1), the root so far, and ``result`` is R 2^(k+1). A step sets the digit,
R + 2^k, and takes the difference of the squares, ``result + place``, from the remainder, or does
neither; what is left must be at most what the digits below can take away. The end makes R or R + 1
of it, by the rule of which there is one root only. All of this is linear in the two.
"""

from __future__ import annotations

import functools
import importlib.util
import math
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
LIMIT_S = 300.0
TRIED_ROOTS = 150


class NotProvenError(Exception):
    """The C's root is not shown to be the model's; the text says where."""


def prove(source: Source, name: str) -> int:
    """Show that the C function ``name``, and ``arithmetic.root``, are the nearest square root, for
    all of [0, the answer].

    Raises NotProvenError. What was shown once of a source is remembered with it.
    """
    if name not in source.roots:
        try:
            _model_is_proven()
            source.roots[name] = _Induction(source, name).run()
        except (NotUnderstoodError, UndecidedError, UndefinedError, KeyError) as error:
            source.roots[name] = f"{name}: {error}"
        except NotProvenError as error:
            source.roots[name] = str(error)
    shown = source.roots[name]
    if isinstance(shown, str):
        raise NotProvenError(shown)
    return shown


def wrong_argument(source: Source, name: str, top: int) -> int | None:
    """A number of [0, ``top``] of which the C's root is another than the model's, None if none of
    those that are tried is: both sides of squares, and of where the rounding changes."""
    highest = math.isqrt(top)
    roots: set[int] = {*range(min(highest, 64) + 1), highest, *(1 << bit for bit in range(17))}
    roots |= {highest * step // TRIED_ROOTS for step in range(TRIED_ROOTS)}
    for root in sorted(roots):
        edges: tuple[int, ...] = (root * (root - 1), root * root, root * (root + 1))
        for value in (edge + side for edge in edges for side in (-1, 0, 1)):
            if 0 <= value <= top and _root_of(source, name, value) != arithmetic.root(value):
                return int(value)
    return None


def _root_of(source: Source, name: str, value: int) -> int | None:
    """What the C makes of a known number; None if C leaves it undefined."""
    (fields,) = source.structs.values()
    machine = PathMachine(source, Paths(), {field: [] for field in fields}, {})
    try:
        # As large as it is: the call converts it to what the function takes.
        result = machine.call(name, [Number(value, source.types["uint32_t"])], name)
    except (UndefinedError, NotUnderstoodError):
        return None
    return int(result.value) if result is not None else None


def _is_number(item: Any) -> bool:
    return isinstance(item, c_ast.Decl) and isinstance(item.type, c_ast.TypeDecl)


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
        # The induction runs over numbers of 32 bits, and what it shows is of no other type.
        word = source.types["uint32_t"]
        locals_ = [source.int_type(item.type) for item in self.before if _is_number(item)]
        types = [self.kind, source.int_type(node.decl.type.type), *locals_]
        if any(kind != word for kind in types):
            raise NotProvenError(f"{name} does not take, keep and return uint32_t")

    def run(self) -> int:
        first = self._first_place()
        self.top = 4 * first - 1
        place = first
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

    def _any(self, paths: Paths, first: int, place: int) -> tuple[Any, Any]:
        """Any remainder and root that can come before the digit of ``place`` = 4^k: the root is a
        multiple of 2^(k+1), and here it is in units of 2^-(k+1)."""
        left = paths.unknown(LEFT, 0, self.top)
        root = paths.unknown(ROOT, 0, self._root_max(first, place) // (4 * place)) * (4 * place)
        paths.assume(self._possible(left, root, place))
        return left, root

    @staticmethod
    def _root_max(first: int, place: int) -> int:
        """With all digits set, in units of 2^(k+1) if the next is the one of 4^k."""
        top, unit = 1 << (first.bit_length() // 2 + 1), 1 << (place.bit_length() // 2 + 1)
        if not place:
            return top
        return (top - unit) * unit

    @staticmethod
    def _possible(left: Any, root: Any, place: int) -> Any:
        """The argument is at most the square of the root so far with its last digit one up."""
        return term_of(left) <= 2 * term_of(root) + max(4 * place, 1)

    def _step(self, paths: Paths, first: int, place: int) -> None:
        left, root = self._any(paths, first, place)
        after_left, after_root = self._digit(paths, left, root, place)
        after = place >> 2
        a, b = term_of(left), term_of(root)
        c, d = term_of(after_left), term_of(after_root)
        self._show(
            paths,
            f"its digit of place {place} is a digit",
            z3.Or(
                z3.And(c == a, 2 * d == b),
                z3.And(c == a - b - place, 2 * d == b + 2 * place),
            ),
            self._possible(after_left, after_root, after),
            c >= 0,
            c <= self.top,
            d <= self._root_max(first, after),
        )

    def _digit(self, paths: Paths, left: Any, root: Any, place: int) -> tuple[Any, Any]:
        """Remainder and root after the digit of ``place``."""
        variables = self._inside(left, root, place)
        machine = self._machine(paths)
        if not machine.truth(self.loop.cond, variables):
            raise NotProvenError(f"{self.name} ends before the digit of {place}")
        machine.step(self.loop.stmt, variables)
        if variables[PLACE].value != place >> 2:
            raise NotProvenError(f"{self.name}: the place after {place} is not a quarter of it")
        return variables[LEFT].value, variables[ROOT].value

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
        root = paths.unknown(ROOT, 0, 1 << 16)
        paths.assume(self._possible(left, root, 0))
        a, b, result = term_of(left), term_of(root), term_of(self._rounded(paths, left, root))
        self._show(
            paths,
            "it rounds to nearest",
            z3.Or(z3.And(a <= b, result == b), z3.And(a > b, result == b + 1)),
        )

    def _rounded(self, paths: Paths, left: Any, root: Any) -> Any:
        """What is returned after the last digit."""
        variables = self._inside(left, root, 0)
        machine = self._machine(paths)
        if machine.truth(self.loop.cond, variables):
            raise NotProvenError(f"{self.name} does not end after the last digit")
        for item in self.after[:-1]:
            machine.step(item, variables)
        result = machine.step(self.after[-1], variables) if self.after else None
        if not isinstance(result, Number):
            raise NotProvenError(f"{self.name} does not end in a return")
        return result.value


class _OfTheModel(_Induction):
    """The same of ``arithmetic.root``, whose digits all run from ``FIRST_PLACE`` on."""

    def __init__(self) -> None:
        self.name = f"{arithmetic.__name__}.root"
        self.top = 4 * FIRST_PLACE - 1

    def _first_place(self) -> int:
        seen: list[tuple[int, int, int]] = []
        module = _arithmetic()

        def digit(left: int, root: int, place: int) -> tuple[int, int]:
            seen.append((left, root, place))
            return left, root

        module.root_digit = digit
        module.root(self.top)
        expected = [(self.top, 0, FIRST_PLACE >> shift) for shift in range(0, 31, 2)]
        if seen != expected:
            raise NotProvenError(f"{self.name} has other digits than one for each place")
        return FIRST_PLACE

    def _digit(self, paths: Paths, left: Any, root: Any, place: int) -> tuple[Any, Any]:
        del paths
        return arithmetic.root_digit(left, root, place)

    def _rounded(self, paths: Paths, left: Any, root: Any) -> Any:
        del paths
        module = _arithmetic()
        module.root_digit = lambda *_: (left, root)
        return module.root(0)


@functools.cache
def _model_is_proven() -> bool:
    """Show it of the model, once; raises NotProvenError."""
    return bool(_OfTheModel().run())


def _arithmetic() -> Any:
    """A copy of the model's arithmetic, in which a function can be replaced."""
    spec = importlib.util.find_spec(arithmetic.__name__)
    assert spec is not None and spec.loader is not None
    module: ModuleType = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
