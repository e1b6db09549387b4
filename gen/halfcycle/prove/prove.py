"""Proof that the generated C cannot leave its ranges: ``prove(plan, files)``.

By SMT, pip-only: z3 as the solver, pycparser as the reader (``pip install z3-solver pycparser``).
The C semantics are this package's own, in ``arithmetic``, ``expressions`` and ``machine``, so an
independent analyser stands beside it where it is installed: Frama-C's Eva (``eva``) for the ranges,
its WP (``wp``) for what the arithmetic computes. All read the C that is there and take every range
from the Plan.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata

from halfcycle.base.errors import InputError, ToolMissingError
from halfcycle.base.state import State
from halfcycle.base.text import printable
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.turn import call_names

INT_BITS = (16, 32)
"""Widths of ``int`` that are proven; the wider types do not depend on it."""


@dataclass(frozen=True, slots=True)
class Proof:
    """One call, proven or not, for one width of ``int``."""

    name: str
    state: State
    detail: str

    @property
    def passed(self) -> bool:
        """Whether it did not fail: proven or skipped."""
        return self.state.good


_PACKAGES = {"z3": "z3-solver", "pycparser": "pycparser"}
"""Module to distribution on PyPI."""


def require() -> None:
    """Raise ToolMissingError, naming the remedy, if z3 or pycparser is not installed."""
    for module, package in _PACKAGES.items():
        if importlib.util.find_spec(module) is None:
            raise ToolMissingError(
                f"the proof needs {package}; install it: pip install z3-solver pycparser"
            )


def versions() -> list[str]:
    """What a proof's answer depends on beside the C: the versions of the provers."""
    from halfcycle.prove import frama_c, wp  # noqa: PLC0415

    require()
    return [*map(metadata.version, _PACKAGES.values()), frama_c.version(), *wp.versions()]


def prove(plan: Plan, files: Mapping[str, str], calls: Sequence[str] = ()) -> list[Proof]:
    """Prove every call of the regulator, from any state in its ranges, with any argument.

    ``files``: file name to text, at least NAME.h and NAME.c; ``calls``: all if none. For each call
    and each width of int: no signed overflow, no unsigned wrap, no shift out of range or of a
    negative value, no conversion that changes a value, no index out of bounds, nothing read before
    it is set, every local inside the Plan's range of that signal, every result and the whole state
    inside its range again. ``analyse`` has the same shown by Eva. Raises ToolMissingError without
    z3, pycparser or a C compiler (its preprocessor is used).
    """
    require()
    from halfcycle.prove.prover import prove_calls  # noqa: PLC0415

    proofs: list[Proof] = []
    calls = calls or call_names(plan)
    for bits in INT_BITS:
        try:
            for call, proven, detail in prove_calls(plan, files, bits, calls):
                proofs.append(Proof(f"{call}, {bits}-bit int", State.of(proven), detail))
        except (InputError, ToolMissingError):
            raise
        except Exception as error:
            # C without its struct, a call with other parameters, nesting without end: the reader
            # knows the C that is generated, and what it does not know is not proven.
            detail = f"not proven: the C is not understood ({type(error).__name__}: {error})"
            proofs.append(Proof(f"read, {bits}-bit int", State.FAILED, printable(detail)))
    return proofs


def equal(
    plan: Plan,
    files: Mapping[str, str],
    calls: Sequence[str] = (),
    *,
    run: bool = True,
) -> list[Proof]:
    """Prove that every call does what the model does, from any state in its ranges, with any
    argument: the same state afterwards, and the same result; for an int of 16 and of 32 bits.

    One Proof a call, and one that the fields which other levels of interrupt see are volatile and
    stored in the order of the hand-over. What tells the two apart is shown with its values;
    ``run``: those of the compiled C, which is called for it. Raises as ``prove`` does.
    """
    require()
    from halfcycle.prove import equal_calls  # noqa: PLC0415

    try:
        return [
            Proof(name, State.of(passed), printable(detail))
            for name, passed, detail in equal_calls.prove_all(
                plan, files, INT_BITS, calls or call_names(plan), run
            )
        ]
    except (InputError, ToolMissingError):
        raise
    except Exception as error:
        detail = f"not proven: the C is not understood ({type(error).__name__}: {error})"
        return [Proof("equal", State.FAILED, printable(detail))]


def whole(plan: Plan, files: Mapping[str, str]) -> list[Proof]:
    """Try every preemption that matters of the calls of the C, byte by byte: none may leave half of
    each (``preempted``). One Proof; raises as ``prove`` does."""
    require()
    from halfcycle.prove import preempted  # noqa: PLC0415

    name = "whole readings"
    try:
        passed, detail = preempted.proof(plan, files)
    except (InputError, ToolMissingError):
        raise
    except Exception as error:
        detail = f"not shown: the C is not understood ({type(error).__name__}: {error})"
        return [Proof(name, State.FAILED, printable(detail))]
    return [Proof(name, State.of(passed), printable(detail))]


def analyse(plan: Plan, files: Mapping[str, str]) -> list[Proof]:
    """The same by Frama-C's Eva, for each width of int; skipped if it is missing."""
    from halfcycle.prove import eva, frama_c  # noqa: PLC0415

    if frama_c.command() is None:
        reason = "Frama-C is not installed here (Debian: apt install frama-c-base)"
        return [Proof("Eva", State.SKIPPED, reason)]
    if reason := frama_c.unusable({frama_c.command() or "": "-version"}):
        return [Proof("Eva", State.SKIPPED, reason)]
    if plan.blockwise and plan.sum_high:
        reason = "the window's sum has two parts, whose relation Eva does not follow"
        return [Proof("Eva", State.SKIPPED, reason)]
    proofs = []
    for bits in INT_BITS:
        proven, detail = eva.analyse(plan, files, bits)
        proofs.append(Proof(f"Eva, {bits}-bit int", State.of(proven), detail))
    return proofs


def contracted(plan: Plan, files: Mapping[str, str]) -> list[Proof]:
    """What the arithmetic computes, by contracts that Frama-C's WP proves for each width of int;
    skipped if it, Why3 or z3's program is missing."""
    from halfcycle.prove import wp  # noqa: PLC0415

    if missing := wp.missing():
        there = "is" if len(missing) == 1 else "are"
        reason = f"{', '.join(missing)} {there} not installed here"
        return [Proof("WP", State.SKIPPED, f"{reason} (Debian: apt install {' '.join(missing)})")]
    if reason := wp.unusable():
        return [Proof("WP", State.SKIPPED, reason)]
    return [
        Proof(f"WP, {bits}-bit int", state, printable(detail))
        for bits in INT_BITS
        for state, detail in [wp.analyse(plan, files, bits)]
    ]
