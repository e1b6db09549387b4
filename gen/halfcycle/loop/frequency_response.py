"""Margins of the loop at window rate from its frequency response, for many plants at once.

``L(z) = (Kp + Ki z/(z - 1)) z^-1 sum_i taps_i z^-i`` on z = exp(j theta), theta in (0, pi]. The end
z = -1 is where a loop of this kind mostly goes unstable, and where the imaginary part is zero
without a change of sign, so a search for crossings misses it. There the closed form is used:
``L(-1) = -(Kp + Ki/2) sum_i taps_i (-1)^i``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfcycle.loop.filter_model import Complex, Real

_POINTS = 256
_BISECTIONS = 45


@dataclass(frozen=True, slots=True)
class Margins:
    """Per plant (C,). ``gain``: factor by which the gain may grow, ``inf`` if any may;
    ``phase_deg``: ``inf`` if the gain never crosses 1; ``peak``: greatest |1/(1 + L)|, Ms;
    ``nyquist``: |T(-1)|, what a disturbance of the reading that flips every window does to the
    output; ``noise``: output over reading noise, RMS, white from window to window. They mean
    something only if the loop is stable."""

    gain: Real
    phase_deg: Real
    peak: Real
    nyquist: Real
    noise: Real


def margins(taps: Real, kp: float, ki: float) -> Margins:
    """Margins of each plant (C, n) with the given per-window constants, not both 0."""
    curve = _curve(taps, kp, ki)
    at_nyquist = curve.at_nyquist
    even = np.linspace(0.0, math.pi, 2 * _POINTS + 1)[1:]
    even_loop = open_loop(taps, kp, ki, even[None, :])
    return Margins(
        gain=_gain_margin(curve),
        phase_deg=_phase_margin(curve),
        peak=_peak(curve),
        nyquist=np.abs(at_nyquist / (1.0 + at_nyquist)),
        noise=_noise(even_loop),
    )


def open_loop(taps: Real, kp: float, ki: float, theta: Real) -> Complex:
    """L at ``theta`` (C or 1, points), radians per window, above 0 up to pi: (C, points)."""
    z = np.exp(1j * theta)
    back = 1.0 / z
    plant = np.zeros(np.broadcast_shapes((len(taps), 1), theta.shape), dtype=np.complex128)
    for i in reversed(range(taps.shape[1])):
        plant = plant * back + taps[:, i : i + 1]
    return np.asarray((kp + ki * z / (z - 1.0)) * back * plant, dtype=np.complex128)


def nyquist_loop(taps: Real, kp: float, ki: float) -> Real:
    """L(-1) in closed form, (C,)."""
    signs = np.where(np.arange(taps.shape[1]) % 2, -1.0, 1.0)
    return np.asarray(-(kp + ki / 2.0) * (taps @ signs), dtype=np.float64)


def peak_sensitivity(taps: Real, kp: float, ki: float) -> Real:
    """Ms alone, (C,)."""
    return _peak(_curve(taps, kp, ki))


@dataclass(frozen=True, slots=True)
class _NyquistCurve:
    """Nyquist curves: ``loop`` (C, points) at ``theta`` (points,), and L(-1)."""

    taps: Real
    kp: float
    ki: float
    theta: Real
    loop: Complex
    at_nyquist: Real

    def at(self, row: NDArray[np.intp], theta: Real) -> Complex:
        """L of plant ``row[i]`` at ``theta[i]``."""
        return open_loop(self.taps[row], self.kp, self.ki, theta[:, None])[:, 0]

    def crossing(
        self, side: NDArray[np.bool_], which: Callable[[Complex], NDArray[np.bool_]]
    ) -> tuple[NDArray[np.intp], Complex]:
        """Rows, and L there, where ``side = which(loop)`` changes along theta; by halving."""
        row, col = np.nonzero(side[:, 1:] != side[:, :-1])
        low, high = self.theta[col], self.theta[col + 1]
        began = side[row, col]
        for _ in range(_BISECTIONS):
            middle = (low + high) / 2.0
            same = which(self.at(row, middle)) == began
            low, high = np.where(same, middle, low), np.where(same, high, middle)
        return row, self.at(row, low)


def _curve(taps: Real, kp: float, ki: float) -> _NyquistCurve:
    theta = _grid(taps, kp, ki)
    loop = open_loop(taps, kp, ki, theta[None, :])
    return _NyquistCurve(taps, kp, ki, theta, loop, nyquist_loop(taps, kp, ki))


def _grid(taps: Real, kp: float, ki: float) -> Real:
    """Frequencies from well below the least crossover up to pi: even above, geometric below."""
    gain = np.abs(taps.sum(axis=1))
    least = max(min(0.05, 0.1 * float(gain.min()) * abs(ki)), 1e-9)
    low = np.geomspace(least, 0.05, _POINTS // 4, endpoint=False) if least < 0.05 else np.zeros(0)
    return np.concatenate([low, np.linspace(0.05, math.pi, _POINTS)])


def _gain_margin(curve: _NyquistCurve) -> Real:
    """1 over the greatest -L where L is real and negative: where Im L changes sign, and at
    z = -1 in closed form."""

    def above(loop: Complex) -> NDArray[np.bool_]:
        return loop.imag > 0

    side = above(curve.loop)
    side[:, -1] = side[:, -2]  # Im L(-1) is zero but for rounding
    row, loop = curve.crossing(side, above)
    reach = np.maximum(-curve.at_nyquist, 0.0)
    np.maximum.at(reach, row, -loop.real)
    with np.errstate(divide="ignore"):
        return np.asarray(1.0 / reach, dtype=np.float64)


def _phase_margin(curve: _NyquistCurve) -> Real:
    """Least angle between L and -1 where |L| crosses 1, degrees."""

    def outside(loop: Complex) -> NDArray[np.bool_]:
        return np.abs(loop) > 1.0

    row, loop = curve.crossing(outside(curve.loop), outside)
    least = np.full(len(curve.taps), np.inf)
    np.minimum.at(least, row, np.abs(np.degrees(np.angle(-loop))))
    return least


def _peak(curve: _NyquistCurve) -> Real:
    """Greatest |1/(1 + L)|: the best of the grid, then three closer looks around it, and z = -1
    in closed form."""
    theta = curve.theta
    rows = np.arange(len(curve.taps))
    with np.errstate(divide="ignore"):
        best = 1.0 / np.abs(1.0 + curve.at_nyquist)
        size = 1.0 / np.abs(1.0 + curve.loop)
        at = size.argmax(axis=1)
        best = np.maximum(best, size[rows, at])
        low = theta[np.maximum(at - 1, 0)]
        high = theta[np.minimum(at + 1, len(theta) - 1)]
        for _ in range(3):
            near = np.linspace(low, high, 17, axis=1)
            size = 1.0 / np.abs(1.0 + open_loop(curve.taps, curve.kp, curve.ki, near))
            at = size.argmax(axis=1)
            best = np.maximum(best, size[rows, at])
            low, high = near[rows, np.maximum(at - 1, 0)], near[rows, np.minimum(at + 1, 16)]
    return np.asarray(best, dtype=np.float64)


def _noise(loop: Complex) -> Real:
    """Root of the mean of |T|^2 over the even grid (0, pi]: the sum of the impulse response's
    squares, exact but for what the response still holds after twice as many windows as points."""
    square = np.abs(loop / (1.0 + loop)) ** 2
    # T(1) = 1 by integral action; the two ends count half.
    total = square.sum(axis=1) - 0.5 * square[:, -1] + 0.5
    return np.asarray(np.sqrt(total / loop.shape[1]), dtype=np.float64)
