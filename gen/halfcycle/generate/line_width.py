"""The lines of the generated C, held to a width: names and numbers of a Plan make them longer than
the templates can know."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence

WIDTH = 100
"""Columns that no line exceeds."""
BESIDE = 56
"""Code of up to so many columns has its comment beside it, on several lines; longer code below."""
_BREAKS = (
    re.compile(r"[,;] "),
    re.compile(r" (?:&&|\|\||\?|:) "),
    re.compile(r" (?:[-+*/%&|^<>]|<<|>>|[=!<>]=) "),
    re.compile(r" = "),
    re.compile(r" "),
)
"""After what code may be broken, best first; after the last two only if there is nothing else."""
_STRING = re.compile(r'"(?:[^"\\]|\\.)*"')
_TERM = re.compile(r" +\S.*?\S {2,}(?=\S)")
"""A name and the blanks before its explanation, in a list of a banner."""
_CONDITION = re.compile(r" *(?:\} else )?(?:if|while|for|switch) \(")


def within(text: str) -> str:
    """``text`` of C with no line longer than WIDTH: comments are filled anew, and stand above
    code beside which they have no room; code is broken after a comma or an operator. Tokens and
    their order stay."""
    return "\n".join(_within(text.split("\n")))


def _within(lines: Sequence[str]) -> Iterator[str]:
    at = 0
    while at < len(lines):
        code, begins, _ = lines[at].partition("/*")
        end = at
        while begins and "*/" not in lines[end]:
            end += 1
        block = lines[at : end + 1]
        at = end + 1
        if all(len(line) <= WIDTH for line in block):
            yield from block
        elif not begins or not block[-1].endswith("*/"):
            yield from _broken(block[0])
            yield from block[1:]
        elif block[0].strip() == "/*":
            yield from _banner(block)
        else:
            comment = " ".join(line.strip() for line in (block[0][len(code) :], *block[1:]))
            if len(code) <= BESIDE:
                yield from _comment(code, comment)
            else:
                yield from _comment(" " * (len(code) - len(code.lstrip())), comment)
                yield from _broken(code.rstrip())


def _comment(before: str, comment: str) -> Iterator[str]:
    """A comment after ``before``, filled; its end is not left alone on a line."""
    for line in textwrap.wrap(
        comment.replace(" */", "\0*/"),
        WIDTH,
        initial_indent=before,
        subsequent_indent=" " * (len(before) + 3),
        break_long_words=False,
        break_on_hyphens=False,
    ):
        yield line.replace("\0", " ")


def _banner(lines: Sequence[str]) -> Iterator[str]:
    """A comment whose lines begin with a star: what is too long is filled with the lines of prose
    that follow it, or if it is indented, alone."""
    at = 0
    while at < len(lines):
        line = lines[at]
        at += 1
        if len(line) <= WIDTH:
            yield line
            continue
        body = line[3:]
        later = " * "
        if body.startswith(" "):
            term = _TERM.match(body)
            later += " " * (term.end() if term else len(body) - len(body.lstrip()) + 4)
        else:
            while at < len(lines) and re.match(r" \* \S", lines[at]):
                body += f" {lines[at][3:]}"
                at += 1
        yield from textwrap.wrap(
            body,
            WIDTH,
            initial_indent=" * ",
            subsequent_indent=later,
            break_long_words=False,
            break_on_hyphens=False,
        )


def _broken(line: str) -> Iterator[str]:
    """A line of code as several, the others indented: by two steps in a condition, as one step is
    that of what it governs. A directive is one line."""
    later = " " * (len(line) - len(line.lstrip()) + (8 if _CONDITION.match(line) else 4))
    while len(line) > WIDTH and not line.startswith("#"):
        place = _place(line)
        if place is None:
            break
        yield line[:place].rstrip()
        line = later + line[place:].lstrip()
    yield line


def _place(line: str) -> int | None:
    """Where to break: after the last of the best operators in the fewest brackets; None if it is
    nowhere possible."""
    plain = _STRING.sub(lambda string: "_" * len(string[0]), line)
    first = len(line) - len(line.lstrip())
    found = []
    for rank, operator in enumerate(_BREAKS):
        for match in operator.finditer(plain, first):
            if match.end() - 1 <= WIDTH:
                before = plain[: match.start()]
                depth = sum(before.count(c) for c in "([{") - sum(before.count(c) for c in ")]}")
                found.append((max(0, rank - 2), depth, rank, -match.end()))
    return -min(found)[3] if found else None
