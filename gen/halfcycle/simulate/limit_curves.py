"""Published limits of a supply's voltage, and whether an RMS history stays inside them.

Levels are percent of the nominal voltage. If no page of the standard itself was at hand the
points were checked against makers' application notes; each curve says so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LimitCurve:
    """``lower``: (level, seconds): below the level for at most so long; ``upper`` the same above.

    A duration of 0 allows no excursion at all.
    """

    name: str
    source: str
    lower: tuple[tuple[float, float], ...]
    upper: tuple[tuple[float, float], ...]


ITI = LimitCurve(
    name="ITI (CBEMA) 2000",
    source=(
        "ITI (CBEMA) Curve Application Note, Information Technology Industry Council, 2000; "
        "120 V 60 Hz equipment, applied to other voltages in percent (common practice). Points "
        "from memory, the ones from 1 ms on checked against a meter maker's drawing of the curve. "
        "Its parts below 3 ms are peaks, not RMS, and are left out"
    ),
    lower=((70.0, 0.02), (80.0, 0.5), (90.0, 10.0)),
    upper=((110.0, 0.5), (120.0, 0.003)),
)
SEMI_F47 = LimitCurve(
    name="SEMI F47",
    source=(
        "SEMI F47-0706, required immunity: 50 % for 0.2 s, 70 % for 0.5 s, 80 % for 1 s; points "
        "from memory, the first checked against a test laboratory's description"
    ),
    lower=((50.0, 0.05), (70.0, 0.2), (80.0, 0.5)),
    upper=(),
)
EN_50160 = LimitCurve(
    name="EN 50160",
    source=(
        "EN 50160:2010, low voltage: 10-minute means within 10 % of nominal in 95 % of a week "
        "and +10 % / -15 % always (checked against meter makers' manuals); held here against "
        "the settled end of a run, which a 10-minute mean would show"
    ),
    lower=((90.0, 0.0),),
    upper=((110.0, 0.0),),
)
CURVES: tuple[LimitCurve, ...] = (ITI, SEMI_F47, EN_50160)


def longest_excursion(outside: NDArray[np.bool_], lasting_s: Real) -> Real:
    """The longest run of ``outside`` (..., n), each entry lasting ``lasting_s`` (..., n); (...)."""
    longest = np.zeros(outside.shape[:-1])
    running = np.zeros(outside.shape[:-1])
    for column in range(outside.shape[-1]):
        running = np.where(outside[..., column], running + lasting_s[..., column], 0.0)
        longest = np.maximum(longest, running)
    return longest


def breaches(curve: LimitCurve, percent: Real, lasting_s: Real) -> NDArray[np.bool_]:
    """Whether each history (..., n) of RMS ``percent``, entries lasting ``lasting_s``, leaves the
    curve; (...). An entry that is not a number counts as inside."""
    out = np.zeros(percent.shape[:-1], dtype=bool)
    slack = 1e-9  # Rounding of sums of durations.
    for level, longest in curve.lower:
        out |= longest_excursion(percent < level, lasting_s) > longest + slack
    for level, longest in curve.upper:
        out |= longest_excursion(percent > level, lasting_s) > longest + slack
    return out


def corridor(curve: LimitCurve, seconds: Real) -> tuple[Real, Real]:
    """Lowest and highest percent allowed after an excursion has lasted ``seconds`` (...), for
    drawing; 0 and infinity if the curve says nothing."""
    low, high = np.zeros(seconds.shape), np.full(seconds.shape, np.inf)
    for level, longest in curve.lower:
        low = np.where(seconds > longest, np.maximum(low, level), low)
    for level, longest in curve.upper:
        high = np.where(seconds > longest, np.minimum(high, level), high)
    return low, high
