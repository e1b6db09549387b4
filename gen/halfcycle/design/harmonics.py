"""What a non-linear load's harmonics do to the reading, as far as sampling folds them onto it.

A rectifier with a reservoir draws its current near the crests. The harmonics of that current make
harmonics of the output voltage across the filter's impedance. A window's reading sees a harmonic h
of the output by its sampled product with the sine (rms) or with the sine's sign (mean). Without
sampling an RMS reading of a sine with a small harmonic would see nothing of it, to first order, and
a mean 1/h; what exceeds that is folded.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.loop.corner_filters import corner_filters
from halfcycle.loop.filter_model import Complex, FilterCircuit, Real, state_matrices

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


@dataclass(frozen=True, slots=True)
class Folding:
    """What sampling folds onto the sine of a rectifier's harmonics at rated load, an estimate."""

    error_v: float
    """Error of the reading, either way, volts RMS."""
    harmonic: int
    """The harmonic that has the greatest share of it."""
    harmonic_percent: float
    """That harmonic of the output voltage, over the fundamental, greatest over the filters."""


def folding(spec: Spec, window: Window) -> Folding:
    """The estimate for ``window`` at the worst filter, each harmonic in its worst phase. Of an RMS
    reading few harmonics fold, and they are added; of a mean all do a little, in phases of their
    own, and they are added as powers. Held against simulated boards: within a factor of three."""
    orders = np.arange(3, MAX_HARMONIC + 1, 2).astype(np.float64)
    voltage = _output_harmonics(spec, window, orders)
    seen = _seen(spec, window, orders)
    unsampled = 1.0 / orders if spec.loop.measure == "mean" else np.zeros(len(orders))
    folded = np.maximum(seen - unsampled, 0.0)
    folded = np.where(folded > 1e-9, folded, 0.0)
    parts = voltage * folded
    mean = spec.loop.measure == "mean"
    totals = np.sqrt((parts**2).sum(axis=1)) if mean else parts.sum(axis=1)
    worst = int(np.argmax(totals))
    greatest = int(np.argmax(parts[worst]))
    return Folding(
        error_v=float(spec.output.rated_rms_v) * float(totals[worst]),
        harmonic=int(orders[greatest]),
        harmonic_percent=100 * float(voltage[worst, greatest]),
    )


def _output_harmonics(spec: Spec, window: Window, orders: Real) -> Real:
    """Harmonics (B, H) of the output over its fundamental, for every filter."""
    currents = np.array([CURRENTS.get(int(h), BEYOND / h**2) for h in orders])
    fundamental = 1 / math.sqrt(1 + float((currents**2).sum()))
    # Rated VA are of the whole current.
    rated_v, rated_va = float(spec.output.rated_rms_v), float(spec.load.rated_va)
    amperes = rated_va / rated_v * fundamental * currents
    # With its own load on, as the rectifier damps the filter while it conducts.
    circuits = [c for c in corner_filters(spec) if c.load.conductance_s > 0]
    circuits = circuits or corner_filters(spec)
    angular = 2 * math.pi * float(window.frequency_hz) * orders
    return np.asarray(np.abs(_impedance(circuits, angular)) * amperes / rated_v)


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
    onto = np.sign(sine) if spec.loop.measure == "mean" else sine
    waves = np.exp(1j * at[:, None] * orders)
    scale = (onto * sine).sum(axis=1)
    return np.asarray((np.abs(onto @ waves) / scale[:, None]).max(axis=0), dtype=np.float64)
