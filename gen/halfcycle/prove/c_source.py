"""The generated C as a syntax tree: preprocessed by the compiler at hand, read by pycparser."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from pycparser import c_ast, c_parser

from halfcycle.prove.c_types import IntType, Widths
from halfcycle.verify import compiler

STDINT = """
typedef signed char int8_t; typedef unsigned char uint8_t;
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


@dataclass(slots=True)
class Source:
    """The parts of a translation unit that matter here."""

    widths: Widths
    types: dict[str, IntType] = field(default_factory=dict)
    """typedef name to type."""
    structs: dict[str, dict[str, tuple[IntType, int, bool]]] = field(default_factory=dict)
    """struct to field to (type, elements or 0, volatile)."""
    tables: dict[str, tuple[IntType, list[int]]] = field(default_factory=dict)
    functions: dict[str, Any] = field(default_factory=dict)
    proven: dict[tuple[str, int], str] = field(default_factory=dict)
    """What ``root_proof`` has found of it: "" or why it is not proven."""
    places: dict[Any, str] = field(default_factory=dict)
    """Nodes of the tree to what messages say of their place."""

    def int_type(self, node: Any) -> IntType | None:
        """The integer type that a declaration's type node names; None for void."""
        while isinstance(node, (c_ast.TypeDecl, c_ast.Typename)):
            node = node.type
        words = list(node.names)
        if words == ["void"]:
            return None
        if len(words) == 1 and words[0] in self.types:
            return self.types[words[0]]
        return self.widths.named(words)


def preprocessed(files: Mapping[str, str], source: str, int_bits: int) -> str:
    """``source`` with its includes and macros worked out, for an int of ``int_bits``."""
    narrow = int_bits == 16
    stdint = STDINT.format(
        int16="int" if narrow else "short",
        int32="long" if narrow else "int",
        suffix=" ## L" if narrow else "",
        unsigned16=" ## U" if narrow else "",
    ).replace("U ## L", "UL")
    return compiler.preprocessed({**files, "stdint.h": stdint}, source, ["-nostdinc", "-I."])


def parse(files: Mapping[str, str], source: str, int_bits: int) -> Source:
    """Read ``source``. Raises compiler.CompileError or pycparser's ParseError."""
    tree = c_parser.CParser().parse(preprocessed(files, source, int_bits), source)
    parsed = Source(Widths(int_bits))
    for node in tree.ext:
        if isinstance(node, c_ast.Typedef):
            integer = parsed.int_type(node.type)
            assert integer is not None
            parsed.types[node.name] = integer
        elif isinstance(node, c_ast.FuncDef):
            parsed.functions[node.decl.name] = node
        elif isinstance(node, c_ast.Decl) and isinstance(node.type, c_ast.Struct):
            parsed.structs[node.type.name] = dict(_fields(parsed, node.type))
        elif isinstance(node, c_ast.Decl) and isinstance(node.type, c_ast.ArrayDecl):
            element = parsed.int_type(node.type.type)
            assert element is not None
            values = [parsed.widths.constant(item.value)[0] for item in node.init.exprs]
            parsed.tables[node.name] = (element, values)
    return parsed


def _fields(parsed: Source, struct: Any) -> Any:
    for decl in struct.decls:
        kind, length = decl.type, 0
        if isinstance(kind, c_ast.ArrayDecl):
            length, kind = parsed.widths.constant(kind.dim.value)[0], kind.type
        yield decl.name, (parsed.int_type(kind), length, "volatile" in kind.quals)
