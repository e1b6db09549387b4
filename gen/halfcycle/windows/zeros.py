"""Which zeros a spec calls for in a shaped window, which ones a window has, and why."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

from halfcycle.base.findings import Finding, finding
from halfcycle.windows import weights
from halfcycle.windows.search import Window
from halfcycle.windows.weights import ZeroSet

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

HAS_ZERO = 3e-3
"""Answer below which a window counts as having a zero there: with a few bits they are not quite 0.
A window without one answers by some tenths."""
_BESIDE = Fraction(1, 200)
"""Relative deviation of the frequency at which a double zero is told from a single one."""


def zeros_called_for(spec: Spec) -> ZeroSet:
    """The zeros that the spec calls for, as far as its loop period lets them be."""
    return zeros_for(
        spec.output.frequency_hz * spec.loop.period_us / 1_000_000,
        zero_uncertain=spec.sensor.zero_tolerance_codes > 0,
        wanders=spec.output.frequency_tolerance_hz > 0,
    )


def zeros_for(turns: Fraction, *, zero_uncertain: bool, wanders: bool) -> ZeroSet:
    """The zeros of a window whose samples are ``turns`` cycles apart.

    f if the sensor's zero is uncertain, 2f twice if the frequency may wander, 4f and 6f always: any
    load with a rectifier draws a third and a fifth harmonic. None at a multiple of 1/T.
    """
    return ZeroSet(
        f=zero_uncertain and turns.denominator > 1,
        double_2f=wanders,
        f4=(4 * turns).denominator > 1,
        f6=(6 * turns).denominator > 1,
    )


def sets_of_zeros(spec: Spec) -> tuple[ZeroSet, ...]:
    """The sets to try for the spec, those called for first; a mean holds 4f and 6f itself, so that
    it keeps them all."""
    wanted = zeros_called_for(spec)
    return (wanted,) if spec.loop.measure == "mean" else fewer_zeros(wanted)


def fewer_zeros(wanted: ZeroSet) -> tuple[ZeroSet, ...]:
    """``wanted``, and sets with fewer zeros, each for shorter windows.

    Without 6f products with a fifth harmonic stay; without f the reading ripples with the sensor's
    zero, and DC at the output is the price.
    """
    without = replace(wanted, f6=False)
    return tuple(dict.fromkeys((wanted, without, replace(without, f=False))))


def zeros_of(window: Window) -> ZeroSet:
    """The zeros that the window has, as near as its weights come."""

    def absent(multiple: int, off: Fraction = Fraction(0)) -> bool:
        turns = multiple * (1 + off) * window.half_cycles_per_sample / 2
        answer = weights.magnitude(window.block_weights, window.block_samples, turns)
        return answer < HAS_ZERO

    return ZeroSet(
        f=absent(1),
        double_2f=absent(2, _BESIDE) and absent(2, -_BESIDE),
        f4=absent(4),
        f6=absent(6),
    )


def zeros_finding(spec: Spec, window: Window) -> Finding:
    """Which zeros a shaped window has, and why; and which it does without. ValueError for a flat
    one, whose zeros follow from its length."""
    if not window.shaped:
        raise ValueError("the zeros of a flat window follow from its length")
    zeros = zeros_of(window)
    reasons = "; ".join(_reasons(zeros))
    lacking = ", ".join(_lacking(zeros_called_for(spec), zeros))
    without = f"; without {lacking}, which would take a longer window" if lacking else ""
    return finding(
        "window-zeros",
        "loop.weighting",
        f"weights of {window.blocks} blocks let nothing through at {reasons}{without}",
    )


def _reasons(zeros: ZeroSet) -> Iterator[str]:
    if zeros.f:
        yield "f: an error of the sensor's zero"
    yield "2f, twice: the sine, as the frequency wanders" if zeros.double_2f else "2f: the sine"
    if zeros.f4:
        yield "4f: third and fifth harmonics"
    if zeros.f6:
        yield "6f: fifth and seventh harmonics"


def _lacking(wanted: ZeroSet, present: ZeroSet) -> Iterator[str]:
    if wanted.f and not present.f:
        yield "f (the sensor's zero makes the reading ripple)"
    if wanted.double_2f and not present.double_2f:
        yield "a second zero at 2f"
    if wanted.f4 and not present.f4:
        yield "4f"
    if wanted.f6 and not present.f6:
        yield "6f"
