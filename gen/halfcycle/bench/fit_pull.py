"""What a fit would have made of other readings, near its own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from halfcycle.bench.capture_types import Floats
from halfcycle.bench.reading_noise import Whitening


@dataclass(frozen=True, slots=True)
class Pull:
    """How far the fitted values move if the readings do. ``squares``: what the fit left."""

    white: Whitening
    slopes: Floats
    squares: float
    values: int

    def __call__(self, off: Floats) -> tuple[Floats, Floats]:
        """Of readings that are ``off`` by so much (N, P), units of rated: how far share and gains
        move (values, P), and the squares that would be left (P,), as ``squares`` counts them."""
        white = self.white(off)
        # The slopes are those of what is left: readings move the other way.
        moved = -np.linalg.pinv(self.slopes) @ white
        left = white + self.slopes @ moved
        return moved[: self.values], np.asarray((left**2).sum(axis=0))
