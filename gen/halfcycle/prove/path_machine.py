"""Runs a function of the generated C along one path of unknown numbers (``paths``).

As ``executor`` does, but every condition is decided by the path and every value is exact: what
wraps wraps, and what C leaves undefined ends the path with an ``UndefinedError``. Besides, it keeps
the order in which the fields of the state are read and stored.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Any

from pycparser import c_ast

from halfcycle.prove.c_operators import Arithmetic, NotUnderstoodError, Number, not_understood
from halfcycle.prove.c_source import Source
from halfcycle.prove.c_types import IntType
from halfcycle.prove.claims import Claims
from halfcycle.prove.executor import Machine
from halfcycle.prove.expressions import COMPARISONS, Locals
from halfcycle.prove.paths import Paths, Symbol, Truth
from halfcycle.prove.terms import Node

MAX_FORKLESS = 2
"""Elements of an array of which one is chosen without a fork of the path."""


AGAIN = " again "
"""In the names of what is read once more."""


def reads_again(value: Any) -> list[str]:
    """The fields that were read once more, and on whose later value ``value`` depends."""
    found: dict[str, None] = {}
    nodes, seen = [value.node] if isinstance(value, (Symbol, Truth)) else [], set()
    while nodes:
        node = nodes.pop()
        if node in seen:
            continue
        seen.add(node)
        if node.sign == "unknown" and AGAIN in node.parts[0]:
            found[node.parts[0].partition(AGAIN)[0]] = None
        nodes += [part for part in node.parts if isinstance(part, Node)]
    return list(found)


class UndefinedError(Exception):
    """C that has no defined value on this path; the text says where and why."""


@dataclass(frozen=True, slots=True)
class Access:
    """One read or store of a field of the state."""

    field: str
    is_store: bool
    at: Any
    """The index, None if the field is no array."""
    value: Any
    """What was read or stored."""


class ExactArithmetic(Arithmetic):
    """C's operators with the values that they have: what C defines is computed, all else raises
    UndefinedError."""

    def converted(self, number: Number, to: IntType, where: str) -> Number:
        if (number.type.low, number.type.high) == (to.low, to.high):
            return Number(number.value, to)
        return self._held(number.value, to, "conversion", where)

    def _held(self, value: Any, kind: IntType, operation: str, where: str) -> Number:
        if value >= kind.low and value <= kind.high:
            return Number(value, kind)
        if kind.signed:
            raise UndefinedError(f"{where}: the {operation} leaves {kind}")
        return Number(value % (1 << kind.bits), kind)

    def compared(self, sign: str, left: Number, right: Number, where: str) -> Any:
        common = self.widths.common(left.type, right.type)
        a = self.converted(left, common, where).value
        b = self.converted(right, common, where).value
        match sign:
            case "==":
                return a == b
            case "!=":
                return a != b
            case "<":
                return a < b
            case "<=":
                return a <= b
            case ">":
                return a > b
        return a >= b

    def _shift(self, sign: str, left: Number, right: Number, where: str) -> Number:
        kind = self.widths.promoted(left.type)
        value = self.converted(left, kind, where).value
        places = right.value.value if isinstance(right.value, Symbol) else right.value
        if not isinstance(places, int):
            raise NotUnderstoodError(f"{where}: a shift by a number that is not constant")
        if not 0 <= places < kind.bits:
            raise UndefinedError(f"{where}: a shift by {places}")
        if value < 0:
            raise UndefinedError(f"{where}: a shift of a negative value")
        if sign == ">>":
            return Number(value >> places, kind)
        return self._held(value << places, kind, "left shift", where)

    def _product(self, a: Any, b: Any, kind: IntType) -> Any:
        del kind
        return a * b

    def _bits(self, sign: str, a: Any, b: Any, where: str) -> Any:
        if a < 0 or b < 0:
            raise UndefinedError(f"{where}: a bit operation on a negative value")
        return a & b if sign == "&" else a | b if sign == "|" else a ^ b


class PathMachine(Machine):
    """The functions of ``source``, run on one state along one path.

    ``known``: functions that are not run but stand for what was proven of them, by name.
    ``foreign``: fields that another call may change at any time: what is read of one once more is
    the same number by another name (``reads_again``).
    """

    arithmetic: ExactArithmetic

    def __init__(
        self,
        source: Source,
        paths: Paths,
        state: dict[str, list[Any]],
        known: Mapping[str, Callable[..., Any]],
        foreign: Collection[str] = (),
    ) -> None:
        super().__init__(source, Claims(), state, lambda *_: None)
        self.arithmetic = ExactArithmetic(source.widths, Claims())
        self.paths, self._functions = paths, known
        self.accesses: list[Access] = []
        self._foreign, self._reads = foreign, dict.fromkeys(foreign, 0)

    def _result_of(self, name: str, taken: list[Number], where: str) -> Number | None:
        known = self._functions.get(name)
        if known is None:
            return super()._result_of(name, taken, where)
        returned = self.source.int_type(self.source.functions[name].decl.type.type)
        assert returned is not None
        word = self.source.types["int32_t" if returned.signed else "uint32_t"]
        return Number(known(self, *(argument.value for argument in taken)), word)

    def where(self, node: Any) -> str:
        text = self.source.places.get(node)
        if text is None:
            text = self.source.places[node] = super().where(node)
        return text

    def entered(self, name: str) -> None:
        """Run what follows as a part of the function ``name``."""
        self._running.append(name)

    def step(self, node: Any, variables: Locals) -> Number | None:
        """Run one statement or block; the number if it returns one."""
        if isinstance(node, c_ast.Compound):
            return self._block(node, variables)
        return self._statement(node, variables)

    def truth(self, node: Any, variables: Locals) -> bool:
        return bool(super().truth(node, variables))

    def load(self, name: str, meant: list[Any]) -> Any:
        elements = self.state[name]
        value = elements[-1]
        for condition, element in zip(reversed(meant[:-1]), reversed(elements[:-1]), strict=True):
            value = self.paths.choice(condition, element, value)
        if name in self._foreign:
            self._reads[name] += 1
            if self._reads[name] > 1 and isinstance(value, Symbol):
                value = self.paths.renamed(value, f"{name}{AGAIN}{self._reads[name]}")
        self._note(name, meant, value, is_store=False)
        return value

    def store(self, name: str, meant: list[Any], value: Any) -> None:
        self._note(name, meant, value, is_store=True)
        self.state[name] = [
            self.paths.choice(condition, value, element)
            for condition, element in zip(meant, self.state[name], strict=True)
        ]

    def _note(self, name: str, meant: list[Any], value: Any, *, is_store: bool) -> None:
        is_array = self.fields[name][1] > 0
        self.accesses.append(Access(name, is_store, meant if is_array else None, value))

    def _index(self, node: Any, length: int, variables: Locals) -> Any:
        at = self.value(node.subscript, variables).value
        if not (at >= 0 and at < length):
            raise UndefinedError(f"{self.where(node)}: an index beyond {length - 1}")
        if isinstance(at, Symbol) and length > MAX_FORKLESS:
            return at.__index__()
        return at

    def _choice(self, node: Any, variables: Locals) -> Number:
        chosen = node.iftrue if self.truth(node.cond, variables) else node.iffalse
        kind = self.source.widths.common(
            self.type_of(node.iftrue, variables), self.type_of(node.iffalse, variables)
        )
        return self.arithmetic.converted(self.value(chosen, variables), kind, self.where(node))

    def type_of(self, node: Any, variables: Locals) -> IntType:  # noqa: PLR0911 (one a kind)
        """The type of an expression, which is not evaluated."""
        widths = self.source.widths
        match node:
            case c_ast.Constant():
                return widths.constant(node.value)[1]
            case c_ast.ID() if node.name in variables:
                return variables[node.name].type
            case c_ast.ArrayRef(name=c_ast.ID()) if node.name.name in self.source.tables:
                return self.source.tables[node.name.name][0]
            case c_ast.ArrayRef() | c_ast.StructRef():
                return self.fields[self.field_of(node)][0]
            case c_ast.Cast() | c_ast.FuncCall():
                named = (
                    node.to_type
                    if isinstance(node, c_ast.Cast)
                    else self.source.functions[node.name.name].decl.type.type
                )
                kind = self.source.int_type(named)
                if kind is not None:
                    return kind
            case c_ast.BinaryOp() if node.op in (*COMPARISONS, "&&", "||"):
                return widths.plain
            case c_ast.BinaryOp() if node.op in ("<<", ">>"):
                return widths.promoted(self.type_of(node.left, variables))
            case c_ast.BinaryOp():
                return widths.common(
                    self.type_of(node.left, variables), self.type_of(node.right, variables)
                )
            case c_ast.TernaryOp():
                return widths.common(
                    self.type_of(node.iftrue, variables), self.type_of(node.iffalse, variables)
                )
            case c_ast.UnaryOp(op="!"):
                return widths.plain
            case c_ast.UnaryOp(op="-" | "+" | "~"):
                return widths.promoted(self.type_of(node.expr, variables))
        raise not_understood(node, self.where(node))

    def _table(self, node: Any, variables: Locals) -> Number:
        kind, values = self.source.tables[node.name.name]
        at = self._index(node, len(values), variables)
        return Number(values[at.__index__()], kind)
