"""What measured boards say of those not measured: the two-sided normal tolerance interval.

A share p of all boards lies within k standard deviations of the mean with 95 % confidence, if
k = z sqrt((n - 1)(1 + 1/n) / chi2(5 %, n - 1)) (Howe 1969, from memory), z that of the share p.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

CONFIDENCE = 0.95


def reach(values: Sequence[float], share: float) -> float | None:
    """Half width of the interval, about the mean, that holds a ``share`` of all; None below two
    values."""
    from scipy.stats import norm  # noqa: PLC0415 (slow)

    if len(values) < 2:
        return None
    factor = float(norm.ppf((1 + share) / 2)) * _widening(len(values))
    return factor * float(np.std(values, ddof=1))


def share_inside(values: Sequence[float], low: float, high: float) -> float | None:
    """Share of all, with 95 % confidence, that lies within ``low`` to ``high`` by the nearer of
    both; None below two values."""
    from scipy.stats import norm  # noqa: PLC0415 (slow)

    if len(values) < 2:
        return None
    mean, deviation = float(np.mean(values)), float(np.std(values, ddof=1))
    room = min(high - mean, mean - low)
    if room <= 0 or deviation == 0:
        return float(room > 0)
    return float(2 * norm.cdf(room / deviation / _widening(len(values))) - 1)


def _widening(count: int) -> float:
    from scipy.stats import chi2  # noqa: PLC0415 (slow)

    low = float(chi2.ppf(1 - CONFIDENCE, count - 1))
    return math.sqrt((count - 1) * (1 + 1 / count) / low)
