"""A capture of the output after a step, beside the spec's filter: does it ring as L, C, losses and
load allow, and if not, which tolerance would have to change?"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.base.errors import Fault, InputError
from halfcycle.base.findings import Finding
from halfcycle.base.text import printable
from halfcycle.bench.board_loop import Range
from halfcycle.bench.capture import Capture, read_capture
from halfcycle.bench.ringing_fit import (
    MIN_POINTS_PER_PERIOD,
    NoRinging,
    RingingFit,
    fit_ringing,
)
from halfcycle.loop.corner_filters import ringing_loads
from halfcycle.loop.filter_model import FilterCircuit, modes

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

INDUCTANCE, CAPACITANCE = (
    "filter.inductance_tolerance_percent",
    "filter.capacitance_tolerance_percent",
)
RESISTANCE = "filter.winding_resistance_ohm"
MAX_TOLERANCE = 60.0
"""As the spec's keys take it: beyond it the nominal values are wrong."""
ROUNDS = 5
"""Of a tolerance's search; each leaves a hundredth of the error before."""


@dataclass(frozen=True, slots=True)
class RingingCorners:
    """What the spec's tolerances and loads allow: hertz, and per second."""

    frequency_hz: Range
    decay_per_s: Range


@dataclass(frozen=True, slots=True)
class BoardRinging:
    """One capture. ``advice``: keys of the spec, each with the value with which it alone would hold
    this board; several: one of them."""

    name: str
    fit: RingingFit | NoRinging
    corners: RingingCorners
    advice: dict[str, float]
    remarks: tuple[Finding, ...]

    @property
    def inside(self) -> bool | None:
        """Whether the filter may be inside the tolerances; None if the capture does not tell. One
        that is damped more than they say is on the safe side."""
        if isinstance(self.fit, NoRinging):
            return None
        return (
            self.corners.frequency_hz.may_hold(self.fit.frequency_hz)
            and self.fit.decay_per_s.high >= self.corners.decay_per_s.low
        )


def ringing_corners(
    spec: Spec, changes: Mapping[str, float] | None = None
) -> RingingCorners | None:
    """Over the ends of L and C and the spec's loads, with the values of ``changes`` (keys of the
    filter) instead of the spec's; None if no such filter rings. Both figures go one way with L and
    with C, so that the ends suffice."""
    values = {key: float(value) for key, value in _filter_values(spec).items()} | dict(
        changes or {}
    )
    around = [
        [values[name] * 1e-6 * (1 + sign * values[tolerance] / 100) for sign in (-1, 0, 1)]
        for name, tolerance in (
            ("filter.inductance_uh", INDUCTANCE),
            ("filter.capacitance_uf", CAPACITANCE),
        )
    ]
    circuits = [
        FilterCircuit(inductance, capacitance, values[RESISTANCE], load)
        for inductance, capacitance in itertools.product(*around)
        for load in ringing_loads(spec)
    ]
    poles = modes(circuits, 2 * math.pi * float(spec.output.frequency_hz)).poles
    rows = np.arange(len(poles))
    ringing = poles[rows, np.argmax(poles.imag, axis=1)]
    # What falls by more than e in a radian shows no period that could be measured.
    ringing = ringing[ringing.imag > -ringing.real]
    if not len(ringing):
        return None
    hertz, decay = ringing.imag / (2 * math.pi), -ringing.real
    return RingingCorners(
        Range(float(hertz.min()), float(hertz.max())), Range(float(decay.min()), float(decay.max()))
    )


def _filter_values(spec: Spec) -> dict[str, Fraction]:
    parts = spec.filter
    return {
        "filter.inductance_uh": parts.inductance_uh,
        INDUCTANCE: parts.inductance_tolerance_percent,
        RESISTANCE: parts.winding_resistance_ohm,
        "filter.capacitance_uf": parts.capacitance_uf,
        CAPACITANCE: parts.capacitance_tolerance_percent,
    }


def board_ringing(
    spec: Spec, paths: Sequence[Path], channel: str | None = None
) -> tuple[BoardRinging, ...]:
    """The ringing in each capture of ``paths``.

    Raises InputError as ``read_capture``, if a capture is sampled too slowly to show the filter's
    ringing, or if the spec's filter does not ring.
    """
    corners = ringing_corners(spec)
    if corners is None:
        problem = "the spec's filter is damped so far that it does not ring"
        remedy = "measure its parts instead"
        raise InputError([Fault(printable(str(path)), "filter", problem, remedy) for path in paths])
    captures = [read_capture(path, channel) for path in paths]
    slow = [
        fault
        for path, capture in zip(paths, captures, strict=True)
        for fault in _too_slow(path, capture, corners)
    ]
    if slow:
        raise InputError(slow)
    return tuple(
        _of(spec, path, capture, corners) for path, capture in zip(paths, captures, strict=True)
    )


def _too_slow(path: Path, capture: Capture, corners: RingingCorners) -> list[Fault]:
    high = corners.frequency_hz.high
    points = 1 / (high * capture.step_s)
    if points >= MIN_POINTS_PER_PERIOD:
        return []
    problem = (
        f"{points:.2g} samples in a period of the ringing to be expected, up to {high:.4g} Hz: "
        "with 2 it folds to another frequency"
    )
    step_us = 1e6 / (high * MIN_POINTS_PER_PERIOD)
    remedy = f"record a sample every {step_us:.3g} us or more often"
    return [Fault(printable(str(path)), "time", problem, remedy)]


def _of(spec: Spec, path: Path, capture: Capture, corners: RingingCorners) -> BoardRinging:
    stretches = [
        (capture.time_s[first:last], capture.volts[first:last]) for first, last in capture.stretches
    ]
    ends = corners.frequency_hz
    fit = fit_ringing(stretches, float(spec.output.frequency_hz), ends.low, ends.high)
    advice = {} if isinstance(fit, NoRinging) else _advice(spec, fit, corners)
    return BoardRinging(printable(path.stem), fit, corners, advice, capture.remarks)


def _advice(spec: Spec, fit: RingingFit, corners: RingingCorners) -> dict[str, float]:
    """Values of keys that would hold the board. The frequency tells L times C, not which of the
    two."""
    new: dict[str, float] = {}
    if not corners.frequency_hz.may_hold(fit.frequency_hz):
        for key in (INDUCTANCE, CAPACITANCE):
            needed = _tolerance(spec, key, fit.frequency_hz.value)
            if needed is not None:
                new[key] = needed
    if fit.decay_per_s.high < corners.decay_per_s.low:
        # The least decay is a straight line of the resistance.
        ohm = float(spec.filter.winding_resistance_ohm)
        without = ringing_corners(spec, {RESISTANCE: 0.0})
        base = without.decay_per_s.low if without else 0.0
        share = (fit.decay_per_s.value - base) / (corners.decay_per_s.low - base)
        if share > 0:
            step = 10.0 ** (math.floor(math.log10(share * ohm)) - 2)
            new[RESISTANCE] = round(math.floor(share * ohm / step) * step, 12)
    return new


def _tolerance(spec: Spec, key: str, hertz: float) -> float | None:
    """The least tolerance, percent to a tenth, with which ``key`` alone lets the filter ring at
    ``hertz``; None if there is none. The frequency is nearly in proportion to the inverse root of
    L times C, but for what the load damps."""
    percent = float(_filter_values(spec)[key])
    for _ in range(ROUNDS):
        corners = ringing_corners(spec, {key: percent})
        if corners is None:
            return None
        ends = corners.frequency_hz
        fast = hertz > math.sqrt(ends.low * ends.high)
        sign, end = (-1, ends.high) if fast else (1, ends.low)
        percent = abs(100 * ((1 + sign * percent / 100) * (end / hertz) ** 2 - 1))
        if percent > MAX_TOLERANCE:
            return None
    return math.ceil(10 * percent - 1e-6) / 10
