"""Which constants of a moving or weighted window are looked at, and how few boards need a run.

The pairs are a fixed set of three-digit decimals that only window and plants decide, never the
targets, so that more time allowed can only add pairs. They are sifted: by the averaged Ms, by the
periodic loop's stability with doubled gains, then by runs of a few boards. What is left is tried,
the best first, with every board (``moving``); a board that turns a pair down joins the few. About
the pair that settles first there is a finer set, a fixed one too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence, Set
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from halfcycle.loop.filter_model import FilterCircuit, Real
from halfcycle.loop.judged_steps import TARGETS, UPWARD, Case, StepKind, judge
from halfcycle.loop.periodic import periodic_loop, radii_from
from halfcycle.loop.periodic_margins import board_gains, judged_lateness
from halfcycle.loop.plant_types import Plants

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

MIN_GAIN_MARGIN = 2.0
"""Least factor, on the periodic loop, by which the gain may grow at every board."""
MAX_DIP = 0.2
"""How far a step down to half may dip below it, a share of the step. It endangers no load, so that
the limit for overshoot is not its own."""
DESIGN_BAND = 0.019
"""Band into which the search settles: inside the 2 % of the definition, so that noise and rounding
in the firmware do not cost a half cycle."""
_LOOP = np.geomspace(0.1, 1.0, 36)
"""Integral constants looked at: gain per update times the delay of the reading, in updates."""
_PROPORTIONAL = np.array([-0.4, -0.2, -0.1, 0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8])
"""Proportional constants looked at, in units of the integral constant times half a window."""
_FINER_LOOP = np.geomspace(1 / 1.15, 1.15, 9)
"""Integral constants of the finer set, in units of the one that it lies about: two steps of the
other set either way."""
_FINER_PROPORTIONAL = np.linspace(-0.2, 0.2, 13)
"""Proportional constants of the finer set, from the one that it lies about, in their units."""
QUICK_PHASES = 8
_QUICK_POINTS = 8
_MS_POINTS = 160


def three_digits(value: float) -> Fraction:
    """The decimal of three digits nearest to ``value``."""
    if value == 0.0:
        return Fraction(0)
    exponent = math.floor(math.log10(abs(value))) - 2
    return round(value / 10.0**exponent) * Fraction(10) ** exponent


Pair = tuple[Fraction, Fraction]
"""Proportional and integral constant, per update."""


def coarse_pairs(spec: Spec, window: Window, plants: Plants) -> set[Pair]:
    """The pairs that are looked at first."""
    late = float(spec.update_within_s / window.update_s)
    delay = (window.samples / window.update_samples + 1) / 2 + late
    ki = _LOOP / (delay * float(plants.gains.max()))
    return _pairs(window, ki, _PROPORTIONAL)


def finer_pairs(window: Window, kp: Fraction, ki: Fraction) -> set[Pair]:
    """The pairs about ``kp`` and ``ki``: settling is counted in half-cycle RMS, so that it jumps
    between neighbours of the coarse set."""
    share = float(kp / ki) / _half_window(window)
    return _pairs(window, float(ki) * _FINER_LOOP, share + _FINER_PROPORTIONAL)


def _pairs(window: Window, ki: Real, shares: Real) -> set[Pair]:
    half = _half_window(window)
    return {
        (three_digits(share * integral * half), three_digits(integral))
        for integral in ki.tolist()
        for share in np.round(shares, 3).tolist()
    }


def _half_window(window: Window) -> float:
    """Half a window, in updates."""
    return window.samples / window.update_samples / 2


@dataclass
class Sieve:
    """The pairs of one window, and what is known of each.

    ``kp``, ``ki`` (G,) as fractions; ``peak`` (G,): averaged Ms, the worst of ``plants``;
    ``settling_s``, ``overshoot`` (G,): the worst of the runs so far; ``whole`` (G,): whether those
    were all there are.
    """

    spec: Spec
    window: Window
    horizon_s: float
    zero: float | None
    kp: list[Fraction]
    ki: list[Fraction]
    peak: Real
    settling_s: Real = field(init=False)
    overshoot: Real = field(init=False)
    whole: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        self.settling_s = np.zeros(len(self.kp))
        self.overshoot = np.zeros(len(self.kp))
        self.whole = np.zeros(len(self.kp), dtype=bool)

    @classmethod
    def of(  # noqa: PLR0917 (the loop, then how it is looked at)
        cls,
        spec: Spec,
        window: Window,
        plants: Plants,
        pairs: Set[Pair],
        horizon_s: float,
        zero: float | None = None,
    ) -> Sieve:
        """Those of ``pairs`` whose averaged Ms is below the spec's limit."""
        ordered = sorted(pairs, key=lambda pair: (pair[1], pair[0]))
        peak = averaged_peaks(plants, [p for p, _ in ordered], [i for _, i in ordered])
        limit = float(spec.targets.peak_sensitivity)
        rows = np.nonzero(np.round(peak, 6) <= limit)[0]
        return cls(
            spec,
            window,
            horizon_s,
            zero,
            [ordered[row][0] for row in rows],
            [ordered[row][1] for row in rows],
            peak[rows],
        )

    @property
    def left(self) -> NDArray[np.intp]:
        """Pairs that are still in question."""
        return np.nonzero(np.isfinite(self.settling_s))[0]

    def stable(
        self,
        circuits: Sequence[FilterCircuit],
        rows: NDArray[np.intp],
        lates: Sequence[Fraction] = (),
    ) -> list[int]:
        """Drop those of ``rows`` with which the periodic loop of any of ``circuits`` is not stable
        at doubled gain, with updates as late as they may be or at each of ``lates`` (s); the
        circuits that drop them."""
        gains = MIN_GAIN_MARGIN * board_gains(self.spec, circuits)[:, 1]
        dropped = []
        for late in lates or judged_lateness(self.spec, self.window)[-1:]:
            loop = periodic_loop(self.spec, self.window, circuits, late)
            for row in rows:
                kp, ki = float(self.kp[row]), float(self.ki[row])
                radius = np.round(radii_from(1.0, loop, kp * gains, ki * gains), 9)
                if radius.max() >= 1.0:
                    self.settling_s[row] = np.inf
                    dropped.append(int(radius.argmax()))
        return dropped

    def run(
        self,
        kind: StepKind,
        boards: Sequence[Case],
        rows: NDArray[np.intp],
        *,
        phases: int = QUICK_PHASES,
        latest: bool = False,
        points: int = _QUICK_POINTS,
    ) -> list[Case]:
        """Run the pairs in ``rows`` through one kind of step on some boards; what does not settle
        drops out. ``latest``: with updates as late as they may be only; ``points``: of a half
        cycle at which its RMS is computed, at least. The boards that are the slowest and the
        farthest overshooting of any pair."""
        if not len(rows) or not boards:
            return []
        judged = judge(
            self.spec,
            self.window,
            kind,
            boards,
            np.array([float(self.kp[row]) for row in rows]),
            np.array([float(self.ki[row]) for row in rows]),
            self.horizon_s,
            phases=phases,
            band=DESIGN_BAND,
            zero=self.zero,
            lates=judged_lateness(self.spec, self.window)[-1:] if latest else None,
            moments=1,
            points=points,
        )
        settling, overshoot = np.round(judged.settling_s, 9), np.round(judged.overshoot, 9)
        self.settling_s[rows] = np.maximum(self.settling_s[rows], settling.max(axis=0))
        worst = {int(row) for row in settling.argmax(axis=0)}
        if kind in TARGETS:
            worst |= {int(row) for row in overshoot.argmax(axis=0)}
        if kind in UPWARD:
            self.overshoot[rows] = np.maximum(self.overshoot[rows], overshoot.max(axis=0))
        elif kind in TARGETS:
            self.settling_s[rows[overshoot.max(axis=0) > MAX_DIP]] = np.inf
        return [boards[row] for row in sorted(worst)]


def averaged_peaks(plants: Plants, kp: Sequence[Fraction], ki: Sequence[Fraction]) -> Real:
    """Ms (G,) of each pair on a grid of frequencies, the worst of ``plants``."""
    theta = np.concatenate(
        [np.geomspace(1e-3, 0.05, 24), np.linspace(0.05, math.pi, _MS_POINTS)[1:]]
    )
    back = np.exp(-1j * theta)
    powers = back[None, :] ** np.arange(1, plants.weights.shape[1] + 1)[:, None]
    plant = plants.taps @ powers
    own = 1.0 / (1.0 - back)
    p, i = (np.array([float(k) for k in values])[:, None] for values in (kp, ki))
    law = p + i * own[None, :]
    nearest = np.full(len(p), np.inf)
    for row in plant:
        nearest = np.minimum(nearest, np.abs(1.0 + law * row[None, :]).min(axis=1))
    return np.asarray(1.0 / np.maximum(nearest, 1e-12))
