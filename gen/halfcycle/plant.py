"""The plant as the loop sees it, once a window, at every corner of the spec's tolerances.

``y[k] = g sum_i h_i u[k - i]``: y is the reading in units of rated, u the amplitude scale. The gain
is ``g = Vbus/sqrt(2) |H(jw)| sensor/rated`` and the weights come from ``halfcycle.envelope``.
A corner takes each of bus, inductor, capacitor, load and sensor gain at an end of its range, and
the sine's phase at the window's start at the two values that make the first weight least and
greatest. Filters whose ringing the sampling folds onto the sine are corners too: there the
ringing adds up over the window, and they may lie inside the tolerances, not at their ends.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from halfcycle.drive import needed_scale, worth
from halfcycle.envelope import Measure, Timing, Weights, worst_weights
from halfcycle.faults import Fault, InputError
from halfcycle.filter_model import (
    Circuit,
    Load,
    Modes,
    Real,
    inductive_load,
    modes,
    resistive_load,
)

if TYPE_CHECKING:
    from halfcycle.spec import Spec
    from halfcycle.windows import Window

_LOCAL = 0.98
"""A corner is added for its slope at rated where that is below this share of the gain."""
_FOLDED = 4
"""Most filters added for ringing that the sampling folds onto the sine."""
_RINGS_ON = 0.02
"""Greatest share of a step that may still be ringing after the longest weights."""


@dataclass(frozen=True, slots=True)
class Corner:
    """One corner. ``sensor`` is the sensor's gain over nominal; ``phase_deg`` the phase of the
    bridge's sine when the scale changes; ``drive`` is the scale at which the gain is a slope (0:
    the gain holds from zero up to where the sine clips)."""

    label: str
    bus_v: float
    inductance_h: float
    capacitance_f: float
    load: str
    sensor: float
    phase_deg: float
    drive: float = 0.0


@dataclass(frozen=True, slots=True)
class Plants:
    """All C corners. ``gains`` (C,): rated per unit of scale. ``weights`` (C, n), sums of 1.
    ``tail`` (C,): bound on the weight folded into the last one. ``scale_for_rated`` (C,):
    steady scale that gives rated, clipping included; ``inf`` where no scale does. ``step_gains``
    (C,): gain from zero scale up, which is ``gains`` but where that is a slope at rated; ``sag``
    (C,): share of the bus lost at full scale."""

    corners: tuple[Corner, ...]
    gains: Real
    weights: Real
    tail: Real
    scale_for_rated: Real
    step_gains: Real
    sag: Real
    measure: Measure

    @property
    def taps(self) -> Real:
        """Gain times weights (C, n), for small changes about rated."""
        return np.asarray(self.gains[:, None] * self.weights, dtype=np.float64)

    @property
    def step_taps(self) -> Real:
        """Taps (C, n) for a step from zero, on scales that went through :meth:`bend`."""
        return np.asarray(self.step_gains[:, None] * self.weights, dtype=np.float64)

    def bend(self, rows: NDArray[np.intp] | None = None) -> Callable[[Real], Real] | None:
        """What clipping and a sagging bus leave of a scale, for the given corners (all of them
        by default); None where there is neither on the way to rated."""
        rows = np.arange(len(self.gains)) if rows is None else rows
        curved = np.nonzero((self.scale_for_rated[rows] > 1.0) | (self.sag[rows] > 0.0))[0]
        if not len(curved):
            return None
        sag, measure = self.sag[rows][curved], self.measure

        def bent(scale: Real) -> Real:
            out = scale.copy()
            out[..., curved] = worth(scale[..., curved], sag, measure)
            return out

        return bent

    @property
    def strongest(self) -> int:
        """Index of the corner with the greatest gain."""
        return int(np.argmax(self.gains))

    @property
    def weakest(self) -> int:
        """Index of the corner with the least gain."""
        return int(np.argmin(self.gains))

    @property
    def hardest(self) -> int:
        """Index of the corner that needs the greatest scale for rated."""
        return int(np.argmax(self.scale_for_rated))

    def delayed(self, share: float) -> Plants:
        """The same plants where a new scale takes effect ``share`` of a window late (0 and up):
        each window then holds that share of the scale before."""
        whole, part = divmod(share, 1.0)
        weights = np.pad(self.weights, ((0, 0), (int(whole), 1)))
        later = np.pad(self.weights, ((0, 0), (int(whole) + 1, 0)))
        return replace(self, weights=(1.0 - part) * weights + part * later)


def window_plants(spec: Spec, window: Window) -> Plants:
    """Plants of ``spec`` for ``window`` over all corners.

    Raises ``InputError`` where the filter has so little damping that a step never dies out.
    """
    timing = Timing(
        samples=window.samples,
        period_s=window.period_s,
        frequency_hz=window.frequency_hz,
        delay_s=spec.sensor.delay_us / 1_000_000,
        measure=spec.loop.measure,
    )
    circuits = _circuits(spec, timing)
    response = modes(circuits, timing.angular)
    try:
        weights = worst_weights(response, timing)
    except ValueError as error:
        raise InputError(
            [Fault("spec", "loop.period_us", str(error), "choose another loop period")]
        ) from error
    if weights.tail.max() > _RINGS_ON:
        raise InputError(
            [
                Fault(
                    "spec",
                    "filter.winding_resistance_ohm",
                    "the filter rings on for longer than the loop can be analysed",
                    "give the winding's real resistance, or raise load.lightest_percent",
                )
            ]
        )
    return _assemble(spec, timing, circuits, response, weights)


def _assemble(
    spec: Spec, timing: Timing, circuits: list[Circuit], response: Modes, weights: Weights
) -> Plants:
    """Every circuit at its two phases, with each bus voltage and sensor gain."""
    rated = float(spec.output.rated_rms_v)
    tolerance = float(spec.sensor.gain_tolerance_percent) / 100.0
    buses = sorted({float(spec.bridge.bus_min_v), float(spec.bridge.bus_max_v)})
    sensors = sorted({1.0 - tolerance, 1.0 + tolerance})
    # A sine of current drawn through a bridge of duty s sin(wt) loads the bus with s^2 sin^2(wt):
    # 3/4 of the bus's resistance stands in series for the current in phase, at scale 1.
    lost = 0.75 * float(spec.bridge.bus_resistance_ohm) * response.admittance.real
    size = np.abs(response.transfer)

    corners: list[Corner] = []
    gains: list[float] = []
    rows: list[tuple[int, int]] = []
    sag_of: list[float] = []
    for (b, circuit), bus, sensor, side in itertools.product(
        enumerate(circuits), buses, sensors, (0, 1)
    ):
        phase = float(weights.phase_deg[b, side])
        label = (
            f"bus {bus:g} V, {_off('L', circuit.inductance_h, spec.filter.inductance_uh)}, "
            f"{_off('C', circuit.capacitance_f, spec.filter.capacitance_uf)}, "
            f"load {circuit.load.label}, sensor {100.0 * (sensor - 1.0):+g} %, "
            f"window starts at {phase:.0f} deg"
        )
        corners.append(
            Corner(
                label=label,
                bus_v=bus,
                inductance_h=circuit.inductance_h,
                capacitance_f=circuit.capacitance_f,
                load=circuit.load.label,
                sensor=sensor,
                phase_deg=phase,
            )
        )
        ratio = float(weights.ratio[b, side])
        gains.append(bus / math.sqrt(2.0) * float(size[b]) * sensor / rated * ratio)
        rows.append((b, side))
        sag_of.append(float(lost[b]))

    gain, sag = np.array(gains), np.array(sag_of)
    scale, slope = needed_scale(gain, sag, timing.measure)
    order = list(range(len(corners)))
    for i, corner in enumerate(corners[:]):
        if np.isfinite(scale[i]) and slope[i] < _LOCAL * gain[i]:
            text = f"{corner.label}, at drive {scale[i]:.3f}"
            corners.append(replace(corner, label=text, drive=float(scale[i])))
            order.append(i)
    b_rows, side_rows = np.array([rows[i] for i in order]).T
    return Plants(
        corners=tuple(corners),
        gains=np.concatenate([gain, slope[order[len(gain) :]]]),
        weights=weights.weights[b_rows, side_rows],
        tail=weights.tail[b_rows],
        scale_for_rated=scale[order],
        step_gains=gain[order],
        sag=sag[order],
        measure=timing.measure,
    )


def _off(name: str, value: float, nominal_micro: Fraction) -> str:
    """``L +25 %``: how far a part is off its nominal."""
    off = 100.0 * (value / (float(nominal_micro) * 1e-6) - 1.0)
    return f"{name} {round(off, 2) + 0.0:+g} %"


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


def _circuits(spec: Spec, timing: Timing) -> list[Circuit]:
    """Filters at the ends of their tolerances under each load, then those that fold."""
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
        beside = 1.0 / load.inductance_h if load.inductance_h > 0 else 0.0
        lowest = _resonance(inductors[-1], capacitors[-1], beside)
        highest = _resonance(inductors[0], capacitors[0], beside)
        for hertz in _folded(timing, lowest, highest):
            square = (2.0 * math.pi * hertz) ** 2
            # The least damped of the filters with this resonance has the largest inductor.
            l_, c_ = inductors[-1], (1.0 / inductors[-1] + beside) / square
            if c_ < capacitors[0]:
                c_ = capacitors[0]
                l_ = 1.0 / (square * c_ - beside)
            circuits.append(Circuit(l_, c_, resistance, load))
    return circuits


def _resonance(inductance: float, capacitance: float, beside: float) -> float:
    """Resonance in hertz, ``beside`` being the load's inverse inductance, 1/henry."""
    return math.sqrt((1.0 / inductance + beside) / capacitance) / (2.0 * math.pi)


def _folded(timing: Timing, lowest: float, highest: float) -> list[float]:
    """Resonances between the two, in hertz, that sampling folds onto the sine, or, where the
    reading is a mean, onto the third harmonic that its sign has: the worst few."""
    rate, sine = 1.0 / float(timing.period_s), float(timing.frequency_hz)
    found: list[float] = []
    for harmonic in (1, 3) if timing.measure == "mean" else (1,):
        turns = range(1, int((highest + 3.0 * sine) / rate) + 2)
        for turn, side in itertools.product(turns, (-1, 1)):
            hertz = turn * rate + side * harmonic * sine
            if lowest < hertz < highest:
                found.append(hertz)
    return found[:_FOLDED]
