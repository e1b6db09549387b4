"""Claims put to z3: what must hold wherever it is reached, and what is known there.

Numbers are mathematical integers, so nothing wraps inside the proof. A product of two unknowns is
known by linear bounds only (``arithmetic``): fast, and it errs on the safe side.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import z3

TIMEOUT_MS = 120_000


@dataclass(slots=True)
class Failure:
    """A claim that does not hold, or that the solver could not decide."""

    where: str
    claim: str
    example: str


@dataclass(slots=True)
class Claims:
    """Collects the claims of one call. ``path`` holds the conditions of the branch at hand."""

    claims: int = 0
    failures: list[Failure] = field(default_factory=list)
    inputs: dict[str, Any] = field(default_factory=dict)
    path: list[Any] = field(default_factory=list)
    _solver: Any = None
    _fresh: int = 0

    def __post_init__(self) -> None:
        self._solver = z3.SolverFor("QF_LIA")
        self._solver.set("timeout", TIMEOUT_MS)
        # A set order of search: the same proof each time.
        self._solver.set("random_seed", 0)

    def unknown(self, name: str, low: int, high: int, is_input: bool = False) -> Any:
        """Any integer of [low, high]. Inputs are shown in counterexamples."""
        self._fresh += 1
        number = z3.Int(f"{name}!{self._fresh}")
        self._solver.add(number >= low, number <= high)
        if is_input:
            self.inputs[name] = number
        return number

    def assume(self, *facts: Any) -> None:
        """Take facts as given if the path's conditions hold."""
        for fact in facts:
            if fact is not True:
                self._solver.add(z3.Implies(z3.And(*self.path), fact) if self.path else fact)

    def holds(self, condition: Any) -> bool:
        """Whether ``condition`` follows from what is known on this path."""
        return condition is True or self._counterexample(condition) is None

    def possible(self) -> bool:
        """Whether anything at all satisfies what is known: else every claim would hold."""
        return bool(self._solver.check(*self.path) == z3.sat)

    def claim(self, where: str, text: str, condition: Any) -> None:
        """Count and check one claim; it is taken as given afterwards."""
        self.claims += 1
        if condition is True:
            return
        example = self._counterexample(condition)
        if example is not None:
            self.failures.append(Failure(where, text, example))
        if condition is not False:
            self.assume(condition)

    def bounds(self, number: Any, low: int, high: int) -> tuple[int, int]:
        """The tightest bounds of ``number`` on this path, inside [low, high]."""
        if isinstance(number, int):
            return number, number
        least = self._least(number, low, high)
        return least, -self._least(-number, -high, -least)

    def _least(self, number: Any, low: int, high: int) -> int:
        """The greatest bound of [low, high] that ``number`` has from below; ``low`` always is one.

        A question takes the solver up to seconds. What it shows to be possible is often the least
        there is: that is asked next, in turn with halving the rest.
        """
        bound, seen = low + 1, False
        while low < high:
            value = self._value_below(number, bound)
            if value is None:
                low = bound
            else:
                high = max(low, min(value, bound - 1))
            seen = value is not None and not seen
            bound = high if seen else (low + high + 1) // 2
        return low

    def _value_below(self, number: Any, bound: int) -> int | None:
        """A value of ``number`` on this path that is below ``bound``, or is the next below if the
        solver cannot decide; None if there is none."""
        with self._asked(number < bound) as answer:
            if answer == z3.sat:
                value: int = self._solver.model().eval(number, model_completion=True).as_long()
                return value
            return None if answer == z3.unsat else bound - 1

    def _counterexample(self, condition: Any) -> str | None:
        with self._asked(z3.Not(condition)) as answer:
            if answer == z3.sat:
                return ", ".join(self._values(self._solver.model())) or "everything 0"
            return None if answer == z3.unsat else f"not decided within {TIMEOUT_MS // 1000} s"

    @contextmanager
    def _asked(self, condition: Any) -> Iterator[Any]:
        """Whether ``condition`` may be so on this path; the solver has its model meanwhile."""
        self._solver.push()
        try:
            self._solver.add(*self.path, condition)
            yield self._solver.check()
        finally:
            self._solver.pop()

    def _values(self, model: Any) -> Iterable[str]:
        for name, number in self.inputs.items():
            value = model.eval(number)
            if z3.is_int_value(value) and value.as_long() != 0:
                yield f"{name} = {value}"
