"""The filters and loads at which the plant is worst: tolerances' ends, and folded ringing inside.

An unloaded filter rings on after a change of scale. Where the loop samples no faster than that
rings, some frequencies of the ringing look like the sine itself: they add up over a window instead
of averaging out. Such a filter may lie anywhere inside the tolerances, so the line from
the lowest to the highest resonance is walked and the worst filters on it are kept.
"""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.loop.envelope import Timing, worst_weights
from halfcycle.loop.filter_model import Circuit, Load, Real, inductive_load, modes, resistive_load

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

_HARMONICS = 10
"""Harmonics of the sine onto which folded ringing is looked for."""
_LINE = 400
"""Most filters looked at between the ends of the tolerances."""


def _loads(spec: Spec) -> list[Load]:
    """The lightest load first, then rated at power factor 1 and at the lowest."""
    volts, rated = float(spec.output.rated_rms_v), float(spec.load.rated_va)
    lightest = float(spec.load.lightest_percent)
    loads = [resistive_load(f"{lightest:g} %", rated * lightest / 100.0, volts)]
    if lightest < 100 and rated > 0:
        loads.append(resistive_load("rated", rated, volts))
    lowest = float(spec.load.lowest_power_factor)
    if lowest < 1 and rated > 0:
        hertz = float(spec.output.frequency_hz)
        label = f"rated at power factor {lowest:g}"
        loads.append(inductive_load(label, rated, volts, lowest, hertz))
    return loads


def corner_filters(spec: Spec, timing: Timing) -> list[Circuit]:
    """Filters at the ends of their tolerances under each load, then those whose ringing the
    sampling folds onto the sine, at most three for each load that lets it ring."""
    parts = spec.filter
    l_off = float(parts.inductance_tolerance_percent) / 100.0
    c_off = float(parts.capacitance_tolerance_percent) / 100.0
    inductors = sorted({float(parts.inductance_uh) * 1e-6 * (1.0 + s * l_off) for s in (-1, 1)})
    capacitors = sorted({float(parts.capacitance_uf) * 1e-6 * (1.0 + s * c_off) for s in (-1, 1)})
    resistance = float(parts.winding_resistance_ohm)
    loads = _loads(spec)
    circuits = [
        Circuit(l_, c_, resistance, load)
        for load, l_, c_ in itertools.product(loads, inductors, capacitors)
    ]
    # A resistor damps the ringing; the lightest load and the inductive one let it go on.
    for load in [loads[0], *(load for load in loads if load.inductance_h > 0)]:
        line = _least_damped(inductors, capacitors, resistance, load, timing)
        if line:
            weights = worst_weights(modes(line, timing.angular), timing).weights
            circuits += [line[i] for i in _worst_ringing(weights)]
    return circuits


def _least_damped(
    inductors: list[float],
    capacitors: list[float],
    resistance: float,
    load: Load,
    timing: Timing,
) -> list[Circuit]:
    """Filters inside the tolerances by their resonance, each with the largest inductor, hence
    the least damping, that has it. None where the samples are too close for ringing to fold.

    Ringing adds up over a window within a line about 1/W wide, or as wide as its own decay. At
    an eighth of that apart, one of the filters is at least within 1 % of the line's top.
    """
    # The load's inductance, if any, acts beside the filter's.
    beside = 1.0 / load.inductance_h if load.inductance_h > 0 else 0.0

    def resonance(l_: float, c_: float) -> float:
        return math.sqrt((1.0 / l_ + beside) / c_) / (2.0 * math.pi)

    low, high = resonance(inductors[-1], capacitors[-1]), resonance(inductors[0], capacitors[0])
    if 1.0 / float(timing.period_s) > high + _HARMONICS * float(timing.frequency_hz):
        return []
    decay = resistance / (2.0 * inductors[-1]) / (2.0 * math.pi)
    apart = max(1.0 / (8.0 * float(timing.window_s)), decay / 4.0)
    line = []
    for hertz in np.linspace(low, high, min(math.ceil((high - low) / apart) + 1, _LINE))[1:-1]:
        square = (2.0 * math.pi * float(hertz)) ** 2
        l_, c_ = inductors[-1], (1.0 / inductors[-1] + beside) / square
        if c_ < capacitors[0]:
            c_ = capacitors[0]
            l_ = 1.0 / (square * c_ - beside)
        line.append(Circuit(l_, c_, resistance, load))
    return line


def _worst_ringing(weights: Real) -> list[int]:
    """Rows of the filters whose weights (B, 2, n) have the least and the greatest first one, and
    the greatest alternating sum: the plant at z = -1, where the loop has least margin."""
    first = np.round(weights[:, :, 0], 9)
    signs = np.where(np.arange(weights.shape[-1]) % 2, -1.0, 1.0)
    nyquist = np.round(np.abs(weights @ signs), 9)
    worst = [first.min(axis=1).argmin(), first.max(axis=1).argmax(), nyquist.max(axis=1).argmax()]
    return sorted({int(i) for i in worst})
