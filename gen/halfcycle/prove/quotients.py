"""Quotients of long sums in one form, however a sum was cut into words before it was divided.

With floor(x) the greatest whole number up to x, and for whole a, b, d > 0, k > 0:
floor((d a + b) / d) = a + floor(b / d), and floor(floor(b / d) / k) = floor(b / (d k))
(Graham, Knuth, Patashnik, Concrete Mathematics, section 3.2, (3.6) and (3.11), from memory). So
what is taken apart into a quotient and a rest, weighted, added up and put together again is the
quotient of the whole, and both sides of a proof have the same term for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from halfcycle.prove.terms import Node

HIGH_WORD = 1 << 32


@dataclass(frozen=True, slots=True)
class Form:
    """constant + sum of factor * leaf: a leaf is an unknown, a choice or a quotient."""

    constant: int = 0
    factors: Mapping[Node, int] = field(default_factory=dict)

    def times(self, number: int) -> Form:
        return Form().plus(self, number)

    def plus(self, other: Form, times: int = 1) -> Form:
        """This and ``times`` the other one."""
        factors = dict(self.factors)
        for leaf, factor in other.factors.items():
            factors[leaf] = factors.get(leaf, 0) + times * factor
        constant = self.constant + times * other.constant
        return Form(constant, {leaf: factor for leaf, factor in factors.items() if factor})

    @property
    def has_high_word(self) -> bool:
        """Whether part of it is the high word of a number of more than 32 bits."""
        return any(factor >= HIGH_WORD for factor in self.factors.values())

    def divided(self, divisor: int) -> tuple[Form, Form]:
        """(a, b) of ``divisor`` * a + b, each factor of b smaller than ``divisor``."""
        whole = {leaf: _toward_zero(n, divisor) for leaf, n in self.factors.items()}
        part = Form(self.constant // divisor, {leaf: n for leaf, n in whole.items() if n})
        return part, self.plus(part, -divisor)


def _toward_zero(number: int, divisor: int) -> int:
    return number // divisor if number >= 0 else -(-number // divisor)


def form_of(node: Node, known: dict[Node, Form]) -> Form:
    """``node`` as a sum; ``known`` has those that were asked for, and takes them."""
    form = known.get(node)
    if form is None:
        form = known[node] = _form(node, known)
    return form


def _form(node: Node, known: dict[Node, Form]) -> Form:
    if node.sign == "number":
        return Form(node.parts[0])
    if node.sign in ("+", "-"):
        left, right = (form_of(part, known) for part in node.parts)
        return left.plus(right, 1 if node.sign == "+" else -1)
    if node.sign == "*" and node.parts[1].sign == "number":
        return form_of(node.parts[0], known).times(node.parts[1].parts[0])
    return Form(0, {node: 1})


@dataclass(slots=True)
class Quotients:
    """What is known on one path of the forms of its terms."""

    forms: dict[Node, Form] = field(default_factory=dict)
    leaves: dict[Node, Any] = field(default_factory=dict)
    """The symbol of each leaf."""
    of: dict[Node, tuple[Form, int]] = field(default_factory=dict)
    """The leaves that are the quotient of a form by a number."""

    def form(self, node: Node) -> Form:
        return form_of(node, self.forms)

    def is_long(self, form: Form, fields: int) -> bool:
        """Whether it has more than ``fields`` unknowns or choices, exact quotients aside, or has a
        high word, or is the quotient of what was long and a constant."""
        factors = form.factors
        return (
            sum(leaf.sign != "/" for leaf in factors) > fields
            or form.has_high_word
            or (list(factors.values()) == [1] and not self.of.keys().isdisjoint(factors))
        )

    def dividend(self, rest: Form, divisor: int) -> tuple[Form, int]:
        """The form and the number whose quotient that of ``rest`` by ``divisor`` is."""
        while len(rest.factors) == 1:
            ((leaf, factor),) = rest.factors.items()
            if factor != 1 or leaf not in self.of:
                break
            inner, by = self.of[leaf]
            rest, divisor = inner.plus(Form(rest.constant * by)), divisor * by
        return rest, divisor

    def undivided(self, form: Form) -> tuple[Form, int]:
        """(dividend, divisor) whose quotient to below ``form`` is."""
        for leaf, (rest, by) in self.of.items():
            if form.factors.get(leaf) == 1:
                return form.plus(Form(0, {leaf: -1})).times(by).plus(rest), by
        return form, 1

    def symbol(self, form: Form) -> Any:
        """It as a number of the path: equal forms give the same term."""
        total: Any = form.constant
        for leaf, symbol in self.leaves.items():
            if leaf in form.factors:
                total = total + symbol * form.factors[leaf]
        return total
