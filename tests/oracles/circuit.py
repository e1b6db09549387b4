"""The power circuit of one virtual board in plain Python: the oracle of ``c_harness/circuit.c``.

Averaged bridge - (winding resistance + choke) - output; capacitor and load across the output. The
bridge voltage is held over a step, so each step is exact by the matrix exponential; a rectifier
switches where its forward voltage crosses zero, found by root search on that exact flow. Slow and
clear: tests hold the compiled circuit equal to this one.

Left out: switching ripple and dead time of the bridge, saturation, capacitance of the DC bus.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm
from scipy.optimize import brentq

from halfcycle.simulate.parts import BoardLoad, FilterParts, LoadKind

Real = NDArray[np.float64]

BUS_PIECES = 4
"""As HC_BUS_PIECES: pieces of a step where the bus has a resistance."""
CURRENT, VOLTAGE, LOAD = 0, 1, 2
"""Places in the state: choke current (A), output voltage (V), the load's own state."""


def equations(parts: FilterParts, load: BoardLoad, conducting: bool) -> tuple[Real, Real, Real]:
    """A (3, 3), b (3,), c (3,) of dx/dt = A x + b u + c for the bridge voltage u.

    ``conducting`` concerns a rectifier alone, on the positive half wave.
    """
    a, b, c = np.zeros((3, 3)), np.zeros(3), np.zeros(3)
    a[CURRENT, CURRENT] = -parts.winding_ohm / parts.inductance_h
    a[CURRENT, VOLTAGE] = -1.0 / parts.inductance_h
    b[CURRENT] = 1.0 / parts.inductance_h
    a[VOLTAGE, CURRENT] = 1.0 / parts.capacitance_f
    if load.kind == LoadKind.RESISTOR:
        a[VOLTAGE, VOLTAGE] = -1.0 / (load.series_ohm * parts.capacitance_f)
    elif load.kind == LoadKind.SERIES_RL:
        a[VOLTAGE, LOAD] = -1.0 / parts.capacitance_f
        a[LOAD, VOLTAGE] = 1.0 / load.series_h
        a[LOAD, LOAD] = -load.series_ohm / load.series_h
    elif load.kind == LoadKind.RECTIFIER:
        a[LOAD, LOAD] = -1.0 / (load.reservoir_ohm * load.reservoir_f)
        if conducting:
            by_output = 1.0 / (load.series_ohm * parts.capacitance_f)
            by_reservoir = 1.0 / (load.series_ohm * load.reservoir_f)
            a[VOLTAGE] += [0.0, -by_output, by_output]
            c[VOLTAGE] = load.drop_v * by_output
            a[LOAD] += [0.0, by_reservoir, -by_reservoir]
            c[LOAD] = -load.drop_v * by_reservoir
    return a, b, c


class Law:
    """One linear law of motion under a held input, exact in time."""

    def __init__(self, parts: FilterParts, load: BoardLoad, conducting: bool) -> None:
        # Over the state, the bridge voltage and a 1, both of which stand still.
        self._whole = np.zeros((5, 5))
        a, b, c = equations(parts, load, conducting)
        self._whole[:3] = np.column_stack([a, b, c])
        self._kept: dict[float, tuple[Real, Real]] = {}

    def move(self, x: Real, u: float, dt: float) -> Real:
        """The state (3,) after ``dt`` seconds of a held bridge voltage ``u``."""
        moved: Real = expm(self._whole * dt)[:3] @ np.array([*x, u, 1.0])
        return moved

    def step(self, x: Real, u: float, dt: float) -> tuple[Real, float]:
        """As ``move``, and the integral of the squared output (V^2 s); kept for the next call
        with the same ``dt``.

        Van Loan, IEEE Trans. Automatic Control 23(3), 1978: one exponential holds the integral.
        """
        if dt not in self._kept:
            block = np.zeros((10, 10))
            block[:5, :5] = -self._whole.T
            block[VOLTAGE, 5 + VOLTAGE] = 1.0
            block[5:, 5:] = self._whole
            power = expm(block * dt)
            self._kept = {dt: (power[5:, 5:], power[5:, 5:].T @ power[:5, 5:])}
        power, square = self._kept[dt]
        start = np.array([*x, u, 1.0])
        moved: Real = power[:3] @ start
        return moved, float(start @ square @ start)


class Circuit:
    """One board's power circuit, at rest at first. Attributes: ``x`` (3,), ``conducting``
    (polarity of a rectifier's current, or 0) and ``energy``, the integral of the squared output
    (V^2 s)."""

    def __init__(self, parts: FilterParts, load: BoardLoad, step_s: float) -> None:
        self.parts = parts
        self.step_s = step_s
        self.x: Real = np.zeros(3)
        self.energy = 0.0
        self.connect(load)

    def connect(self, load: BoardLoad) -> None:
        """Another load, its own state at rest (a reservoir empty)."""
        self.load = load
        self.x[LOAD] = 0.0
        self.conducting = 0
        self._off = Law(self.parts, load, conducting=False)
        self._on = Law(self.parts, load, conducting=True)

    def load_current(self) -> float:
        """Into the load, amperes."""
        if self.load.kind == LoadKind.RESISTOR:
            return float(self.x[VOLTAGE] / self.load.series_ohm)
        if self.load.kind == LoadKind.SERIES_RL:
            return float(self.x[LOAD])
        if self.load.kind == LoadKind.RECTIFIER and self.conducting:
            behind = self.conducting * (self.load.drop_v + self.x[LOAD])
            return float((self.x[VOLTAGE] - behind) / self.load.series_ohm)
        return 0.0

    def slope(self) -> float:
        """Of the output voltage, V/s."""
        return float((self.x[CURRENT] - self.load_current()) / self.parts.capacitance_f)

    def step(self, duty: float, bus_v: float, bus_ohm: float = 0.0) -> None:
        """One step with the bridge at ``duty`` (-1 to 1) of a bus behind ``bus_ohm``.

        The lossless bridge draws duty x current from the bus, so its resistance acts in series
        with the choke as duty^2 bus_ohm: a decay split in halves around exact pieces of the step.
        """
        pieces = BUS_PIECES if bus_ohm > 0.0 else 1
        piece_s = self.step_s / pieces
        half = 0.5 * piece_s * duty * duty * bus_ohm / self.parts.inductance_h
        decay = (1.0 - 0.5 * half) / (1.0 + 0.5 * half)
        for _ in range(pieces):
            self.x[CURRENT] *= decay
            if self.load.kind == LoadKind.RECTIFIER:
                self._rectifier_piece(duty * bus_v, piece_s)
            else:
                self._go(duty * bus_v, piece_s)
            self.x[CURRENT] *= decay

    def _side(self, u: float) -> tuple[Law, Real, float]:
        """The law in force, with mirror and input: the negative half wave of a rectifier is the
        positive one with current, output and bridge voltage reversed."""
        if self.conducting < 0:
            return self._on, np.array([-1.0, -1.0, 1.0]), -u
        return self._on if self.conducting else self._off, np.ones(3), u

    def _move(self, u: float, dt: float) -> Real:
        law, mirror, forced = self._side(u)
        return law.move(self.x * mirror, forced, dt) * mirror

    def _go(self, u: float, dt: float) -> None:
        law, mirror, forced = self._side(u)
        moved, square = law.step(self.x * mirror, forced, dt)
        self.x = moved * mirror
        self.energy += square

    def _forward(self, x: Real) -> float:
        output = self.conducting * x[VOLTAGE] if self.conducting else abs(x[VOLTAGE])
        return float(output - self.load.drop_v - x[LOAD])

    def _rectifier_piece(self, u: float, remaining: float) -> None:
        while remaining > 0.0:
            on_law = self.conducting != 0
            if (self._forward(self._move(u, remaining)) >= 0.0) == on_law:
                self._go(u, remaining)
                return

            def forward(dt: float) -> float:
                return self._forward(self._move(u, dt))

            dt = 1e-12 * self.step_s  # Just switched: the forward voltage is zero here.
            if (forward(dt) >= 0.0) == on_law:
                dt = float(brentq(forward, dt, remaining, xtol=1e-18, rtol=1e-14))
            self._go(u, dt)
            remaining -= dt
            if on_law:
                self.conducting = 0
            else:
                self.conducting = 1 if self.x[VOLTAGE] > 0.0 else -1
