"""Text of others on its way to a terminal or a page: no control characters get through."""

from __future__ import annotations


def printable(text: str) -> str:
    """``text`` as one line: line breaks, control and formatting characters are written as escapes
    (``\\x1b``), so that they neither drive a terminal nor hide what a line says."""
    return "".join(c if c.isprintable() else _escape(c) for c in text)


def printable_lines(text: str) -> str:
    """``text`` with its line breaks and tabs, every other such character written as an escape."""
    return "".join(c if c in "\n\t" or c.isprintable() else _escape(c) for c in text)


def _escape(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")
