"""Published limits of a supply's voltage, and whether an RMS history stays inside them.

Levels are percent of the rated voltage. Where the points come from stands in
``halfcycle.spec.envelopes``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from halfcycle.spec.envelopes import ENVELOPES, Covers, Envelope, Points

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LimitCurve:
    """``lower``: (level, seconds): below the level for at most so long; ``upper`` the same above.

    A duration of 0 allows no excursion at all. ``steady``: lowest and highest level of what has
    settled.
    """

    name: str
    source: str
    lower: Points = ()
    upper: Points = ()
    steady: tuple[float, float] | None = None

    @classmethod
    def of(cls, envelope: Envelope, rated_v: float) -> LimitCurve:
        """The envelope as a share of an output of ``rated_v``, percent."""
        unit = 100 / rated_v if envelope.volts else 1.0
        return cls(
            name=envelope.title,
            source=envelope.source,
            lower=tuple((unit * level, seconds) for level, seconds in envelope.lower),
            upper=tuple((unit * level, seconds) for level, seconds in envelope.upper),
            steady=envelope.steady and (unit * envelope.steady[0], unit * envelope.steady[1]),
        )

    @property
    def empty(self) -> bool:
        """Whether it limits nothing."""
        return not self.lower and not self.upper and self.steady is None


def curves_of(spec: Spec, covers: Covers | None) -> tuple[LimitCurve, ...]:
    """What the envelopes that the spec chooses say of a kind of case, those that say anything.

    Of a fault only the upper limits are of interest: a load that is not supplied is in no danger.
    Of a load that distorts only what has settled is.
    """
    rated_v = float(spec.output.rated_rms_v)
    chosen = (ENVELOPES[name] for name in spec.limits.envelopes)
    curves = [LimitCurve.of(each, rated_v) for each in chosen if covers in each.covers]
    if covers is Covers.FAULT:
        curves = [replace(curve, lower=(), steady=None) for curve in curves]
    if covers is Covers.DISTORTION:
        curves = [replace(curve, lower=(), upper=()) for curve in curves]
    return tuple(curve for curve in curves if not curve.empty)


def longest_excursion(outside: NDArray[np.bool_], lasting_s: Real) -> Real:
    """The longest run of ``outside`` (..., n), each entry lasting ``lasting_s`` (..., n); (...)."""
    longest = np.zeros(outside.shape[:-1])
    running = np.zeros(outside.shape[:-1])
    for column in range(outside.shape[-1]):
        running = np.where(outside[..., column], running + lasting_s[..., column], 0.0)
        longest = np.maximum(longest, running)
    return longest


def breaches(
    curve: LimitCurve, percent: Real, lasting_s: Real, settled: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Whether each history (..., n) of RMS ``percent``, entries lasting ``lasting_s``, leaves the
    curve; (...). ``settled`` (..., n): the entries that the steady limits hold for. An entry that
    is not a number counts as inside."""
    slack = 1e-9  # Rounding of sums of durations.
    out = np.zeros(percent.shape[:-1], dtype=bool)
    for points, sign in ((curve.lower, -1.0), (curve.upper, 1.0)):
        if points:
            # All levels in one pass over the entries.
            levels, longest = (
                np.array(part).reshape((-1,) + (1,) * percent.ndim)
                for part in zip(*points, strict=True)
            )
            beyond = longest_excursion(sign * percent > sign * levels, lasting_s[None])
            out |= (beyond > longest[..., 0] + slack).any(axis=0)
    if curve.steady is not None:
        low, high = curve.steady
        out |= (settled & ((percent < low) | (percent > high))).any(axis=-1)
    return out


def corridor(curve: LimitCurve, seconds: Real, settled_s: float = np.inf) -> tuple[Real, Real]:
    """Lowest and highest percent allowed after an excursion has lasted ``seconds`` (...), for
    drawing, the output having settled after ``settled_s``; 0 and infinity if the curve says
    nothing."""
    low, high = np.zeros(seconds.shape), np.full(seconds.shape, np.inf)
    lower, upper = curve.lower, curve.upper
    if curve.steady is not None:
        lower, upper = (
            (*points, (level, settled_s))
            for points, level in zip((lower, upper), curve.steady, strict=True)
        )
    for level, longest in lower:
        low = np.where(seconds > longest, np.maximum(low, level), low)
    for level, longest in upper:
        high = np.where(seconds > longest, np.minimum(high, level), high)
    return low, high


def turns(curve: LimitCurve, settled_s: float) -> tuple[float, ...]:
    """The seconds at which ``corridor`` takes a step."""
    steady = () if curve.steady is None else (settled_s,)
    return tuple(sorted({seconds for _, seconds in (*curve.lower, *curve.upper)} | {*steady}))
