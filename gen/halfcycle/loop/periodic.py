"""The closed loop over one period of updates and sine: its matrix, and whether it is stable.

Within a half cycle the weights meet a sine whose amplitude is changing, so the loop with a moving
or a weighted window is periodic in the mains phase, and the margins of its average are unsafe. With
P updates in so many half cycles the state returns to the same place of the sine after P updates,
with the filter's states turned in sign if the half cycles are odd. The product of the P closed-loop
steps is the monodromy matrix; its eigenvalues are the Floquet multipliers, and the loop is stable
if and only if all of them are smaller than 1 (Floquet's theorem, discrete time).

State right after an update, in this order: the filter's 2 or 3 states (changes from the steady
sine); the changes of the block sums that later windows still hold, the newest first; the integral;
the scale just computed and those before it that are yet to take effect or still in effect. One
step is

    e = -g y,   integral += Ki e,   u = integral + Kp e

with y from ``block_response``. Nothing is sampled in frequency or fitted.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from halfcycle.loop.block_response import (
    BlockResponse,
    UpdateGrid,
    block_response,
    update_grid,
)
from halfcycle.loop.filter_model import Complex, FilterCircuit, Real

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

_CHUNK_BYTES = 24_000_000
"""Matrices are made and multiplied so many bytes at a time, to stay in the processor's cache."""
_SQUARINGS = 7
"""Squarings of a matrix for a bound of its radius; a period's radius is then right to some percent,
and the radius per update to much less."""
_TINY, _ROUNDING = 1e-280, 1e-9
"""Norm of a matrix that counts as 0, and share by which a bound is raised for rounding."""


@dataclass(frozen=True, slots=True)
class PeriodicLoop:
    """C circuits with one window and one latency, without the constants of the loop.

    ``response``: the circuits from update to update.
    """

    response: BlockResponse

    @property
    def grid(self) -> UpdateGrid:
        """Offsets and updates of one period."""
        return self.response.grid

    @property
    def circuits(self) -> int:
        """How many circuits there are."""
        return len(self.response.state)

    @property
    def ring(self) -> int:
        """Block sums that later windows still hold: 0 and up."""
        window = self.grid.window
        return window.blocks - window.blocks // window.updates

    @property
    def integral(self) -> int:
        """Index of the integral in the state; the scale just computed is the next one."""
        return self.response.order + self.ring

    @property
    def size(self) -> int:
        """Length of the state vector."""
        return self.integral + 2 + self.response.ago + int(self.response.split)

    def rows(self, rows: NDArray[np.intp] | slice) -> PeriodicLoop:
        """The loops of some of the circuits."""
        return PeriodicLoop(self.response.rows(rows))

    def open_steps(self) -> tuple[Real, Real]:
        """The step's matrix (C, O, q, s, s) with the integral and the scale held, and the reading
        at its end (C, O, q, s), per unit of gain."""
        r, n, size = self.response, self.response.order, self.size
        window = self.grid.window
        fresh, ring = window.blocks - self.ring, self.ring
        new = self.integral + 1 + r.ago
        shape = r.state_old.shape[:3]
        # The newest sums, as rows over the state before the step.
        sums = np.zeros((*shape, fresh, size))
        sums[..., :n] = r.sum_state[..., :n]
        step = np.zeros((*shape, size, size))
        step[..., :n, :n] = r.state[:, None, None, :n, :n]
        # Without a split only the new scale acts, and there is no column for the old one.
        for column, state, total in (
            (new, r.state_new, r.sum_new),
            (new + int(r.split), r.state_old, r.sum_old),
        ):
            if column == new and state is r.state_old:
                break
            sums[..., column] = total
            step[..., :n, column] = state[..., :n]
        weights = np.array(window.block_weights, dtype=float)
        weights /= weights.sum()
        reading = np.einsum("b,coqbs->coqs", weights[:fresh], sums)
        reading[..., n : n + ring] += weights[fresh:]
        reading *= self.grid.scale[..., None]
        kept = min(fresh, ring)
        step[..., n : n + kept, :] = sums[..., :kept, :]
        for k in range(kept, ring):
            step[..., n + k, n + k - kept] = 1.0
        step[..., self.integral, self.integral] = 1.0
        step[..., self.integral + 1, self.integral] = 1.0
        for k in range(self.integral + 2, size):
            step[..., k, k - 1] = 1.0
        return step, reading

    def monodromy(self, kp: ArrayLike, ki: ArrayLike) -> Real | Complex:
        """The matrices (..., C, O, s, s) of one period with the loop's constants ``kp`` and ``ki``,
        which include the plant's gain and broadcast to (..., C); complex ones turn the loop's
        phase."""
        p, i = np.broadcast_arrays(np.asarray(kp), np.asarray(ki), np.empty(self.circuits))[:2]
        step, reading = self.open_steps()
        n, ring, size, row = self.response.order, self.ring, self.size, self.integral
        shape = (*p.shape, len(self.grid.start))
        product = np.zeros((*shape, size, size), dtype=np.result_type(p, i, float))
        product[..., range(size), range(size)] = 1.0
        following = np.empty_like(product)
        # A step computes few rows anew, from few columns; all others move down by some rows.
        anew = n + min(self.grid.window.blocks - ring, ring)
        columns = [*range(n), row + 1 + self.response.ago]
        if self.response.split:
            columns.append(columns[-1] + 1)
        for k in range(self.grid.updates):
            chosen = product[..., columns, :]
            following[..., :anew, :] = step[..., k, :anew, :][..., columns] @ chosen
            following[..., anew : n + ring, :] = product[..., n : n + ring + n - anew, :]
            read = (reading[..., k, None, :] @ product)[..., 0, :]
            following[..., row, :] = product[..., row, :] - i[..., None, None] * read
            following[..., row + 1, :] = following[..., row, :] - p[..., None, None] * read
            following[..., row + 2 :, :] = product[..., row + 1 : -1, :]
            product, following = following, product
        if self.grid.turned:
            product[..., :n, :] *= -1.0
        return product


def periodic_loop(
    spec: Spec,
    window: Window,
    circuits: Sequence[FilterCircuit],
    late_s: Fraction = Fraction(0),
    grid: UpdateGrid | None = None,
) -> PeriodicLoop:
    """The loop of each circuit if a scale takes effect ``late_s`` after the last sample.

    Raises ``ValueError`` as :func:`update_grid`.
    """
    grid = grid or update_grid(window, spec.loop.measure)
    latency = late_s + spec.sensor.delay_us / 1_000_000
    return PeriodicLoop(block_response(circuits, grid, latency))


def spectral_radius_of(loop: PeriodicLoop, kp: ArrayLike, ki: ArrayLike) -> Real:
    """Greatest size (..., C) of a Floquet multiplier over all offsets, *per update*: below 1 the
    loop is stable. ``kp`` and ``ki`` as :meth:`PeriodicLoop.monodromy` has them."""
    radii = offset_radii(loop, kp, ki).max(axis=-1)
    return np.asarray(radii ** (1.0 / loop.grid.updates), dtype=np.float64)


def offset_radii(loop: PeriodicLoop, kp: ArrayLike, ki: ArrayLike) -> Real:
    """Greatest size (..., C, O) of a Floquet multiplier, per period, at each offset."""
    radii = [np.abs(np.linalg.eigvals(product)).max(axis=-1) for product in _products(loop, kp, ki)]
    return np.concatenate(radii, axis=-2)


def greatest_radii(loop: PeriodicLoop, kp: ArrayLike, ki: ArrayLike, count: int) -> Real:
    """As :func:`spectral_radius_of` (C,), the worst over all but the last axis of ``kp`` and
    ``ki``, exact for the ``count`` greatest; the others are bounds from above that lie no higher
    than these."""
    radii: list[float] = []
    exact: list[float] = []
    for product in _products(loop, kp, ki):
        size = product.shape[-1]
        matrices = np.moveaxis(product, -4, 0).reshape(product.shape[-4], -1, size, size)
        bounds = radius_bounds(matrices)
        upper = bounds.max(axis=1)
        for row in np.argsort(-upper, kind="stable"):
            least = exact[-1] if len(exact) == count else -1.0
            if upper[row] > least:
                looked = bounds[row] > least
                found = float(np.abs(np.linalg.eigvals(matrices[row][looked])).max())
                upper[row] = max(found, bounds[row][~looked].max(initial=0.0))
                exact = sorted([*exact, float(upper[row])], reverse=True)[:count]
        radii += upper.tolist()
    return np.asarray(np.array(radii) ** (1.0 / loop.grid.updates), dtype=np.float64)


def radii_from(least: float, loop: PeriodicLoop, kp: ArrayLike, ki: ArrayLike) -> Real:
    """As :func:`spectral_radius_of`, exact for circuits that may have ``least`` and more (1: may
    not be stable); of those that surely have less, bounds from above, below it."""
    if least <= 0.0:
        return spectral_radius_of(loop, kp, ki)
    radii = []
    for product in _products(loop, kp, ki):
        limit = least**loop.grid.updates
        bounds = radius_bounds(product, limit)
        high = bounds >= limit
        if high.any():
            bounds[high] = np.abs(np.linalg.eigvals(product[high])).max(axis=-1)
        radii.append(bounds.max(axis=-1))
    return np.asarray(np.concatenate(radii, axis=-1) ** (1.0 / loop.grid.updates))


def radius_bounds(matrices: Real | Complex, enough: float = 0.0) -> Real:
    """Bounds (...) from above of the spectral radii of ``matrices`` (..., s, s): the root of a
    power's norm (Gelfand). No higher powers are taken once all are below ``enough``."""
    size = _norms(matrices)
    power, logs = matrices / size, np.log(size[..., 0, 0])
    for squarings in range(1, _SQUARINGS + 1):
        power = power @ power
        size = _norms(power)
        power /= size
        logs = 2.0 * logs + np.log(size[..., 0, 0])
        bounds = np.exp(logs / 2.0**squarings) * (1.0 + _ROUNDING)
        if bounds.max() < enough:
            break
    return np.asarray(bounds)


def _norms(matrices: Real | Complex) -> Real:
    size = np.sqrt((np.abs(matrices) ** 2).sum(axis=(-2, -1), keepdims=True))
    return np.asarray(np.maximum(size, _TINY))


def _products(loop: PeriodicLoop, kp: ArrayLike, ki: ArrayLike) -> Iterator[Real | Complex]:
    """Monodromy matrices (..., c, O, s, s) of some circuits after the others."""
    p, i = np.broadcast_arrays(np.asarray(kp), np.asarray(ki), np.empty(loop.circuits))[:2]
    products = 3 * int(np.prod(p.shape[:-1])) * len(loop.grid.start)
    one = loop.size**2 * (
        products * np.result_type(p, i, float).itemsize + 8 * loop.grid.start.size
    )
    at_once = max(1, _CHUNK_BYTES // one)
    for first in range(0, loop.circuits, at_once):
        part = slice(first, first + at_once)
        yield loop.rows(part).monodromy(p[..., part], i[..., part])
