"""The output filter with its load as a state-space model, scaled so that it is well conditioned.

Circuit: bridge voltage - winding resistance R - inductor L - output; capacitor C and the load
across the output. The load is nothing, a resistor, or a resistor and inductor in series.
States are sqrt(L) iL, sqrt(C) v and sqrt(Ll) il (square roots of twice the stored energies), which
makes the lossless part of the matrix skew-symmetric whatever the component values.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LoadImpedance:
    """A linear load. ``conductance_s`` in siemens is across the output (0: none);
    if ``inductance_h`` is above 0 the load is that inductance in series with
    ``resistance_ohm`` instead, and ``conductance_s`` is 0. ``share`` (of rated VA) and
    ``power_factor`` say the same as a user does."""

    label: str
    conductance_s: float = 0.0
    resistance_ohm: float = 0.0
    inductance_h: float = 0.0
    share: float = 0.0
    power_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class FilterCircuit:
    """One filter with its load: henry, farad, ohm."""

    inductance_h: float
    capacitance_f: float
    resistance_ohm: float
    load: LoadImpedance


def resistive_load(label: str, volt_ampere: float, volts: float) -> LoadImpedance:
    """Resistor that draws ``volt_ampere`` (0 and up) at ``volts`` RMS."""
    return LoadImpedance(label, conductance_s=volt_ampere / volts**2)


def inductive_load(
    label: str, volt_ampere: float, volts: float, power_factor: float, frequency_hz: float
) -> LoadImpedance:
    """Series R-L that draws ``volt_ampere`` (above 0) at ``volts`` RMS with a lagging
    ``power_factor`` (0 up to, not including, 1) at ``frequency_hz``."""
    impedance = volts**2 / volt_ampere
    reactance = impedance * math.sqrt(1.0 - power_factor**2)
    return LoadImpedance(
        label,
        resistance_ohm=impedance * power_factor,
        inductance_h=reactance / (2.0 * math.pi * frequency_hz),
    )


def state_matrices(circuits: Sequence[FilterCircuit]) -> tuple[Real, Real, Real]:
    """A (B, 3, 3), b (B, 3) and c (B, 3): ``x' = A x + b v_bridge``, ``v_out = c x``.

    A circuit without an inductive load leaves the third state at zero (its pole at -1/s is
    never excited), so that all circuits share one shape.
    """
    a = np.zeros((len(circuits), 3, 3))
    b = np.zeros((len(circuits), 3))
    c = np.zeros((len(circuits), 3))
    for i, circuit in enumerate(circuits):
        l_, c_, load = circuit.inductance_h, circuit.capacitance_f, circuit.load
        w0 = 1.0 / math.sqrt(l_ * c_)
        a[i, 0, 0] = -circuit.resistance_ohm / l_
        a[i, 0, 1], a[i, 1, 0] = -w0, w0
        a[i, 1, 1] = -load.conductance_s / c_
        if load.inductance_h > 0:
            w1 = 1.0 / math.sqrt(load.inductance_h * c_)
            a[i, 1, 2], a[i, 2, 1] = -w1, w1
            a[i, 2, 2] = -load.resistance_ohm / load.inductance_h
        else:
            a[i, 2, 2] = -1.0
        b[i, 0] = 1.0 / math.sqrt(l_)
        c[i, 1] = 1.0 / math.sqrt(c_)
    return a, b, c


@dataclass(frozen=True, slots=True)
class Modes:
    """Steady response to the sine and the natural modes of B circuits.

    ``transfer`` (B,): output over bridge voltage at the sine; ``admittance`` (B,): inductor
    current over bridge voltage, siemens; ``poles`` (B, 3) per second; ``steady`` (B, 3): the
    coefficient of each mode, as seen at the output, in the state that the unit sine
    ``exp(jwt)`` keeps up (``out = sum(steady * exp(poles t))`` when the bridge stops at t = 0);
    ``steady_conj`` (B, 3): the same for ``exp(-jwt)``.
    """

    transfer: Complex
    admittance: Complex
    poles: Complex
    steady: Complex
    steady_conj: Complex


def modes(circuits: Sequence[FilterCircuit], angular: float) -> Modes:
    """Modes of each circuit and its response to the sine of ``angular`` rad/s (above 0)."""
    a, b, c = state_matrices(circuits)
    jw = 1j * angular * np.eye(3)
    state = np.linalg.solve(jw - a, b[..., None].astype(complex))[..., 0]
    transfer = np.einsum("bs,bs->b", c, state)
    poles, vectors = np.linalg.eig(a)
    if np.linalg.cond(vectors).max() > 1e9:
        # A critically damped filter has no full set of modes. A nudge of 1e-9 of its matrix
        # gives it one; the response moves by as little.
        nudge = 1.0 + 1e-9 * np.arange(1, 10).reshape(3, 3)
        poles, vectors = np.linalg.eig(a * nudge)
    seen = np.einsum("bs,bsm->bm", c, vectors)
    coefficients = np.linalg.solve(vectors, np.stack([state, state.conj()], axis=-1))
    return Modes(
        transfer=transfer,
        admittance=np.asarray(state[:, 0] * b[:, 0], dtype=np.complex128),
        poles=poles.astype(complex),
        steady=seen * coefficients[..., 0],
        steady_conj=seen * coefficients[..., 1],
    )
