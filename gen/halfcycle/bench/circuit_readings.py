"""What a circuit makes a window read of a log's scales, at every phase of the sine.

While the drive is d the state is d times the steady sine's and a rest that decays freely (see
``halfcycle.loop.block_response``), so that one matrix for each sample gives the output from the
state at the update before it. Nothing is linear in what follows: a mean is of magnitudes, an RMS of
squares, so that a start may be followed as well as a small step.
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from halfcycle.bench.capture_types import Floats
from halfcycle.bench.fit_rows import Chosen, block_shares
from halfcycle.loop.block_response import exponential
from halfcycle.loop.filter_model import FilterCircuit, state_matrices

if TYPE_CHECKING:
    from halfcycle.design.types import Design
    from halfcycle.regulator.plan import Plan

PHASES = 48
"""Of the half cycle: beside a window's samples they fall on as many places between two of them."""
ANSWER_UPDATES = 24
"""Updates beyond a window after which a filter has answered to a step."""
SMALL = 1e-3
"""A step of the scale, over the scale, that the share is told by."""
DECAYED = 1e-18
"""Of a state, in volts or amperes per volt or ampere: less is left out."""


class CircuitReadings:
    """One circuit whose scale takes effect ``late_s`` after an update, up to a whole one, and the
    sensor's delay after that, at ``PHASES`` phases. ``square``: the reading is RMS. ``share``: of a
    small step, what acts in the first update's time, on the average of the phases: 1 less the mean
    delay beyond that of the window's weights, in updates."""

    def __init__(
        self, design: Design, plan: Plan, circuit: FilterCircuit, late_s: Fraction
    ) -> None:
        window, spec = design.window, design.spec
        self._plan = plan
        self.square = plan.measure == "rms"
        self._samples = window.block_samples
        self._weights = np.array(window.block_weights, dtype=np.float64)
        self._weights /= self._weights.sum()
        self._advance = math.pi * float(window.half_cycles_per_sample) * window.update_samples
        self._ago, rest = divmod(late_s + spec.sensor.delay_us / 1_000_000, window.update_s)
        period_s, count = float(window.period_s), window.update_samples
        matrix, drive, _ = state_matrices([circuit])
        angular = 2.0 * math.pi * float(spec.output.frequency_hz)
        state = np.linalg.solve(1j * angular * np.eye(3) - matrix[0], drive[0].astype(complex))
        # The second state is the output, which is to have a peak of 1.
        self._steady = state / state[1]
        times = period_s * np.arange(1, count + 1)
        self._old = times <= float(rest) * (1 + 1e-12)
        self._sample_turns = np.exp(1j * angular * times)
        self._at_change = self._steady * np.exp(1j * angular * float(rest))
        self._to_change = _exponentials(matrix, np.array([float(rest)]))[0].T
        since = np.where(self._old, times, times - float(rest))
        self._seen = _exponentials(matrix, since)[:, 1, :].T
        self._to_end = _exponentials(matrix, np.array([float(window.update_s - rest)]))[0].T
        self.share = self._share()

    def of(self, rows: Chosen) -> Floats:
        """The readings (N, P) of the chosen rows per unit of gain, in units of rated."""
        plan = self._plan
        size = np.sqrt(rows.driven) if self.square else rows.driven
        steps = np.unwrap(rows.piece.update.astype(np.float64), period=65536.0)
        turns = (steps - steps[0]) // plan.update_blocks
        return self._readings(size, rows.stretch, turns)[rows.at]

    def _share(self) -> float:
        updates = self._plan.updates
        count = 2 * updates + ANSWER_UPDATES
        size = np.ones(count)
        size[updates:] += SMALL
        none, turns = np.zeros(count, dtype=np.int64), np.arange(count, dtype=np.float64)
        step = self._readings(size, none, turns)[updates + 1 :]
        rest = self._readings(np.ones(count), none, turns)[updates + 1 :]
        delay = (1.0 - (step / rest - 1.0) / SMALL).sum(axis=0).mean()
        return float(1.0 - delay + np.arange(updates) @ block_shares(self._plan))

    def _readings(self, size: Floats, stretch: np.ndarray, turns: Floats) -> Floats:
        """The reading (N, P) at each row, whose drive ``size`` acts from it on; right if the whole
        window is in the stretch."""
        blocks = self._blocks(self._volts(size, stretch, turns))
        updates = blocks.shape[1]
        weighed = np.zeros((len(size), PHASES))
        # The newest update first, and the newest block of it first.
        weights = self._weights.reshape(-1, updates)[:, ::-1]
        for ago, newest in enumerate(weights[: len(size)]):
            weighed[ago:] += np.tensordot(blocks[: len(size) - ago], newest, axes=(1, 0))
        return np.sqrt(2.0 * weighed) if self.square else math.pi / 2.0 * weighed

    def _volts(self, size: Floats, stretch: np.ndarray, turns: Floats) -> NDArray[np.complex128]:
        """The samples (N, n) of the update's time before each row, of a sine of which the real
        part is that a quarter of a turn on, so that any phase is a sum of both."""
        row = np.arange(len(size))
        before = np.maximum(row - 1, 0)
        old, new = (size[np.maximum(before - self._ago - more, stretch)] for more in (1, 0))
        turn = np.exp(1j * self._advance * turns[before])
        jumps = (old - new)[:, None] * turn[:, None] * self._at_change
        # What decays freely at an update, and from the change on: rows of three states each.
        free = self._free(jumps @ self._to_end, stretch >= before)
        later = free @ self._to_change + jumps
        sine = turn[:, None] * self._sample_turns
        with_old = old[:, None] * sine + free @ self._seen
        with_new = new[:, None] * sine + later @ self._seen
        return np.asarray(np.where(self._old, with_old, with_new))

    def _free(self, added: NDArray[np.complex128], begins: np.ndarray) -> NDArray[np.complex128]:
        """The state (N, 3) that each row begins with, of what each row's jump adds (N, 3) to its
        end: 0 where a stretch ``begins``. By sums over 1, 2, 4, ... rows."""
        state, decay = added.copy(), self._to_change @ self._to_end
        row = np.arange(len(state))
        since = row - np.maximum.accumulate(np.where(begins, row, 0))
        rows = 1
        while rows <= since.max(initial=0) and np.abs(decay).max() > DECAYED:
            before = np.where((since >= rows)[rows:, None], state[:-rows], 0.0)
            state[rows:] += before @ decay
            rows, decay = 2 * rows, decay @ decay
        free = np.zeros_like(state)
        free[1:] = np.where(begins[1:, None], 0.0, state[:-1])
        return free

    def _blocks(self, volts: NDArray[np.complex128]) -> Floats:
        """The mean magnitude or square (N, blocks, P) of each block of an update's time."""
        split = volts.reshape(len(volts), -1, self._samples)
        # Apart, as every phase goes through them anew.
        ahead, level = np.ascontiguousarray(split.real), np.ascontiguousarray(split.imag)
        first = math.pi / PHASES * (np.arange(PHASES) + 0.5)
        sine, cosine = np.sin(first), np.cos(first)
        mean = np.full(self._samples, 1.0 / self._samples)
        if self.square:
            terms = (
                (ahead**2 @ mean, sine**2),
                (level**2 @ mean, cosine**2),
                (ahead * level @ mean, 2 * sine * cosine),
            )
            return np.asarray(sum(term[:, :, None] * factor for term, factor in terms))
        made = np.empty((*split.shape[:2], PHASES))
        size, part = np.empty_like(ahead), np.empty_like(level)
        for number in range(PHASES):
            np.multiply(ahead, sine[number], out=size)
            np.multiply(level, cosine[number], out=part)
            made[:, :, number] = np.abs(np.add(size, part, out=size), out=size) @ mean
        return made


def _exponentials(matrix: Floats, times: Floats) -> Floats:
    """exp(A t) at each of the times (T, 3, 3)."""
    return np.concatenate([exponential(matrix * time) for time in times.tolist()])
