"""The bridge's wave as the duty counts make it, and what the filter passes of it to the samples.

A sine in whole duty counts has harmonics that change from one scale to the next. The filter may
amplify those near its resonance, and sampling folds those near a multiple of its rate onto the
sine, so the reading sees them. Periodic steady state; the bus's own resistance is left out.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from halfcycle.design.types import Design
from halfcycle.loop.corner_filters import ringing_loads
from halfcycle.loop.filter_model import Complex, FilterCircuit, Real, state_matrices
from halfcycle.regulator.model import drive_wave
from halfcycle.regulator.plan import DRIVE_FULL, SCALE_ONE, Plan

CALLS_PER_RING = 8
"""Calls of the drive in a period of the fastest resonance, at least: as often as a bridge switches
(common practice, no source)."""
MAX_POINTS = 2048
"""Duties in a turn, at most; beyond, their roundings average out."""
PASSED = 4.0
"""Harmonics are followed up to this many times the fastest resonance, where the filter lets a
fifteenth through."""


class BridgeWave:
    """Spectra of the bridge's wave, and responses of the filters at its harmonics.

    ``response`` (C, K): output at harmonic k = 1..K over the bridge's, at every corner, volts per
    unit of bus (the sensor's gain included). ``points``: duties in a turn.
    """

    def __init__(self, design: Design, plan: Plan) -> None:
        self._plan, self._counts = plan, design.spec.bridge.pwm_counts
        window, corners = design.window, design.plants.corners
        circuits, rows = corner_circuits(design)
        hertz = float(window.frequency_hz)
        fastest = max(_resonance_hz(circuit) for circuit in circuits)
        each = max(1, math.ceil(CALLS_PER_RING * fastest * float(window.period_s)))
        self.points = _points(window.frequency_hz * window.period_s / each)
        most = min(math.ceil(PASSED * fastest / hertz), self.points // 2 - 1)
        self.harmonics = np.arange(1, max(1, most) + 1)
        passed = _transfer(circuits, 2 * math.pi * hertz * self.harmonics.astype(np.float64))[rows]
        volts = np.array([corner.bus_v * corner.sensor for corner in corners])
        self.response: Complex = np.asarray(volts[:, None] * passed, dtype=np.complex128)
        self._kept: dict[tuple[int, float], Complex] = {}

    def spectrum(self, scale: int, start_turn: float = 0.0) -> Complex:
        """Complex amplitudes (K,) of the bridge's harmonics at ``scale`` (16384 = 1.0), units of
        the bus: the wave is Im sum a_k exp(jk phase). ``start_turn``: place of the calls, in
        turns from the sine's zero."""
        key = (scale, start_turn)
        if key not in self._kept:
            self._kept[key] = self._spectrum(scale, start_turn)
        return self._kept[key]

    def rounding(self, scales: NDArray[np.int64]) -> Complex:
        """What whole counts change in the spectra (S, K) of these scales, units of the bus."""
        turns = np.arange(self.points) / self.points
        sine = np.sin(2 * math.pi * turns)
        exact = np.clip(scales[:, None] / SCALE_ONE * sine, -1.0, 1.0) * self._counts
        return self._transform(np.rint(exact) - exact)

    def _spectrum(self, scale: int, start_turn: float) -> Complex:
        turns = np.arange(self.points) / self.points + start_turn
        phase = np.floor(turns % 1.0 * 65536).astype(np.int64)
        exact = drive_wave(self._plan, scale, phase) * self._counts / DRIVE_FULL
        turned = np.exp(-2j * math.pi * self.harmonics * start_turn)
        counts = np.trunc(exact + np.copysign(0.5, exact))
        return np.asarray(self._transform(counts) * turned, dtype=np.complex128)

    def _transform(self, counts: Real) -> Complex:
        """Complex amplitudes (..., K) of duties (..., points) in counts, held from call to call."""
        k = self.harmonics
        amplitudes = np.fft.rfft(counts)[..., k] * (2j / self.points / self._counts)
        return np.asarray(amplitudes * np.sinc(k / self.points), dtype=np.complex128)


def corner_circuits(design: Design) -> tuple[list[FilterCircuit], list[int]]:
    """The circuits of the corners, and which of them is every corner's."""
    resistance = float(design.spec.filter.winding_resistance_ohm)
    loads = {load.label: load for load in ringing_loads(design.spec)}
    keys = [
        (corner.inductance_h, corner.capacitance_f, corner.load) for corner in design.plants.corners
    ]
    rows = {key: row for row, key in enumerate(dict.fromkeys(keys))}
    circuits = [
        FilterCircuit(inductance, capacitance, resistance, loads[label])
        for inductance, capacitance, label in rows
    ]
    return circuits, [rows[key] for key in keys]


def _transfer(circuits: list[FilterCircuit], angular: Real) -> Complex:
    """Output over bridge voltage (B, K) at each of ``angular`` (K,), rad/s."""
    a, b, c = state_matrices(circuits)
    resolvent = 1j * angular[None, :, None, None] * np.eye(3) - a[:, None]
    states = np.linalg.solve(resolvent, b[:, None, :, None].astype(complex))[..., 0]
    return np.asarray(np.einsum("bks,bs->bk", states, c), dtype=np.complex128)


def _resonance_hz(circuit: FilterCircuit) -> float:
    beside = 1 / circuit.load.inductance_h if circuit.load.inductance_h > 0 else 0.0
    return math.sqrt((1 / circuit.inductance_h + beside) / circuit.capacitance_f) / (2 * math.pi)


def _points(turns_per_call: Fraction) -> int:
    """Duties in a turn: the distinct ones, or, if there are too many, about as many as fit."""
    points = turns_per_call.denominator
    if points <= MAX_POINTS:
        return max(points, 8)
    return max(8, min(MAX_POINTS, round(1 / turns_per_call)))
