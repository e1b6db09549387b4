"""How the noise of readings goes together: windows that overlap share what they saw.

The noise of the blocks is white, so that two readings so many updates apart go together as their
windows' weights do. Rounding adds a white part. ``Whitening`` turns readings into ones whose noise
is white, each from readings before it only: the regulator answers its readings, so that what it
does later may depend on a noise, and what it did before may not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.bench.capture_types import Floats
from halfcycle.bench.log_rows import Ints

if TYPE_CHECKING:
    from halfcycle.regulator.plan import Plan


def correlation(plan: Plan) -> Floats:
    """Correlation of two readings by the updates between them, from 0 on."""
    weights = np.array(plan.block_weights, dtype=np.float64)
    step = plan.update_blocks
    lags = [float(weights[lag * step :] @ weights[: len(weights) - lag * step or None])
            for lag in range(plan.updates)]  # fmt: skip
    return np.array(lags) / lags[0]


@dataclass(frozen=True, slots=True)
class Whitening:
    """For readings in ``run``s with noise of ``correlation`` plus a white ``share``."""

    run: Ints
    correlation: Floats
    share: float

    def __call__(self, columns: Floats) -> Floats:
        """Columns (N,) or (N, k) with white noise of a deviation of 1 if that of the correlated
        part was 1."""
        return self._apply(columns)[0]

    @property
    def log_determinant(self) -> float:
        """Of the covariance."""
        return self._apply(np.zeros((len(self.run), 1)))[1]

    def _apply(self, columns: Floats) -> tuple[Floats, float]:
        from scipy.linalg import cholesky_banded, solve_banded  # noqa: PLC0415 (slow)

        band = len(self.correlation)
        if band == 1:
            scale = 1.0 + self.share
            return columns / np.sqrt(scale), len(self.run) * float(np.log(scale))
        starts = np.flatnonzero(np.diff(self.run, prepend=self.run[0] - 1))
        ends = np.append(starts[1:], len(self.run))
        longest = int((ends - starts).max())
        bands = np.repeat(self.correlation[:, None], longest, axis=1)
        bands[0] += self.share
        factor = cholesky_banded(bands[: min(band, longest)], lower=True)
        out = np.empty_like(columns, dtype=np.float64)
        logs = 2.0 * np.cumsum(np.log(factor[0]))
        total = 0.0
        for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
            part = factor[: end - start, : end - start]
            out[start:end] = solve_banded((len(part) - 1, 0), part, columns[start:end])
            total += float(logs[end - start - 1])
        return out, total
