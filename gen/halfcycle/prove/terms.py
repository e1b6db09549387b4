"""Terms of the paths' numbers, which z3 has as it sees them."""

from __future__ import annotations

from typing import Any

import z3


class Node:
    """A term, made once however often a path comes by: z3's form of it is built only if needed."""

    __slots__ = ("_simple", "_z3", "parts", "sign")

    def __init__(self, sign: str, parts: tuple[Any, ...]) -> None:
        self.sign, self.parts = sign, parts
        self._z3: Any = None
        self._simple: Any = None

    @property
    def z3(self) -> Any:
        """The term in z3."""
        if self._z3 is None:
            self._z3 = self._built()
        return self._z3

    @property
    def simple(self) -> Any:
        """The same, simplified."""
        if self._simple is None:
            self._simple = z3.simplify(self.z3)
        return self._simple

    def _built(self) -> Any:  # noqa: PLR0911 (one an operator)
        if self.sign == "number":
            return z3.IntVal(self.parts[0])
        if self.sign == "unknown":
            return z3.Int(self.parts[0])
        a, b, *more = (part.z3 for part in self.parts)
        match self.sign:
            case "+":
                return a + b
            case "-":
                return a - b
            case "*":
                return a * b
            case "/":
                return a / b
            case "%":
                return a % b
            case "if":
                return z3.If(a, b, more[0])
            case "<":
                return a < b
            case "<=":
                return a <= b
            case "==":
                return a == b
        return a != b
