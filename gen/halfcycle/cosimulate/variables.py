"""The variables of a co-simulation unit: one table, of which its description and its C are made."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

Kind = Literal["Real", "Integer", "Boolean"]
Access = Literal["input", "tunable", "fixed", "output"]

KINDS: tuple[Kind, ...] = ("Real", "Integer", "Boolean")
MAX_REAL = 1.7976931348623157e308
"""The greatest double of IEEE 754."""
INTEGER_LIMIT = 2**31
"""The standard's integers have 32 bits."""


@dataclass(frozen=True, slots=True)
class Variable:
    """One variable, at one instant a number or a truth value.

    ``access``: who sets it, and when; a fixed parameter before the run, a tunable one at any time.
    ``start``: its value before that; of an output what comes before the first step is computed.
    ``low`` and ``high``: what it may be set to, None for any number. ``unit``: of a Real, one of
    ``description.UNITS``, "" for a bare number. ``starts_from``: names of the inputs and parameters
    that an output depends on before the first step. Afterwards it depends on earlier steps only.
    """

    name: str
    kind: Kind
    access: Access
    about: str
    start: float | int | bool = 0
    low: float | int | None = None
    high: float | int | None = None
    unit: str = ""
    starts_from: tuple[str, ...] = ()
    steady: bool = False
    """A Real that stands still from step to step, in place of a sample of something continuous."""

    @property
    def row(self) -> str:
        """Its row of the tables in ``c_harness/unit.c``."""
        access = self.access.upper()
        if self.kind == "Boolean":
            return f"{{{access}, {int(self.start)}}}"
        if self.kind == "Integer":
            low = -INTEGER_LIMIT + 1 if self.low is None else int(self.low)
            high = INTEGER_LIMIT - 1 if self.high is None else int(self.high)
            return f"{{{access}, {int(self.start)}, {low}, {high}}}"
        low_real = -MAX_REAL if self.low is None else float(self.low)
        high_real = MAX_REAL if self.high is None else float(self.high)
        return f"{{{access}, {float(self.start)!r}, {low_real!r}, {high_real!r}}}"


def of_kind(variables: Iterable[Variable], kind: Kind) -> tuple[Variable, ...]:
    """Those of one kind, in the order of their value references from 0."""
    return tuple(variable for variable in variables if variable.kind == kind)


def reference(variables: Sequence[Variable], name: str) -> int:
    """The value reference of a variable: its place among those of its kind."""
    wanted = next(variable for variable in variables if variable.name == name)
    return of_kind(variables, wanted.kind).index(wanted)
