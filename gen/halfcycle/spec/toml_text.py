"""A spec's value as text: as it reads, and as TOML writes it."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from halfcycle.base import exact

if TYPE_CHECKING:
    from halfcycle.spec.models import Said, Value

MAX_DECIMAL = 15
"""Characters of a number that is written as a decimal; an exact one beyond that is a fraction."""


def plain_value(value: Value) -> int | str | bool:
    """``value`` without fractions: an exact one becomes its text, such as "0.22" or "50/3"."""
    return exact.text(value) if isinstance(value, Fraction) else value


def value_text(value: Said) -> str:
    """``value`` as it reads, without quotes: ``0.22``, ``50/3``, ``mean`` or ``true``."""
    if isinstance(value, tuple):
        return ", ".join(value) or "none"
    plain = plain_value(value)
    return str(plain).lower() if isinstance(plain, bool) else str(plain)


def literal(value: Said) -> str:
    """``value`` as TOML writes it: ``0.22``, ``25``, ``"50/3"``, ``"mean"`` or ``true``."""
    if isinstance(value, tuple):
        return f"[{', '.join(literal(name) for name in value)}]"
    text = value_text(value)
    if isinstance(value, str):
        return f'"{text}"'  # Words of the spec: letters, digits, hyphens and underscores.
    if isinstance(value, Fraction) and ("/" in text or len(text) > MAX_DECIMAL):
        return f'"{value}"'
    return text
