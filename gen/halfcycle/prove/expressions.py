"""The values of C expressions, read from a syntax tree of pycparser."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import z3
from pycparser import c_ast, c_generator

from halfcycle.prove.c_operators import (
    Arithmetic,
    NotUnderstoodError,
    Number,
    UnsetError,
    both,
    either,
    negated,
    not_understood,
)
from halfcycle.prove.c_source import FENCE, Source
from halfcycle.prove.c_types import IntType
from halfcycle.prove.claims import Claims

COMPARISONS = ("==", "!=", "<", ">", "<=", ">=")


@dataclass(frozen=True, slots=True)
class Variable:
    """A local or an element of the state; ``value`` is None if it may not be set yet."""

    type: IntType
    value: Any


Locals = dict[str, Variable]
OUT = "out."
"""What the names of a reading's members begin with, among those of the state's fields."""


@lru_cache(maxsize=8192)
def _place_and_text(node: Any) -> str:
    """File, line and text of a node; kept, as most are met again and again."""
    text = " ".join(c_generator.CGenerator().visit(node).split())
    place = f"{node.coord.file}:{node.coord.line}" if node.coord else "?"
    return f"{place}: {text if len(text) < 90 else text[:87] + '...'}"


class Expressions:
    """Evaluates expressions; ``call`` comes from the class that runs statements.

    ``state``: field to its elements (one element if the field is not an array), and each member of
    the reading that the call fills, after ``OUT``.
    """

    def __init__(self, source: Source, claims: Claims, state: dict[str, list[Any]]) -> None:
        self.source, self.claims, self.state = source, claims, state
        self.arithmetic = Arithmetic(source.widths, claims)
        (fields,) = source.structs.values()
        members = {f"{OUT}{name}": (kind, 0, False) for name, kind in source.reading.items()}
        self.fields = {**fields, **members}

    @property
    def pointer(self) -> str:
        raise NotImplementedError

    @property
    def out(self) -> str:
        """The name of the pointer to a reading, "" if the function that is running has none."""
        raise NotImplementedError

    def call(self, name: str, arguments: list[Number], where: str) -> Number | None:
        raise NotImplementedError

    def where(self, node: Any) -> str:
        """File and line, with the expression or statement itself."""
        return _place_and_text(node)

    def value(self, node: Any, variables: Locals) -> Number:  # noqa: PLR0911 (one a kind)
        """The value of any expression that has one."""
        match node:
            case c_ast.Constant() if node.type not in ("string", "char", "float", "double"):
                return Number(*self.source.widths.constant(node.value))
            case c_ast.ID():
                return self._local(node, variables)
            case c_ast.StructRef() | c_ast.ArrayRef():
                return self._element(node, variables)
            case c_ast.Cast():
                return self._cast(node, variables)
            case c_ast.TernaryOp():
                return self._choice(node, variables)
            case c_ast.FuncCall():
                result = self.called(node, variables)
                if result is None:
                    raise NotUnderstoodError(f"{self.where(node)}: returns nothing")
                return result
            case c_ast.BinaryOp() if node.op not in (*COMPARISONS, "&&", "||"):
                left, right = self.value(node.left, variables), self.value(node.right, variables)
                return self.arithmetic.binary(node.op, left, right, self.where(node))
            case c_ast.UnaryOp() if node.op in ("-", "+", "~"):
                operand = self.value(node.expr, variables)
                return self.arithmetic.unary(node.op, operand, self.where(node))
            case c_ast.BinaryOp() | c_ast.UnaryOp(op="!"):
                truth = self.truth(node, variables)
                return Number(either(truth, 1, 0), self.source.widths.plain)
        raise not_understood(node, self.where(node))

    def truth(self, node: Any, variables: Locals) -> Any:
        """The expression as a condition."""
        match node:
            case c_ast.BinaryOp(op="&&" | "||"):
                left = self.truth(node.left, variables)
                # The right side is only reached if the left does not settle it.
                with self.given(left if node.op == "&&" else negated(left)) as reached:
                    right = self.truth(node.right, variables) if reached else node.op == "||"
                return self._joined(node.op, left, right)
            case c_ast.BinaryOp() if node.op in COMPARISONS:
                left, right = self.value(node.left, variables), self.value(node.right, variables)
                return self.arithmetic.compared(node.op, left, right, self.where(node))
            case c_ast.UnaryOp(op="!"):
                return negated(self.truth(node.expr, variables))
        return self.value(node, variables).value != 0

    @contextmanager
    def given(self, condition: Any) -> Iterator[bool]:
        """Work under ``condition``; False if it cannot hold."""
        known = isinstance(condition, bool)
        if not known:
            self.claims.path.append(condition)
        yield condition if isinstance(condition, bool) else True
        if not known:
            self.claims.path.pop()

    def place(self, node: Any, variables: Locals) -> tuple[str, list[Any]]:
        """The field of the state that ``node`` names and, for each element, when it is meant."""
        name = self.field_of(node)
        index = node.subscript if isinstance(node, c_ast.ArrayRef) else None
        length = self.fields[name][1]
        if (index is None) != (length == 0):
            raise NotUnderstoodError(f"{self.where(node)}: a whole array")
        if index is None:
            return name, [True]
        at = self._index(node, length, variables)
        return name, [at == element for element in range(length)]

    def field_of(self, node: Any) -> str:
        """The field of the state that ``node`` names, with or without an index; of a reading, after
        ``OUT``."""
        reference = node.name if isinstance(node, c_ast.ArrayRef) else node
        if (
            isinstance(reference, c_ast.StructRef)
            and reference.type == "->"
            and isinstance(reference.name, c_ast.ID)
            and reference.name.name in (self.pointer, self.out)
        ):
            begins = "" if reference.name.name == self.pointer else OUT
            name = f"{begins}{reference.field.name}"
            if name in self.fields:
                return name
        raise NotUnderstoodError(f"{self.where(node)}: not a field of the state")

    def called(self, node: Any, variables: Locals) -> Number | None:
        """The result of a call; the state itself is left out of the arguments."""
        where = self.where(node)
        name = node.name.name if isinstance(node.name, c_ast.ID) else ""
        if name == FENCE and node.args is None:
            return None
        if name not in self.source.parameters:
            raise NotUnderstoodError(f"{where}: {name or 'what it calls'} is not defined here")
        given = node.args.exprs if node.args else []
        wanted = self.source.parameters[name]
        if len(given) != len(wanted):
            raise NotUnderstoodError(f"{where}: {len(given)} arguments for {name}")
        numbers = []
        for argument, (_, kind) in zip(given, wanted, strict=True):
            if kind is not None:
                numbers.append(self.value(argument, variables))
            elif self.source.pointed[name] != self.source.struct or not (
                isinstance(argument, c_ast.ID) and argument.name == self.pointer
            ):
                raise NotUnderstoodError(f"{where}: an argument that is not the state")
        return self.call(name, numbers, where)

    def _local(self, node: Any, variables: Locals) -> Number:
        variable = variables.get(node.name)
        if variable is None:
            raise NotUnderstoodError(f"{self.where(node)}: not a local")
        if variable.value is None:
            self.claims.claim(self.where(node), "it is set on every path before it is read", False)
            raise UnsetError(f"{self.where(node)}: read before it is set")
        return Number(variable.value, variable.type)

    def _element(self, node: Any, variables: Locals) -> Number:
        if isinstance(node, c_ast.ArrayRef) and isinstance(node.name, c_ast.ID):
            return self._table(node, variables)
        name, meant = self.place(node, variables)
        if name.startswith(OUT):
            raise NotUnderstoodError(f"{self.where(node)}: a reading is filled, not read")
        return Number(self.load(name, meant), self.fields[name][0])

    def load(self, name: str, meant: list[Any]) -> Any:
        """The element of the field ``name`` whose condition in ``meant`` holds."""
        elements = self.state[name]
        value = elements[-1]
        for condition, element in zip(reversed(meant[:-1]), reversed(elements[:-1]), strict=True):
            value = either(condition, element, value)
        return value

    def _table(self, node: Any, variables: Locals) -> Number:
        if node.name.name not in self.source.tables:
            raise NotUnderstoodError(f"{self.where(node)}: {node.name.name} is not a table")
        kind, values = self.source.tables[node.name.name]
        at = self._index(node, len(values), variables)
        if isinstance(at, int):
            return Number(values[at], kind)
        entry = self.claims.unknown(node.name.name, min(values), max(values))
        self.claims.assume(
            z3.And(*(z3.Implies(at == index, entry == value) for index, value in enumerate(values)))
        )
        return Number(entry, kind)

    def _index(self, node: Any, length: int, variables: Locals) -> Any:
        at = self.value(node.subscript, variables).value
        where = self.where(node)
        self.claims.claim(where, f"an index of 0 to {length - 1}", both(at >= 0, at < length))
        if isinstance(at, int) and not 0 <= at < length:
            raise NotUnderstoodError(f"{where}: index {at}")
        return at

    def _cast(self, node: Any, variables: Locals) -> Number:
        kind = self.source.int_type(node.to_type)
        number = self.value(node.expr, variables)
        return number if kind is None else self.arithmetic.converted(number, kind, self.where(node))

    def _choice(self, node: Any, variables: Locals) -> Number:
        condition = self.truth(node.cond, variables)
        sides = []
        for side, branch in ((condition, node.iftrue), (negated(condition), node.iffalse)):
            with self.given(side):
                sides.append(self.value(branch, variables))
        yes, no = sides
        kind = self.source.widths.common(yes.type, no.type)
        values = []
        for side, number in ((condition, yes), (negated(condition), no)):
            with self.given(side):
                values.append(self.arithmetic.converted(number, kind, self.where(node)).value)
        return Number(either(condition, *values), kind)

    @staticmethod
    def _joined(sign: str, left: Any, right: Any) -> Any:
        if sign == "&&":
            return both(left, right)
        return negated(both(negated(left), negated(right)))
