"""The two lists of docs/misra.md: what the checker says, and what is found by hand."""

from __future__ import annotations

import re

from support.paths import ROOT

PAGE = ROOT / "docs" / "misra.md"
ROW = re.compile(r"^\| (\S+) \| `(.*)` \| (.+) \|$", re.MULTILINE)
HEADING = "## What the checker does not see"

_GOES_ON = re.compile(r" (?:[-+*/%&|^<>?:=]|&&|\|\||<<|>>|[=!<>]=)$")

Rows = dict[tuple[str, str], str]
"""(rule, line) to reason."""


def anonymous(line: str, name: str) -> str:
    """The line without comment, regulator's name and numbers."""
    line = re.sub(r"/\*.*", "", line).replace(name.upper(), "NAME").replace(name, "NAME")
    return re.sub(r"\b(?:0x[0-9A-F]+|\d+)(?=[uUL]*\b)", "N", line).strip()


def statements(text: str) -> list[str]:
    """For each line of C the statement or the head of a function that it is a part of, on one line
    and without comments: what is too long stands on several."""
    bare = re.sub(
        r"/\*.*?\*/", lambda comment: "\n" * comment[0].count("\n"), text, flags=re.DOTALL
    )
    whole: list[str] = []
    parts: list[str] = []
    for line in bare.split("\n"):
        parts.append(line.strip())
        joined = " ".join(parts)
        if joined.count("(") <= joined.count(")") and not _GOES_ON.search(joined):
            whole += [joined] * len(parts)
            parts = []
    return whole + parts


def of_the_checker() -> Rows:
    """The rows that the checker's messages must be."""
    return _rows(PAGE.read_text(encoding="utf-8").partition(HEADING)[0])


def by_hand() -> Rows:
    """The rows that the tests' own readers must find."""
    return _rows(PAGE.read_text(encoding="utf-8").partition(HEADING)[2])


def _rows(text: str) -> Rows:
    return {(rule, line): why for rule, line, why in ROW.findall(text)}
