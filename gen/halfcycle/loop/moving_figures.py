"""Figures of a loop with a moving or weighted window, over every board.

Which figure is of what:

* settling, overshoot, release: of runs of the true circuit, in half-cycle RMS of any start;
* ``gain_margin_db``, ``phase_margin_deg``, ``slowest_pole`` (per update), ``lifted_norm`` and
  ``latest_update_s``: of the periodic loop, exact; with updates at once and as late as they may be;
* ``peak_sensitivity``, ``nyquist_gain``, ``noise_gain`` and the ``averaged_*`` margins: of the loop
  averaged over the sine's phases, which alone would be unsafe.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.loop.corner_filters import corner_filters, resonance_line, ringing_loads
from halfcycle.loop.corner_plants import board_label
from halfcycle.loop.figures import CornerFigures, LoopFigures
from halfcycle.loop.filter_model import FilterCircuit, Real
from halfcycle.loop.frequency_response import margins, open_loop
from halfcycle.loop.judged_steps import TARGETS, UPWARD, Case, StepKind
from halfcycle.loop.moving_plants import moving_plants
from halfcycle.loop.periodic import periodic_loop
from halfcycle.loop.periodic_margins import (
    LoopScan,
    board_gains,
    judged_lateness,
    lateness_between,
    latest_updates,
)
from halfcycle.loop.plant import window_timing
from halfcycle.loop.plant_types import Plants
from halfcycle.loop.true_settling import StepSettling, TrueSettling, true_settling
from halfcycle.loop.worst_phase import phase_corner

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

Number = float | Fraction

_NOISE_POINTS = 512
_LOOKED_AT = 3
"""Circuits, those with the greatest multipliers at twice the gain, whose margins are computed."""


@dataclass(frozen=True, slots=True)
class MovingFigures(LoopFigures):
    """``LoopFigures`` for every kind of window, and more. ``periodic_gain_margin``: the factor
    that ``gain_margin_db`` says in decibels. ``lateness_us``: updates are taken to end up to so
    late after their block's last sample. ``latest_update_ms``: until when the loop is stable, None
    beyond a window. ``release_ms``: time with half cycles above 120 % after an overload.
    ``start_ms``: settling after a reset, when the window fills first. ``last_start_ms``: when the
    last half cycle outside 2 % begins (``settling_ms`` is its end)."""

    periodic_gain_margin: float | None
    averaged_gain_margin_db: float | None
    averaged_phase_margin_deg: float | None
    lifted_norm: float | None
    lateness_us: float
    latest_update_ms: float | None
    release_ms: float | None
    release_peak_percent: float | None
    start_ms: float | None
    last_start_ms: float | None
    steps: dict[StepKind, StepSettling]


@dataclass(frozen=True, slots=True)
class Analysed:
    """Figures, the averaged plants that they are of, and the boards inside the tolerances that are
    the worst in each kind of step."""

    figures: MovingFigures
    plants: Plants
    inside: dict[StepKind, tuple[Case, ...]]
    scans: Scans

    def with_margins(self) -> MovingFigures:
        """The figures with those that take long to find: phase margin, latest update and lifted
        norm, which decide nothing in a search."""
        if not self.figures.stable:
            return self.figures
        phase, latest, lifted = self.scans.margins()
        worst = self.figures.worst
        if math.isfinite(phase):
            worst = {**worst, "phase_margin_deg": phase_corner(self.scans, phase)}
        return replace(
            self.figures,
            worst=worst,
            phase_margin_deg=_number(phase),
            latest_update_ms=_number(1000.0 * latest),
            lifted_norm=_number(lifted),
        )

    def margin_between(self) -> tuple[float, str] | None:
        """Least gain margin, a factor, with updates at once, as late as they may be and between,
        and the board that has it; None if all are at once, or without a margin at the ends."""
        between, known = self.scans.between, self.figures.periodic_gain_margin
        if between is None or known is None:
            return None
        gain = between.gain_margin()
        if gain < known:
            return gain, between.tightest_board
        return known, self.figures.worst["gain_margin_db"]


def moving_figures(
    spec: Spec,
    window: Window,
    kp: Number,
    ki: Number,
    *,
    zero: float | None = None,
    horizon_s: float | None = None,
    runs: bool = True,
) -> Analysed:
    """Figures of ``window`` with constants ``kp`` and ``ki`` per update over all boards of
    ``spec``; those of :meth:`Analysed.with_margins` are left None.

    ``zero``: error of the sensor's zero that is left, of rated peak; the spec's tolerance if None.
    ``horizon_s``: how long boards are followed; as long as it takes if None. ``runs``: without
    them the figures of steps and the gain margin are left None, and those of the periodic loop are
    of the corners.
    """
    corners, line = corner_filters(spec), []
    if runs:
        timing = window_timing(spec, window)
        line = [c for load in ringing_loads(spec) for c in resonance_line(spec, load, timing)]
    p, i = float(kp), float(ki)
    scans = Scans(spec, window, [*corners, *line], p, i)
    plants = moving_plants(spec, window, corners)
    inner = [scans.circuits[row] for row in scans.worst_rows() if row >= len(corners)]
    if inner:
        plants = plants.joined(moving_plants(spec, window, inner, inside=True))
    settling = None
    if runs and scans.stable:
        settling = true_settling(spec, window, kp, ki, zero=zero, horizon_s=horizon_s)
    figures = _figures(spec, window, (p, i), plants, scans, settling)
    ran = settling.judged if settling else {}
    worst = {kind: parts[-1].cases for kind, parts in ran.items() if len(parts) > 1}
    return Analysed(figures, plants, worst, scans)


class Scans:
    """The periodic loop around some circuits, at some latenesses. ``radius`` and ``doubled``
    (C,): their multipliers as they are and at twice the gain, exact for the greatest."""

    def __init__(  # noqa: PLR0917 (the loop)
        self,
        spec: Spec,
        window: Window,
        circuits: Sequence[FilterCircuit],
        kp: float,
        ki: float,
        lates: Sequence[Fraction] | None = None,
    ) -> None:
        """``lates``: latenesses, s; the judged ones if None."""
        self.spec, self.window, self.circuits, self.kp, self.ki = spec, window, circuits, kp, ki
        self.ends = board_gains(spec, circuits)
        self.scans = [
            LoopScan(periodic_loop(spec, window, circuits, late), kp, ki, self.ends)
            for late in (judged_lateness(spec, window) if lates is None else lates)
        ]
        self.radius = np.max([scan.radius(1) for scan in self.scans], axis=0)
        self.stable = bool((np.round(self.radius, 12) < 1.0).all())
        doubled = [
            LoopScan(scan.loop, 2 * kp, 2 * ki, self.ends[:, [1, 1]]).radius(_LOOKED_AT)
            for scan in self.scans
        ]
        self.doubled = np.max(doubled, axis=0)

    @cached_property
    def between(self) -> Scans | None:
        """The same at the latenesses between the judged ones; None if there are none."""
        lates = lateness_between(self.spec, self.window)
        if not lates:
            return None
        return Scans(self.spec, self.window, self.circuits, self.kp, self.ki, lates)

    @property
    def tightest_board(self) -> str:
        """The board with the least gain margin."""
        row = int(np.round(self.doubled, 9).argmax())
        return self._strongest(row)

    @property
    def slowest_board(self) -> str:
        """The board with the greatest multiplier."""
        return self._strongest(int(np.round(self.radius, 9).argmax()))

    def _strongest(self, row: int) -> str:
        """The board of this circuit whose gain is the greatest."""
        sensor = 1 + float(self.spec.sensor.gain_tolerance_percent) / 100
        bus = float(self.spec.bridge.bus_max_v)
        return board_label(self.spec, self.circuits[row], bus, sensor)

    @property
    def tightest(self) -> list[FilterCircuit]:
        """Circuits whose multipliers are the greatest, as they are and at twice the gain."""
        return [self.circuits[row] for row in self.worst_rows()]

    def worst_rows(self) -> list[int]:
        """The rows of :attr:`tightest`."""
        by_gain = np.argsort(-np.round(self.doubled, 9), kind="stable")[:_LOOKED_AT]
        now = np.argsort(-np.round(self.radius, 9), kind="stable")[:1]
        return sorted({int(row) for row in (*by_gain, *now)})

    def gain_margin(self) -> float:
        """Least gain margin, a factor, of the worst circuits; 1 if the loop is not stable."""
        if not self.stable:
            return 1.0
        rows = np.array(self.worst_rows(), dtype=np.intp)
        return min(float(scan.gain_margin(rows, least=True).min()) for scan in self.scans)

    def margins(self) -> tuple[float, float, float]:
        """Least phase margin (degrees) and latest update (s), and greatest lifted norm of a
        stable loop's worst circuits."""
        rows = np.array(self.worst_rows(), dtype=np.intp)
        latest = latest_updates(
            self.spec,
            self.window,
            [self.circuits[row] for row in rows],
            self.kp,
            self.ki,
            self.ends[rows],
        )
        return (
            min(float(scan.phase_margin(rows, least=True).min()) for scan in self.scans),
            float(latest.min()),
            max(float(scan.lifted_norm(rows).max()) for scan in self.scans),
        )


def _figures(  # noqa: PLR0917 (the parts of the figures)
    spec: Spec,
    window: Window,
    constants: tuple[float, float],
    plants: Plants,
    scans: Scans,
    runs: TrueSettling | None,
) -> MovingFigures:
    kp, ki = constants
    stable = scans.stable
    averaged = margins(plants.taps, kp, ki)
    noise = _noise(window, plants.taps, kp, ki)
    worst = {} if runs is None else dict(runs.worst)
    worst["slowest_pole"] = scans.slowest_board
    for key, column in (("peak_sensitivity", averaged.peak), ("noise_gain", noise)):
        worst[key] = plants.corners[int(np.round(column, 9).argmax())].label
    gain = None
    if stable and runs is not None:
        gain = scans.gain_margin()
        worst["gain_margin_db"] = scans.tightest_board
    return MovingFigures(
        settling_ms=runs.settling_ms if runs else None,
        overshoot_percent=runs.overshoot_percent if runs else None,
        gain_margin_db=_decibels(gain),
        phase_margin_deg=None,
        peak_sensitivity=_number(averaged.peak.max()) if stable else None,
        nyquist_gain=_number(averaged.nyquist.max()) if stable else None,
        noise_gain=_number(noise.max()) if stable else None,
        slowest_pole=float(scans.radius.max()),
        stable=stable,
        worst=worst,
        corners=_corners(plants, scans, averaged.peak, runs, noise),
        periodic_gain_margin=_number(gain),
        averaged_gain_margin_db=_number(20 * math.log10(float(averaged.gain.min())))
        if stable
        else None,
        averaged_phase_margin_deg=_number(averaged.phase_deg.min()) if stable else None,
        lifted_norm=None,
        lateness_us=1e6 * float(judged_lateness(spec, window)[-1]),
        latest_update_ms=None,
        release_ms=runs.release_ms if runs else None,
        release_peak_percent=runs.release_peak_percent if runs else None,
        start_ms=runs.start_ms if runs else None,
        last_start_ms=runs.last_start_ms if runs else None,
        steps=dict(runs.steps) if runs else {},
    )


def _corners(
    plants: Plants,
    scans: Scans,
    peak: Real,
    runs: TrueSettling | None,
    noise: Real,
) -> tuple[CornerFigures, ...]:
    """Figures of each row of ``plants``: settling of the target's steps and overshoot of those
    upward, margins of the periodic loop left to the worst. Rows that were not run have none."""
    ran: dict[tuple[float, float, str, float, float], tuple[float, float]] = {}
    for kind in TARGETS:
        for part in runs.judged[kind] if runs else ():
            for case, settled, over in zip(
                part.cases, part.settling_s[:, 0], part.overshoot[:, 0], strict=True
            ):
                c = case.after
                key = (c.inductance_h, c.capacitance_f, c.load.label, case.bus_after_v, case.sensor)
                before = ran.get(key, (0.0, 0.0))
                # Below the end of a step down nothing is endangered: that has a limit of its own.
                above = float(over) if kind in UPWARD else 0.0
                ran[key] = (max(before[0], float(settled)), max(before[1], above))
    rows = []
    for row, corner in enumerate(plants.corners):
        key = (corner.inductance_h, corner.capacitance_f, corner.load, corner.bus_v, corner.sensor)
        settled, over = ran.get(key, (math.inf, math.inf))
        rows.append(
            CornerFigures(
                settling_ms=_number(1000.0 * settled),
                overshoot_percent=_number(100.0 * over),
                gain_margin_db=None,
                phase_margin_deg=None,
                peak_sensitivity=_number(peak[row]) if scans.stable else None,
                nyquist_gain=None,
                noise_gain=_number(noise[row]) if scans.stable else None,
                slowest_pole=None,
                corner=corner.label,
                gain=float(plants.gains[row]),
                weights=tuple(float(w) for w in plants.weights[row]),
                scale=_number(plants.scale_for_rated[row]),
                stable=scans.stable,
            )
        )
    return tuple(rows)


def _noise(window: Window, taps: Real, kp: float, ki: float) -> Real:
    """Output over the reading's noise, RMS (C,): white from sample to sample, so that readings of
    windows that overlap go together."""
    theta = math.pi * (np.arange(_NOISE_POINTS) + 0.5) / _NOISE_POINTS
    loop = open_loop(taps, kp, ki, theta[None, :])
    weights = np.array(window.block_weights, dtype=np.float64)
    fresh = window.blocks // window.updates
    power = np.zeros(len(theta))
    for first in range(fresh):
        turned = np.exp(-1j * theta[:, None] * np.arange(window.updates)[None, :])
        power += np.abs(turned @ weights[first::fresh]) ** 2
    share = power / power.sum()
    return np.asarray(np.sqrt((np.abs(loop / (1.0 + loop)) ** 2) @ share))


def _decibels(factor: float | None) -> float | None:
    return _number(20 * math.log10(factor)) if factor else None


def _number(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)
