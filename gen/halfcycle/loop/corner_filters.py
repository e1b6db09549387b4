"""The filters and loads of the corners: tolerances' ends, and the resonances between them."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.loop.filter_model import (
    FilterCircuit,
    LoadImpedance,
    inductive_load,
    resistive_load,
)

if TYPE_CHECKING:
    from halfcycle.loop.envelope import Timing
    from halfcycle.spec.models import Spec

WINDOW_SHARE = 8
DECAY_SHARE = 4
"""Filters looked at along the resonances are no farther apart than the window's line, 1/W, over
WINDOW_SHARE, nor than the width of the filter's own line over DECAY_SHARE..."""
MIN_SHARE = 64
"""...but no closer than 1/W over this: the phase by which ringing turns in a window, which says
at what rate of the loop it is seen, then moves by a sixty-fourth of a turn."""
_GONE = 5.0
"""Time constants of the ringing in a window from which on less than 1 % reaches the next one, so
that the phase in which it arrives no longer matters."""
MAX_LINE = 1500
"""Most filters looked at for one load."""


def corner_loads(spec: Spec) -> list[LoadImpedance]:
    """The lightest load first, then rated at power factor 1 and at the lowest."""
    lightest = float(spec.load.lightest_percent)
    loads = [_load(spec, f"{lightest:g} %", lightest / 100.0)]
    if lightest < 100 and spec.load.rated_va > 0:
        loads.append(_load(spec, "rated", 1.0))
    lowest = float(spec.load.lowest_power_factor)
    if lowest < 1 and spec.load.rated_va > 0:
        loads.append(_load(spec, f"rated at power factor {lowest:g}", 1.0, lowest))
    return loads


def ringing_loads(spec: Spec) -> list[LoadImpedance]:
    """The loads of the corners, and the lightest at the lowest power factor, which damps less
    than it does at 1."""
    loads = corner_loads(spec)
    lightest, lowest = float(spec.load.lightest_percent), float(spec.load.lowest_power_factor)
    if 0 < lightest < 100 and lowest < 1 and spec.load.rated_va > 0:
        label = f"{lightest:g} % at power factor {lowest:g}"
        loads.append(_load(spec, label, lightest / 100.0, lowest))
    return loads


def _load(spec: Spec, label: str, share: float, power_factor: float = 1.0) -> LoadImpedance:
    """The load of that ``share`` of rated VA."""
    volts, hertz = float(spec.output.rated_rms_v), float(spec.output.frequency_hz)
    volt_ampere = float(spec.load.rated_va) * share
    if power_factor < 1.0:
        load = inductive_load(label, volt_ampere, volts, power_factor, hertz)
    else:
        load = resistive_load(label, volt_ampere, volts)
    return replace(load, share=share, power_factor=power_factor)


def nominal_filter(spec: Spec, load: LoadImpedance) -> FilterCircuit:
    """The filter of nominal parts under that load."""
    parts = spec.filter
    return FilterCircuit(
        float(parts.inductance_uh) * 1e-6,
        float(parts.capacitance_uf) * 1e-6,
        float(parts.winding_resistance_ohm),
        load,
    )


def corner_filters(spec: Spec) -> list[FilterCircuit]:
    """Filters at the ends of their tolerances under each load."""
    resistance = float(spec.filter.winding_resistance_ohm)
    return [
        FilterCircuit(inductance, capacitance, resistance, load)
        for load, inductance, capacitance in itertools.product(
            corner_loads(spec), _inductances(spec), _capacitances(spec)
        )
    ]


def _inductances(spec: Spec) -> list[float]:
    """The least and the greatest, henry."""
    off = float(spec.filter.inductance_tolerance_percent) / 100.0
    return sorted({float(spec.filter.inductance_uh) * 1e-6 * (1.0 + s * off) for s in (-1, 1)})


def _capacitances(spec: Spec) -> list[float]:
    """The least and the greatest, farad."""
    off = float(spec.filter.capacitance_tolerance_percent) / 100.0
    return sorted({float(spec.filter.capacitance_uf) * 1e-6 * (1.0 + s * off) for s in (-1, 1)})


def resonance_line(spec: Spec, load: LoadImpedance, timing: Timing) -> list[FilterCircuit]:
    """Filters inside the tolerances along their resonance, each the least damped one that has it;
    both ends of the line left out, as they are corners. Empty without tolerances."""
    inductances, capacitances = _inductances(spec), _capacitances(spec)
    low = _resonance_hz(inductances[-1], capacitances[-1], load)
    high = _resonance_hz(inductances[0], capacitances[0], load)
    if low == high:
        return []
    resistance = float(spec.filter.winding_resistance_ohm)
    damping = resistance / inductances[-1] + load.conductance_s / capacitances[-1]
    width = damping / 2.0 / (2.0 * math.pi)
    window = 1.0 / float(timing.window_s)
    if damping / 2.0 > _GONE * window:
        apart = width / DECAY_SHARE
    else:
        apart = max(min(window / WINDOW_SHARE, width / DECAY_SHARE), window / MIN_SHARE)
    points = min(math.ceil((high - low) / apart), MAX_LINE) + 1
    return [
        _least_damped(float(hertz), spec, load) for hertz in np.linspace(low, high, points)[1:-1]
    ]


def near(circuit: FilterCircuit, spec: Spec, hertz: float) -> FilterCircuit:
    """The least damped filter inside the tolerances that resonates ``hertz`` above ``circuit``,
    under the same load."""
    return filter_near(spec, circuit.load, resonance_hz(circuit) + hertz)


def filter_near(spec: Spec, load: LoadImpedance, hertz: float) -> FilterCircuit:
    """The least damped filter inside the tolerances that resonates at ``hertz`` under that load,
    or as near to it as the tolerances let it."""
    inductances, capacitances = _inductances(spec), _capacitances(spec)
    low = _resonance_hz(inductances[-1], capacitances[-1], load)
    high = _resonance_hz(inductances[0], capacitances[0], load)
    return _least_damped(min(max(hertz, low), high), spec, load)


def resonance_hz(circuit: FilterCircuit) -> float:
    """Resonance of a filter under its load."""
    return _resonance_hz(circuit.inductance_h, circuit.capacitance_f, circuit.load)


def _resonance_hz(inductance: float, capacitance: float, load: LoadImpedance) -> float:
    """Resonance of the filter with the load's inductance, if any, beside its own."""
    return math.sqrt((1.0 / inductance + _beside(load)) / capacitance) / (2.0 * math.pi)


def _beside(load: LoadImpedance) -> float:
    return 1.0 / load.inductance_h if load.inductance_h > 0 else 0.0


def _least_damped(hertz: float, spec: Spec, load: LoadImpedance) -> FilterCircuit:
    """The filter with that resonance, inside the tolerances, that rings longest.

    Its ringing decays with R/(2L) + G/(2C), so without a conductance G the largest inductor is
    the one; with one, L^2 = R/(G w^2) is, as far as the tolerances let it.
    """
    inductances, capacitances = _inductances(spec), _capacitances(spec)
    resistance, beside = float(spec.filter.winding_resistance_ohm), _beside(load)
    square = (2.0 * math.pi * hertz) ** 2
    inductance = inductances[-1]
    if load.conductance_s > 0:
        best = math.sqrt(resistance / load.conductance_s / square)
        inductance = min(max(best, inductances[0]), inductances[-1])
    capacitance = (1.0 / inductance + beside) / square
    if not capacitances[0] <= capacitance <= capacitances[-1]:
        capacitance = min(max(capacitance, capacitances[0]), capacitances[-1])
        inductance = 1.0 / (square * capacitance - beside)
    return FilterCircuit(inductance, capacitance, resistance, load)
