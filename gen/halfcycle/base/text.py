"""Words for people: counts and small numbers, and text of others made safe to show."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from decimal import Decimal
from string import ascii_uppercase

_PLUS_MINUS = re.compile(r"(?<![^\s(\n])\+-(?=[\s\dV%:,.…]|$)")
"""Not in a name of the user's, as "a+-1"."""


def printable(text: str) -> str:
    """``text`` as one line: line breaks, control and formatting characters are written as escapes
    (``\\x1b``), so that they neither drive a terminal nor hide what a line says."""
    return "".join(c if c.isprintable() else _escape(c) for c in text)


def printable_lines(text: str) -> str:
    """``text`` with its line breaks and tabs, every other such character written as an escape."""
    return "".join(c if c in "\n\t" or c.isprintable() else _escape(c) for c in text)


def _escape(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")


def counted(number: int, noun: str = "half cycle") -> str:
    """The count in words: "1 half cycle", "3 half cycles"; ``noun`` takes an s in the plural."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def listed(words: Sequence[str]) -> str:
    """Words as a list in a sentence: "a", "a and b", "a, b and c"."""
    *before, last = words
    return f"{', '.join(before)} and {last}" if before else last


def letters(labels: Iterable[str]) -> dict[str, str]:
    """A letter for each different label, in order of first use: A to Z, then A1 and so on."""
    named = {}
    for at, label in enumerate(dict.fromkeys(labels)):
        turn, place = divmod(at, len(ascii_uppercase))
        named[label] = ascii_uppercase[place] + (str(turn) if turn else "")
    return named


def nearest(word: str, known: Iterable[str], *, anyhow: bool = False) -> str:
    """The one of ``known`` that a mistyped ``word`` is like; "" if none is, unless ``anyhow``."""
    import difflib  # noqa: PLC0415 (only for a message)

    word, known = word[:80].lower(), list(known)
    begun = [name for name in known if len(word) > 2 and name.startswith(word)]
    if begun:
        return min(begun, key=len)
    return next(iter(difflib.get_close_matches(word, known, 1, 0.0 if anyhow else 0.6)), "")


def choice(word: str, known: Sequence[str]) -> str:
    """What to choose instead of a word that is not ``known``: "the nearest is b; choose one of a,
    b"."""
    near = nearest(word, known)
    return f"{f'the nearest is {near}; ' if near else ''}choose one of {', '.join(known)}"


def with_signs(text: str) -> str:
    """``text`` with "±" for "+-", for what can show it."""
    return _PLUS_MINUS.sub("±", text)


def figure(value: float, digits: int = 3) -> str:
    """``value`` to so many digits, never with an exponent; whole parts are not rounded: "1383"."""
    if abs(value) >= 10 ** (digits - 1):
        return f"{value:.0f}"
    return f"{Decimal(f'{value:.{digits}g}'):f}"


def against(value: float, limit: float, unit: str) -> tuple[str, str]:
    """``value`` and its ``limit`` with their unit, three digits each; ``value`` with so many more
    that it does not read as the limit unless it is that."""
    most = figure(limit)
    tried = (figure(value, digits) for digits in range(3, 8))
    differs = next((text for text in tried if text != most), figure(value))
    return f"{differs} {unit}", f"{most} {unit}"


def at_most(value: float, least: float, unit: str = "") -> str:
    """A bound to two digits, or that it is less than ``least``, never with an exponent or as 0.000:
    "at most 0.0042 %", "less than 0.001 %"."""
    if abs(value) < least:
        return f"less than {least:g} {unit}".rstrip()
    return f"at most {figure(value, 2)} {unit}".rstrip()


def signed_ppm(value: float) -> str:
    """Parts per million with the sign: whole ones from 100 up, else three digits, so that what is
    not 0 never reads as 0: "+2500 ppm", "-0.256 ppm"."""
    digits = f"{value:+.0f}" if abs(value) >= 100 else f"{value:+.3g}"
    return f"{digits} ppm"
