"""How much of a change of amplitude each later window's reading shows: the weights h_i.

The bridge gives ``u sin(wt + phase)`` with u held over each window. About the steady sine the
reading is linear in u: its change is the change of the output at the sample instants, projected on
``sign(v0)`` (mean) or ``v0`` (rms), where v0 is the steady output. So with u[k] held in window k,

    y[k] = g sum_i h_i u[k - i],  sum_i h_i = 1.

Had the sine been off until i windows ago, the filter would still miss ``c exp(A(t + iW)) x0``, the
decay of the state x0 that the steady sine would have had then. Its projection, as a share of that
of v0, is D_i, and h_0 = 1 - D_0, h_i = D_(i-1) - D_i. Nothing is sampled or fitted: D_i comes from
the filter's modes at the exact sample instants ``jT - delay``, j = 1..M, counted from the
scale's change, which is one loop period before the first sample.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from halfcycle.loop.filter_model import Complex, Modes, Real

Measure = Literal["mean", "rms"]

TAIL = 1e-6
"""Weights end where all that follows sums to less than this; the last one takes the rest."""
MAX_WEIGHTS = 64
"""Most weights kept, whatever the tail; ``Weights.tail`` then says what was folded."""
MAX_PHASES = 96
"""Phases tried if a half cycle has more than half as many distinct points. The extremes of
h_0 are then missed by at most 1 - cos(pi/96), 0.05 %, of its spread over the phases."""


@dataclass(frozen=True, slots=True)
class Timing:
    """M ``samples`` a window, one every ``period_s``; the sensor lags ``delay_s`` (0 and up)."""

    samples: int
    period_s: Fraction
    frequency_hz: Fraction
    delay_s: Fraction
    measure: Measure

    @property
    def window_s(self) -> Fraction:
        """Length of the window, seconds."""
        return self.samples * self.period_s

    @property
    def angular(self) -> float:
        """Angular frequency of the sine, rad/s."""
        return 2.0 * math.pi * float(self.frequency_hz)


@dataclass(frozen=True, slots=True)
class Weights:
    """For B circuits, each at P phases of the sine.

    ``weights`` (B, P, n) sum to 1 over n; ``tail`` (B,) bounds what was folded into the last;
    ``phase_deg`` (B, P): phase of the bridge's sine when the scale changes, 0 up to 180;
    ``ratio`` (B, P): reading over the true value at that phase (sampling ripple of the mean).
    """

    weights: Real
    tail: Real
    phase_deg: Real
    ratio: Real


def worst_weights(circuit: Modes, timing: Timing) -> Weights:
    """Weights of each circuit at the two phases (least, greatest) that are extremes of h_0.

    Raises ``ValueError`` if every sample of a half cycle falls on the same point, since the
    reading is then the phase and nothing else.
    """
    alpha, ratio, weights, tail = _weights_of_grid(circuit, timing, MAX_PHASES)
    if timing.measure == "mean":
        at = _extremes_of_grid(weights[:, :, 0])
        rows = np.arange(len(weights))[:, None]
        return _with_phases(circuit, timing, weights[rows, at], tail, alpha[at], ratio[at])
    twice = _extremes_of_sinusoid(weights)
    chosen = _sinusoid_at(weights, twice)
    at_alpha = (twice / 2.0) % np.pi
    return _with_phases(
        circuit, timing, chosen, tail, at_alpha, np.full(twice.shape, float(ratio[0]))
    )


def weights_over_phases(circuit: Modes, timing: Timing, phases: int) -> Weights:
    """Weights of each circuit all over the half turn, at about so many phases (3 and up). For
    the mean, these are all that count if the samples' crossings are few enough.

    Raises ``ValueError`` as :func:`worst_weights`.
    """
    alpha, ratio, weights, tail = _weights_of_grid(circuit, timing, phases)
    if timing.measure == "rms":
        alpha = np.arange(phases, dtype=np.float64) * (math.pi / phases)
        weights = _sinusoid_at(weights, np.broadcast_to(2.0 * alpha, (len(weights), phases)))
        ratio = np.full(phases, float(ratio[0]))
    shape = (len(weights), len(alpha))
    return _with_phases(
        circuit,
        timing,
        weights,
        tail,
        np.broadcast_to(alpha, shape),
        np.broadcast_to(ratio, shape),
    )


def _with_phases(  # noqa: PLR0917 (the parts of a Weights)
    circuit: Modes, timing: Timing, weights: Real, tail: Real, alpha: Real, ratio: Real
) -> Weights:
    """The Weights at phases ``alpha`` (B, P) of the sensed sine."""
    lag = np.angle(circuit.transfer)[:, None] - timing.angular * float(timing.delay_s)
    return Weights(weights, tail, np.degrees(alpha - lag) % 180.0, ratio)


def _weights_of_grid(circuit: Modes, timing: Timing, phases: int) -> tuple[Real, Real, Real, Real]:
    """Phases (P,) of :func:`_phases`, ratios (P,), weights (B, P, n) and tail (B,) there."""
    if (2 * timing.frequency_hz * timing.period_s).denominator == 1:
        raise ValueError("all samples fall on the same point of the half cycle")
    alpha, sine, projection = _phases(timing, phases)
    scale = np.einsum("pj,pj->p", projection, sine)
    weights, tail = _weights(circuit, timing, alpha, sine, projection)
    if timing.measure == "mean":
        ratio = np.asarray(scale * (math.pi / 2.0 / timing.samples), dtype=np.float64)
    else:
        ratio = np.asarray(np.sqrt(2.0 * scale / timing.samples), dtype=np.float64)
    return alpha, ratio, weights, tail


def _phases(timing: Timing, phases: int) -> tuple[Real, Real, Real]:
    """Phases alpha (P,) of the sensed sine at the scale's change, the unit sine (P, M) at the
    samples, and the projection (P, M), P being 3 or about ``phases``.

    Mean: between two neighbouring phases at which some sample crosses zero the signs are fixed,
    and h_0 is a ratio of two sinusoids of alpha, which is monotonic. So its extremes lie at the
    crossings, approached from either side. They are the N-th parts of a half turn; if ``phases``
    are fewer, some of them are taken, and if they are too many to matter, even parts. Rms: h_i is
    a constant plus a sinusoid of 2 alpha, so three phases give it everywhere.
    """
    # Half turns; 1e-9 of one is far below what a phase can matter, and keeps the integers small.
    per_sample = (2 * timing.frequency_hz * timing.period_s).limit_denominator(10**9)
    p, q = per_sample.numerator, per_sample.denominator
    both_sides = timing.measure == "mean" and q <= MAX_PHASES // 2
    if timing.measure == "rms":
        parts, steps = 3, np.arange(3)
    elif both_sides:
        few = np.linspace(0, q, min(q, phases // 2), endpoint=False)
        parts, steps = q, np.unique(few.astype(int))
    else:
        parts, steps = phases, np.arange(phases)
    # Everything in (1/(q parts)) of a half turn, so that a crossing is met exactly.
    unit = q * parts
    at = steps[:, None] * q + np.arange(1, timing.samples + 1)[None, :] * (p * parts)
    sine: Real = np.sin(math.pi / unit * (at % (2 * unit)))
    alpha: Real = steps.astype(np.float64) * (math.pi / parts)
    if timing.measure == "rms":
        return alpha, sine, sine
    after = np.where((at // unit) % 2, -1.0, 1.0)
    if not both_sides:
        return alpha, sine, after
    before = np.where(((at - 1) // unit) % 2, -1.0, 1.0)
    return (
        np.concatenate([alpha, alpha]),
        np.concatenate([sine, sine]),
        np.concatenate([after, before]),
    )


def _weights(
    circuit: Modes, timing: Timing, alpha: Real, sine: Real, projection: Real
) -> tuple[Real, Real]:
    """Weights (B, P, n) at every phase, and the bound on what was folded (B,)."""
    window = float(timing.window_s)
    scale = np.einsum("pj,pj->p", projection, sine)
    turn = np.exp(1j * timing.angular * window)
    # State of the steady sine when the scale changes, mode by mode, per unit of v0's peak.
    lag = np.angle(circuit.transfer)[:, None]
    onto = (alpha + timing.angular * float(timing.delay_s))[None, :] - lag
    peak = np.abs(circuit.transfer)[:, None]
    forward = circuit.steady[:, None, :] * (np.exp(1j * onto) / peak)[..., None] / 2j
    backward = circuit.steady_conj[:, None, :] * (np.exp(-1j * onto) / peak)[..., None] / 2j

    # Windows so long ago that no sample comes before the change differ only by the modes' decay.
    delayed = next(i for i in itertools.count() if not _samples_before(timing, i))
    missing: list[Real] = []
    for i in range(delayed):
        early = _samples_before(timing, i)
        projected = _project(circuit, timing, projection, i, early) / scale[:, None]
        missed = ((forward * turn**-i - backward * turn**i) * projected).real.sum(axis=-1)
        hidden = np.sum(projection[:, :early] * sine[:, :early], axis=1) / scale
        missing.append(missed + hidden)
    projected = _project(circuit, timing, projection, delayed, 0) / scale[:, None]
    largest = ((np.abs(forward) + np.abs(backward)) * np.abs(projected)).max(axis=1)
    count, tail = _length(largest, circuit.poles.real * window)
    k = np.arange(count)
    decay = np.exp(circuit.poles[:, :, None] * (window * k))
    ago = turn ** -(delayed + k)
    later = (forward * projected) @ (decay * ago) - (backward * projected) @ (decay / ago)
    left = np.concatenate([*(m[..., None] for m in missing), later.real], axis=-1)
    weights = -np.diff(left, axis=-1, prepend=1.0)
    weights[..., -1] += left[..., -1]
    return weights, tail


def _length(largest: Real, decay: Real) -> tuple[int, Real]:
    """How many windows to keep, and the bound (B,) on all weights after them, from the greatest
    share of each mode in the first (B, 3) and its decay per window, below 0 (B, 3)."""
    k = np.arange(1, MAX_WEIGHTS + 1)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        all_later = np.where(decay < 0, (1.0 + np.exp(decay)) / -np.expm1(decay), np.inf)
        share = (largest * all_later)[..., None] * np.exp(decay[..., None] * (k - 1))
    bound = np.where(largest[..., None] > 1e-15, share, 0.0).sum(axis=1)
    enough = np.nonzero(bound.max(axis=0) < TAIL)[0]
    last = int(enough[0]) if len(enough) else MAX_WEIGHTS - 1
    return last + 1, bound[:, last]


def _samples_before(timing: Timing, windows_ago: int) -> int:
    """How many of a window's samples see the output as it was before the scale's change that
    many windows ago: the sensor's delay makes them so."""
    if windows_ago < 0:
        return timing.samples
    hidden = (timing.delay_s - windows_ago * timing.window_s) / timing.period_s
    return min(max(math.ceil(hidden) - 1, 0), timing.samples)


def _project(
    circuit: Modes, timing: Timing, projection: Real, windows_ago: int, early: int
) -> Complex:
    """sum_j projection_j exp(pole (t_j + iW)) over the samples after the change: (B, P, 3)."""
    start = windows_ago * timing.window_s - timing.delay_s
    times = np.array([float(start + j * timing.period_s) for j in (1, timing.samples)])
    t = np.linspace(times[0], times[1], timing.samples)[early:]
    decays = np.exp(t[:, None] * circuit.poles.reshape(1, -1))
    out = np.asarray(projection[:, early:] @ decays, dtype=np.complex128)
    return out.reshape(len(projection), *circuit.poles.shape).transpose(1, 0, 2)


def _extremes_of_grid(first: Real) -> NDArray[np.intp]:
    """Columns of the least and the greatest h_0 in each row: (B, 2). Rounded first, so that
    equal ones fall to the same phase on every machine."""
    rounded = np.round(first, 9)
    return np.stack([rounded.argmin(axis=1), rounded.argmax(axis=1)], axis=1)


def _extremes_of_sinusoid(weights: Real) -> Real:
    """Twice the phases (B, 2) of the least and the greatest h_0, from :func:`_sinusoid`."""
    _, cosine, sine = _sinusoid(weights[:, :, :1])
    crest = np.arctan2(np.round(sine[:, 0], 12), np.round(cosine[:, 0], 12))
    return np.stack([crest + np.pi, crest], axis=1)


def _sinusoid(weights: Real) -> tuple[Real, Real, Real]:
    """a, b and c (B, n) of h(alpha) = a + b cos 2 alpha + c sin 2 alpha, from three phases
    pi/3 apart."""
    angles = 2.0 * np.pi / 3.0 * np.arange(3)
    cosine = np.einsum("bpn,p->bn", weights, np.cos(angles)) * (2.0 / 3.0)
    sine = np.einsum("bpn,p->bn", weights, np.sin(angles)) * (2.0 / 3.0)
    return weights.mean(axis=1), cosine, sine


def _sinusoid_at(weights: Real, twice: Real) -> Real:
    """Weights (B, P, n) at ``twice`` (B, P), twice the phase, from those at three phases."""
    mean, cosine, sine = _sinusoid(weights)
    weights_at: Real = (
        mean[:, None, :]
        + np.cos(twice)[..., None] * cosine[:, None, :]
        + np.sin(twice)[..., None] * sine[:, None, :]
    )
    return weights_at
