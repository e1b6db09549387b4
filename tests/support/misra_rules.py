"""Rules of MISRA C:2012 on which the checker's addon is blind, looked for in the syntax tree.

The rules, the essential types (appendix D) and what counts as composite are from memory. All of it
is as machines with an int of 16 and of 32 bits see the C: typed constants carry other suffixes, and
the fast type of 16 bits has 16 there and, as glibc has it on 64-bit machines, 64 here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pycparser import c_ast, c_parser

from halfcycle.prove.c_source import preprocessed

COMPARED = ("==", "!=", "<", "<=", ">", ">=")
LOGICAL = ("&&", "||")
BITWISE = ("&", "|", "^", "<<", ">>")
COMPOSITE = ("+", "-", "*", "/", "%", *BITWISE)


@dataclass(frozen=True, slots=True)
class Essential:
    """A category ("boolean", "signed", "unsigned") and its width in bits."""

    category: str
    bits: int


BOOLEAN = Essential("boolean", 1)
_TYPES = {
    "uint_least8_t": Essential("unsigned", 8),
    "uint16_t": Essential("unsigned", 16),
    "int16_t": Essential("signed", 16),
    "int": Essential("signed", 16),
    "uint32_t": Essential("unsigned", 32),
    "int32_t": Essential("signed", 32),
}


def faults(files: Mapping[str, str], source: str) -> list[str]:
    """What ``source`` breaks, each as "RULE LINE"; declarations after statements are "mixed"."""
    found: set[str] = set()
    for int_bits, fast_bits in ((16, 16), (32, 64)):
        tree = c_parser.CParser().parse(preprocessed(files, source, int_bits), source)
        found |= set(_Reader(tree, files, fast_bits).run())
    return sorted(found)


class _Reader:
    def __init__(self, tree: Any, files: Mapping[str, str], fast_bits: int) -> None:
        self.tree = tree
        self.types = _TYPES | {"uint_fast16_t": Essential("unsigned", fast_bits)}
        self.lines = {name: text.splitlines() for name, text in files.items()}
        self.fields: dict[str, Any] = {}
        self.volatile: set[str] = set()
        self.scope: dict[str, Any] = {}
        self.returned: dict[str, Any] = {}
        for node in tree.ext:
            self._declared(node)

    def _declared(self, node: Any) -> None:
        decl = node.decl if isinstance(node, c_ast.FuncDef) else node
        if isinstance(decl, c_ast.Decl) and isinstance(decl.type, c_ast.FuncDecl):
            self.returned[decl.name] = decl.type.type
        elif isinstance(decl, c_ast.Decl) and isinstance(decl.type, c_ast.Struct):
            for field in decl.type.decls:
                kind = field.type
                self.fields[field.name] = kind
                inner = kind.type if isinstance(kind, c_ast.ArrayDecl) else kind
                if "volatile" in inner.quals:
                    self.volatile.add(field.name)
        elif isinstance(decl, c_ast.Decl):
            self.scope[decl.name] = decl.type

    def run(self) -> Iterator[str]:
        for node in self.tree.ext:
            if isinstance(node, c_ast.FuncDef):
                outer = dict(self.scope)
                parameters = node.decl.type.args.params if node.decl.type.args else []
                for parameter in parameters:
                    if isinstance(parameter, c_ast.Decl):
                        self.scope[parameter.name] = parameter.type
                yield from self._statement(node.body)
                self.scope = outer

    def _said(self, rule: str, node: Any) -> str:
        place = node.coord
        lines = self.lines.get(place.file, [])
        text = lines[place.line - 1].strip() if place.line <= len(lines) else ""
        return f"{rule} {text}"

    def _statement(self, node: Any) -> Iterator[str]:  # noqa: PLR0912 (one a kind)
        match node:
            case None | c_ast.EmptyStatement():
                return
            case c_ast.Compound():
                outer, begun = dict(self.scope), False
                for item in node.block_items or []:
                    if isinstance(item, c_ast.Decl) and begun:
                        yield self._said("mixed", item)
                    begun = begun or not isinstance(item, c_ast.Decl)
                    yield from self._statement(item)
                self.scope = outer
            case c_ast.If():
                yield from self._controlling(node.cond)
                yield from self._statement(node.iftrue)
                yield from self._statement(node.iffalse)
            case c_ast.While() | c_ast.DoWhile():
                yield from self._controlling(node.cond)
                yield from self._statement(node.stmt)
            case c_ast.For():
                for part in (node.init, node.next):
                    if part is not None:
                        yield from self._statement(part)
                yield from self._controlling(node.cond)
                yield from self._statement(node.stmt)
            case c_ast.DeclList():
                for decl in node.decls:
                    yield from self._statement(decl)
            case c_ast.Decl():
                self.scope[node.name] = node.type
                if node.init is not None:
                    yield from self._full(node.init)
            case c_ast.Return():
                if node.expr is not None:
                    yield from self._full(node.expr)
            case _:
                yield from self._full(node)

    def _controlling(self, node: Any) -> Iterator[str]:
        if self.essential(node) != BOOLEAN:
            yield self._said("14.4", node)
        yield from self._full(node)

    def _full(self, node: Any) -> Iterator[str]:
        """A full expression."""
        if len([*self._accesses(node)]) > 1:
            yield self._said("13.2", node)
        yield from self._operators(node)

    def _accesses(self, node: Any) -> Iterator[str]:
        """Every read and store of a volatile field."""
        # The members of a reading and of a vector have names of the state's fields, too.
        is_state = isinstance(node, c_ast.StructRef) and getattr(node.name, "name", "") == "s"
        if is_state and node.field.name in self.volatile:
            yield node.field.name
        if isinstance(node, c_ast.Assignment) and node.op != "=":
            yield from self._accesses(node.lvalue)  # read and stored
        if isinstance(node, c_ast.UnaryOp) and node.op in ("++", "--", "p++", "p--"):
            yield from self._accesses(node.expr)
        for _, child in node.children():
            yield from self._accesses(child)

    def _operators(self, node: Any) -> Iterator[str]:  # noqa: PLR0912 (one a kind)
        for _, child in node.children():
            yield from self._operators(child)
        match node:
            case c_ast.BinaryOp() if node.op in LOGICAL:
                if not self.essential(node.left) == self.essential(node.right) == BOOLEAN:
                    yield self._said("10.1", node)
                if [*self._accesses(node.right)]:
                    yield self._said("13.5", node)
            case c_ast.BinaryOp() if node.op in BITWISE:
                yield from self._bits(node, node.left, node.right, node.op)
            case c_ast.Assignment() if node.op.removesuffix("=") in BITWISE:
                yield from self._bits(node, node.lvalue, node.rvalue, node.op.removesuffix("="))
            case c_ast.BinaryOp():
                yield from self._alike(node, node.left, node.right)
            case c_ast.Assignment() if node.op != "=":
                yield from self._alike(node, node.lvalue, node.rvalue)
            case c_ast.UnaryOp(op="~"):
                yield from self._bits(node, node.expr, node.expr, "&")
            case c_ast.UnaryOp(op="!") if self.essential(node.expr) != BOOLEAN:
                yield self._said("10.1", node)
            case c_ast.TernaryOp():
                if self.essential(node.cond) != BOOLEAN:
                    yield self._said("10.1", node)
                yield from self._alike(node, node.iftrue, node.iffalse)
            case c_ast.Cast() if self._is_composite(node.expr):
                to, held = self._of_type(node.to_type), self.essential(node.expr)
                if to and held and (to.category != held.category or to.bits > held.bits):
                    yield self._said("10.8", node)

    def _bits(self, node: Any, left: Any, right: Any, op: str) -> Iterator[str]:
        """Bits are of unsigned operands; a constant may say how far they are shifted."""
        kinds = [self.essential(left)]
        if not (op in ("<<", ">>") and isinstance(right, c_ast.Constant)):
            kinds.append(self.essential(right))
        if any(kind is None or kind.category != "unsigned" for kind in kinds):
            yield self._said("10.1", node)
        if op not in ("<<", ">>"):
            yield from self._alike(node, left, right)

    def _alike(self, node: Any, left: Any, right: Any) -> Iterator[str]:
        """Both operands are of one category."""
        a, b = self.essential(left), self.essential(right)
        if a is None or b is None or a.category != b.category:
            yield self._said("10.4", node)

    def _is_composite(self, node: Any) -> bool:
        if isinstance(node, c_ast.TernaryOp):
            return self._is_composite(node.iftrue) or self._is_composite(node.iffalse)
        return isinstance(node, c_ast.BinaryOp) and node.op in COMPOSITE

    def essential(self, node: Any) -> Essential | None:  # noqa: PLR0911 (one a kind)
        """The essential type of an expression, None of a pointer, a struct or nothing."""
        match node:
            case c_ast.Constant():
                return _constant(node.value)
            case c_ast.ID():
                return self._of_type(self.scope[node.name])
            case c_ast.StructRef():
                return self._of_type(self.fields[node.field.name])
            case c_ast.ArrayRef():
                at = node.name
                kind = (
                    self.fields[at.field.name]
                    if isinstance(at, c_ast.StructRef)
                    else self.scope[at.name]
                )
                return self._of_type(kind.type)
            case c_ast.FuncCall():
                return self._of_type(self.returned[node.name.name])
            case c_ast.Cast():
                return self._of_type(node.to_type)
            case c_ast.UnaryOp(op="!"):
                return BOOLEAN
            case c_ast.UnaryOp(op="+" | "-" | "~"):
                return self.essential(node.expr)
            case c_ast.BinaryOp() if node.op in (*COMPARED, *LOGICAL):
                return BOOLEAN
            case c_ast.BinaryOp() if node.op in ("<<", ">>"):
                return self.essential(node.left)
            case c_ast.BinaryOp():
                return _joined(self.essential(node.left), self.essential(node.right))
            case c_ast.TernaryOp():
                return _joined(self.essential(node.iftrue), self.essential(node.iffalse))
        return None

    def _of_type(self, node: Any) -> Essential | None:
        while isinstance(node, (c_ast.TypeDecl, c_ast.Typename)):
            node = node.type
        if isinstance(node, c_ast.IdentifierType) and node.names != ["void"]:
            return self.types[" ".join(node.names)]
        return None


def _constant(text: str) -> Essential:
    """The smallest type that holds it."""
    digits = text.rstrip("uUlL")
    value, unsigned = int(digits, 0), "u" in text.lower()[len(digits) :]
    bits = next(n for n in (8, 16, 32) if value < 1 << (n if unsigned else n - 1))
    return Essential("unsigned" if unsigned else "signed", bits)


def _joined(left: Essential | None, right: Essential | None) -> Essential | None:
    """What arithmetic makes of two."""
    if left is None or right is None:
        return None
    if left.category == right.category:
        return left if left.bits >= right.bits else right
    return Essential("mixed", max(left.bits, right.bits))
