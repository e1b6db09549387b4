"""Exact motion of the filter under a sine of held amplitude: steps, output and its energy.

The state of B circuits is ``z`` (..., 6): the filter's three states (as ``filter_model`` has them),
``U sin`` and ``U cos`` of the bridge's sine at that instant, and a constant ``e`` that is added to
the bridge voltage. Between two changes of U and e it moves as ``z' = F z``, so that every figure
below is exact at any distance in time; nothing is sampled finer to be right.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from halfcycle.loop.filter_model import Complex, FilterCircuit, Real, state_matrices

STATES, SINE, COSINE, ADDED = 3, 3, 4, 5
"""How many states the filter has, and where the rest of ``z`` stands."""
_SIZE = 6
_MIN_NODES = 6
"""Nodes of Gauss and Legendre for the energy of a step, besides one for each radian of the fastest
mode: the rest is then below 1e-9 of the energy."""


class CircuitFlow:
    """The motion of B circuits at ``angular`` rad/s of the sine."""

    def __init__(self, circuits: Sequence[FilterCircuit], angular: float) -> None:
        a, b, c = state_matrices(circuits)
        full = np.zeros((len(circuits), _SIZE, _SIZE))
        full[:, :STATES, :STATES] = a
        full[:, :STATES, SINE] = full[:, :STATES, ADDED] = b
        full[:, SINE, COSINE], full[:, COSINE, SINE] = angular, -angular
        poles, vectors = np.linalg.eig(full)
        if np.linalg.cond(vectors).max() > 1e9:
            # As in ``filter_model.modes``: a critically damped filter needs a nudge.
            full[:, :STATES, :STATES] *= 1.0 + 1e-9 * np.arange(1, 10).reshape(3, 3)
            poles, vectors = np.linalg.eig(full)
        self.angular = angular
        # Boards of one circuit differ in what drives it: its matrices are worked out once.
        rows = {circuit: row for row, circuit in reversed(list(enumerate(circuits)))}
        self._once = np.array(sorted(rows.values()))
        self._where = np.searchsorted(self._once, [rows[circuit] for circuit in circuits])
        self._energies: dict[float, Real] = {}
        self._rows: dict[bytes, Real] = {}
        self._poles: Complex = np.asarray(poles, dtype=np.complex128)
        self._vectors: Complex = np.asarray(vectors, dtype=np.complex128)
        self._inverse: Complex = np.asarray(np.linalg.inv(self._vectors), dtype=np.complex128)
        self._seen: Complex = np.asarray(
            np.einsum("bs,bsm->bm", c, self._vectors[:, :STATES]), dtype=np.complex128
        )
        response = np.linalg.solve(1j * angular * np.eye(STATES) - a, b[..., None].astype(complex))
        self.response: Complex = np.asarray(response[..., 0])
        """State (B, 3) that the unit sine exp(jwt) at the bridge keeps up."""
        self.output: Real = c
        """Row (B, 3) that gives the output from the filter's states."""

    def step(self, time_s: float) -> Real:
        """Matrix (B, 3, 6): ``step @ z`` are the filter's states ``time_s`` later."""
        decay = np.exp(self._poles * time_s)
        moved = (self._vectors[:, :STATES] * decay[:, None, :]) @ self._inverse
        return np.ascontiguousarray(moved.real)

    def rows(self, times_s: Real) -> Real:
        """Rows (B, T, 6) that give the output ``times_s`` (T,) after ``z``."""
        key = times_s.tobytes()
        if key not in self._rows:
            once = self._once
            decay = np.exp(self._poles[once, None, :] * times_s[None, :, None])
            seen = (self._seen[once, None, :] * decay) @ self._inverse[once]
            self._rows[key] = np.ascontiguousarray(seen.real)
        return self._rows[key][self._where]

    def energy(self, time_s: float) -> Real:
        """Matrix Q (B, 6, 6): ``z Q z`` is the output's square integrated over ``time_s``
        seconds from ``z`` on."""
        if time_s not in self._energies:
            self._energies[time_s] = self._energy(time_s)
        return self._energies[time_s]

    def _energy(self, time_s: float) -> Real:
        fastest = float(np.abs(self._poles).max()) * time_s
        nodes, weights = _gauss_legendre(_MIN_NODES + math.ceil(fastest))
        rows = self.rows((nodes + 1.0) / 2.0 * time_s)[self._once]
        weighed = rows * (weights * time_s / 2.0)[:, None]
        forms = rows.transpose(0, 2, 1) @ weighed
        return np.asarray(forms[self._where], dtype=np.float64)

    def steady(self, amplitude: Real, angle: Real) -> Real:
        """Filter states (B, 3, N) under a sine of ``amplitude`` (B, N) that has always been on,
        at ``angle`` (B, N), radians."""
        phasor = (amplitude * np.exp(1j * angle))[:, None, :]
        return np.asarray((phasor * self.response[:, :, None]).imag, dtype=np.float64)


@lru_cache(maxsize=256)
def _gauss_legendre(count: int) -> tuple[Real, Real]:
    """Nodes and weights on [-1, 1]."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return np.asarray(nodes), np.asarray(weights)


@lru_cache(maxsize=32)
def circuit_flow(circuits: tuple[FilterCircuit, ...], angular: float) -> CircuitFlow:
    """The motion of ``circuits``; kept, as the same boards are run again and again."""
    return CircuitFlow(circuits, angular)
