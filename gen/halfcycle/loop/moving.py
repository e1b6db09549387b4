"""PI constants for windows that move or are weighted: searched on the true loop, and analysed.

What counts is what a board does: the periodic loop stable with twice the gain at every filter and
offset of the sampling, the averaged Ms below the spec's limit, and runs of the true circuit that
settle in half-cycle RMS, whatever steps: the target up and down, the load, the bus. Constants may
have either sign of Kp. Of those that settle in time the ones with the least Ms are taken, or, if
asked for the fastest, those that settle first.
"""

from __future__ import annotations

import math
from copy import copy
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from halfcycle.loop.corner_filters import corner_filters, resonance_line, ringing_loads
from halfcycle.loop.filter_model import FilterCircuit
from halfcycle.loop.judged_steps import PHASES, Case, StepKind, cases
from halfcycle.loop.moving_figures import Analysed, MovingFigures, moving_figures
from halfcycle.loop.moving_plants import moving_plants
from halfcycle.loop.moving_search import (
    MIN_GAIN_MARGIN,
    QUICK_PHASES,
    Sieve,
    coarse_pairs,
    finer_pairs,
)
from halfcycle.loop.periodic_margins import board_gains, lateness_between
from halfcycle.loop.plant import window_timing
from halfcycle.loop.plant_types import Plants
from halfcycle.loop.targets import LoopTargets
from halfcycle.loop.time_domain import HALF_CYCLE_POINTS
from halfcycle.loop.true_settling import (
    HALF_CYCLES,
    INSIDE_KINDS,
    followed_s,
    inside_cases,
)

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

_TARGET_KINDS: tuple[StepKind, ...] = ("half down", "up", "half up")
_OTHER_KINDS: tuple[StepKind, ...] = ("load off", "load on", "bus down", "bus up")
BATCH, MAX_ROUNDS, MAX_GUILTY = 6, 12, 4
"""So many pairs at a time are run with every board, so often at most; and so many of the boards
that turn pairs down are run with the others."""
MAX_LIGHT, MAX_LINE = 48, 64
MAX_DESIGNS = 8
"""Pairs whose figures are made in full; the first looks are at fewer phases."""
_FASTEST_WINDOWS = (2.5, 5.0, 12.0)
"""Windows, and half cycles besides, in which the fastest is looked for, one after the other."""
_SLOWEST_WINDOWS = 40.0
"""Boards are followed for no more windows than that: constants that are slower are not in question,
however long may be allowed."""
FINER_GAIN = 1.15
"""Finer constants are taken to settle sooner than the coarse ones by this factor at most (by 1.1,
on some twenty windows at 50 and 60 Hz)."""
_FALLBACK = (Fraction(0), Fraction(1, 100))
_MS_DIGITS = 2
"""Digits of Ms that count between pairs; equal ones are told apart by their settling."""


@dataclass(frozen=True, slots=True)
class MovingDesign:
    """Constants per update, exact, and what they give. ``plants``: averaged, of ``figures``.
    ``analysed``: what those margins are made of that ``figures`` have not yet."""

    kp: Fraction
    ki: Fraction
    figures: MovingFigures
    plants: Plants
    analysed: Analysed


@dataclass(frozen=True, slots=True)
class MovingRefusal:
    """No constants meet the targets. The fields as ``gains.GainRefusal`` has them: ``settling_ms``
    is the best there is within overshoot, Ms and gain margin (None: nothing settles in the time
    looked at, or the best was not looked for) and ``kp``, ``ki``, ``figures`` are those of it;
    ``corner`` is the board that is the slowest there. ``overshoot_percent``: least there is within
    the settling time, over the few boards of the search; None if nothing settles in it.
    ``at_least_ms``: no constants are taken to settle sooner within the overshoot on these few
    boards, nor finer ones; None if nothing settles in the time looked at."""

    settling_ms: float | None
    overshoot_percent: float | None
    at_least_ms: float | None
    corner: str
    kp: Fraction
    ki: Fraction
    figures: MovingFigures
    plants: Plants


@dataclass(frozen=True, slots=True)
class _Boards:
    """Circuits at the ends of the tolerances, and inside them along the resonances."""

    corners: list[FilterCircuit]
    line: list[FilterCircuit]
    quick: list[FilterCircuit]

    @classmethod
    def of(cls, spec: Spec, window: Window) -> _Boards:
        """Those of a spec; the quick ones are the lightest load's and the weakest."""
        corners = corner_filters(spec)
        timing = window_timing(spec, window)
        line = [c for load in ringing_loads(spec) for c in resonance_line(spec, load, timing)]
        lightest = [c for c in corners if c.load == corners[0].load]
        weakest = corners[int(board_gains(spec, corners)[:, 0].argmin())]
        quick = lightest[:: len(lightest) - 1 or 1]
        return cls(corners, line, [*quick, *(() if weakest in quick else (weakest,))])

    @property
    def light(self) -> list[FilterCircuit]:
        """Filters inside with the lightest load, which ring the longest: MAX_LIGHT of them, evenly
        spaced. The figures of a design look at all."""
        light = [c for c in self.line if c.load == self.line[0].load]
        return light[:: math.ceil(len(light) / MAX_LIGHT) or 1]

    @property
    def judged(self) -> list[FilterCircuit]:
        """Circuits that the search asks for a gain margin: the corners, and MAX_LINE of the others
        evenly spaced. The figures of a design look at all."""
        return [*self.corners, *self.line[:: math.ceil(len(self.line) / MAX_LINE) or 1]]


class _Search:
    """One window's search: pairs in the order of ``allowed_s``, boards joining as they matter."""

    def __init__(
        self,
        spec: Spec,
        window: Window,
        zero: float | None,
        horizon_s: float,
        allowed_s: float | None,
    ) -> None:
        self.spec, self.window, self.zero, self.allowed_s = spec, window, zero, allowed_s
        self.boards = _Boards.of(spec, window)
        self.plants = moving_plants(spec, window, self.boards.corners)
        pairs = coarse_pairs(spec, window, self.plants)
        self.sieve = Sieve.of(spec, window, self.plants, pairs, horizon_s, zero)
        self.overshoot = float(spec.targets.overshoot_percent) / 100 + 1e-8

    def about(self, kp: Fraction, ki: Fraction) -> _Search:
        """A search of the finer pairs about ``kp`` and ``ki``, over the same boards."""
        finer, horizon_s = copy(self), self.sieve.horizon_s
        pairs = finer_pairs(self.window, kp, ki)
        finer.sieve = Sieve.of(self.spec, self.window, self.plants, pairs, horizon_s, self.zero)
        return finer

    def begin(self) -> bool:
        """The first look, at two boards; whether anything is left."""
        quick = self.boards.quick
        ends = cases(self.spec, "half down", quick[:: len(quick) - 1 or 1])
        self.sieve.run("half down", ends, self.sieve.left, phases=4, latest=True)
        return bool(len(self._order()))

    def best(self) -> int | None:
        """The pair that is the best over all boards; None if none meets the limits."""
        sieve, quick = self.sieve, self.boards.quick
        self.begin()
        sieve.stable(quick, self._order())
        for kind in ("half down", "up"):
            sieve.run(kind, cases(self.spec, kind, quick), self._order(), phases=6, latest=True)
        for _ in range(MAX_ROUNDS):
            order = self._order()
            if not len(order):
                return None
            if sieve.whole[order[0]]:
                return int(order[0])
            self._look(order[:BATCH][~sieve.whole[order[:BATCH]]])
        return next((int(row) for row in self._order() if sieve.whole[row]), None)

    def missed(self, row: int, analysed: Analysed) -> None:
        """A pair that misses its targets at more phases and boards than it was tried at: the worst
        of them sift the others."""
        self.sieve.settling_s[row] = math.inf
        if not _is_enough(analysed.figures.periodic_gain_margin):
            self.sieve.stable(analysed.scans.tightest, self._order())
        for kind, some in analysed.inside.items():
            self.sieve.run(kind, some, self._order(), phases=PHASES)

    def loose_between(self, row: int, analysed: Analysed) -> bool:
        """Whether a pair has less than the gain margin with updates between at once and as late as
        they may be. The boards that show it sift the others."""
        margin, between = analysed.margin_between(), analysed.scans.between
        if margin is None or between is None or _is_enough(margin[0]):
            return False
        self.sieve.settling_s[row] = math.inf
        lates = lateness_between(self.spec, self.window)
        self.sieve.stable(between.tightest, self._order(), lates)
        return True

    def overshoots(self, row: int) -> bool:
        """Whether a pair goes too far up from zero with a filter that rings, at all the phases that
        its figures are of, which take ten times as long. The boards that show it sift the
        others."""
        sieve, line = self.sieve, self.boards.line
        settled, only = sieve.settling_s.copy(), np.array([row])
        ringing = cases(self.spec, "up", [c for c in line if c.load == line[0].load])
        worst = sieve.run("up", ringing, only)
        sieve.run("up", worst, only, phases=PHASES, points=HALF_CYCLE_POINTS)
        beyond = bool(sieve.overshoot[row] > self.overshoot)
        if beyond:
            sieve.run("up", worst, self._order(), phases=PHASES, points=HALF_CYCLE_POINTS)
        # The order goes by the phases of the search.
        sieve.settling_s[:] = settled
        return beyond

    def _order(self) -> NDArray[np.intp]:
        """Pairs that may meet the limits, the best first, as far as runs have shown."""
        sieve = self.sieve
        limit = math.inf if self.allowed_s is None else self.allowed_s
        rows = [
            (round(float(sieve.peak[r]), _MS_DIGITS), round(float(sieve.settling_s[r]), 6), int(r))
            for r in sieve.left
            if sieve.settling_s[r] <= limit and sieve.overshoot[r] <= self.overshoot
        ]
        if self.allowed_s is None:
            rows = [(settled, peak, r) for peak, settled, r in rows]
        return np.array([row[2] for row in sorted(rows)], dtype=np.intp)

    def _look(self, batch: NDArray[np.intp]) -> None:
        """Run a batch of pairs with every board; the boards that turn one down, with all others."""
        sieve, met = self.sieve, frozenset(batch.tolist())

        def left() -> NDArray[np.intp]:
            return np.array([r for r in self._order() if int(r) in met], dtype=np.intp)

        guilty: list[tuple[StepKind, list[Case]]] = []
        circuits = self.boards.judged
        dropped = sieve.stable(circuits, left())
        if dropped:
            sieve.stable([circuits[row] for row in sorted(set(dropped))], self._order())
        for line in (False, True):
            for kind in INSIDE_KINDS if line else (*_TARGET_KINDS, *_OTHER_KINDS):
                before = left()
                boards = (
                    inside_cases(self.spec, kind, self.boards.light, self.boards.corners)
                    if line
                    else cases(self.spec, kind, self.boards.corners)
                )
                worst = sieve.run(kind, boards, before, phases=QUICK_PHASES)
                if len(left()) < len(before):
                    guilty.append((kind, worst))
        sieve.whole[left()] = True
        for kind, worst in guilty:
            others = self._order()
            sieve.run(kind, worst[:MAX_GUILTY], others[~sieve.whole[others]], phases=QUICK_PHASES)


def moving_design(
    spec: Spec,
    window: Window,
    *,
    settling_s: float | None = None,
    zero: float | None = None,
    brief: bool = False,
    of_use_s: float = math.inf,
    finer: bool = True,
) -> MovingDesign | MovingRefusal:
    """Constants for ``window``, per update: settled within ``settling_s`` seconds, with the least
    Ms; the fastest there are if that is None. ``zero``: error of the sensor's zero that is left, of
    rated peak (0 if it is tracked); the spec's tolerance if None. ``brief``: if none settle in
    time, the best there are are not looked for. ``of_use_s``: the fastest are of no use if they
    take longer, and are not looked for any more as soon as that is clear. ``finer``: the fastest
    are looked for on the finer grid too, which takes as long again.

    Raises ``ValueError`` if every sample falls on the same point of the half cycle.
    """
    half = 0.5 / float(spec.output.frequency_hz)
    if settling_s is not None:
        followed_s = min(settling_s, _SLOWEST_WINDOWS * float(window.duration_s))
        search = _Search(spec, window, zero, followed_s + HALF_CYCLES * half, settling_s)
        designed = _first(search, settling_s)
        if designed is not None:
            return designed
        if brief:
            return _refusal(search, None, settling_s)
    # Best first, so that one half cycle more costs little: at 400 Hz the narrower band took two.
    useful_s = _coarse_s(spec, of_use_s) + half
    for windows in _FASTEST_WINDOWS:
        horizon_s = windows * float(window.duration_s) + HALF_CYCLES * half
        search = _Search(spec, window, zero, horizon_s, None)
        fastest = _first(search, math.inf, useful_s)
        if fastest is not None:
            if finer:
                fastest = _finer(search, fastest, of_use_s)
            if settling_s is None or _meets(spec, fastest.figures, settling_s):
                return fastest
            return _refusal(search, fastest, settling_s)
        if horizon_s > useful_s:
            break
    return _refusal(search, None, settling_s)


def _coarse_s(spec: Spec, settling_s: float) -> float:
    """Coarse constants that settle later than that, seconds, on the boards of a search have no
    finer ones beside them that settle within ``settling_s``. The search's band is a little
    narrower, which may cost a half cycle."""
    return FINER_GAIN * settling_s + 0.5 / float(spec.output.frequency_hz)


def _finer(search: _Search, coarse: MovingDesign, of_use_s: float) -> MovingDesign:
    """The fastest of the finer constants about ``coarse`` if it settles sooner, and else that; not
    looked for if none can settle within ``of_use_s``."""
    settles_ms = coarse.figures.settling_ms
    if settles_ms is None or settles_ms > 1000 * FINER_GAIN * of_use_s:
        return coarse
    best = _first(search.about(coarse.kp, coarse.ki), math.inf, settles_ms / 1000)
    if best is None or (best.figures.settling_ms or math.inf) >= settles_ms:
        return coarse
    return best


def _first(search: _Search, settling_s: float, useful_s: float = math.inf) -> MovingDesign | None:
    """The best design of a search that settles within ``settling_s`` and meets the other targets;
    None if there is none, or none on the boards of the search within ``useful_s``. Each pair that
    is not enough sifts those after it."""
    for _ in range(MAX_DESIGNS):
        row = search.best()
        if row is None or search.sieve.settling_s[row] > useful_s:
            return None
        if search.overshoots(row):
            continue
        designed = _designed(search, row)
        if not _meets(search.spec, designed.figures, settling_s):
            search.missed(row, designed.analysed)
        elif not search.loose_between(row, designed.analysed):
            return designed
    return None


def may_settle(spec: Spec, window: Window, settling_s: float) -> bool:
    """Whether any constants settle within ``settling_s`` on two boards, so that ``window`` is
    worth a search.

    Raises ``ValueError`` as :func:`moving_design`.
    """
    half = 0.5 / float(spec.output.frequency_hz)
    return _Search(spec, window, None, settling_s + HALF_CYCLES * half, settling_s).begin()


def can_settle(spec: Spec, window: Window, settling_s: float) -> bool:
    """Whether any constants settle within ``settling_s`` on the boards of a search, of those that
    it tries: a closer look than :func:`may_settle`, and ten times as long.

    Raises ``ValueError`` as :func:`moving_design`.
    """
    half = 0.5 / float(spec.output.frequency_hz)
    useful_s = _coarse_s(spec, settling_s)
    return _Search(spec, window, None, useful_s + HALF_CYCLES * half, useful_s).best() is not None


def _designed(search: _Search, row: int) -> MovingDesign:
    """The design with the pair in ``row``."""
    sieve = search.sieve
    kp, ki = sieve.kp[row], sieve.ki[row]
    horizon_s = followed_s(search.spec, float(sieve.settling_s[row]))
    analysed = moving_figures(
        search.spec, search.window, kp, ki, zero=search.zero, horizon_s=horizon_s
    )
    return MovingDesign(kp, ki, analysed.figures, analysed.plants, analysed)


def _meets(spec: Spec, figures: MovingFigures, settling_s: float) -> bool:
    """Whether figures over all boards and phases meet what is asked for."""
    goal = LoopTargets(
        1000.0 * settling_s,
        float(spec.targets.overshoot_percent),
        float(spec.targets.peak_sensitivity),
    )
    return goal.met(figures) and goal.robust(figures) and _is_enough(figures.periodic_gain_margin)


def _is_enough(gain_margin: float | None) -> bool:
    return (gain_margin or 0.0) >= MIN_GAIN_MARGIN - 1e-6


def _refusal(search: _Search, best: MovingDesign | None, allowed_s: float | None) -> MovingRefusal:
    """The refusal with the best there is; if nothing settles, with a pair from the middle, whose
    figures are without runs: boards would be followed in vain for as long as anything might take.
    """
    sieve = search.sieve
    overs = [
        float(sieve.overshoot[r])
        for r in sieve.left
        if allowed_s is not None and sieve.settling_s[r] <= allowed_s
    ]
    shown = best
    if shown is None:
        middle = len(sieve.kp) // 2
        kp, ki = (sieve.kp[middle], sieve.ki[middle]) if sieve.kp else _FALLBACK
        analysed = moving_figures(search.spec, search.window, kp, ki, zero=search.zero, runs=False)
        shown = MovingDesign(kp, ki, analysed.figures, analysed.plants, analysed)
    figures = shown.figures
    least_s = sieve.settling_s[sieve.left[sieve.overshoot[sieve.left] <= search.overshoot]]
    least_s = least_s / FINER_GAIN
    return MovingRefusal(
        settling_ms=figures.settling_ms if best else None,
        overshoot_percent=100.0 * min(overs) if overs else None,
        at_least_ms=1000.0 * float(least_s.min()) if len(least_s) else None,
        corner=figures.worst.get("settling_ms", figures.worst["slowest_pole"]),
        kp=shown.kp,
        ki=shown.ki,
        figures=figures,
        plants=shown.plants,
    )


def analyse_moving(
    spec: Spec,
    window: Window,
    kp: float | Fraction,
    ki: float | Fraction,
    *,
    zero: float | None = None,
) -> MovingFigures:
    """Figures of given constants per update, over all boards; ``zero`` as in
    :func:`moving_design`."""
    return moving_figures(spec, window, kp, ki, zero=zero).with_margins()
