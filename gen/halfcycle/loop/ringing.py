"""Boards whose filters lie inside the tolerances and ring where it hurts the loop most.

An unloaded filter rings on after a change of scale. Seen once per window, ringing at frequency r is
a decaying sequence rho^i with ``rho = exp((-decay + j 2 pi (r -+ f)) W)``, f being the sine's
frequency: the reading is its product with the sine (rms) or with the sine's sign (mean). Every
further harmonic of that sign, and every folding by the sampling, adds whole turns over a window of
whole half cycles, and so changes only how much of the ringing is seen, never rho. So each filter
has a resonance in the loop, at the angle of rho and as narrow as 1 - abs(rho), which goes all the
way round as the filter's own resonance moves by 1/W. Which of them is the worst depends on the
loop's constants; a filter at an end of the tolerances it is only by chance.

The line of resonances is therefore walked for given constants. Each filter is looked at over the
sine's phases, by its step response and by its Nyquist curve on two grids, one common and one
around its own resonance. The worst for each figure is looked at again among its neighbours, over
all phases, and handed back as a corner.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.loop.corner_filters import near, resonance_line, ringing_loads
from halfcycle.loop.corner_plants import (
    Board,
    FilterBank,
    bus_sag,
    buses,
    corner_of,
    plants_of,
    sensor_gains,
)
from halfcycle.loop.drive import needed_scale
from halfcycle.loop.envelope import MAX_PHASES, Timing, weights_over_phases
from halfcycle.loop.figures import LoopFigures
from halfcycle.loop.filter_model import Complex, FilterCircuit, Modes, Real, modes
from halfcycle.loop.normalised import Normalised, StepLaw
from halfcycle.loop.plant import window_timing
from halfcycle.loop.plant_types import Corner, Plants, scale_curve
from halfcycle.loop.step_response import judged_steps, steps

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

WORSE = {
    "unsettled": (1e-9, 0.06),
    "late": (1e-9, 0.06),
    "overshoot_percent": (0.01, 0.2),
    "gain_margin_db": (0.05, 0.3),
    "phase_margin_deg": (0.3, 1.5),
    "peak_sensitivity": (0.005, 0.04),
    "nyquist_gain": (0.01, 0.04),
    "noise_gain": (0.005, 0.01),
}
"""By how much a figure of a filter inside must be worse than all corners' to make it one, and by
how much the first look, at few phases, may miss it. "late": windows until settled with room."""
_MARGINS = frozenset({"gain_margin_db", "phase_margin_deg"})
"""Figures that are the worse the smaller they are."""
_PHASES = 16
_PHASES_AGAIN = {"mean": MAX_PHASES, "rms": 24}
_COMMON = np.concatenate([[0.02, 0.05, 0.1, 0.15], np.linspace(0.2, math.pi, 24)])
"""Radians per window at which every filter is looked at; without its resonance it is smooth."""
_AROUND = np.tan(np.radians(np.arange(-80.0, 81.0, 10.0)))
"""Half widths off its resonance at which each filter is looked at: even steps along the circle
that the resonance draws in the Nyquist plot."""
_NEIGHBOURS = (-1.0 / 3.0, 0.0, 1.0 / 3.0)
"""Where the second look goes, in units of the distance between the line's filters."""
_MIN_HORIZON, _MAX_HORIZON = 24, 512


@dataclass(frozen=True, slots=True)
class _Line:
    """One load's filters with what does not depend on the constants.

    ``gains`` (B, P, 2): least and greatest gain below clipping; ``curves``: angles (B or 1, T) and
    the plant there per unit of gain (B, P, T); ``at_nyquist`` (B, P): at z = -1; ``sag`` (B,).
    """

    bank: FilterBank
    apart_hz: float
    gains: Real
    scale_for_rated: Real
    sag: Real
    curves: tuple[tuple[Real, Complex], ...]
    at_nyquist: Real


@dataclass(frozen=True, slots=True)
class RingingLines:
    """The filters along the resonances of each load, for one spec and window."""

    spec: Spec
    timing: Timing
    lines: tuple[_Line, ...]

    def with_worst(  # noqa: PLR0917 (the loop, then how its step is judged)
        self,
        plants: Plants,
        figures: LoopFigures,
        kp: float,
        ki: float,
        band: float,
        room: tuple[float, int] | None = None,
    ) -> Plants:
        """``plants`` and, as further corners, the filters that are worse than all of them in any
        figure; ``plants`` itself if there are none.

        ``figures``: those of ``plants`` with the constants ``kp`` and ``ki``, settling into
        ``band``. ``room``: a narrower band, and the windows in which it has to be reached. An
        unstable loop is left as it is.
        """
        if not figures.stable or band <= 0:
            return plants
        window_ms = 1000.0 * float(self.timing.window_s)
        settled = max(1, round((figures.settling_ms or 0.0) / window_ms))
        late = room or (band, settled)
        horizon = min(max(_MIN_HORIZON, math.ceil(1.5 * max(settled, late[1])) + 8), _MAX_HORIZON)
        loop = _Loop(kp, ki, (band, settled), late, horizon, plants.law)
        limits = {key: getattr(figures, key, 1.0) for key in WORSE}
        columns = [_figures_of(line, self.timing, loop) for line in self.lines]
        suspects: dict[tuple[int, int], None] = {}
        for key, limit in limits.items():
            worst = [_worst(key, figures_of_line[key]) for figures_of_line in columns]
            if not worst:
                break
            at = _pick(key, [value for value, _ in worst])
            if _is_worse(key, worst[at][0], limit, first=True):
                suspects[at, worst[at][1][0]] = None
        for at in sorted({at for at, _ in suspects}):
            rows = [row for line, row in suspects if line == at]
            plants = self._joined(plants, self._around(at, rows), limits, loop)
        return plants

    def _around(self, at: int, rows: Sequence[int]) -> _Line:
        """The neighbours of some filters of a line, over all phases."""
        line = self.lines[at]
        circuits = [
            near(line.bank.circuits[row], self.spec, place * line.apart_hz)
            for row in rows
            for place in _NEIGHBOURS
        ]
        phases = _PHASES_AGAIN[self.timing.measure]
        return _line(self.spec, self.timing, circuits, line.apart_hz, phases)

    def _joined(
        self, plants: Plants, line: _Line, limits: dict[str, float | None], loop: _Loop
    ) -> Plants:
        """``plants`` with the worst of ``line`` in each figure that is beyond its limit."""
        columns = _figures_of(line, self.timing, loop)
        boards: dict[Board, None] = {}
        for key, limit in limits.items():
            value, (circuit, phase, strong) = _worst(key, columns[key])
            if _is_worse(key, value, limit):
                end = -1 if strong else 0
                bus, sensor = buses(self.spec)[end], sensor_gains(self.spec)[end]
                boards[Board(circuit, phase, bus, sensor)] = None
        new = [b for b in boards if corner_of(self.spec, line.bank, b) not in plants.corners]
        if not new:
            return plants
        return plants.joined(plants_of(self.spec, self.timing, line.bank, new))


@dataclass(frozen=True, slots=True)
class _Loop:
    """Constants, and how the step is judged: settled in a band from a window on, and with room;
    followed for ``horizon`` windows."""

    kp: float
    ki: float
    settled: tuple[float, int]
    room: tuple[float, int]
    horizon: int
    law: Normalised | None = None


def ringing_lines(spec: Spec, window: Window) -> RingingLines:
    """The resonances that the tolerances of ``spec`` allow, read in ``window``.

    For a window that ``window_plants`` accepts.
    """
    timing = window_timing(spec, window)
    lines = []
    for load in ringing_loads(spec):
        circuits = resonance_line(spec, load, timing)
        if circuits:
            lines.append(_line(spec, timing, circuits, _spacing_hz(circuits), _PHASES))
    return RingingLines(spec, timing, tuple(lines))


def resonance_lines(plants: Plants) -> tuple[Corner, ...]:
    """The corners of ``plants`` that lie inside the tolerances, on a resonance that the loop
    shows; each board once. A virtual board drawn with a corner's inductance, capacitance, bus,
    sensor gain and load (share of rated VA and power factor) stands on such a line: whichever
    phase it starts at, its margins are far below those of a board drawn at random."""
    boards = {
        (c.inductance_h, c.capacitance_f, c.load, c.bus_v, c.sensor): c
        for c in reversed(plants.corners)
        if c.inside
    }
    return tuple(reversed(boards.values()))


def _spacing_hz(circuits: Sequence[FilterCircuit]) -> float:
    """Distance between neighbours of a line, or a hundredth of its resonance for one alone."""

    def resonance(circuit: FilterCircuit) -> float:
        beside = 1.0 / circuit.load.inductance_h if circuit.load.inductance_h > 0 else 0.0
        return (
            math.sqrt((1.0 / circuit.inductance_h + beside) / circuit.capacitance_f) / 2 / math.pi
        )

    if len(circuits) == 1:
        return 0.01 * resonance(circuits[0])
    return resonance(circuits[1]) - resonance(circuits[0])


def _line(
    spec: Spec, timing: Timing, circuits: Sequence[FilterCircuit], apart_hz: float, phases: int
) -> _Line:
    response = modes(circuits, timing.angular)
    weights = weights_over_phases(response, timing, phases)
    rated = float(spec.output.rated_rms_v) * math.sqrt(2.0)
    ends = np.array([buses(spec)[i] * sensor_gains(spec)[i] / rated for i in (0, -1)])
    gains = (np.abs(response.transfer)[:, None] * weights.ratio)[..., None] * ends
    sag = bus_sag(spec, response)
    angles = _resonance_angles(response, timing)
    signs = np.where(np.arange(weights.weights.shape[-1]) % 2, -1.0, 1.0)
    return _Line(
        bank=FilterBank(circuits, response, weights, inside=True),
        apart_hz=apart_hz,
        gains=gains,
        scale_for_rated=_scale_for_rated(gains, sag, timing),
        sag=np.broadcast_to(sag[:, None, None], gains.shape),
        curves=tuple(
            (theta, _plant_at(weights.weights, theta)) for theta in (_COMMON[None], angles)
        ),
        at_nyquist=weights.weights @ signs,
    )


def _scale_for_rated(gains: Real, sag: Real, timing: Timing) -> Real:
    """Steady scale (B, P, 2) for rated output; the phase's little share in it is left out."""
    middle = gains.mean(axis=1)
    scale = 1.0 / middle
    curved = (scale > 1.0) | (sag[:, None] > 0.0)
    if curved.any():
        sags = np.broadcast_to(sag[:, None], scale.shape)[curved]
        scale[curved] = needed_scale(middle[curved], sags, timing.measure)[0]
    return np.broadcast_to(scale[:, None, :], gains.shape)


def _resonance_angles(response: Modes, timing: Timing) -> Real:
    """Angles (B, S) around each filter's resonance in the loop, rising, above 0 up to pi.

    The window turns the ringing by (p - jw) W and (p + jw) W, which is the same angle if it holds
    whole half cycles.
    """
    window = float(timing.window_s)
    ringing = np.take_along_axis(
        response.poles, np.abs(response.poles.imag).argmax(axis=1)[:, None], axis=1
    )[:, 0]
    half_width = np.maximum(-np.expm1(ringing.real * window), 1e-3)
    whole = (2 * timing.frequency_hz * timing.window_s).denominator == 1
    angles = []
    for sine in (timing.angular,) if whole else (timing.angular, -timing.angular):
        turned = (ringing.imag - sine) * window
        middle = np.abs((turned + math.pi) % (2.0 * math.pi) - math.pi)
        angles.append(middle[:, None] + half_width[:, None] * _AROUND)
    return np.sort(np.clip(np.concatenate(angles, axis=1), 1e-3, math.pi), axis=1)


def _plant_at(weights: Real, theta: Real) -> Complex:
    """sum_i h_i exp(-j i theta), (B, P, T), for weights (B, P, n) and angles (B or 1, T)."""
    turned = theta[:, None, :] * np.arange(weights.shape[-1])[None, :, None]
    both = weights @ np.concatenate([np.cos(turned), -np.sin(turned)], axis=-1)
    points = theta.shape[1]
    return np.asarray(both[..., :points] + 1j * both[..., points:], dtype=np.complex128)


def _figures_of(line: _Line, timing: Timing, loop: _Loop) -> dict[str, Real]:
    """Each figure of ``WORSE`` as :class:`LoopFigures` has it, (B, P, 2), to about a percent."""
    kp, ki = loop.kp, loop.ki
    # The normalised law's loop has the same gain on every board.
    strong = line.gains[:, :, 1] if loop.law is None else np.ones(line.gains.shape[:2])
    reach = np.zeros(strong.shape)
    angle = np.full(strong.shape, np.inf)
    nearest = np.full(strong.shape, np.inf)
    for theta, plant in line.curves:
        z = np.exp(1j * theta)
        own = ((kp + ki * z / (z - 1.0)) / z)[:, None, :] * plant * strong[:, :, None]
        reach = np.maximum(reach, _reach(own))
        angle = np.minimum(angle, _least_angle(own))
        nearest = np.minimum(nearest, ((1.0 + own.real) ** 2 + own.imag**2).min(axis=-1))
    nyquist = -(kp + ki / 2.0) * line.at_nyquist * strong
    with np.errstate(divide="ignore"):
        peak = 1.0 / np.sqrt(np.minimum(nearest, (1.0 + nyquist) ** 2))
        margins = {
            "gain_margin_db": -20.0 * np.log10(np.maximum(reach, -nyquist)),
            "phase_margin_deg": angle,
            "peak_sensitivity": peak,
            "nyquist_gain": np.abs(nyquist / (1.0 + nyquist)),
        }
    unsettled, late, top, noise = _step_figures(line, timing, loop)
    return {
        "unsettled": unsettled,
        "late": late,
        "overshoot_percent": 100.0 * top,
        "noise_gain": noise,
        **{key: _of_strongest(key, values) for key, values in margins.items()},
    }


def _of_strongest(key: str, values: Real) -> Real:
    """Margins (B, P, 2) from those at the greatest gain (B, P), which has the least."""
    best = np.full(values.shape, np.inf if key in _MARGINS else 0.0)
    return np.stack([best, values], axis=-1)


def _reach(loop: Complex) -> Real:
    """Greatest -L (B, P) where L (B, P, T) crosses the negative real axis, 0 if nowhere."""
    above = loop.imag > 0
    row = np.nonzero(above[..., 1:] != above[..., :-1])
    before, after = loop[row], loop[row[0], row[1], row[2] + 1]
    real = before.real - before.imag / (after.imag - before.imag) * (after.real - before.real)
    reach = np.zeros(loop.shape[:2])
    np.maximum.at(reach, row[:2], -real)
    return reach


def _least_angle(loop: Complex) -> Real:
    """Least angle (B, P) between L (B, P, T) and -1, degrees, where the size of L crosses 1;
    infinite if nowhere."""
    outside = loop.real**2 + loop.imag**2 > 1.0
    row = np.nonzero(outside[..., 1:] != outside[..., :-1])
    before, after = loop[row], loop[row[0], row[1], row[2] + 1]
    share = (1.0 - np.abs(before)) / (np.abs(after) - np.abs(before))
    at = before + share * (after - before)
    least = np.full(loop.shape[:2], np.inf)
    np.minimum.at(least, row[:2], np.abs(np.degrees(np.angle(-at))))
    return least


def _step_figures(line: _Line, timing: Timing, loop: _Loop) -> tuple[Real, Real, Real, Real]:
    """Greatest error, over its band, from when the loop has to be settled and from when with room,
    overshoot (share) and noise gain, (B, P, 2) each."""
    weights = line.bank.weights.weights
    shape = line.gains.shape
    taps = (line.gains[..., None] * weights[:, :, None, :]).reshape(-1, weights.shape[-1])
    curve = scale_curve(line.scale_for_rated.ravel(), line.sag.ravel(), timing.measure)
    outside = np.zeros((2, len(taps)))
    top, before, noise = np.zeros(len(taps)), np.zeros(len(taps)), np.zeros(len(taps))
    with np.errstate(over="ignore", invalid="ignore"):
        law = StepLaw(loop.law, line.scale_for_rated.ravel()) if loop.law else None
        courses = judged_steps(taps, loop.kp, loop.ki, loop.horizon, curve, law)
        for at, course in enumerate(courses):
            for k, y in enumerate(course, start=1):
                for row, (band, settled) in enumerate((loop.settled, loop.room)):
                    if k >= settled:
                        np.maximum(outside[row], np.abs(1.0 - y) / band, out=outside[row])
                np.fmax(top, y, out=top)
                if at == 0 and loop.law is None:
                    noise += (y - before) ** 2
                    before = y.copy()
        if loop.law is not None:
            # Noise is a small change, whose response is not that of the great step.
            small = (weights[:, :, None, :] * np.ones((*line.gains.shape, 1))).reshape(taps.shape)
            for y in steps(small, loop.kp, loop.ki, loop.horizon):
                noise += (y - before) ** 2
                before = y.copy()
    return (
        outside[0].reshape(shape),
        outside[1].reshape(shape),
        np.maximum(top - 1.0, 0.0).reshape(shape),
        np.sqrt(noise).reshape(shape),
    )


def _worst(key: str, values: Real) -> tuple[float, tuple[int, int, int]]:
    """The worst value and its indices; rounded first, so that it is the same on every machine."""
    rounded = np.nan_to_num(np.round(values, 6), nan=np.inf if key not in _MARGINS else -np.inf)
    flat = int(rounded.argmin() if key in _MARGINS else rounded.argmax())
    circuit, phase, end = (int(i) for i in np.unravel_index(flat, values.shape))
    return float(rounded[circuit, phase, end]), (circuit, phase, end)


def _pick(key: str, values: Sequence[float]) -> int:
    return int(np.argmin(values) if key in _MARGINS else np.argmax(values))


def _is_worse(key: str, value: float, limit: float | None, *, first: bool = False) -> bool:
    """Whether ``value`` is worse than ``limit`` by what ``WORSE`` asks, or near enough for the
    first look. A limit of None: no corner has that figure."""
    by, missed = WORSE[key]
    by -= missed if first else 0.0
    if limit is None:
        return key in _MARGINS and math.isfinite(value)
    return value < limit - by if key in _MARGINS else value > limit + by
