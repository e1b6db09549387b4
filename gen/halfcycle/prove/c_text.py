"""What the prover must know of the C's text before it is preprocessed.

The preprocessor at hand shows one machine's view. So that every other sees the same C, all that a
preprocessor does is on a short list of what the templates write, and anything else is refused:
characters, comments, strings, directives, and the bodies of macros. C99 5.1.1.2 (phases of
translation), 6.4.9 (comments), 6.10 (directives).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

SHOWN = 3
"""Faults that are named at most."""
_CHARACTERS = re.compile(r"[^\n !-~]|[$\\]|\?\?|<:|:>|<%|%>|%:")
"""What phases 1 and 2 may make something else of: characters beyond printable ASCII (in some sets a
second byte is a backslash), line ends other than the line feed, joined lines, trigraphs, digraphs.
They are refused in comments as well, which they may end. A $ is a letter to some compilers only."""
_WORDS = {"\\": "a backslash", "\t": "a tab", "\r": "a carriage return", "??": "a trigraph"}
_TOKENS = re.compile(
    r"""(?P<comment>/\*.*?\*/)|(?P<string>"[^"\n]*")|(?P<open>/\*|//|["'])|(?P<other>.)""",
    re.DOTALL,
)
_IDENTIFIER = re.compile(r"[A-Za-z_]\w*")
_RESERVED = re.compile(r"_(?:_\w*|[A-Z]\w*)")
_EITHER_SIGN = ("UINT16_C", "UINT16_MAX")
"""C99 7.18.4 gives them the promoted type; C libraries with an int of 32 bits differ in which."""
_NUMBER = r"(?:0x[0-9A-Fa-f]{1,8}|0|[1-9][0-9]{0,9})u?"
_CONSTANT = re.compile(rf"(?:{_NUMBER}|(?:INT16|U?INT32)_C\({_NUMBER.removesuffix('u?')}\))")
"""A number, or one with a type."""
_MACRO = re.compile(r"#define ([A-Za-z_]\w*)(?:(\()| (.*))?")
_ERROR = re.compile(r'#error "[^"]*"')
_CONDITION = re.compile(r"#(?:if|ifdef|ifndef)\b")
_OTHER_BRANCH = re.compile(r"#(?:else|elif)\b")

_OWN_MACROS = ("IN_FLASH", "H", "FAST", "FENCE")
OPEN_LINKAGE = ("#ifdef __cplusplus", 'extern "C" {', "#endif")
CLOSE_LINKAGE = ("#ifdef __cplusplus", "}", "#endif")


def _flash(upper: str) -> tuple[str, ...]:
    return (
        "#if defined(__flash) || (defined(__FLASH) && !defined(__STRICT_ANSI__))",
        f"#define {upper}_IN_FLASH __flash",
        "#else",
        f"#define {upper}_IN_FLASH",
        "#endif",
    )


def _empty(upper: str) -> tuple[tuple[str, ...], ...]:
    """The blocks of macros that are empty unless the user has one: of an attribute, which changes
    no value, and of a barrier, which changes no order here."""
    return tuple(
        (f"#ifndef {upper}_{macro}", f"#define {upper}_{macro}{brackets}", "#endif")
        for macro, brackets in (("FAST", ""), ("FENCE", "()"))
    )


Line = tuple[int, str]
"""Number and text of a line, comments taken out and blanks made one."""


def unclear(files: Mapping[str, str], name: str) -> str:
    """The first of ``faults`` in words; "" if there is none."""
    return "; ".join(faults(files, name)[:SHOWN])


def faults(files: Mapping[str, str], name: str) -> list[str]:
    """Why the text of NAME.h and NAME.c may be another program elsewhere, each with its line."""
    found = []
    macros: set[str] = set()
    for file in (f"{name}.h", f"{name}.c"):
        text = files[file]
        for line, what in _Text(name, file.endswith(".h"), macros).faults(text):
            found.append(f"{file}:{line}: {what}")
    return found


def _lines(text: str) -> Iterator[Line]:
    """The lines after phase 3: a comment is a blank, even where it runs over several lines.

    ValueError, with number and words, if the text is cut into tokens in another way.
    """
    number, first, line = 1, 1, ""
    for token in _TOKENS.finditer(text):
        if token["open"]:
            raise ValueError(number, f"{token[0]} is not understood here")
        if token[0] == "\n":
            yield first, " ".join(line.split())
            first, line = number + 1, ""
        else:
            line += " " if token["comment"] else token[0]
        number += token[0].count("\n")
    if line.strip():
        # C99 5.1.1.2: what a file without a last line feed means is not defined.
        raise ValueError(number, "the last line does not end")


@dataclass(slots=True)
class _Text:
    """One file of the two."""

    name: str
    is_header: bool
    macros: set[str]
    """Those defined so far, in the header too."""
    depth: int = 0
    """Braces that are open."""
    once: list[object] = field(default_factory=list)
    """Blocks and directives that were met and may come once."""

    @property
    def upper(self) -> str:
        return self.name.upper()

    def faults(self, text: str) -> Iterator[Line]:
        if strange := _CHARACTERS.search(text):
            number = text[: strange.start()].count("\n") + 1
            yield number, f"{_WORDS.get(strange[0], ascii(strange[0]))} is not understood"
            return
        try:
            lines = [line for line in _lines(text) if line[1]]
        except ValueError as error:
            yield error.args
            return
        if self.is_header:
            guard = [f"#ifndef {self.upper}_H", f"#define {self.upper}_H", "#endif"]
            if [line for _, line in (*lines[:2], *lines[-1:])] != guard:
                yield 1, f"the whole header is not under {guard[0]}"
                return
            lines = lines[2:-1]
        yield from self._all(lines)

    def _all(self, lines: list[Line]) -> Iterator[Line]:
        at = 0
        while at < len(lines):
            number, line = lines[at]
            taken = 1
            if _CONDITION.match(line):
                taken = self._block_length([text for _, text in lines[at:]])
                if not taken:
                    yield from self._conditional(lines[at:])
                    return
            elif line.startswith("#"):
                yield from ((number, what) for what in self._directive(line))
            else:
                yield from ((number, what) for what in self._code(line))
            at += taken
        if (OPEN_LINKAGE in self.once) != (CLOSE_LINKAGE in self.once):
            yield lines[-1][0], "the linkage for C++ does not end"

    def _block_length(self, lines: list[str]) -> int:
        """The lines of the block under a condition that ``lines`` begin with, 0 if it is not one of
        those that there may be."""
        if len(lines) > 2 and _ERROR.fullmatch(lines[1]) and lines[2] == "#endif":
            return 3
        known = [_flash(self.upper)]
        if self.is_header:
            known = [CLOSE_LINKAGE if OPEN_LINKAGE in self.once else OPEN_LINKAGE]
            known += _empty(self.upper)
        for block in known:
            if tuple(lines[: len(block)]) == block and not self.depth and block not in self.once:
                self.once.append(block)
                return len(block)
        return 0

    def _conditional(self, lines: list[Line]) -> Iterator[Line]:
        """Of a block that is not known: its first line that says something for some only."""
        condition = lines[0][1]
        for number, line in lines[1:]:
            if not (_OTHER_BRANCH.match(line) or _ERROR.fullmatch(line)):
                what = line if line.startswith("#") else "C"
                yield (
                    number,
                    f"{what} that is compiled under a condition ({condition}) is not proven",
                )
                return
        yield lines[0][0], f"{condition} does not end"

    def _directive(self, line: str) -> Iterator[str]:
        if line.startswith("#define "):
            yield from self._macro(line)
        elif line == ("#include <stdint.h>" if self.is_header else f'#include "{self.name}.h"'):
            if self.depth or line in self.once:
                yield f"{line} stands twice, or inside a block"
            self.once.append(line)
        elif line.startswith("#include"):
            yield f"{line} is not read"
        elif not _ERROR.fullmatch(line):
            yield f"{line.split(maxsplit=1)[0]} is not understood"

    def _macro(self, line: str) -> Iterator[str]:
        found = _MACRO.fullmatch(line)
        if found is None or found[2]:
            yield f"{line}: a macro with parameters is not understood"
            return
        macro, body = found[1], found[3] or ""
        if not re.fullmatch(rf"{self.upper}_[A-Z][A-Z_]*", macro):
            yield f"#define {macro} is not a name of this regulator"
        elif macro in (*self.macros, *(f"{self.upper}_{end}" for end in _OWN_MACROS)):
            yield f"#define {macro} stands twice"
        elif not self.is_header or self.depth:
            yield f"#define {macro} does not stand in the header"
        elif not _CONSTANT.fullmatch(body):
            yield f"#define {macro}: {body or 'nothing'} is not a constant"
        self.macros.add(macro)

    def _fast_line(self) -> str:
        prototype = r" \w+ \w+\([\w *,]+\);" if self.is_header else ""
        return f"{self.upper}_FAST{prototype}"

    def _code(self, line: str) -> Iterator[str]:
        if '"' in line:
            yield "text is not understood"
        if "#" in line:
            yield "# is not understood"
        fast, fence = f"{self.upper}_FAST", f"{self.upper}_FENCE"
        if fast in line and (self.depth or not re.fullmatch(self._fast_line(), line)):
            yield f"{fast} is for the head of a function"
        if fence in line and (not self.depth or line != f"{fence}();"):
            yield f"{fence} is a statement of its own"
        table = rf"static const {self.upper}_IN_FLASH u?int16_t {self.name}_\w+\[\d+\] = {{"
        for word in _IDENTIFIER.findall(line):
            if word in _EITHER_SIGN:
                yield f"{word} is signed on some compilers and unsigned on others"
            elif _RESERVED.fullmatch(word):
                yield f"{word} may be anything on another compiler"
            elif word == f"{self.upper}_IN_FLASH" and (
                self.depth or _flash(self.upper) not in self.once or not re.fullmatch(table, line)
            ):
                yield f"{word} is for the head of a table"
        self.depth += line.count("{") - line.count("}")
        if self.depth < 0:
            yield "a brace that was not opened"
