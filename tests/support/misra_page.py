"""The two lists of docs/misra.md: what the checker says, and what is found by hand."""

from __future__ import annotations

import re

from support.paths import ROOT

PAGE = ROOT / "docs" / "misra.md"
ROW = re.compile(r"^\| (\S+) \| `(.*)` \| (.+) \|$", re.MULTILINE)
HEADING = "## What the checker does not see"

Rows = dict[tuple[str, str], str]
"""(rule, line) to reason."""


def anonymous(line: str, name: str) -> str:
    """The line without comment, regulator's name and numbers."""
    line = re.sub(r"/\*.*", "", line).replace(name.upper(), "NAME").replace(name, "NAME")
    return re.sub(r"\b(?:0x[0-9A-F]+|\d+)(?=[uUL]*\b)", "N", line).strip()


def of_the_checker() -> Rows:
    """The rows that the checker's messages must be."""
    return _rows(PAGE.read_text(encoding="utf-8").partition(HEADING)[0])


def by_hand() -> Rows:
    """The rows that the tests' own readers must find."""
    return _rows(PAGE.read_text(encoding="utf-8").partition(HEADING)[2])


def _rows(text: str) -> Rows:
    return {(rule, line): why for rule, line, why in ROW.findall(text)}
