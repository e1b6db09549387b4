"""The steady scale that gives rated output at a plant's gain, and the gain's slope there.

Below the drive at which the sine clips the reading is in proportion to the scale. Above it the
reading grows more slowly (``clipped_sine`` has the integrals), and a bus with a source
resistance sags besides: ``y(s) = g r(s) / (1 + a min(s, 1)^2)``, a being the share of the bus that
is lost at full scale (beyond it the bridge is merely on for longer; that is left out).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from halfcycle.loop.envelope import Measure
from halfcycle.loop.filter_model import Real

_MAX_SCALE = 50.0
"""Scale beyond which a sine is a square wave for all purposes."""


def reading_of_scale(scale: Real, measure: Measure) -> tuple[Real, Real]:
    """Reading of a sine driven at ``scale`` (0 and up) and clipped at 1, over that of a full
    unclipped sine, and its slope. With t = asin(1/scale), above scale 1:

    mean: s (1 - cos t) + pi/2 - t, slope 1 - cos t;
    rms: the root of (4/pi) (s^2 (t/2 - sin(2t)/4) + pi/2 - t).
    """
    s = np.maximum(scale, 1.0)
    t = np.arcsin(1.0 / s)
    if measure == "mean":
        reading = s * (1.0 - np.cos(t)) + math.pi / 2.0 - t
        slope = 1.0 - np.cos(t)
    else:
        under = t / 2.0 - np.sin(2.0 * t) / 4.0
        reading = np.sqrt(4.0 / math.pi * (s**2 * under + math.pi / 2.0 - t))
        slope = 4.0 / math.pi * s * under / reading
    clipped = scale > 1.0
    return np.where(clipped, reading, scale), np.where(clipped, slope, 1.0)


def effective_scale(scale: Real, sag: Real, measure: Measure) -> Real:
    """What clipping and a sagging bus leave of a scale: ``y = g effective_scale(s)``. Negative
    scales, which only an unclamped loop has, are left alone."""
    lost = 1.0 + sag * np.clip(scale, 0.0, 1.0) ** 2
    return np.asarray(reading_of_scale(scale, measure)[0] / lost, dtype=np.float64)


def needed_scale(gains: Real, sag: Real, measure: Measure) -> tuple[Real, Real]:
    """Scale (C,) at which the reading is rated, ``inf`` if none is, and the slope (C,) of the
    reading there, rated per unit of scale. ``sag`` (C,) is a above, 0 for a stiff bus."""
    # The bytes are read back as those of floats.
    wide = (np.ascontiguousarray(column, dtype=np.float64) for column in (gains, sag))
    scale, slope = _needed_scale(*(column.tobytes() for column in wide), measure)
    return scale.copy(), slope.copy()


@lru_cache(maxsize=256)
def _needed_scale(gain_bytes: bytes, sag_bytes: bytes, measure: Measure) -> tuple[Real, Real]:
    """As :func:`needed_scale`; kept, as the same boards are run again and again."""
    gains, sag = np.frombuffer(gain_bytes), np.frombuffer(sag_bytes)
    low = np.zeros_like(gains)
    # y falls again beyond a s^2 = 1, where more drive only draws more current.
    high = np.where(sag > 1.0, 1.0 / np.sqrt(np.maximum(sag, 1.0)), _MAX_SCALE)
    reachable = gains * effective_scale(high, sag, measure) >= 1.0
    for _ in range(60):
        middle = (low + high) / 2.0
        enough = gains * effective_scale(middle, sag, measure) >= 1.0
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    share, slope = reading_of_scale(high, measure)
    lost = 1.0 + sag * np.minimum(high, 1.0) ** 2
    falling = np.where(high < 1.0, 2.0 * sag * high * share / lost**2, 0.0)
    return np.where(reachable, high, np.inf), gains * (slope / lost - falling)
