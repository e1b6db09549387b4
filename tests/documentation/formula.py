"""Evaluates the formulae of a page: enough of LaTeX's mathematics to put numbers into them.

A formula that can be evaluated has a name on the line before it: ``<!-- formula: NAME -->``.
"""

from __future__ import annotations

import cmath
import math
import re
from collections.abc import Callable, Mapping, Sequence

Number = int | float | complex
Value = Number | Sequence[float] | Callable[..., Number]

_TOKEN = re.compile(r"\\[a-zA-Z]+|\d+(?:\.\d+)?|[a-zA-Z]|\S")
_MARKED = re.compile(r"^<!-- formula: (\S+) -->\n\$\$\n(.*?)\n\$\$$", re.MULTILINE | re.DOTALL)
_FUNCTIONS: dict[str, Callable[..., Number]] = {
    "\\sin": math.sin,
    "\\cos": math.cos,
    "\\tan": math.tan,
    "\\arcsin": math.asin,
    "\\min": min,
}
_ENDS = {"", "+", "-", ")", "}", "|", ",", "=", "\\right", "\\rfloor"}


def formulae(text: str) -> dict[str, str]:
    """The right-hand sides of a page's marked formulae, by name."""
    found = {}
    for name, latex in _MARKED.findall(text):
        assert name not in found, f"two formulae are named {name}"
        found[name] = latex.rpartition(" = ")[2] if " = " in latex else latex
    return found


def evaluate(latex: str, values: Mapping[str, Value]) -> Number:
    """The value of a formula. ``values``: of its symbols, as they are written without braces
    (``K_p``, ``\\alpha``); of one with an index the list from index 0 on, of a function itself."""
    reader = _Reader(_TOKEN.findall(re.sub(r"\\[,;!]|\\ ", " ", latex)), dict(values))
    value = reader.sum()
    if reader.now:
        raise ValueError(f"{reader.now!r} is not expected in {latex}")
    return value


class _Reader:
    """Recursive descent over the tokens; sums evaluate their terms once for each index."""

    def __init__(self, tokens: list[str], values: dict[str, Value]) -> None:
        self.tokens, self.values, self.at = tokens, values, 0

    @property
    def now(self) -> str:
        return self.tokens[self.at] if self.at < len(self.tokens) else ""

    def take(self, wanted: str | None = None) -> str:
        token = self.now
        if wanted is not None and token != wanted:
            raise ValueError(f"{token!r} stands where {wanted!r} should")
        self.at += 1
        return token

    def sum(self) -> Number:
        value = -self.product() if self.now == "-" and self.take() else self.product()
        while self.now in ("+", "-"):
            value = value + self.product() if self.take() == "+" else value - self.product()
        return value

    def product(self) -> Number:
        value = self.power()
        while self.now not in _ENDS:
            if self.now == "/":
                self.take()
                value = value / self.power()
            else:
                value = value * self.power()
        return value

    def power(self) -> Number:
        base = self.atom()
        if self.now != "^":
            return base
        self.take()
        return base ** self.group()

    def group(self) -> Number:
        """One token, or what braces hold."""
        if self.now != "{":
            return self.atom()
        self.take()
        value = self.sum()
        self.take("}")
        return value

    def atom(self) -> Number:  # noqa: PLR0911 (one per kind)
        token = self.take()
        if token[0].isdigit():
            return float(token) if "." in token else int(token)
        if token == "\\frac":
            above = self.group()
            return above / self.group()
        if token == "\\sqrt":
            return math.sqrt(_real(self.group()))
        if token in ("(", "\\left", "\\lfloor"):
            return self.bracket(token)
        if token == "\\sum":
            return self.total()
        if token in _FUNCTIONS:
            self.take("(")
            return _FUNCTIONS[token](*self.arguments())
        if token == "\\pi":
            return math.pi
        if token == "e" and self.now == "^":
            self.take()
            return cmath.exp(self.group())
        if token == "j":
            return 1j
        return self.symbol(token)

    def bracket(self, opened: str) -> Number:
        kind = self.take() if opened == "\\left" else opened
        value = self.sum()
        if opened == "\\left":
            self.take("\\right")
        self.take({"(": ")", "|": "|", "\\lfloor": "\\rfloor"}[kind])
        if kind == "|":
            return abs(value)
        return math.floor(_real(value)) if kind == "\\lfloor" else value

    def arguments(self) -> list[Number]:
        found = [self.sum()]
        while self.now == ",":
            self.take()
            found.append(self.sum())
        self.take(")")
        return found

    def total(self) -> Number:
        """A sum over an index; its term reaches as far as a product does."""
        self.take("_")
        self.take("{")
        index = self.take()
        self.take("=")
        first = self.sum()
        self.take("}")
        self.take("^")
        last = self.group()
        start, value, outer = self.at, 0.0 + 0j, self.values.get(index)
        for at in range(int(_real(first)), int(_real(last)) + 1):
            self.at, self.values[index] = start, at
            value += self.product()
        if outer is not None:
            self.values[index] = outer
        return value.real if not value.imag else value

    def symbol(self, name: str) -> Number:
        value = self.values.get(name)
        if self.now == "_":
            self.take()
            if isinstance(value, Sequence):
                return value[int(_real(self.group()))]
            name += f"_{self.take()}"
            value = self.values.get(name)
        if callable(value):
            self.take("(")
            return value(*self.arguments())
        if value is None or isinstance(value, Sequence):
            raise ValueError(f"{name} has no value")
        return value


def _real(value: Number) -> float:
    assert not isinstance(value, complex), "a real number is needed"
    return value
