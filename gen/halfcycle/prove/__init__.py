"""Proof by SMT that the generated C cannot leave its ranges: ``prove(plan, files)``.

Pip-only: z3 as the solver, pycparser as the reader (``pip install 'halfcycle[proof]'``). The C
semantics are this package's own, in ``arithmetic``, ``expressions`` and ``machine``, so it stands
beside an independent analyser, not instead of one. It reads the C that is there, and takes every
range from the Plan.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from halfcycle.faults import ToolMissing
from halfcycle.plan import Plan

INT_BITS = (16, 32)
"""Widths of ``int`` that are proven; the wider types do not depend on it."""


@dataclass(frozen=True, slots=True)
class Proof:
    """One call, proven or not, for one width of ``int``."""

    name: str
    passed: bool
    detail: str


CALLS = ("reset", "set_target_mv", "sample", "update", "rms_mv", "scale", "flags", "drive")


def prove(plan: Plan, files: Mapping[str, str], calls: Sequence[str] = CALLS) -> list[Proof]:
    """Prove every call of the regulator, from any state in its ranges, with any argument.

    ``files``: file name to text, at least NAME.h and NAME.c. For each call and each width of int:
    no signed overflow, no unsigned wrap, no shift out of range or of a negative value, no
    conversion that changes a value, no index out of bounds, nothing read before it is set, every
    local inside the Plan's range of that signal, every result and the whole state inside its range
    again. Raises ToolMissing without z3, pycparser or a C compiler (its preprocessor is used).
    """
    for module, package in (("z3", "z3-solver"), ("pycparser", "pycparser")):
        if importlib.util.find_spec(module) is None:
            raise ToolMissing(
                f"the proof needs {package}; install it: pip install 'halfcycle[proof]'"
            )
    from halfcycle.prove.calls import prove_calls  # noqa: PLC0415

    return [
        Proof(f"{call}, {bits}-bit int", passed, detail)
        for bits in INT_BITS
        for call, passed, detail in prove_calls(plan, files, bits, calls)
    ]
