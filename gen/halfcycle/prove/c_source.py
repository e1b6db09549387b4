"""The generated C as a syntax tree: preprocessed by the compiler at hand, read by pycparser."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from pycparser import c_ast, c_parser
from pycparser.c_parser import ParseError

from halfcycle.prove import c_text
from halfcycle.prove.c_operators import NotUnderstoodError
from halfcycle.prove.c_types import IntType, Widths
from halfcycle.regulator.state import BUS_CALL_NAMES, CALL_NAMES, CALLS
from halfcycle.regulator.turn import TURN_CALL_NAMES, TURN_CALLS, call_of
from halfcycle.verify import compiler

STDINT = """
typedef unsigned {least8} uint_least8_t; typedef unsigned int uint_fast16_t;
typedef {int16} int16_t; typedef unsigned {int16} uint16_t;
typedef {int32} int32_t; typedef unsigned {int32} uint32_t;
#define INT16_C(c) c
#define UINT16_C(c) c{unsigned16}
#define INT32_C(c) c{suffix}
#define UINT32_C(c) c ## U{suffix}
#define UINT16_MAX UINT16_C(65535)
#define INT16_MAX INT16_C(32767)
#define INT32_MAX INT32_C(2147483647)
#define UINT32_MAX UINT32_C(4294967295)
"""


TYPES = frozenset(
    [
        "uint_least8_t",
        "uint_fast16_t",
        *(f"{sign}int{bits}_t" for sign in ("", "u") for bits in (16, 32)),
    ]
)
"""What ``STDINT`` declares: the types that generated C uses, and no others."""


UNREADABLE = (ParseError, compiler.CompileError, NotUnderstoodError, ValueError, KeyError)
"""What ``parse`` raises of C that it does not take."""
FENCE = "halfcycle_fence"
"""What the barrier is called in the syntax tree: the header's is empty."""


@dataclass(slots=True)
class Source:
    """The parts of a translation unit that matter here."""

    widths: Widths
    struct: str
    """The name of the struct that pointers are to: the state's, or ``seen_from`` has another."""
    types: dict[str, IntType] = field(default_factory=dict)
    """typedef name to type."""
    structs: dict[str, dict[str, tuple[IntType, int, bool]]] = field(default_factory=dict)
    """struct to field to (type, elements or 0, volatile): the one of that name."""
    declared: dict[str, dict[str, tuple[IntType, int, bool]]] = field(default_factory=dict)
    """The same of every struct."""
    tables: dict[str, tuple[IntType, list[int]]] = field(default_factory=dict)
    functions: dict[str, Any] = field(default_factory=dict)
    parameters: dict[str, list[tuple[str, IntType | None]]] = field(default_factory=dict)
    """function to (name, type) of its parameters; the type is None for a pointer to a struct."""
    pointed: dict[str, str] = field(default_factory=dict)
    """function to the struct that its first pointer is to, if it takes one."""
    reading: dict[str, IntType] = field(default_factory=dict)
    """The members of the struct that a reading is put into."""
    outs: dict[str, str] = field(default_factory=dict)
    """function to its pointer to such a struct."""
    roots: dict[str, int | str] = field(default_factory=dict)
    """What ``root_proof`` has found: up to which argument it holds, or why it is not proven."""
    pure: dict[str, bool] = field(default_factory=dict)
    """Functions that ``pure_proof`` has looked at: whether they are the model's."""
    places: dict[Any, str] = field(default_factory=dict)
    """Nodes of the tree to what messages say of their place."""

    @property
    def names(self) -> set[str]:
        """What is declared outside functions: no local may hide it."""
        return {*self.types, *self.tables, *self.functions}

    def seen_from(self, struct: str) -> Source:
        """The same with another struct as what pointers are to: a call's, such as NAME_turn."""
        if struct not in self.declared:
            raise NotUnderstoodError(f"there is no struct {struct}")
        return replace(self, struct=struct, structs={struct: self.declared[struct]})

    def of_call(self, name: str, call: str) -> Source:
        """As the call of the regulator ``name`` sees it."""
        return self.seen_from(f"{name}_{call_of(call).struct}")

    def length(self, array: Any) -> int:
        """The elements of an array's declaration."""
        if not isinstance(array.dim, c_ast.Constant):
            raise NotUnderstoodError(f"{array.coord}: the length of an array is not a number")
        return self.widths.constant(array.dim.value)[0]

    def int_type(self, node: Any) -> IntType | None:
        """The integer type that a declaration's type node names; None for void."""
        while isinstance(node, (c_ast.TypeDecl, c_ast.Typename)):
            node = node.type
        if not isinstance(node, c_ast.IdentifierType):
            raise NotUnderstoodError(f"{node.coord}: {type(node).__name__} is not an integer")
        words = list(node.names)
        if words == ["void"]:
            return None
        if len(words) == 1 and words[0] in self.types:
            return self.types[words[0]]
        return self.widths.named(words)


def preprocessed(files: Mapping[str, str], source: str, int_bits: int, char_bits: int = 8) -> str:
    """``source`` with its includes and macros worked out, for an int of ``int_bits`` and a char of
    ``char_bits`` (8, or 16 if int has 16)."""
    narrow = int_bits == 16
    stdint = STDINT.format(
        # A char of 16 bits is a short, as far as the C can tell: it names no char.
        least8="char" if char_bits == 8 else "short",
        int16="int" if narrow else "short",
        int32="long" if narrow else "int",
        suffix=" ## L" if narrow else "",
        unsigned16=" ## U" if narrow else "",
    ).replace("U ## L", "UL")
    fence = f"-D{source.removesuffix('.c').upper()}_FENCE()={FENCE}()"
    return compiler.preprocessed({**files, "stdint.h": stdint}, source, ["-nostdinc", "-I.", fence])


def parse(files: Mapping[str, str], source: str, int_bits: int, char_bits: int = 8) -> Source:
    """Read ``source``, the NAME.c of a regulator, for an int and a char of so many bits.

    Raises compiler.CompileError, pycparser's ParseError, or NotUnderstoodError for what is none of
    the things that generated C consists of: one struct, tables that are constant, and functions.
    """
    name = source.removesuffix(".c")
    if unclear := c_text.unclear(files, name):
        raise NotUnderstoodError(unclear)
    tree = c_parser.CParser().parse(preprocessed(files, source, int_bits, char_bits), source)
    parsed = Source(Widths(int_bits), f"{name}_state")
    for node in tree.ext:
        _add(parsed, node)
    if parsed.struct not in parsed.declared:
        raise NotUnderstoodError(f"{source} has no struct {parsed.struct}")
    for function in parsed.functions.values():
        _lone_calls(parsed, function.body, alone=True)
    for call in (*CALLS, *TURN_CALLS):
        there = f"{name}_{call.struct}" in parsed.declared
        if there and f"{name}_{call.name}" not in parsed.functions:
            raise NotUnderstoodError(f"{source} has no {name}_{call.name}")
    return parsed.seen_from(parsed.struct)


def _add(parsed: Source, node: Any) -> None:
    """Take over one declaration of the file."""
    match node:
        case c_ast.Typedef() if node.name in TYPES and node.name not in parsed.types:
            parsed.types[node.name] = _known(parsed, node.type, node)
        case c_ast.FuncDef():
            _new_name(parsed, node.decl.name, node)
            # C99 6.7.4, 6: what is inline and not static may have another definition elsewhere.
            if set(node.decl.storage) - {"static"} or node.decl.funcspec or node.param_decls:
                words = [*node.decl.storage, *node.decl.funcspec]
                raise _unclear(node, f"{node.decl.name}: {' '.join(words)}")
            if _is_call(parsed, node.decl.name) == bool(node.decl.storage):
                what = "static" if node.decl.storage else "not a call of this interface"
                raise _unclear(node, f"{node.decl.name} is {what}")
            parsed.parameters[node.decl.name] = list(_parameters(parsed, node.decl))
            parsed.outs |= _outs(parsed, node.decl)
            parsed.int_type(node.decl.type.type)
            parsed.functions[node.decl.name] = node
        case c_ast.Decl(type=c_ast.FuncDecl()) if not (node.storage or node.funcspec):
            if not _is_call(parsed, node.name):
                raise _unclear(node, f"{node.name} is not a call of this interface")
            list(_parameters(parsed, node))
        case c_ast.Decl(type=c_ast.Struct()) if _is_reading(parsed, node):
            parsed.reading |= _members(parsed, node)
        case c_ast.Decl(type=c_ast.Struct()) if not node.name and not node.storage:
            if node.type.name in parsed.declared or node.type.name not in _structs(parsed):
                raise _unclear(node, f"a second struct, {node.type.name}")
            parsed.declared[node.type.name] = dict(_fields(parsed, node.type))
        case c_ast.Decl(type=c_ast.ArrayDecl(), storage=["static"]):
            _new_name(parsed, node.name, node)
            parsed.tables[node.name] = _table(parsed, node)
        case _:
            what = getattr(node, "name", None) or type(node).__name__
            raise _unclear(node, f"{what} is neither a function, a constant table nor the state")


def _is_call(parsed: Source, name: str) -> bool:
    prefix = parsed.struct.removesuffix("state")
    return name in {prefix + call for call in (*CALL_NAMES, *BUS_CALL_NAMES, *TURN_CALL_NAMES)}


def _structs(parsed: Source) -> tuple[str, str]:
    """The names that structs may have: the state's, and the oscillator's."""
    return parsed.struct, f"{parsed.struct.removesuffix('state')}turn"


def _reading(parsed: Source) -> str:
    return f"{parsed.struct.removesuffix('state')}reading"


def _is_reading(parsed: Source, node: Any) -> bool:
    """Whether a declaration is that of the struct that a reading is put into."""
    return not node.name and not node.storage and bool(node.type.name == _reading(parsed))


def _members(parsed: Source, node: Any) -> dict[str, IntType]:
    """The members of a reading."""
    members = dict(_fields(parsed, node.type))
    if parsed.reading or any(length or shared for _, length, shared in members.values()):
        raise _unclear(node, f"{node.type.name} is declared twice, or not of plain members")
    return {name: kind for name, (kind, _, _) in members.items()}


def _outs(parsed: Source, decl: Any) -> dict[str, str]:
    """A function and its pointer to a reading, if it takes one."""
    parameters = decl.type.args.params if decl.type.args else []
    second = parameters[1:2]
    if second and _pointed(second[0].type) == _reading(parsed):
        return {decl.name: second[0].name}
    return {}


def _pointed(kind: Any) -> str:
    """The struct that a type points to, not a constant one; "" if it is no such pointer."""
    if not isinstance(kind, c_ast.PtrDecl) or kind.quals:
        return ""
    pointed = getattr(kind.type, "type", None)
    if not isinstance(pointed, c_ast.Struct) or kind.type.quals:
        return ""
    return str(pointed.name)


def _unclear(node: Any, what: str) -> NotUnderstoodError:
    place = f"{node.coord.file}:{node.coord.line}" if node.coord else "?"
    return NotUnderstoodError(f"{place}: {what}")


def _new_name(parsed: Source, name: str, node: Any) -> None:
    if name in parsed.names:
        raise _unclear(node, f"{name} is declared twice")


def _known(parsed: Source, type_node: Any, node: Any) -> IntType:
    """The integer type of a declaration."""
    if not isinstance(type_node, (c_ast.TypeDecl, c_ast.Typename)):
        raise _unclear(node, f"{type(type_node).__name__} is not an integer")
    kind = parsed.int_type(type_node)
    if kind is None:
        raise _unclear(node, "void is not an integer")
    return kind


def _parameters(parsed: Source, decl: Any) -> Any:
    """(name, type) of each parameter of a function; None for the type of the state's pointer."""
    parameters = decl.type.args.params if decl.type.args else []
    for position, parameter in enumerate(parameters):
        kind = parameter.type
        if isinstance(kind, c_ast.PtrDecl):
            pointed = getattr(kind.type, "type", None)
            if position == 1 and parsed.reading and _pointed(kind) == _reading(parsed):
                yield parameter.name, None
                continue
            named = isinstance(pointed, c_ast.Struct) and pointed.name in _structs(parsed)
            if position or not named or "volatile" in kind.type.quals:
                raise _unclear(decl, f"{decl.name}: a pointer that is not the state")
            parsed.pointed[decl.name] = str(kind.type.type.name)
            yield parameter.name, None
        elif isinstance(parameter, c_ast.Decl):
            if parameter.storage or "volatile" in parameter.quals:
                raise _unclear(decl, f"{decl.name}: {parameter.name}")
            yield parameter.name, _known(parsed, kind, decl)
        elif len(parameters) > 1 or parsed.int_type(kind) is not None:
            raise _unclear(decl, f"{decl.name}: a parameter without a name")


def _writes(node: Any) -> bool:
    """Whether a function takes the state to change it."""
    parameters = node.decl.type.args.params if node.decl.type.args else []
    return any(
        isinstance(one.type, c_ast.PtrDecl) and "const" not in one.type.type.quals
        for one in parameters
    )


_LARGER = (
    c_ast.BinaryOp,
    c_ast.UnaryOp,
    c_ast.TernaryOp,
    c_ast.FuncCall,
    c_ast.ArrayRef,
    c_ast.StructRef,
)
"""Expressions with parts whose order C leaves open."""


def _lone_calls(parsed: Source, node: Any, *, alone: bool) -> None:
    """Refuse a call that changes the state inside a larger expression: C leaves its order open."""
    if isinstance(node, c_ast.FuncCall):
        called = parsed.functions.get(getattr(node.name, "name", ""))
        if called is not None and _writes(called) and not alone:
            raise _unclear(node, f"{called.decl.name} changes the state inside an expression")
    for name, child in node.children():
        if isinstance(node, c_ast.Assignment):
            kept = name == "rvalue" and node.op == "=" and isinstance(node.lvalue, c_ast.ID)
        elif isinstance(node, _LARGER):
            kept = False
        else:
            kept = alone
        _lone_calls(parsed, child, alone=kept)


def _table(parsed: Source, node: Any) -> tuple[IntType, list[int]]:
    element = _known(parsed, node.type.type, node)
    quals = set(node.type.type.quals)
    if quals != {"const"} or not isinstance(node.init, c_ast.InitList):
        raise _unclear(node, f"{node.name} is not a constant table")
    values = []
    for item in node.init.exprs:
        if not isinstance(item, c_ast.Constant):
            raise _unclear(node, f"{node.name} holds more than numbers")
        values.append(parsed.widths.constant(item.value)[0])
    rest = parsed.length(node.type) - len(values)
    if rest < 0:
        raise _unclear(node, f"{node.name} has {len(values)} numbers")
    values += [0] * rest  # C99 6.7.8, 21
    if not all(element.low <= value <= element.high for value in values):
        raise _unclear(node, f"{node.name} holds numbers beyond {element}")
    return element, values


def _fields(parsed: Source, struct: Any) -> Any:
    for decl in struct.decls:
        kind, length = decl.type, 0
        if isinstance(kind, c_ast.ArrayDecl):
            length, kind = parsed.length(kind), kind.type
        if decl.bitsize is not None or not decl.name:
            raise _unclear(decl, f"{decl.name or 'a part of the state'} is not a plain field")
        yield decl.name, (_known(parsed, kind, decl), length, "volatile" in kind.quals)
