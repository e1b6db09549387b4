"""Runs a function of the generated C on unknown numbers, statement by statement.

Branches are run both ways and joined; loops must end on known numbers, as the generated ones do.
Every pointer is the state, so the state is one record. Anything else raises NotUnderstoodError.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pycparser import c_ast

from halfcycle.prove.c_operators import NotUnderstoodError, Number, either, negated, not_understood
from halfcycle.prove.c_source import Source
from halfcycle.prove.claims import Claims
from halfcycle.prove.expressions import Expressions, Locals, Variable

LOOP_LIMIT = 100
LocalSet = Callable[[str, str, Any, str], None]
"""Called with function, local, value and place for every value that a local takes."""


class Machine(Expressions):
    """The functions of ``source``, run on one state."""

    def __init__(
        self, source: Source, claims: Claims, state: dict[str, list[Any]], local_set: LocalSet
    ) -> None:
        super().__init__(source, claims, state)
        self._local_set = local_set
        self._running: list[str] = []

    def call(self, name: str, arguments: list[Number], where: str) -> Number | None:
        """Run a function; pointers to the state are left out of ``arguments``."""
        node = self.source.functions.get(name)
        if node is None or name in self._running:
            raise NotUnderstoodError(f"{where}: {name} is not defined here, or calls itself")
        parameters = self.source.parameters[name]
        kinds = [kind for _, kind in parameters if kind is not None]
        if len(kinds) != len(arguments):
            raise NotUnderstoodError(f"{where}: {len(arguments)} arguments for {name}")
        # C99 6.5.2.2, 7 of the arguments; 6.8.6.4, 3 of the result.
        taken = [
            self.arithmetic.converted(argument, kind, where)
            for argument, kind in zip(arguments, kinds, strict=True)
        ]
        result = self._result_of(name, taken, where)
        kind = self.source.int_type(node.decl.type.type)
        if kind is None:
            return None
        if result is None:
            raise NotUnderstoodError(f"{name} does not end in a return")
        return self.arithmetic.converted(result, kind, f"{where} returns")

    def _result_of(self, name: str, taken: list[Number], where: str) -> Number | None:
        """What the body returns for arguments of the parameters' types."""
        variables: Locals = {}
        locals_ = [local for local, kind in self.source.parameters[name] if kind is not None]
        for local, number in zip(locals_, taken, strict=True):
            self._new_local(local, variables, where)
            variables[local] = Variable(number.type, number.value)
        self._running.append(name)
        result = self._block(self.source.functions[name].body, variables)
        self._running.pop()
        return result

    @property
    def pointer(self) -> str:
        """The name of the state's pointer in the function that is running, "" if it has none."""
        for name, kind in self.source.parameters[self._running[-1]] if self._running else ():
            if kind is None:
                return name
        return ""

    @property
    def out(self) -> str:
        return self.source.outs.get(self._running[-1], "") if self._running else ""

    def _block(self, node: Any, variables: Locals) -> Number | None:
        """Run a block; a return must be its last statement. Names declared in it end with it."""
        outer = set(variables)
        result = None
        for item in (node.block_items or []) if isinstance(node, c_ast.Compound) else [node]:
            if result is not None:
                raise NotUnderstoodError(f"{self.where(item)}: a statement after a return")
            result = self._statement(item, variables)
        for name in set(variables) - outer:
            del variables[name]
        return result

    def _statement(self, node: Any, variables: Locals) -> Number | None:
        match node:
            case c_ast.Decl():
                self._declare(node, variables)
            case c_ast.Return():
                return self.value(node.expr, variables)
            case c_ast.If():
                self._if(node, variables)
            case c_ast.For() | c_ast.While():
                self._loop(node, variables)
            case c_ast.Assignment():
                self._assign(node, variables)
            case c_ast.UnaryOp(op="p++" | "++" | "p--" | "--"):
                change = c_ast.Constant("int", "1")
                self._assign(
                    c_ast.Assignment(f"{node.op[-1]}=", node.expr, change, node.coord), variables
                )
            case c_ast.FuncCall():
                self.called(node, variables)
            case c_ast.Cast() if self.source.int_type(node.to_type) is None:
                if isinstance(node.expr, c_ast.FuncCall):
                    self.called(node.expr, variables)
                else:
                    self.value(node.expr, variables)
            case c_ast.EmptyStatement():
                pass
            case _:
                raise not_understood(node, self.where(node))
        return None

    def _new_local(self, name: str, variables: Locals, where: str) -> None:
        """Refuse a name that hides another one: which of the two is meant must be plain."""
        if name in variables or name in self.source.names or name in (self.pointer, self.out):
            raise NotUnderstoodError(f"{where}: {name} hides another name")

    def _declare(self, node: Any, variables: Locals) -> None:
        where = self.where(node)
        odd = [*node.storage, *node.funcspec, *(q for q in node.quals if q != "const")]
        if odd or node.bitsize is not None or not isinstance(node.type, c_ast.TypeDecl):
            raise NotUnderstoodError(f"{where}: {' '.join(odd) or 'not a plain number'}")
        kind = self.source.int_type(node.type)
        if kind is None:
            raise NotUnderstoodError(f"{where}: void")
        self._new_local(node.name, variables, where)
        variables[node.name] = Variable(kind, None)
        if node.init is not None:
            number = self.value(node.init, variables)
            self._store_local(node.name, number, variables, self.where(node))

    def _assign(self, node: Any, variables: Locals) -> None:
        number = self.value(node.rvalue, variables)
        if node.op != "=":
            before = self.value(node.lvalue, variables)
            number = self.arithmetic.binary(node.op[:-1], before, number, self.where(node))
        if isinstance(node.lvalue, c_ast.ID):
            self._store_local(node.lvalue.name, number, variables, self.where(node))
            return
        name, meant = self.place(node.lvalue, variables)
        kind = self.fields[name][0]
        value = self.arithmetic.converted(number, kind, self.where(node)).value
        self.store(name, meant, value)

    def store(self, name: str, meant: list[Any], value: Any) -> None:
        """Put ``value`` into the element of ``name`` whose condition in ``meant`` holds."""
        self.state[name] = [
            either(condition, value, element)
            for condition, element in zip(meant, self.state[name], strict=True)
        ]

    def _store_local(self, name: str, number: Number, variables: Locals, where: str) -> None:
        if name not in variables:
            raise NotUnderstoodError(f"{where}: {name} is not a local")
        kind = variables[name].type
        value = self.arithmetic.converted(number, kind, where).value
        variables[name] = Variable(kind, value)
        self._local_set(self._running[-1], name, value, where)

    def _if(self, node: Any, variables: Locals) -> None:
        condition = self.truth(node.cond, variables)
        if isinstance(condition, bool):
            branch = node.iftrue if condition else node.iffalse
            if branch is not None and self._block(branch, variables) is not None:
                raise NotUnderstoodError(f"{self.where(node.cond)}: a return inside a branch")
            return
        before_state, before = dict(self.state), dict(variables)
        ends = []
        for side, branch in ((condition, node.iftrue), (negated(condition), node.iffalse)):
            self.state, copy = dict(before_state), dict(before)
            with self.given(side) as reached:
                if branch is not None and reached and self._block(branch, copy) is not None:
                    raise NotUnderstoodError(f"{self.where(node.cond)}: a return inside a branch")
            ends.append((self.state, copy))
        (yes_state, yes), (no_state, no) = ends
        self.state = {
            name: [
                either(condition, a, b)
                for a, b in zip(yes_state[name], no_state[name], strict=True)
            ]
            for name in before_state
        }
        for name, variable in before.items():
            a, b = yes[name].value, no[name].value
            value = None if a is None or b is None else either(condition, a, b)
            variables[name] = Variable(variable.type, value)

    def _loop(self, node: Any, variables: Locals) -> None:
        outer = set(variables)
        self._rounds(node, variables)
        for name in set(variables) - outer:
            del variables[name]

    def _rounds(self, node: Any, variables: Locals) -> None:
        if isinstance(node, c_ast.For) and node.init is not None:
            declared = node.init.decls if isinstance(node.init, c_ast.DeclList) else [node.init]
            for item in declared:
                self._statement(item, variables)
        if node.cond is None:
            raise NotUnderstoodError(f"{self.where(node)}: a loop without a condition")
        for _ in range(LOOP_LIMIT):
            condition = self.truth(node.cond, variables)
            if not isinstance(condition, bool):
                raise NotUnderstoodError(
                    f"{self.where(node.cond)}: a loop that ends on unknown numbers"
                )
            if not condition:
                return
            if self._block(node.stmt, variables) is not None:
                raise NotUnderstoodError(f"{self.where(node.cond)}: a return inside a loop")
            if isinstance(node, c_ast.For) and node.next is not None:
                self._statement(node.next, variables)
        raise NotUnderstoodError(f"{self.where(node.cond)}: more than {LOOP_LIMIT} rounds")
