"""What the circuit does from one update to the next, exactly, at every phase of the sine.

The bridge gives ``u(t) sin(wt)`` with u held between changes. While u is d, the state is d times
the steady sine's state S(t) plus a rest that decays freely:
``x(t) = d S(t) + exp(At) (x(0) - d S(0))``. A change of u leaves x as it is. So one matrix
exponential per time gives the state and the sensed output at every sample, for any d.

About the steady sine the window's reading is linear in the output's change dv:

    mean: y = (pi/2) sum w sign(v0) dv,    rms: y = sqrt(2) sum w v0 dv / sqrt(sum w v0^2)

per unit of rated and of the plant's gain, with v0 = sin of unit peak and weights w of sum 1. The
changes of the blocks' sums are kept apart, as each of them counts in several windows.

A scale that is computed at an update takes effect ``latency`` later: the sensor's delay and the
update's own lateness, which act alike once time is counted as the sensor sees it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from halfcycle.loop.envelope import Measure
from halfcycle.loop.filter_model import FilterCircuit, Real, state_matrices
from halfcycle.windows.sample_weights import sample_weights
from halfcycle.windows.search import Window

MAX_PERIOD = 128
"""Most updates in a period that is followed exactly; beyond it the nearest fraction is taken."""
MAX_SLIP = Fraction(1, 720)
"""A shorter period is taken if the sine slips by no more than this share of a half cycle in it, a
quarter of a degree: less than any step between the offsets that are looked at."""
MIN_OFFSETS = 24
"""Offsets looked at if one update makes a period, and phases if P do. What an offset changes has to
go through all P updates of a period to come back..."""
FEW_UPDATES = 5
"""...so that from this many on it changes a radius by less than 1e-5, and one offset does."""
MAX_POINTS = 64
"""If samples fall on no more points of the half cycle than this, a mean is looked at where a sample
meets a zero crossing, from both sides; of more samples a single sign hardly matters."""
_GONE = 50.0
"""Time constants per update of a state that is not there."""
_EDGE = 1e-9
"""Half cycles by which a sample is moved off a zero crossing, to either side."""


@dataclass(frozen=True, slots=True)
class UpdateGrid:
    """Where updates and samples fall on the sine, over one period of ``updates`` updates.

    After ``updates`` of them the sine has gone on by ``half_cycles`` half cycles and the same
    comes again, with its sign turned if that count is odd. ``start`` (O, q): phase of the sensed
    sine at each update, radians; ``sine`` and ``projection`` (O, q, n): v0, and what the change of
    the output is multiplied with, at the n samples that follow; ``scale`` (O, q): from the weighted
    sum of the window that ends there to the reading. ``slip_deg``: by how much a phase can differ
    from the one stated, as the period is not exact; 0 if it is.
    """

    window: Window
    measure: Measure
    updates: int
    half_cycles: int
    start: Real
    sine: Real
    projection: Real
    scale: Real
    slip_deg: float

    @property
    def offsets(self) -> int:
        """How many offsets of the grid are looked at."""
        return len(self.start)

    def some(self, offsets: int) -> UpdateGrid:
        """The same at so many of its offsets at most, evenly chosen."""
        if self.offsets <= offsets:
            return self
        rows = np.arange(offsets) * self.offsets // offsets
        return replace(
            self,
            start=self.start[rows],
            sine=self.sine[rows],
            projection=self.projection[rows],
            scale=self.scale[rows],
        )

    @property
    def turned(self) -> bool:
        """Whether the sine's sign has turned after one period."""
        return self.half_cycles % 2 == 1


def update_grid(window: Window, measure: Measure, finer: int = 1) -> UpdateGrid:
    """The grid of ``window`` at all offsets that matter; ``finer`` times as many of them.

    Only offsets modulo the step of the grid matter. Between two at which a sample meets a zero
    crossing everything is smooth in the offset. Raises ``ValueError`` if all samples fall on the
    same point of the half cycle.
    """
    per_sample = window.half_cycles_per_sample
    if per_sample.denominator == 1:
        raise ValueError("all samples fall on the same point of the half cycle")
    step = per_sample * window.update_samples
    half_cycles, updates = _period(step)
    first, side = _offsets(per_sample, updates, measure, finer)
    start = first[:, None] + np.arange(updates) * (half_cycles / updates) % 2.0
    ahead = float(per_sample) * np.arange(1, window.update_samples + 1)
    at = start[..., None] + ahead
    sine: Real = np.sin(math.pi * at)
    if measure == "mean":
        projection = 1.0 - 2.0 * (np.floor(at + side[:, None, None] * _EDGE) % 2.0)
        scale = np.full(start.shape, math.pi / 2.0)
    else:
        projection = sine
        behind = np.arange(window.update_samples - window.samples + 1, window.update_samples + 1)
        whole = np.sin(math.pi * (start[..., None] + float(per_sample) * behind)) ** 2
        scale = np.sqrt(2.0 / (whole @ sample_weights(window)))
    slip = abs(step - Fraction(half_cycles, updates)) * updates / 2
    return UpdateGrid(
        window=window,
        measure=measure,
        updates=updates,
        half_cycles=half_cycles,
        start=math.pi * start,
        sine=sine,
        projection=projection,
        scale=scale,
        slip_deg=180.0 * float(slip),
    )


def _period(step: Fraction) -> tuple[int, int]:
    """Half cycles and updates of a period for ``step`` half cycles per update."""
    if step.denominator <= MAX_PERIOD:
        return step.numerator, step.denominator
    best, slip = (1, MAX_PERIOD), Fraction(1)
    for updates in range(1, MAX_PERIOD + 1):
        half_cycles = round(step * updates)
        apart = abs(step * updates - half_cycles)
        if half_cycles and apart < slip:
            best, slip = (half_cycles, updates), apart
        if slip <= MAX_SLIP:
            break
    return best


def _offsets(per_sample: Fraction, updates: int, measure: Measure, finer: int) -> tuple[Real, Real]:
    """Phases (O,) of the first update, half cycles from 0 up to 1/updates, and the side (O,) to
    which a sample on a zero crossing is moved."""
    points = per_sample.denominator
    if measure == "rms" or points > MAX_POINTS or points % updates:
        count = (math.ceil(MIN_OFFSETS / updates) if updates < FEW_UPDATES else 1) * finer
        return (np.arange(count) + 0.5) / (count * updates), np.ones(count)
    parts = max(2, math.ceil(MIN_OFFSETS / points)) * finer
    crossings = points // updates
    after = np.arange(crossings * parts) / (points * parts)
    before = np.arange(crossings) / points
    side = np.concatenate([np.ones(len(after)), -np.ones(len(before))])
    return np.concatenate([after, before]), side


@dataclass(frozen=True, slots=True)
class BlockResponse:
    """C circuits from one update to the next at the O offsets and q updates of ``grid``.

    ``old`` is the scale in effect at the update, computed ``ago`` + 1 updates before; after
    ``latency`` less ``ago`` updates ``new`` replaces it, computed ``ago`` updates before; without
    ``split`` that is at once. States as ``filter_model`` has them, per unit of the output's peak:
    ``state`` (C, 3, 3), ``state_old`` and ``state_new`` (C, O, q, 3). Block sums that end up in the
    ring, the newest block first, with the samples' weights of sum 1 but without the blocks':
    ``sum_state`` (C, O, q, b, 3), ``sum_old`` and ``sum_new`` (C, O, q, b). ``order``: states
    that count, 2 if no load has an inductance.
    """

    grid: UpdateGrid
    ago: int
    split: bool
    order: int
    state: Real
    state_old: Real
    state_new: Real
    sum_state: Real
    sum_old: Real
    sum_new: Real

    def rows(self, rows: NDArray[np.intp] | slice) -> BlockResponse:
        """Those of some of the circuits."""
        return BlockResponse(
            self.grid,
            self.ago,
            self.split,
            self.order,
            self.state[rows],
            self.state_old[rows],
            self.state_new[rows],
            self.sum_state[rows],
            self.sum_old[rows],
            self.sum_new[rows],
        )


def block_response(
    circuits: Sequence[FilterCircuit], grid: UpdateGrid, latency_s: Fraction
) -> BlockResponse:
    """Responses of each circuit if a scale takes effect ``latency_s`` (0 and up) after the last
    sample of its reading."""
    window = grid.window
    ago, rest = divmod(latency_s, window.update_s)
    a, steady = _steady(circuits, window)
    count, changed = window.update_samples, rest // window.period_s
    # exp(A t) at each sample since the update, and at each one after the change since that.
    seen = _decays(a, window.period_s, window, count)
    since = _decays(a, (changed + 1) * window.period_s - rest, window, count - changed)

    def turning(time_s: float) -> Real:
        turn = np.exp(1j * (grid.start + 2.0 * math.pi * float(window.frequency_hz) * time_s))
        return np.asarray((steady[:, None, None, :] * turn[..., None]).imag, dtype=np.float64)

    at_start, at_change = turning(0.0), turning(float(rest))
    at_end = turning(float(window.update_s))
    whole, part = seen[:, -1], since[:, -1]
    shape = (*grid.start.shape, -1, window.block_samples)
    # A sample at the very instant of the change still sees the old scale, which is the same.
    seen_rows = seen[:, :, 1, :]
    since_rows = np.concatenate([np.zeros_like(seen_rows[:, :changed]), since[:, :, 1, :]], axis=1)
    projection = (grid.projection / window.block_samples).reshape(shape)
    early = np.arange(count) < changed
    flat = grid.projection * grid.sine / window.block_samples
    from_state = _project(projection, seen_rows)
    from_change = np.einsum(
        "coqbs,coqs->coqb", _project(projection, since_rows), at_change, optimize=True
    )
    sum_old = np.where(early, flat, 0.0).reshape(shape).sum(axis=-1) + from_change
    sum_old = sum_old - np.einsum("coqbs,coqs->coqb", from_state, at_start, optimize=True)
    sum_new = np.where(early, 0.0, flat).reshape(shape).sum(axis=-1) - from_change
    at_change_end = np.einsum("cij,coqj->coqi", part, at_change)
    return BlockResponse(
        grid=grid,
        ago=int(ago),
        split=rest > 0,
        order=3 if any(circuit.load.inductance_h > 0 for circuit in circuits) else 2,
        state=whole,
        state_old=at_change_end - np.einsum("cij,coqj->coqi", whole, at_start),
        state_new=at_end - at_change_end,
        sum_state=from_state[..., ::-1, :],
        sum_old=sum_old[..., ::-1],
        sum_new=sum_new[..., ::-1],
    )


def _steady(
    circuits: Sequence[FilterCircuit], window: Window
) -> tuple[Real, NDArray[np.complex128]]:
    """A (C, 3, 3) and the state (C, 3) that goes with exp(jwt) of peak 1 at the output.

    All states are scaled by the same, so that the second of them is the output. A third one that
    is not there dies within an update, instead of slowly, as if it were a mode of the loop.
    """
    a, b, _ = state_matrices(circuits)
    absent = [circuit.load.inductance_h <= 0 for circuit in circuits]
    a[absent, 2, 2] = -_GONE / float(window.update_s)
    angular = 2.0 * math.pi * float(window.frequency_hz)
    state = np.linalg.solve(1j * angular * np.eye(3) - a, b[..., None].astype(complex))[..., 0]
    return a, state / state[:, 1:2]


def _decays(a: Real, first_s: Fraction, window: Window, count: int) -> Real:
    """exp(A t) at ``count`` samples, the first of them at ``first_s``: (C, count, 3, 3)."""
    step = exponential(a * float(window.period_s))
    powers = np.empty((len(a), count, 3, 3))
    powers[:, 0] = exponential(a * float(first_s))
    for k in range(1, count):
        powers[:, k] = powers[:, k - 1] @ step
    return powers


def exponential(a: Real) -> Real:
    """exp of each matrix (C, 3, 3), all at once: Taylor's series, scaled to a norm of at most a
    quarter and squared again. What is left out is below 1e-17 of the whole."""
    norm = float(np.abs(a).sum(axis=-1).max(initial=0.25))
    squarings = math.ceil(math.log2(norm / 0.25))
    scaled = a / 2.0**squarings
    term = np.zeros_like(a) + np.eye(a.shape[-1])
    total = term.copy()
    for k in range(1, 13):
        term = term @ scaled / k
        total += term
    for _ in range(squarings):
        total = total @ total
    return total


def _project(projection: Real, rows: Real) -> Real:
    """sum over a block's samples (C, O, q, b, 3) of the projection (O, q, b, n) times what each
    state shows at the output, rows (C, b n, 3)."""
    offsets, updates, blocks, samples = projection.shape
    by_block = rows.reshape(len(rows), blocks, samples, 3)
    flat = projection.reshape(offsets * updates, blocks, samples).transpose(1, 0, 2)
    out = flat[None] @ by_block
    return np.asarray(
        out.transpose(0, 2, 1, 3).reshape(len(rows), offsets, updates, blocks, 3), dtype=np.float64
    )
