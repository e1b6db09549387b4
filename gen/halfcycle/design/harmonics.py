"""What a non-linear load's harmonics do to the reading.

A rectifier with a reservoir draws its current near the crests. The harmonics of that current make
harmonics of the output voltage across the filter's impedance. A window's reading sees a harmonic h
of the output by its sampled product with the sine (rms) or with the sine's sign (mean). Without
sampling an RMS reading of a sine with a small harmonic would see nothing of it, to first order, and
a mean 1/h; what exceeds that is folded. What a mean gets wrong without sampling too, as it takes
the wave for a sine, is its shape.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.base import clipped_sine
from halfcycle.loop.corner_filters import corner_filters
from halfcycle.loop.filter_model import (
    Complex,
    FilterCircuit,
    Real,
    resistive_load,
    state_matrices,
)
from halfcycle.windows.sample_weights import sample_weights

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

CURRENTS = {3: 0.81, 5: 0.60, 7: 0.37, 9: 0.16, 11: 0.08, 13: 0.07, 15: 0.06}
"""Harmonics of a single-phase rectifier's current with a reservoir capacitor, over its
fundamental (common practice, no source; rounded up beyond the ninth)."""
BEYOND = 0.06 * 15**2
"""Above the last of these they fall with the square of the harmonic, as a current without jumps
does (Fourier)."""
MAX_HARMONIC = 199
PHASES = 48
"""Phases of the sine against the sampling that are tried, in half a turn."""
RINGING_DAMPED = 0.1
"""How much of its rated load's conductance a rectifier damps the harmonics near the filter's
resonance with: it conducts for a short part of the half cycle only, and a light one, whose
harmonics at the resonance are as strong, for less. Held against simulated boards."""
CLIPPED_PHASES = 360
"""The same for a clipped sine, whose corners move among the samples."""
TRUE = 5e-4
"""A reading of it that is off by no more counts as true, a share."""
MAX_SHIFT = 0.15
SHIFTS = 7
"""Radians by which the current's crest may lie before or after the sine's, and how many are
tried (held against simulated boards)."""
SHAPE_POINTS = 2048
SHARES = (2, 4, 8, 16)
"""How many times as fast as the spec says the loop is tried."""


@dataclass(frozen=True, slots=True)
class Harmonics:
    """What a rectifier's harmonics make of a reading, up to rated load: an estimate."""

    folded_v: float
    """Error by what sampling folds onto the sine, either way, volts RMS."""
    shape_v: float
    """Error of an unsampled mean, as the wave is no sine, volts RMS; 0 for an RMS reading."""
    harmonic: int
    """The harmonic that has the greatest share of what is folded."""
    harmonic_percent: float
    """That harmonic of the output voltage, over the fundamental, at the worst filter."""

    @property
    def error_v(self) -> float:
        """Both, either way, volts RMS; added as powers, as they are of different harmonics."""
        return math.hypot(self.folded_v, self.shape_v)


def rectifier_harmonics(spec: Spec, window: Window) -> Harmonics:
    """The estimate for ``window`` at the worst filter. What folds is taken in each harmonic's worst
    phase, and harmonics are added as powers, as each has a phase of its own. Held against
    simulated boards: the whole error is
    from three quarters of theirs to three times as much."""
    orders = np.arange(3, MAX_HARMONIC + 1, 2).astype(np.float64)
    mean = spec.loop.measure == "mean"
    rated_v = float(spec.output.rated_rms_v)
    seen = _seen(spec, window, orders)
    unsampled = 1.0 / orders if mean else np.zeros(len(orders))
    folded = np.maximum(seen - unsampled, 0.0)
    folded = np.where(folded > 1e-9, folded, 0.0)
    voltage = np.abs(_output_harmonics(spec, window, orders, RINGING_DAMPED))
    parts = voltage * folded
    totals = np.sqrt((parts**2).sum(axis=1))
    worst = int(np.argmax(totals))
    greatest = int(np.argmax(parts[worst]))
    shape = _shape(_output_harmonics(spec, window, orders, 1.0), orders) if mean else 0.0
    return Harmonics(
        folded_v=rated_v * float(totals[worst]),
        shape_v=rated_v * shape,
        harmonic=int(orders[greatest]),
        harmonic_percent=100 * float(voltage[worst, greatest]),
    )


def clipped_rms_error(window: Window, drive: float) -> float:
    """Greatest error, either way, of an RMS reading of a sine that clips at the bus (``drive``: its
    peak over the bus), as it is at the bridge; a share of its RMS. What the sampling folds of its
    harmonics makes it, over every phase."""
    step = math.pi * float(window.half_cycles_per_sample)
    phases = math.pi / CLIPPED_PHASES * np.arange(CLIPPED_PHASES)
    wave = np.clip(drive * np.sin(step * np.arange(window.samples) + phases[:, None]), -1, 1)
    read = np.sqrt(wave**2 @ sample_weights(window))
    return float(np.abs(read / clipped_sine.rms(drive) - 1).max())


def with_loop(spec: Spec, **changes: object) -> Spec:
    """``spec`` with other entries of its [loop], and any count of half cycles."""
    loop = spec.loop.model_copy(update={"half_cycles": "auto", **changes})
    return spec.model_copy(update={"loop": loop})


def shorter_periods(spec: Spec) -> list[Fraction]:
    """Shorter loop periods worth a try, longest first, us: they divide the half cycle."""
    half_us = Fraction(500_000) / spec.output.frequency_hz
    counts = [math.ceil(share * half_us / spec.loop.period_us) for share in SHARES]
    return [half_us / count for count in counts if half_us / count >= 1]


def _shape(voltage: Complex, orders: Real) -> float:
    """Greatest relative error of an unsampled mean over filters and shifts of the current."""
    turn = 2 * math.pi / SHAPE_POINTS * np.arange(SHAPE_POINTS)
    waves = np.exp(1j * np.outer(orders, turn))
    greatest = 0.0
    for shift in np.linspace(-MAX_SHIFT, MAX_SHIFT, SHIFTS):
        # The current's harmonics are all at their crest if its fundamental is, and lower the
        # output.
        dropped = (voltage * np.exp(-1j * orders * shift)) @ waves
        wave = np.cos(turn) - dropped.real
        true = np.sqrt((wave**2).mean(axis=1))
        read = np.abs(wave).mean(axis=1) * math.pi / math.sqrt(8)
        greatest = max(greatest, float(np.abs(read / true - 1).max()))
    return greatest


def _output_harmonics(spec: Spec, window: Window, orders: Real, damped: float) -> Complex:
    """Harmonics (B, H) that a rectifier's current of rated VA makes of the output, over its
    fundamental, for every filter; ``damped``: by this share of the rated load's conductance."""
    currents = np.array([CURRENTS.get(int(h), BEYOND / h**2) for h in orders])
    fundamental = 1 / math.sqrt(1 + float((currents**2).sum()))
    # Rated VA are of the whole current.
    rated_v, rated_va = float(spec.output.rated_rms_v), float(spec.load.rated_va)
    amperes = rated_va / rated_v * fundamental * currents
    load = resistive_load("rectifier", damped * rated_va, rated_v)
    circuits = [replace(circuit, load=load) for circuit in corner_filters(spec)]
    angular = 2 * math.pi * float(window.frequency_hz) * orders
    return np.asarray(_impedance(circuits, angular) * amperes / rated_v, dtype=np.complex128)


def _impedance(circuits: list[FilterCircuit], angular: Real) -> Complex:
    """Impedance (B, H) seen from the output, the bridge's voltage held, ohm."""
    a, _, c = state_matrices(circuits)
    # A current out of the capacitor: d/dt(sqrt(C) v) = -i / sqrt(C), and c holds 1 / sqrt(C).
    resolvent = 1j * angular[None, :, None, None] * np.eye(3) - a[:, None]
    states = np.linalg.solve(resolvent, c[:, None, :, None].astype(complex))[..., 0]
    return np.asarray(np.einsum("bhs,bs->bh", states, c), dtype=np.complex128)


def _seen(spec: Spec, window: Window, orders: Real) -> Real:
    """Relative error of the reading per unit of each harmonic (H,), greatest over the phases."""
    step = math.pi * float(window.half_cycles_per_sample)
    at = step * np.arange(window.samples)
    phases = math.pi / PHASES * (np.arange(PHASES) + 0.5)
    sine = np.sin(at + phases[:, None])
    onto = (np.sign(sine) if spec.loop.measure == "mean" else sine) * sample_weights(window)
    waves = np.exp(1j * at[:, None] * orders)
    scale = (onto * sine).sum(axis=1)
    return np.asarray((np.abs(onto @ waves) / scale[:, None]).max(axis=0), dtype=np.float64)
