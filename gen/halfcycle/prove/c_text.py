"""What the prover must know of the C's text before it is preprocessed.

The preprocessor at hand shows one machine's view. So that every other sees the same C, whatever is
compiled under a condition is an ``#error``, the table's place in flash, or C++'s linkage: anything
else is refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

_TOKENS = re.compile(
    r"(?P<comment>/\*.*?\*/|//[^\n]*)|(?P<string>\"[^\"\\\n]*\")|(?P<other>.)", re.DOTALL
)
_RESERVED = re.compile(r"\b_(?:_\w*|[A-Z]\w*)")
_DIRECTIVE = re.compile(r"^\s*#\s*(\w*)\s*(.*?)\s*$")
_CONDITIONS = ("if", "ifdef", "ifndef")
_CPLUSPLUS = ("ifdef", "__cplusplus")


def faults(files: Mapping[str, str], name: str) -> list[str]:
    """Why the text of NAME.h and NAME.c may be another program elsewhere, each with its line."""
    return [
        f"{file}:{line}: {what}"
        for file in (f"{name}.h", f"{name}.c")
        for line, what in _faults(files[file], name, file.endswith(".h"))
    ]


def _faults(text: str, name: str, is_header: bool) -> Iterator[tuple[int, str]]:
    for mark, what in (("\\\n", "a line that is continued"), ("??", "a trigraph"), ("%:", "%:")):
        if mark in text:
            yield text[: text.index(mark)].count("\n") + 1, f"{what} is not understood"
    bare = _TOKENS.sub(_without_comment, text)
    conditions: list[tuple[str, str]] = []
    defined: set[str] = set()
    for number, line in enumerate(bare.split("\n"), 1):
        directive = _DIRECTIVE.match(line)
        if directive is None:
            yield from ((number, what) for what in _code(line, _open(conditions, name, is_header)))
            continue
        word, rest = directive.groups()
        if word in _CONDITIONS:
            conditions.append((word, rest))
        elif word == "endif":
            if conditions:
                conditions.pop()
        elif word in ("else", "elif"):
            if conditions:
                conditions[-1] = (word, rest)
        else:
            inside = _open(conditions, name, is_header)
            yield from ((number, what) for what in _other(word, rest, name, inside, defined))


def _without_comment(token: re.Match[str]) -> str:
    if token["comment"]:
        return " " + "\n" * token["comment"].count("\n")
    return token[0]


def _open(conditions: list[tuple[str, str]], name: str, is_header: bool) -> list[tuple[str, str]]:
    """The conditions that a line is under, the header's guard apart."""
    guard = ("ifndef", f"{name.upper()}_H")
    return conditions[1:] if is_header and conditions[:1] == [guard] else conditions


def _code(line: str, conditions: list[tuple[str, str]]) -> Iterator[str]:
    code = line.strip()
    if not code:
        return
    if conditions == [_CPLUSPLUS]:
        if code not in ('extern "C" {', "}"):
            yield "C for C++ only"
    elif conditions:
        yield f"C that is compiled under a condition ({' '.join(conditions[-1])}) is not proven"
    elif '"' in code or "'" in code:
        yield "text is not understood"
    for reserved in _RESERVED.findall(code):
        yield f"{reserved} may be anything on another compiler"


def _other(
    word: str, rest: str, name: str, conditions: list[tuple[str, str]], defined: set[str]
) -> Iterator[str]:
    match word:
        case "error" | "":
            return
        case "include":
            if conditions or rest not in ("<stdint.h>", f'"{name}.h"'):
                yield f"#include {rest} is not read"
        case "define":
            yield from _macro(rest, name.upper(), conditions, defined)
        case _:
            yield f"#{word} is not understood"


def _macro(
    rest: str, upper: str, conditions: list[tuple[str, str]], defined: set[str]
) -> Iterator[str]:
    macro, _, body = rest.partition(" ")
    macro, body = macro.split("(")[0], body.strip()
    if macro == f"{upper}_IN_FLASH" and conditions and body in ("", "__flash"):
        return
    if conditions:
        yield f"#define {macro} under a condition ({' '.join(conditions[-1])}) is not proven"
    elif not macro.startswith(f"{upper}_"):
        yield f"#define {macro} is not a name of this regulator"
    elif macro in defined:
        yield f"#define {macro} stands twice"
    defined.add(macro)
    for reserved in _RESERVED.findall(body):
        yield f"{reserved} may be anything on another compiler"
