"""Mathematics as MathML from sympy expressions, with and without the numbers put in."""

from __future__ import annotations

import html
import re
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

from halfcycle.loop.derivations import Expr
from halfcycle.report.parts import carried, decimal

NAMES = {"Kp": "K_P", "Ki": "K_I", "kp": "k_P", "ki": "k_I"}
"""Names as the page sets them: upper case per window, lower case per second."""


@cache
def _printer() -> Any:
    from sympy.printing.mathml import (  # type: ignore[import-untyped]  # noqa: PLC0415 (slow)
        MathMLPresentationPrinter,
    )

    class Printer(MathMLPresentationPrinter):  # type: ignore[misc]
        """Prints the symbols of ``values`` as numbers."""

        def __init__(self, values: Mapping[Any, str], settings: dict[str, Any]) -> None:
            super().__init__(settings)
            self.values = values

        def _print_Symbol(self, sym: Any, style: str = "plain") -> Any:
            shown = self.values.get(sym)
            if shown is None:
                renamed = type(sym)(NAMES.get(sym.name, sym.name))
                return super()._print_Symbol(renamed, style)
            node = self.dom.createElement("mn")
            node.appendChild(self.dom.createTextNode(shown.lstrip("−")))
            if not shown.startswith("−"):
                return node
            # A negative number in a product needs its brackets.
            row = self.dom.createElement("mrow")
            for kind, text in (("mo", "("), ("mo", "−"), ("", ""), ("mo", ")")):
                child = node if not kind else self.dom.createElement(kind)
                if kind:
                    child.appendChild(self.dom.createTextNode(text))
                row.appendChild(child)
            return row

        def _print_Add(self, expr: Any, order: Any = None) -> Any:
            # What is taken away comes last: z - 1, not -1 + z.
            terms = sorted(expr.args, key=lambda term: bool(term.could_extract_minus_sign()))
            return super()._print_Add(type(expr)(*terms, evaluate=False), order="none")

    return Printer


def _print(expression: Expr, values: Mapping[Expr, str], times: str | None) -> str:
    settings = {"order": "none"} | ({"mul_symbol": times} if times else {})
    node = _printer()(values, settings)._print(expression)
    _settle(node)
    text = node.toxml()
    # The names that only a DTD would explain become characters.
    text = re.sub(r"&(?!amp;|lt;|gt;|quot;)(#?\w+);", lambda m: html.unescape(m[0]), text)
    return text.replace("<mo>-</mo>", "<mo>−</mo>")


def _settle(node: Any) -> None:
    """Keep brackets small around what is no taller than a letter: few fonts stretch them well."""
    for child in node.childNodes:
        _settle(child)
    marks = [c for c in node.childNodes if c.nodeName == "mo" and c.firstChild.data in ("(", ")")]
    if marks and not any(node.getElementsByTagName(name) for name in ("mfrac", "msqrt")):
        for mark in marks:
            mark.setAttribute("stretchy", "false")


def shown(expression: Expr) -> str:
    """Presentation MathML of an expression, without the outer ``math``."""
    return _print(expression, {}, None)


def with_numbers(expression: Expr, values: Mapping[Expr, float]) -> str:
    """The same with numbers in place of symbols."""
    texts = {symbol: carried(value) for symbol, value in values.items()}
    return _print(expression, texts, "times")


def value(result: float, unit: str = "") -> str:
    """What a formula comes to, with its unit."""
    return _number(decimal(result), unit)


def carried_value(result: float, unit: str = "") -> str:
    """A number that later formulas go on with, with its unit."""
    return _number(carried(result), unit)


def _number(text: str, unit: str) -> str:
    sign = "<mo>−</mo>" if text.startswith("−") else ""
    tail = f"<mtext>\N{NO-BREAK SPACE}{html.escape(unit)}</mtext>" if unit else ""
    return f"<mrow>{sign}<mn>{text.lstrip('−')}</mn>{tail}</mrow>"


def magnitude(inner: str) -> str:
    """The size of something, between bars."""
    bar = '<mo stretchy="false">|</mo>'
    return f"<mrow>{bar}{inner}{bar}</mrow>"


def words(text: str) -> str:
    """Words inside a formula."""
    return f"<mtext>{html.escape(text)}</mtext>"


def relation(*parts: str, signs: Sequence[str] = ("=",)) -> str:
    """One displayed line: ``parts`` joined by ``signs``, the last of which goes on to the end. Each
    part is a formula of its own, so that a narrow column may break the line before a sign."""
    pieces = [parts[0]]
    for at, part in enumerate(parts[1:]):
        sign = html.escape(signs[min(at, len(signs) - 1)])
        pieces.append(f'<mo form="infix" lspace="0">{sign}</mo>{part}')
    return " ".join(f'<math displaystyle="true"><mrow>{piece}</mrow></math>' for piece in pieces)


def substitute(expression: Expr, values: Mapping[Expr, float]) -> float:
    """The number that an expression comes to."""
    return float(expression.subs(values).evalf())
