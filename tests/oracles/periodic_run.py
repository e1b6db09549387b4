"""A moving or weighted window's loop run sample by sample, with the true readings, far from any
small-signal algebra: scipy's matrix exponential steps the circuit, the window is a list of samples,
the reading a root or a sum of sizes.

Two runs that differ by a little at the start tell how fast the loop grows or dies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import expm


@dataclass(frozen=True)
class Unit:
    """Circuit in henry, farad, ohm; ``load_ohm`` across the output, in series with ``load_h`` if
    that is above 0; None: no load. ``gain``: rated per unit of scale."""

    henry: float
    farad: float
    ohm: float
    load_ohm: float | None = None
    load_h: float = 0.0
    gain: float = 1.0


@dataclass(frozen=True)
class Measuring:
    """``weights``: of each sample, the newest first. An update comes every ``every`` samples, and
    its scale ``latency`` seconds after its newest sample."""

    hertz: float
    period: float
    weights: tuple
    every: int
    latency: float
    measure: str


def matrices(unit: Unit):
    """x' = A x + b v_bridge for states inductor current, output voltage, load current."""
    a = np.zeros((3, 3))
    a[0] = [-unit.ohm / unit.henry, -1 / unit.henry, 0]
    a[1] = [1 / unit.farad, 0, 0]
    if unit.load_h > 0:
        a[1, 2] = -1 / unit.farad
        a[2] = [0, 1 / unit.load_h, -unit.load_ohm / unit.load_h]
    else:
        a[1, 1] = 0 if unit.load_ohm is None else -1 / (unit.load_ohm * unit.farad)
        a[2, 2] = -1e4
    return a, np.array([1 / unit.henry, 0, 0])


def drives(  # noqa: PLR0917 (the loop, then the run)
    unit: Unit, m: Measuring, kp, ki, updates: int, phase: float, kicks
):
    """Scales (runs, updates) of the closed loop from the steady state at rated, each run kicked by
    one of ``kicks``. ``phase``: of the bridge's sine at the first update, radians."""
    a, b = matrices(unit)
    angular = 2 * math.pi * m.hertz
    # The sine and its cosine are two more states, so that a step of any length is exact.
    whole = np.zeros((5, 5))
    whole[:3, :3] = a
    whole[:3, 3] = b
    whole[3, 4], whole[4, 3] = angular, -angular
    transfer = np.linalg.solve(1j * angular * np.eye(3) - a, b)
    size = abs(transfer[1])
    kicks = np.asarray(kicks, dtype=float)
    scale = 1.0 / unit.gain
    steady = (transfer * np.exp(1j * phase)).imag * scale
    runs = len(kicks)
    states = np.repeat(steady[:, None], runs, axis=1)
    weights = np.array(m.weights, dtype=float) / sum(m.weights)
    length = len(weights)
    before = np.exp(1j * (phase - angular * m.period * np.arange(length)))
    samples = [np.full(runs, v) for v in (transfer[1] * before).imag * scale]
    integral = scale + kicks
    held = np.full(runs, scale)
    # (when, scale) of every change to come.
    pending = [(m.latency, integral.copy())]
    seen = []
    now = 0.0
    propagators = {}

    def step(states, held, start, stop):
        tau = round(stop - start, 12)
        if tau <= 0:
            return states
        if tau not in propagators:
            propagators[tau] = expm(whole * tau)
        e = propagators[tau]
        turned = phase + angular * start
        driven = e[:3, 3] * math.sin(turned) + e[:3, 4] * math.cos(turned)
        return e[:3, :3] @ states + driven[:, None] * held

    def reading():
        last = np.array(samples[:length]) / size * unit.gain
        if m.measure == "rms":
            return np.sqrt(2 * weights @ last**2)
        return math.pi / 2 * (weights @ np.abs(last))

    for count in range(1, updates * m.every + 1):
        then = count * m.period
        while pending and pending[0][0] <= then + 1e-12:
            at, new = pending.pop(0)
            states = step(states, held, now, at)
            now, held = max(now, at), new
        states = step(states, held, now, then)
        now = then
        samples.insert(0, states[1].copy())
        del samples[length:]
        if count % m.every == 0:
            error = 1.0 - reading()
            integral = integral + ki * error
            u = integral + kp * error
            seen.append(u)
            pending.append((then + m.latency, u))
    return np.array(seen).T


def growth(  # noqa: PLR0917 (the loop, then the run)
    unit: Unit, m: Measuring, kp, ki, updates: int, phase: float = 0.3, kick=1e-7
):
    """Factor per update by which a small difference between two runs grows, from the second half of
    the run."""
    still, moved = drives(unit, m, kp, ki, updates, phase, (0.0, kick))
    apart = np.abs(moved - still)
    span = max(1, updates // 4)
    early = np.sqrt(np.mean(apart[updates // 2 - span : updates // 2] ** 2))
    late = np.sqrt(np.mean(apart[-span:] ** 2))
    return (late / early) ** (1.0 / (updates - updates // 2))
