"""Per-window PI constants that meet settling and overshoot at every corner with most margin.

Most margin means the least peak sensitivity Ms at the worst corner; an Ms above the spec's limit is
refused whatever the other targets (2 by default: 1.3 to 2 is commonly asked for; Wikipedia,
"Sensitivity (control systems)"). The loop is slowest, and Ms least, at the least integral
constant that still settles in time, so the search looks for that at each proportional constant.

The constants are decimals of three digits, numbered by integers, and the search goes over those
integers. So the same spec gives the same constants on every machine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.loop.figures import LoopFigures, Number, analyse
from halfcycle.loop.filter_model import Real
from halfcycle.loop.frequency_response import peak_sensitivity
from halfcycle.loop.plant_types import Plants
from halfcycle.loop.ringing import RingingLines
from halfcycle.loop.step_response import judged_steps, step_figures
from halfcycle.loop.targets import LoopTargets

DESIGN_BAND = 0.018
"""Band that the search settles into: inside the 2 % of the definition, so that rounding in the
firmware does not cost a window."""
INSIDE_BAND = 0.019
"""The same for filters inside the tolerances. Half the room will do: rounding moves a reading by
less than a thousandth, and these are sought out as the very worst."""
GENTLE = 1.2
"""Worst Ms at which integral action alone is taken without a look at proportional action."""
_MS_DIGITS = 2
"""Digits of Ms that count: proportional action must better it by about 0.01 to be used."""
_PROPORTIONAL = (0.1, 0.025, 0.00625)
"""Steps of the search for the proportional constant, each around the best of the one before, in
units of 1 over the greatest gain."""
_DUST = 1e-8
"""Overshoot that is not one: where none is allowed, rounding would decide on some machines."""
_COARSE, _DENSE, _SECTIONS = 24, 96, 8
MAX_ALLOWED = 256
"""Windows for settling that are made use of: a loop that takes so many has an Ms of 1.02, and a
slower one gains nothing by it."""
_REFUSAL_HORIZON, _REFUSAL_BEYOND = 128, 64
"""Windows in which the best of a refusal is sought, and so many beyond those allowed."""
MAX_ROUNDS = 8
"""Times that constants are sought anew because filters inside the tolerances were worse."""


@dataclass(frozen=True, slots=True)
class GainDesign:
    """Constants per window, exact, and what they give over the corners of ``plants``."""

    kp: Fraction
    ki: Fraction
    figures: LoopFigures
    plants: Plants


@dataclass(frozen=True, slots=True)
class GainRefusal:
    """No constants meet both targets at every corner with an Ms inside the limit.

    ``settling_ms``: best there is within the overshoot, None if that is beyond the search;
    ``corner`` is the slowest one there and ``kp``, ``ki`` are its constants; ``figures`` are what
    they give over the corners of ``plants``. ``overshoot_percent``: least there is within the
    settling time, None if nothing settles in it.
    """

    settling_ms: float | None
    overshoot_percent: float | None
    corner: str
    kp: Fraction
    ki: Fraction
    figures: LoopFigures
    plants: Plants


@dataclass(frozen=True, slots=True)
class _Targets:
    """What the loop must do: windows of ``window_s`` seconds, settled after ``settling_s``, that is
    in ``allowed`` windows; ``overshoot`` and ``ripple`` (at rest), shares of the step; ``peak``:
    the greatest Ms."""

    window_s: Number
    settling_s: float
    allowed: int
    overshoot: float
    ripple: float
    peak: float


def design_gains(  # noqa: PLR0917 (plants, targets, filters inside)
    plants: Plants,
    window_s: Number,
    settling_s: Number,
    overshoot: Number,
    ripple: float = 0.0,
    lines: RingingLines | None = None,
    *,
    max_sensitivity: Number = 2.0,
) -> GainDesign | GainRefusal:
    """Constants for ``plants`` with windows of ``window_s`` seconds: settled within
    ``settling_s`` seconds, overshoot at most that share of the step. ``ripple`` as
    :func:`halfcycle.loop.figures.analyse` has it. ``lines``: filters inside the tolerances, of
    which those that turn out to be the worst are added to the corners. ``max_sensitivity``: the
    greatest Ms that is accepted."""
    allowed = min(math.floor(Fraction(settling_s) / Fraction(window_s)), MAX_ALLOWED)
    greatest = float(max_sensitivity)
    targets = _Targets(window_s, float(settling_s), allowed, float(overshoot), ripple, greatest)
    if lines is None:
        return _design_for(plants, targets)
    for _ in range(MAX_ROUNDS):
        designed = _design_for(plants, targets)
        claimed = _claimed_windows(designed, targets)
        roomy = _settles_with_room(designed.plants, designed, targets, claimed)
        figures, plants = analyse_inside(
            designed.plants,
            lines,
            designed.kp,
            designed.ki,
            window_s,
            ripple,
            figures=designed.figures,
            settled_in=(INSIDE_BAND, claimed) if roomy else None,
        )
        if plants is designed.plants:
            return designed
        if (
            isinstance(designed, GainDesign)
            and _as_good(figures, designed.figures, targets)
            and (not roomy or _settles_with_room(plants, designed, targets, allowed))
        ):
            return replace(designed, figures=figures, plants=plants)
    best = _refuse(_Search(plants, _extreme_rows(plants), targets), plants, targets)
    figures, plants = analyse_inside(
        plants, lines, best.kp, best.ki, window_s, ripple, figures=best.figures
    )
    if isinstance(best, GainDesign) and _meets(figures, targets):
        return replace(best, figures=figures, plants=plants)
    refusal = refusal_of(figures, best.kp, best.ki, plants)
    # No more is claimed of it than its own constants give.
    in_band = _meets(figures, replace(targets, settling_s=math.inf))
    return replace(
        refusal, settling_ms=figures.settling_ms if in_band else None, overshoot_percent=None
    )


def _claimed_windows(designed: GainDesign | GainRefusal, targets: _Targets) -> int:
    """Windows in which the loop is said to settle: those allowed, or the best of a refusal."""
    if isinstance(designed, GainDesign):
        return targets.allowed
    return round((designed.settling_ms or 0.0) / (1000.0 * float(targets.window_s)))


def analyse_inside(  # noqa: PLR0917 (analyse's arguments)
    plants: Plants,
    lines: RingingLines,
    kp: Number,
    ki: Number,
    window_s: Number,
    ripple: float = 0.0,
    *,
    figures: LoopFigures | None = None,
    settled_in: tuple[float, int] | None = None,
) -> tuple[LoopFigures, Plants]:
    """Figures as :func:`halfcycle.loop.figures.analyse` has them (``figures`` if they are known),
    and the plants that they are of: ``plants``, with the filters inside the tolerances that are
    worse; ``plants`` itself if none is. ``settled_in``: a band, and the windows after which a
    filter that is still outside it counts as worse too."""
    figures = figures or analyse(plants, kp, ki, window_s, ripple)
    room = settled_in and (settled_in[0] - ripple, settled_in[1])
    more = lines.with_worst(plants, figures, float(kp), float(ki), SETTLING_BAND - ripple, room)
    if more is plants:
        return figures, plants
    return analyse(more, kp, ki, window_s, ripple), more


def _as_good(figures: LoopFigures, before: LoopFigures, targets: _Targets) -> bool:
    """Whether the targets are met with further corners too, with about the same Ms."""
    peak, was = figures.peak_sensitivity, before.peak_sensitivity
    if not _meets(figures, targets) or peak is None or was is None:
        return False
    return round(peak, _MS_DIGITS) <= max(round(was, _MS_DIGITS), GENTLE)


def _settles_with_room(
    plants: Plants, constants: GainDesign | GainRefusal, targets: _Targets, allowed: int
) -> bool:
    """Whether every corner settles in ``allowed`` windows into the band of the search."""
    if targets.ripple >= DESIGN_BAND:
        return False
    settled = step_figures(
        plants.step_taps,
        float(constants.kp),
        float(constants.ki),
        np.ones(len(plants.gains), dtype=bool),
        plants.scale_curve(),
        _bands(plants, targets),
        plants.step_law(),
    ).windows
    return bool((settled > 0).all() and settled.max() <= allowed)


def _bands(plants: Plants, targets: _Targets) -> Real:
    """Band (C,) into which the search settles each corner; not above 0: nothing settles."""
    inside = np.array([corner.inside for corner in plants.corners])
    return np.where(inside, INSIDE_BAND, DESIGN_BAND) - targets.ripple


def _design_for(plants: Plants, targets: _Targets) -> GainDesign | GainRefusal:
    """The constants for these corners alone."""
    for rows in (_extreme_rows(plants), np.arange(len(plants.gains))):
        search = _Search(plants, rows, targets)
        possible = targets.allowed >= 1 and targets.ripple < DESIGN_BAND
        best = search.best() if possible else None
        if best is None:
            return _refuse(search, plants, targets)
        kp, ki = best
        figures = analyse(plants, kp, ki, targets.window_s, targets.ripple)
        if _meets(figures, targets):
            return GainDesign(kp, ki, figures, plants)
        # A gain between the extremes was worse than both: look again with every corner.
    return _refuse(search, plants, targets)


def _meets(figures: LoopFigures, targets: _Targets) -> bool:
    goal = LoopTargets(1000.0 * targets.settling_s, 100.0 * targets.overshoot, targets.peak)
    return goal.met(figures) and goal.robust(figures)


def _extreme_rows(plants: Plants) -> NDArray[np.intp]:
    """Corners with the least and the greatest gain of each set of weights: those between need
    no look until the end."""
    _, group = np.unique(np.round(plants.weights, 12), axis=0, return_inverse=True)
    order = np.lexsort((plants.gains, group.ravel()))
    groups = group.ravel()[order]
    edge = np.concatenate([[True], groups[1:] != groups[:-1]])
    last = np.concatenate([edge[1:], [True]])
    return np.sort(order[edge | last])


class _Search:
    """The search over constants for one choice of corners."""

    def __init__(self, plants: Plants, rows: NDArray[np.intp], targets: _Targets) -> None:
        allowed = targets.allowed
        self.taps: Real = plants.taps[rows]
        self.step_taps: Real = plants.step_taps[rows]
        self.curve = plants.scale_curve(rows)
        self.law = plants.step_law(rows)
        self.rows = rows
        self.strongest = float(plants.loop_gains[rows].max())
        self.allowed = allowed
        self.overshoot = targets.overshoot
        self.peak_allowed = targets.peak
        self.band = _bands(plants, targets)[rows]
        slowest = (
            1.0 - max(0.0, DESIGN_BAND - targets.ripple) ** (1.0 / max(allowed, 1))
        ) / self.strongest
        self.low, self.high = _number_of(0.25 * slowest), _number_of(1.8 / self.strongest)

    def best(self) -> tuple[Fraction, Fraction] | None:
        """Constants with the least worst Ms, or None if there are none."""
        best = self._least_sensitive({_ZERO}, _COARSE)
        if best is None or best[0] > GENTLE:
            middle, proportional = 0.4, {_ZERO}
            for step in _PROPORTIONAL:
                around = (middle + step * i for i in range(-4, 5))
                further = {_number_of(x / self.strongest) for x in around if x > step / 2}
                further -= proportional
                proportional |= further
                better = self._least_sensitive(further, _COARSE)
                if better is None and best is None:
                    better = self._least_sensitive(proportional, _DENSE)
                best = min((x for x in (best, better) if x is not None), default=None)
                if best is None:
                    break
                middle = _float(best[1]) * self.strongest
        return best and (_exact(best[1]), _exact(best[2]))

    def _least_sensitive(self, kp: set[int], count: int) -> tuple[float, int, int] | None:
        """Worst Ms, rounded, and the constants that make it least; on a par, the smaller ones."""
        candidates = []
        for p, i in self._least_integral(sorted(kp), count).items():
            peak = self.peak(p, i)
            if peak <= self.peak_allowed:
                candidates.append((round(peak, _MS_DIGITS), p, i))
        return min(candidates, default=None)

    def peak(self, kp: int, ki: int) -> float:
        return float(peak_sensitivity(self.taps, _float(kp), _float(ki)).max())

    def _least_integral(self, proportional: list[int], count: int) -> dict[int, int]:
        """Least integral constant that meets the targets for each proportional one that has any:
        the first of ``count`` that does, then closer looks between it and the one below."""
        first = np.unique(np.linspace(self.low, self.high, count).round().astype(int))
        met = self._met(np.array(proportional), np.tile(first, (len(proportional), 1)))
        bracket: dict[int, tuple[int, int]] = {}
        for kp, row in zip(proportional, met, strict=True):
            if row.any():
                at = int(row.argmax())
                bracket[kp] = (int(first[max(at - 1, 0)]), int(first[at]))
        while any(high - low > 1 for low, high in bracket.values()):
            keys = list(bracket)
            numbers = np.array(
                [np.linspace(*bracket[kp], _SECTIONS + 2).round().astype(int) for kp in keys]
            )
            met = self._met(np.array(keys), numbers)
            met[:, -1] = True
            met[:, 0] = False
            for kp, row, line in zip(keys, met, numbers, strict=True):
                at = int(row.argmax())
                bracket[kp] = (int(line[at - 1]), int(line[at]))
        return {kp: high for kp, (_, high) in bracket.items()}

    def _met(self, kp: NDArray[np.int64], ki: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether each of ``ki`` (P, N) meets the targets at each ``kp`` (P,): (P, N)."""
        windows, over = self.figures(kp[:, None], ki, self.allowed + min(self.allowed, 16) + 2)
        return np.asarray((windows <= self.allowed) & (over <= self.overshoot + _DUST))

    def figures(
        self, kp: NDArray[np.int64], ki: NDArray[np.int64], horizon: int
    ) -> tuple[NDArray[np.int64], Real]:
        """Worst settled window and overshoot over the corners, the shape of ``ki``."""
        p = np.broadcast_to(_floats(kp), ki.shape)[..., None]
        i = _floats(ki)[..., None]
        last = np.zeros((*ki.shape, len(self.taps)), dtype=np.int64)
        top = np.zeros(last.shape)
        with np.errstate(over="ignore", invalid="ignore"):
            for course in judged_steps(self.step_taps, p, i, horizon, self.curve, self.law):
                for k, y in enumerate(course, start=1):
                    outside = ~(np.abs(1.0 - y) <= self.band)
                    np.maximum(last, k, out=last, where=outside)
                    np.fmax(top, y, out=top)
        return last.max(axis=-1) + 1, np.maximum(top.max(axis=-1) - 1.0, 0.0)


def _refuse(search: _Search, plants: Plants, targets: _Targets) -> GainDesign | GainRefusal:
    """The best there is, over a dense grid of both constants; a design if that will do."""
    allowed, window_s = targets.allowed, targets.window_s
    kp = np.array([_ZERO, *(_number_of(x / search.strongest) for x in np.linspace(0.1, 0.8, 8))])
    low = _number_of(0.01 / search.strongest)
    line = np.unique(np.linspace(low, search.high, _DENSE).round().astype(int))
    ki = np.tile(line, (len(kp), 1))
    horizon = max(_REFUSAL_HORIZON, min(2 * allowed + 8, allowed + _REFUSAL_BEYOND))
    if targets.ripple >= DESIGN_BAND:
        horizon = 16  # The output's own ripple is beyond the band: nothing settles, ever.
    windows, over = search.figures(kp[:, None], ki, horizon)
    order = sorted(
        (int(windows[a, b]), round(float(over[a, b]), 6), int(kp[a]), int(ki[a, b]))
        for a, b in np.ndindex(windows.shape)
    )
    within = [x for x in order if x[0] <= horizon]
    fits = [x for x in within if x[1] <= search.overshoot]
    soonest = next((x for x in fits if search.peak(*x[2:]) <= targets.peak), None)
    in_time = sorted((x for x in within if x[0] <= allowed), key=lambda x: x[1:])
    gentlest = next((x for x in in_time if search.peak(*x[2:]) <= targets.peak), None)
    chosen = soonest or (fits or within or order)[0]
    figures = analyse(plants, _exact(chosen[2]), _exact(chosen[3]), window_s, targets.ripple)
    if _meets(figures, replace(targets, settling_s=allowed * float(window_s))):
        return GainDesign(_exact(chosen[2]), _exact(chosen[3]), figures, plants)
    refusal = refusal_of(figures, _exact(chosen[2]), _exact(chosen[3]), plants)
    return replace(
        refusal,
        settling_ms=figures.settling_ms if soonest else None,
        overshoot_percent=100.0 * gentlest[1] if gentlest else None,
    )


def refusal_of(figures: LoopFigures, kp: Fraction, ki: Fraction, plants: Plants) -> GainRefusal:
    """The refusal whose best constants these are."""
    return GainRefusal(
        settling_ms=figures.settling_ms,
        overshoot_percent=figures.overshoot_percent,
        corner=figures.worst.get("settling_ms", figures.worst["slowest_pole"]),
        kp=kp,
        ki=ki,
        figures=figures,
        plants=plants,
    )


# Three-digit decimals in order: number 900 e + (m - 100) is m 10^e, m from 100 to 999.
_ZERO = -(10**6)


def _number_of(value: float) -> int:
    """Number of the decimal nearest to ``value``, above 0."""
    exponent = math.floor(math.log10(value)) - 2
    mantissa = round(value / 10.0**exponent)
    return 900 * exponent + mantissa - 100


def _exact(number: int) -> Fraction:
    if number == _ZERO:
        return Fraction(0)
    exponent, mantissa = divmod(number, 900)
    return (mantissa + 100) * Fraction(10) ** exponent


def _float(number: int) -> float:
    return float(_exact(number))


def _floats(numbers: NDArray[np.int64]) -> Real:
    exponent, mantissa = np.divmod(numbers, 900)
    values = (mantissa + 100.0) * 10.0 ** np.maximum(exponent, -300)
    return np.where(numbers == _ZERO, 0.0, values)
