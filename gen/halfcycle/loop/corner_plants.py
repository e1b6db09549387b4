"""From filters and their weights to plants: each with a bus voltage, a sensor gain and a phase.

The gain of a plant is ``g = Vbus/sqrt(2) |H(jw)| sensor/rated``. A plant that reaches rated only
with a clipped sine, or from a sagging bus, is taken a second time, for small changes about rated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from halfcycle.loop.drive import needed_scale
from halfcycle.loop.envelope import Timing, Weights
from halfcycle.loop.filter_model import FilterCircuit, Modes, Real
from halfcycle.loop.plant_types import Corner, Plants

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

_LOCAL = 0.98
"""A corner is added for its slope at rated if that is below this share of the gain."""


@dataclass(frozen=True, slots=True)
class FilterBank:
    """B filters with their loads, their modes, and their weights at P phases each. ``inside``: the
    filters lie inside their tolerances. ``averaged``: the weights are of no phase, but averaged."""

    circuits: Sequence[FilterCircuit]
    response: Modes
    weights: Weights
    inside: bool = False
    averaged: bool = False


class Board(NamedTuple):
    """One row of plants: the filter's and the phase's index in a bank, bus (V) and sensor gain."""

    circuit: int
    phase: int
    bus_v: float
    sensor: float


def buses(spec: Spec) -> list[float]:
    """The least and the greatest bus voltage. If the bus is measured and divided out: what it seems
    to be to the loop, the nominal one off by the gain tolerance of its sensor."""
    if spec.bus_sensor is not None:
        tolerance = float(spec.bus_sensor.gain_tolerance_percent) / 100.0
        nominal = float(spec.bridge.bus_nominal_v)
        return sorted({nominal * (1.0 - tolerance), nominal * (1.0 + tolerance)})
    return sorted({float(spec.bridge.bus_min_v), float(spec.bridge.bus_max_v)})


def other_buses(spec: Spec, bus_v: Real) -> Real:
    """The other end of :func:`buses` for each that is at one, volts."""
    ends = buses(spec)
    return np.asarray(ends[0] + ends[-1] - bus_v, dtype=np.float64)


def sensor_gains(spec: Spec) -> list[float]:
    """The least and the greatest gain of the sensor over nominal."""
    tolerance = float(spec.sensor.gain_tolerance_percent) / 100.0
    return sorted({1.0 - tolerance, 1.0 + tolerance})


def bus_sag(spec: Spec, response: Modes) -> Real:
    """Share (B,) of the bus that is lost at full scale.

    A sine of current drawn through a bridge of duty s sin(wt) loads the bus with s^2 sin^2(wt):
    3/4 of the bus's resistance stands in series for the current in phase, at scale 1.
    """
    return 0.75 * float(spec.bridge.bus_resistance_ohm) * response.admittance.real


def unclipped_gains(spec: Spec, bank: FilterBank, boards: Sequence[Board]) -> Real:
    """Gain of each board below clipping, rated per unit of scale."""
    rated = float(spec.output.rated_rms_v)
    size = np.abs(bank.response.transfer)
    return np.array(
        [
            board.bus_v
            / math.sqrt(2.0)
            * float(size[board.circuit])
            * board.sensor
            / rated
            * float(bank.weights.ratio[board.circuit, board.phase])
            for board in boards
        ]
    )


def plants_of(spec: Spec, timing: Timing, bank: FilterBank, boards: Sequence[Board]) -> Plants:
    """Plants of these boards (one or more); then, for those that clip or sag on the way to rated,
    the plants for small changes there."""
    corners = [corner_of(spec, bank, board) for board in boards]
    gain = unclipped_gains(spec, bank, boards)
    sag = bus_sag(spec, bank.response)[[board.circuit for board in boards]]
    scale, slope = needed_scale(gain, sag, timing.measure)
    curved = [
        i for i in range(len(boards)) if np.isfinite(scale[i]) and slope[i] < _LOCAL * gain[i]
    ]
    order = np.array([*range(len(boards)), *curved])
    corners += [
        replace(corners[i], label=f"{corners[i].label}, at drive {scale[i]:.3f}", drive=scale[i])
        for i in curved
    ]
    circuit: NDArray[np.intp] = np.array([boards[i].circuit for i in order])
    phase: NDArray[np.intp] = np.array([boards[i].phase for i in order])
    return Plants(
        corners=tuple(corners),
        gains=np.concatenate([gain, slope[curved]]),
        weights=bank.weights.weights[circuit, phase],
        tail=bank.weights.tail[circuit],
        scale_for_rated=scale[order],
        step_gains=gain[order],
        sag=sag[order],
        measure=timing.measure,
    )


def corner_of(spec: Spec, bank: FilterBank, board: Board) -> Corner:
    """The corner that a board stands for."""
    circuit = bank.circuits[board.circuit]
    phase = float(bank.weights.phase_deg[board.circuit, board.phase])
    label = board_label(spec, circuit, board.bus_v, board.sensor)
    return Corner(
        label=label if bank.averaged else f"{label}, window starts at {phase:.0f} deg",
        bus_v=board.bus_v,
        inductance_h=circuit.inductance_h,
        capacitance_f=circuit.capacitance_f,
        load=circuit.load.label,
        sensor=board.sensor,
        phase_deg=phase,
        load_share=circuit.load.share,
        power_factor=circuit.load.power_factor,
        inside=bank.inside,
    )


def board_label(spec: Spec, circuit: FilterCircuit, bus_v: float, sensor: float) -> str:
    """What a user calls a board."""
    return (
        f"bus {bus_v:g} V, "
        f"{deviation('L', circuit.inductance_h, spec.filter.inductance_uh)}, "
        f"{deviation('C', circuit.capacitance_f, spec.filter.capacitance_uf)}, "
        f"load {circuit.load.label}, sensor {100.0 * (sensor - 1.0):+g} %"
    )


def deviation(name: str, value: float, nominal_micro: Fraction) -> str:
    """``L +25 %``: how far a part is off its nominal."""
    off = 100.0 * (value / (float(nominal_micro) * 1e-6) - 1.0)
    return f"{name} {round(off, 2) + 0.0:+g} %"
