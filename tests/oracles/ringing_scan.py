"""Boards of one load by their resonance, each simulated by itself: the oracle of the corners.

Kirchhoff's laws in volts and amperes, stepped with scipy's matrix exponential from sample to
sample; the reading is the true rectified mean (or root of the mean square) of steady sine plus a
small change of scale, so nothing is projected and no modes are taken. The loop is closed over the
response to that change, and its margins are read off a fine Nyquist curve. Slow and plain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import expm

WINDOWS = 64
"""Windows for which a change of scale is followed."""
STEP = 1e-6
"""Change of scale, of the steady one."""
POINTS = 1000
"""Points of the Nyquist curve."""


@dataclass(frozen=True)
class Load:
    """Siemens across the output; or, if ``henry`` is above 0, that in series with ``ohm``."""

    siemens: float = 0.0
    ohm: float = 0.0
    henry: float = 0.0


@dataclass(frozen=True)
class Boards:
    """F filters of one load, read in windows of ``samples`` at every ``period_s``."""

    henry: np.ndarray
    farad: np.ndarray
    ohm: float
    load: Load
    hertz: float
    samples: int
    period_s: float
    delay_s: float
    measure: str


def responses(boards: Boards, phases: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Weights (F, P, WINDOWS) with which a change of scale shows in the windows after it, and the
    steady reading (F, P) of a full scale, RMS volts per volt of the bridge's RMS, at ``phases``
    (P,) of the bridge's sine when the scale changes. The delay is below a loop period."""
    assert boards.delay_s < boards.period_s
    count, w = len(boards.henry), 2 * math.pi * boards.hertz
    a = np.zeros((count, 3, 3))
    a[:, 0, 0], a[:, 0, 1] = -boards.ohm / boards.henry, -1 / boards.henry
    a[:, 1, 0], a[:, 1, 1] = 1 / boards.farad, -boards.load.siemens / boards.farad
    if boards.load.henry > 0:
        a[:, 1, 2] = -1 / boards.farad
        a[:, 2, 1] = 1 / boards.load.henry
        a[:, 2, 2] = -boards.load.ohm / boards.load.henry
    force = np.zeros((count, 3))
    force[:, 0] = 1 / boards.henry
    # Steady state under exp(jwt); the transient after a step of scale starts at minus that.
    steady = np.linalg.solve(1j * w * np.eye(3) - a, force[..., None])[..., 0]
    turn = np.exp(1j * phases)
    start = (steady[:, :, None] * turn).imag
    each = np.stack([expm(matrix * boards.period_s) for matrix in a])
    state = np.stack([expm(m * (boards.period_s - boards.delay_s)) for m in a]) @ -start
    true = boards.measure == "rms"
    factor = 1.0 if true else math.pi / (2 * math.sqrt(2))
    shown = np.zeros((count, len(phases), WINDOWS))
    rest = np.zeros((count, len(phases), WINDOWS))
    for k in range(WINDOWS):
        for j in range(boards.samples):
            at = (k * boards.samples + j + 1) * boards.period_s - boards.delay_s
            sine = (steady[:, 1, None] * turn * np.exp(1j * w * at)).imag
            moved = sine + STEP * (sine + state[:, 1])
            rest[:, :, k] += np.square(sine) if true else np.abs(sine)
            shown[:, :, k] += np.square(moved) if true else np.abs(moved)
            state = each @ state
    rest, shown = rest / boards.samples, shown / boards.samples
    if true:
        rest, shown = np.sqrt(rest), np.sqrt(shown)
    change = (shown - rest) / rest / STEP
    reading = factor * rest[:, :, 0] * math.sqrt(2)
    return np.diff(change, axis=2, prepend=0.0), reading


@dataclass(frozen=True)
class Worst:
    """The worst over all rows, each with its row: least gain margin (dB) and phase margin
    (degrees), greatest Ms, latest settled window and greatest overshoot (share)."""

    gain_db: tuple[float, int]
    phase_deg: tuple[float, int]
    peak: tuple[float, int]
    settled: tuple[float, int]
    overshoot: tuple[float, int]


def closed_loop(taps: np.ndarray, kp: float, ki: float, band: float = 0.02) -> Worst:
    """Figures of u[k+1] = I + Kp e, I += Ki e around each row of ``taps`` (C, n)."""
    theta = np.linspace(0.0, math.pi, POINTS + 1)[1:]
    z = np.exp(1j * theta)
    delays = np.exp(-1j * np.outer(np.arange(taps.shape[1]), theta))
    loop = (taps @ delays) * ((kp + ki * z / (z - 1)) / z)
    sign = loop.imag[:, :-2] * loop.imag[:, 1:-1] < 0
    share = loop.imag[:, :-2] / (loop.imag[:, :-2] - loop.imag[:, 1:-1] + 1e-300)
    real = loop.real[:, :-2] + share * (loop.real[:, 1:-1] - loop.real[:, :-2])
    reach = np.maximum(np.where(sign, -real, 0.0).max(axis=1), -loop.real[:, -1])
    size = np.abs(loop)
    crossing = (size[:, :-1] > 1) != (size[:, 1:] > 1)
    angle = np.where(crossing, np.abs(np.degrees(np.angle(-loop[:, :-1]))), np.inf)
    peak = (1 / np.abs(1 + loop)).max(axis=1)
    latest, over = _step(taps, kp, ki, band)
    columns = (
        (-20 * np.log10(reach), np.argmin),
        (angle.min(axis=1), np.argmin),
        (peak, np.argmax),
        (latest, np.argmax),
        (over, np.argmax),
    )
    rows = [int(pick(column)) for column, pick in columns]
    return Worst(*((float(c[0][r]), r) for c, r in zip(columns, rows, strict=True)))


def _step(taps: np.ndarray, kp: float, ki: float, band: float) -> tuple[np.ndarray, np.ndarray]:
    windows = 160
    scales = np.zeros((windows, len(taps)))
    integral, error = np.zeros(len(taps)), np.ones(len(taps))
    latest, top = np.ones(len(taps), dtype=int), np.zeros(len(taps))
    for k in range(windows):
        integral = integral + ki * error
        scales[k] = integral + kp * error
        n = min(k + 1, taps.shape[1])
        reading = np.einsum("kc,ck->c", scales[k::-1][:n], taps[:, :n])
        error = 1 - reading
        latest[np.abs(error) > band] = k + 2
        top = np.maximum(top, reading - 1)
    return latest, top
