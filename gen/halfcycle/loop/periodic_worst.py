"""The worst filter inside the tolerances for each figure of a periodic loop.

Corners mislead: a lightly damped resonance meets the loop where its sidebands fall together with
those that the window lets through, and the filter that has it there lies inside the tolerances as a
rule. So the lines of resonances are walked under every load, as ``ringing`` does for plain windows.
The circuits that look worst at one probe are scanned finely; then all are looked at below what was
found, in wide steps; then the neighbours of the worst. Each figure keeps its own worst filter.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.loop.block_response import UpdateGrid, update_grid
from halfcycle.loop.corner_filters import corner_filters, near, resonance_line, ringing_loads
from halfcycle.loop.filter_model import FilterCircuit, Real
from halfcycle.loop.periodic import periodic_loop
from halfcycle.loop.periodic_margins import (
    MAX_GAIN,
    MAX_PHASE_DEG,
    LoopScan,
    board_gains,
    judged_lateness,
    latest_updates,
)
from halfcycle.loop.periodic_scan import Index
from halfcycle.loop.plant import window_timing

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

SUSPECTS = 12
"""Circuits scanned finely for each figure."""
FEW, FIRST_OFFSETS, FIRST_PHASES = 48, 5, 24
"""More circuits than this are looked at with so many offsets at first, or with as many as make so
many phases of the sine."""
PROBE_GAIN, PROBE_PHASE_DEG = 1.6, 30.0
"""Where the suspects have the greatest radii; for lateness, half a window."""
WIDE_STEP, WIDE_STEPS = 1.2, 4
"""Steps in which all circuits are looked at below the margin found: this factor of the gain, and so
many of the phase and of the lateness."""
BEYOND = 1.03
"""...and beyond it by this factor, as the first look is at some offsets only."""
_NEIGHBOURS = (-2.0 / 3.0, -1.0 / 3.0, 1.0 / 3.0, 2.0 / 3.0)
"""Where the last look goes, in units of the distance between the line's filters."""


@dataclass(frozen=True, slots=True)
class Worst:
    """A figure with the circuit that has it."""

    value: float
    circuit: FilterCircuit


@dataclass(frozen=True, slots=True)
class WorstMargins:
    """The figures of ``PeriodicMargins``, each the worst over all filters inside the tolerances;
    ``circuits``: how many were looked at. If the loop is not stable at one of them
    only ``spectral_radius`` means something, and all else is as ``PeriodicMargins`` has it.
    ``lifted_norm`` is the greatest among the circuits that are the worst in another figure."""

    spectral_radius: Worst
    gain_margin: Worst
    phase_margin_deg: Worst
    latest_update_s: Worst
    peak_sensitivity: Worst
    lifted_norm: Worst
    circuits: int

    @property
    def stable(self) -> bool:
        """Whether the loop is stable at every filter inside the tolerances."""
        return self.spectral_radius.value < 1.0


def filters_inside(spec: Spec, window: Window) -> list[FilterCircuit]:
    """Filters at the ends of their tolerances and along their resonances, under each load."""
    timing = window_timing(spec, window)
    lines = (resonance_line(spec, load, timing) for load in ringing_loads(spec))
    return [*corner_filters(spec), *(circuit for line in lines for circuit in line)]


def worst_margins(
    spec: Spec,
    window: Window,
    kp: float | Fraction,
    ki: float | Fraction,
    late_s: Sequence[Fraction] | None = None,
) -> WorstMargins:
    """The worst of each figure with constants ``kp`` and ``ki`` per update; ``late_s`` as
    :func:`halfcycle.loop.periodic_margins.periodic_margins` has it."""
    lates = judged_lateness(spec, window) if late_s is None else tuple(late_s)
    grid = update_grid(window, spec.loop.measure)
    circuits = filters_inside(spec, window)
    walk = _Walk.of(spec, window, (float(kp), float(ki)), lates, grid, circuits)
    radius = walk.spectral_radius()
    if radius.value >= 1.0:
        zero, most = Worst(0.0, radius.circuit), Worst(math.inf, radius.circuit)
        late = Worst(-math.inf, radius.circuit)
        return WorstMargins(radius, zero, zero, late, most, most, len(circuits))
    gain, phase = walk.gain_margin(), walk.phase_margin()
    latest = walk.latest_update()
    peak = walk.peak_sensitivity()
    chosen = [worst.circuit for worst in (radius, gain, phase, latest, peak)]
    lifted = walk.among(list(dict.fromkeys(chosen))).lifted_norm()
    return WorstMargins(radius, gain, phase, latest, peak, lifted, len(circuits))


@dataclass(frozen=True, slots=True)
class _Walk:
    """Circuits with their scans, one for each lateness. If there are many circuits the scans are
    at some of the offsets of ``grid`` only."""

    spec: Spec
    window: Window
    constants: tuple[float, float]
    lates: tuple[Fraction, ...]
    grid: UpdateGrid
    circuits: Sequence[FilterCircuit]
    scans: tuple[LoopScan, ...]

    @classmethod
    def of(  # noqa: PLR0917 (the loop, then its circuits)
        cls,
        spec: Spec,
        window: Window,
        constants: tuple[float, float],
        lates: tuple[Fraction, ...],
        grid: UpdateGrid,
        circuits: Sequence[FilterCircuit],
    ) -> _Walk:
        """The scans of ``circuits``."""
        ends = board_gains(spec, circuits)
        first = max(FIRST_OFFSETS, FIRST_PHASES // grid.updates)
        used = grid if len(circuits) <= FEW else grid.some(first)
        scans = tuple(
            LoopScan(periodic_loop(spec, window, circuits, late, used), *constants, ends)
            for late in lates
        )
        return cls(spec, window, constants, lates, grid, circuits, scans)

    def among(self, circuits: Sequence[FilterCircuit]) -> _Walk:
        """The same for other circuits."""
        return _Walk.of(self.spec, self.window, self.constants, self.lates, self.grid, circuits)

    def chosen(self, rows: Index) -> _Walk:
        """The same for some of the circuits."""
        return self.among([self.circuits[row] for row in rows])

    @property
    def all(self) -> Index:
        """Every circuit."""
        return np.arange(len(self.circuits))

    def greatest(self, values: Real) -> Worst:
        """The greatest of ``values`` (C,), rounded first so that equal ones fall to the same
        circuit on every machine."""
        row = int(np.round(values, 9).argmax())
        return Worst(float(values[row]), self.circuits[row])

    def least(self, values: Real) -> Worst:
        """The least of ``values`` (C,)."""
        row = int(np.round(values, 6).argmin())
        return Worst(float(values[row]), self.circuits[row])

    def around(self, circuit: FilterCircuit) -> _Walk:
        """A circuit and its neighbours along the resonances."""
        line = resonance_line(self.spec, circuit.load, window_timing(self.spec, self.window))
        apart = _hertz(line[1]) - _hertz(line[0]) if len(line) > 1 else 0.01 * _hertz(circuit)
        return self.among(
            [circuit, *(near(circuit, self.spec, place * apart) for place in _NEIGHBOURS)]
        )

    def spectral_radius(self) -> Worst:
        """The greatest spectral radius, and whose."""

        def radii(walk: _Walk) -> Real:
            return _most([scan.radius() for scan in walk.scans])

        first = self.chosen(_greatest(radii(self)))
        worst = first.greatest(radii(first))
        around = self.around(worst.circuit)
        return around.greatest(radii(around))

    def gain_margin(self) -> Worst:
        """The least gain margin, and whose."""

        def finely(walk: _Walk) -> Real:
            return _fewest([scan.gain_margin(walk.all, least=True) for scan in walk.scans])

        def radii(factor: float, rows: Index) -> Real:
            return _most([scan.at_gain(np.full(len(rows), factor), rows) for scan in self.scans])

        return self._least(finely, radii, PROBE_GAIN, lambda top: _wide_gains(min(top, MAX_GAIN)))

    def phase_margin(self) -> Worst:
        """The least phase margin, and whose."""

        def finely(walk: _Walk) -> Real:
            return _fewest([scan.phase_margin(walk.all, least=True) for scan in walk.scans])

        def radii(degrees: float, rows: Index) -> Real:
            return _most([scan.at_phase(np.full(len(rows), degrees), rows) for scan in self.scans])

        return self._least(
            finely, radii, PROBE_PHASE_DEG, lambda top: _even(min(top, MAX_PHASE_DEG))
        )

    def latest_update(self) -> Worst:
        """The least of the latest updates, and whose."""
        window_s = float(self.window.duration_s)

        def finely(walk: _Walk) -> Real:
            ends = walk.scans[0].ends
            return latest_updates(
                walk.spec, walk.window, walk.circuits, *walk.constants, ends, least=True
            )

        def radii(late_s: float, rows: Index) -> Real:
            few = [self.circuits[row] for row in rows]
            late = Fraction(late_s).limit_denominator(10**9)
            grid, ends = self.scans[0].loop.grid, self.scans[0].ends[rows]
            loop = periodic_loop(self.spec, self.window, few, late, grid)
            scan = LoopScan(loop, *self.constants, ends)
            return scan.at_phase(np.zeros(len(rows)), np.arange(len(rows)))

        return self._least(finely, radii, window_s / 2.0, lambda top: _even(min(top, window_s)))

    def peak_sensitivity(self) -> Worst:
        """The greatest Ms of an averaged loop, and whose."""

        def peaks(walk: _Walk) -> Real:
            return _most([scan.peak_sensitivity(walk.all) for scan in walk.scans])

        first = self.chosen(_greatest(peaks(self)))
        around = self.around(first.greatest(peaks(first)).circuit)
        return around.greatest(peaks(around))

    def lifted_norm(self) -> Worst:
        """The greatest lifted norm, and whose."""
        return self.greatest(_most([scan.lifted_norm(self.all) for scan in self.scans]))

    def _least(
        self,
        finely: Callable[[_Walk], Real],
        radii: Callable[[float, Index], Real],
        probe: float,
        wide: Callable[[float], Real],
    ) -> Worst:
        """The least margin: of those with the greatest ``radii`` at ``probe``, then of all that are
        unstable below that, then of the neighbours of the worst."""
        suspects = _greatest(radii(probe, self.all))
        first = self.chosen(suspects)
        worst = first.least(finely(first))
        rest = np.setdiff1d(self.all, suspects)
        for value in wide(BEYOND * worst.value) if len(rest) else ():
            found = radii(float(value), rest)
            if (found >= 1.0).any():
                highest = _greatest(found, 2 * SUSPECTS)
                walk = self.chosen(rest[highest[found[highest] >= 1.0]])
                worst = min(worst, walk.least(finely(walk)), key=lambda one: one.value)
                break
        around = self.around(worst.circuit)
        return min(worst, around.least(finely(around)), key=lambda one: one.value)


def _most(values: Sequence[Real]) -> Real:
    """The greatest (C,) of each circuit."""
    return np.asarray(np.max(values, axis=0), dtype=np.float64)


def _fewest(values: Sequence[Real]) -> Real:
    """The least (C,) of each circuit."""
    return np.asarray(np.min(values, axis=0), dtype=np.float64)


def _greatest(values: Real, count: int = SUSPECTS) -> Index:
    """Rows of the greatest values, so many of them at most."""
    return np.argsort(-np.round(values, 9), kind="stable")[:count]


def _even(top: float) -> Real:
    """Values above 0 up to ``top``, evenly in wide steps."""
    return np.linspace(0.0, top, WIDE_STEPS + 1)[1:]


def _wide_gains(top: float) -> Real:
    """Factors above 1 up to ``top``, in wide steps."""
    steps = max(1, math.ceil(math.log(max(top, 1.0 + 1e-9)) / math.log(WIDE_STEP)))
    return np.geomspace(1.0, top, steps + 1)[1:]


def _hertz(circuit: FilterCircuit) -> float:
    """Resonance of a filter with the load's inductance, if any, beside its own."""
    beside = 1.0 / circuit.load.inductance_h if circuit.load.inductance_h > 0 else 0.0
    stiffness = (1.0 / circuit.inductance_h + beside) / circuit.capacitance_f
    return math.sqrt(stiffness) / (2.0 * math.pi)
