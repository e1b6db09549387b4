"""Sensitivity of a periodic loop: Ms of its average over the mains phase, and its true norm.

The averaged loop has, for each count of updates since a change of scale, the mean response over
every phase at which the change may have come. It is time-invariant, so that it has a Nyquist
curve and an Ms; but modulation that comes back at another frequency (v as v +- 2f) is not in it.
The lifted norm is: the greatest ratio, in root mean square, of the error to any disturbance of the
readings, the P updates of one period taken as one vector (the H-infinity norm of the lifted loop).
"""

from __future__ import annotations

import numpy as np

from halfcycle.loop.block_response import BlockResponse
from halfcycle.loop.filter_model import Complex, Real
from halfcycle.loop.frequency_response import peak_sensitivity
from halfcycle.loop.periodic import PeriodicLoop

TAIL = 1e-6
"""Averaged responses end once every mode has decayed to this."""
MAX_TAPS = 2048
_ANGLES, _NEAR = 24, 4
"""Angles at which every lifted norm is looked at, and multipliers, the greatest, around whose
angles it is looked at too."""
_AROUND = np.array([-3.0, -1.0, -0.3, 0.0, 0.3, 1.0, 3.0])
"""Half widths off each multiplier's angle at which the norm is looked at."""
_ROUNDS, _POINTS = 3, 7


def averaged_taps(loop: PeriodicLoop) -> Real:
    """Averaged responses (C, A, n) of the reading, per unit of gain, to the scales so many updates
    ago: ``y[k + 1] = sum_i taps_i u[k - i]``. A is 1, the mean over all offsets; but if one
    update makes a period, each offset is a loop of its own and nothing is averaged."""
    response, grid = loop.response, loop.grid
    window = grid.window
    blocks = _averaged_blocks(response)
    weights = np.array(window.block_weights, dtype=float) / sum(window.block_weights)
    fresh = window.blocks - loop.ring
    steps = window.blocks // fresh
    taps = np.zeros((*blocks.shape[:2], blocks.shape[2] + response.ago + steps - 1))
    for k in range(steps):
        first = response.ago + k
        taps[..., first : first + blocks.shape[2]] += blocks @ weights[k * fresh : (k + 1) * fresh]
    taps *= grid.scale.mean(axis=1)[None, :, None]
    return taps if grid.updates == 1 else taps.mean(axis=1, keepdims=True)


def _averaged_blocks(r: BlockResponse) -> Real:
    """Mean over the updates of a period of the newest block sums' responses (C, O, i, b), i updates
    after the one from which on a scale of 1 is in effect for one update."""
    updates = r.grid.updates
    sign = -1.0 if r.grid.turned else 1.0

    def later(values: Real, by: int) -> Real:
        """``values`` (C, O, q, ...), odd in the sine, so many updates later."""
        turns, index = divmod(np.arange(updates) + by, updates)
        factor = (sign**turns).reshape(-1, *([1] * (values.ndim - 3)))
        return np.asarray(values[:, :, index] * factor, dtype=np.float64)

    first = r.sum_new.mean(axis=2)
    second = np.einsum("coqbs,coqs->cob", later(r.sum_state, 1), r.state_new) / updates
    injected = np.einsum("cst,coqt->coqs", r.state, r.state_new)
    if r.split:
        second = second + r.sum_old.mean(axis=2)
        injected = injected + later(r.state_old, 1)
    # Mean of what is seen, i updates on, times what was put in; it comes again after a period.
    seen = [
        np.einsum("coqbs,coqt->cobst", later(r.sum_state, i), injected, optimize=True) / updates
        for i in range(2, 2 + updates)
    ]
    power = np.zeros_like(r.state) + np.eye(3)
    decay = np.abs(np.linalg.eigvals(r.state)).max()
    count = min(int(np.ceil(np.log(TAIL) / np.log(min(max(decay, 1e-9), 0.9999)))), MAX_TAPS)
    out = [first, second]
    for i in range(count):
        turns, index = divmod(i, updates)
        out.append(sign**turns * np.einsum("cobst,cst->cob", seen[index], power, optimize=True))
        power = power @ r.state
    return np.stack(out, axis=2)


def averaged_peak(loop: PeriodicLoop, kp: float, ki: float, gains: Real) -> Real:
    """Ms (C,) of the averaged loop with constants ``kp`` and ``ki`` per update; the worst over
    ``gains`` (C, G)."""
    taps = averaged_taps(loop)
    rows = gains[:, :, None, None] * taps[:, None]
    peak = peak_sensitivity(rows.reshape(-1, taps.shape[-1]), kp, ki)
    return np.asarray(peak.reshape(len(taps), -1).max(axis=1), dtype=np.float64)


def lifted_norm(loop: PeriodicLoop, kp: float, ki: float, gains: Real) -> Real:
    """Norm (C,) of the lifted sensitivity at gain ``gains`` (C,), the worst over the offsets;
    ``inf`` if the loop is not stable."""
    b, c, d, a = lifted_loop(loop, kp, ki, gains)
    multipliers = np.linalg.eigvals(a)
    stable = np.abs(multipliers).max(axis=-1) < 1.0
    order = np.argsort(-np.abs(multipliers), axis=-1)[..., :_NEAR]
    greatest = np.take_along_axis(multipliers, order, axis=-1)
    width = np.maximum(1.0 - np.abs(greatest), 1e-6)[..., None] * _AROUND
    angle = np.abs(np.angle(greatest))[..., None] + width
    common = np.broadcast_to(np.linspace(0.0, np.pi, _ANGLES), (*a.shape[:2], _ANGLES))
    angles = np.concatenate([common, angle.reshape(*a.shape[:2], -1)], axis=-1)
    angles = np.sort(np.clip(angles, 0.0, np.pi), axis=-1)
    best = np.zeros(a.shape[:2])
    for _ in range(_ROUNDS):
        size = _norms(a, b, c, d, angles)
        at = size.argmax(axis=-1)[..., None]
        best = np.maximum(best, size.max(axis=-1))
        low = np.take_along_axis(angles, np.maximum(at - 1, 0), axis=-1)[..., 0]
        high = np.take_along_axis(angles, np.minimum(at + 1, angles.shape[-1] - 1), -1)[..., 0]
        angles = np.linspace(low, high, _POINTS, axis=-1)
    return np.asarray(np.where(stable, best, np.inf).max(axis=1), dtype=np.float64)


def lifted_loop(
    loop: PeriodicLoop, kp: float, ki: float, gains: Real
) -> tuple[Real, Real, Real, Real]:
    """B (C, O, s, q), C (C, O, q, s), D (C, O, q, q) and A (C, O, s, s) from disturbances of the
    readings in a period to the disturbed readings."""
    step, reading = loop.open_steps()
    reading = reading * gains[:, None, None, None]
    row, size = loop.integral, loop.size
    offsets, updates = loop.grid.start.shape
    shape = (loop.circuits, offsets)
    # The state and the readings as rows over the state at first and the disturbances since.
    state = np.zeros((*shape, size, size + updates))
    state[..., :size] = np.eye(size)
    seen = np.zeros((*shape, updates, size + updates))
    for k in range(updates):
        seen[:, :, k] = (reading[:, :, k, None, :] @ state)[:, :, 0]
        seen[:, :, k, size + k] += 1.0
        state = step[:, :, k] @ state
        state[:, :, row] -= ki * seen[:, :, k]
        state[:, :, row + 1] = state[:, :, row] - kp * seen[:, :, k]
    if loop.grid.turned:
        state[:, :, : loop.response.order] *= -1.0
    return state[..., size:], seen[..., :size], seen[..., size:], state[..., :size]


def _norms(a: Real, b: Real, c: Real, d: Real, angles: Real) -> Real:
    """Greatest singular values (C, O, T) of D + C (zI - A)^-1 B at z = exp(j angle)."""
    out = np.empty(angles.shape)
    eye = np.eye(a.shape[-1])
    for k in range(angles.shape[-1]):
        z = np.exp(1j * angles[..., k])[..., None, None]
        inside: Complex = np.linalg.solve(z * eye - a, b.astype(complex))
        out[..., k] = np.linalg.norm(d + c @ inside, ord=2, axis=(-2, -1))
    return out
