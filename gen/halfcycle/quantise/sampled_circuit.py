"""The output of every corner's circuit at the samples, exact, under a wave that changes in between.

Under a periodic wave the output is the filtered wave. When the wave changes, the filter's state
does not: the difference of the two steady states is left over, and decays with the filter's own
modes. So each change adds to the modes what the old wave would have kept up less what the new one
does, and nothing else happens between changes. Times are in loop periods, as the sensor sees them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfcycle.loop.filter_model import Complex, FilterCircuit, Modes, Real, modes


@dataclass(frozen=True, slots=True)
class CornerModes:
    """The natural modes of C circuits.

    ``decay`` (C, 3): rate of each mode, per loop period. ``left`` (C, K, 3) and ``mirrored``
    (C, K, 3): coefficient of each mode, as seen at the output, in the state that exp(jk phase) and
    exp(-jk phase) at the bridge keep up, at phase 0. ``transfer`` (C, K): output over bridge.
    """

    decay: Complex
    left: Complex
    mirrored: Complex
    transfer: Complex

    @classmethod
    def of(
        cls,
        circuits: Sequence[FilterCircuit],
        rows: Sequence[int],
        angular: float,
        harmonics: Real,
        period_s: float,
    ) -> CornerModes:
        """Modes of the corners that have the circuits ``rows``, for these ``harmonics`` (K,) of
        a wave of ``angular`` rad/s."""
        own: Modes = modes(circuits, angular)
        # How much of the output each mode is: its residue, the same at every harmonic.
        residue = own.steady * (1j * angular - own.poles)
        at = 1j * angular * harmonics[None, :, None]
        left = residue[:, None] / (at - own.poles[:, None])
        mirrored = residue[:, None] / (-at - own.poles[:, None])
        index = np.asarray(rows)
        return cls(
            decay=(own.poles * period_s)[index],
            left=left[index],
            mirrored=mirrored[index],
            transfer=left.sum(axis=-1)[index],
        )

    def kept_up(self, phasors: Complex, rows: slice | np.ndarray = slice(None)) -> Complex:
        """Coefficients (A, 3) of the modes in the state that the waves Im sum ``phasors`` (A, K)
        keep up at this instant, for the corners ``rows``."""
        forward = np.einsum("ak,akm->am", phasors, self.left[rows])
        backward = np.einsum("ak,akm->am", phasors.conj(), self.mirrored[rows])
        return np.asarray((forward - backward) / 2j, dtype=np.complex128)

    def memory(self, forgotten: float) -> int:
        """Loop periods until every mode that is ever driven is down to that share."""
        driven = np.abs(self.left).max(axis=1) > 1e-9 * np.abs(self.transfer).max()
        slowest = float(self.decay.real[driven].max())
        return math.ceil(math.log(forgotten) / slowest)


class SampledCircuit:
    """C outputs, sample by sample. ``spectra`` (C, K): the waves in force, as the sensor sees them,
    at a sine's phase of 0; ``phase`` (C, K): the harmonics' phasors at the newest sample."""

    def __init__(self, corners: CornerModes, spectra: Complex, phase: Complex, step: Real) -> None:
        """At rest under ``spectra``. ``step`` (K,): radians of each harmonic in a loop period."""
        self._corners, self._step = corners, step
        self.spectra, self.phase = spectra.copy(), phase.copy()
        self._left = np.zeros((len(spectra), 3), dtype=np.complex128)
        self._since = 0.0

    def change(self, rows: np.ndarray, spectra: Complex, at: float) -> None:
        """The waves ``spectra`` (A, K) from ``at`` on, 0 to 1 loop periods after the newest
        sample and not before the last change."""
        old = self.spectra[rows]
        turned = self.phase[rows] * np.exp(1j * self._step * at)
        self._left *= np.exp(self._corners.decay * (at - self._since))
        self._left[rows] += self._corners.kept_up((old - spectra) * turned, rows)
        self._since = at
        self.spectra[rows] = spectra

    def samples(self, rows: np.ndarray, count: int) -> Real:
        """On by ``count`` samples, between which nothing changes: the outputs of the corners
        ``rows`` (A, count), units of the bus."""
        first = self._left * np.exp(self._corners.decay * (1.0 - self._since))
        later = np.arange(count)
        decays = np.exp(self._corners.decay[rows][..., None] * later)
        passed = self._corners.transfer[rows] * self.spectra[rows] * self.phase[rows]
        turned = np.exp(1j * self._step[:, None] * (1 + later))
        # einsum, as threads cost more than they gain at this size.
        output = np.einsum("ak,kn->an", passed.real, turned.imag)
        output += np.einsum("ak,kn->an", passed.imag, turned.real)
        output += np.einsum("am,amn->an", first[rows], decays).real
        self._left = first * np.exp(self._corners.decay * (count - 1))
        self._since = 0.0
        self.phase = self.phase * turned[:, -1]
        return np.asarray(output, dtype=np.float64)
