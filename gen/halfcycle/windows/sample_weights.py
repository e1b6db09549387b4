"""What each sample of a window counts for in its reading."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halfcycle.windows.search import Window


def sample_weights(window: Window) -> NDArray[np.float64]:
    """Weight of each sample (M,), the oldest first; their sum is 1."""
    blocks = np.array(window.block_weights[::-1], dtype=np.float64)
    weights = np.repeat(blocks, window.block_samples)
    return np.asarray(weights / weights.sum(), dtype=np.float64)
