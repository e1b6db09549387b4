"""Margins of the periodic loop, each by the true stability limit: Floquet multipliers reaching 1.

Gain margin: the least factor, 1 and up, on both constants at which a multiplier reaches the unit
circle. Phase margin: the least angle phi for which a loop turned by exp(j phi) does (one turned by
exp(-j phi) has the conjugate multipliers). Latest update: the greatest lateness up to which the
loop is stable throughout. Each is scanned upward from the loop as it is, in steps, and refined in
the first step that turns unstable: a loop may be stable again farther on, so that halving alone
could find the wrong crossing.

A loop whose gain may lie anywhere between two ends has to be stable all the way between them, and
the margins count from the worst of its gains.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from halfcycle.loop.block_response import update_grid
from halfcycle.loop.corner_plants import bus_sag, buses, sensor_gains
from halfcycle.loop.drive import needed_scale
from halfcycle.loop.filter_model import FilterCircuit, Real, modes
from halfcycle.loop.periodic import (
    PeriodicLoop,
    greatest_radii,
    periodic_loop,
    radii_from,
    spectral_radius_of,
)
from halfcycle.loop.periodic_scan import NEAR, Index, first_unstable
from halfcycle.loop.periodic_sensitivity import averaged_peak, lifted_norm

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

GAIN_STEP = 1.05
"""Factor from one gain of the scan to the next."""
MAX_GAIN = 40.0
"""Gain margins beyond this are not looked for."""
PHASE_STEP_DEG = 3.0
MAX_PHASE_DEG = 120.0
"""A loop with integral action is unstable before it is turned so far, unless its gain is tiny."""
BETWEEN = (Fraction(1, 4), Fraction(1, 2), Fraction(3, 4))
"""Shares of the time allowed to an update at which the loop that is taken is looked at too: with a
filter that rings about as fast as samples are taken it may be worse there than at both ends."""
LATE_STEPS, LATE_PARTS = 32, 8
"""Lateness is scanned in so many steps of a window, and in parts of a step where it turns
unstable."""


@dataclass(frozen=True, slots=True)
class PeriodicMargins:
    """Figures per circuit (C,), the worst over offsets, gains and latenesses.

    ``spectral_radius``: of the loop, per update. ``gain_margin``: a factor, 1 and up, ``inf``
    beyond ``MAX_GAIN``. ``phase_margin_deg``: ``inf`` beyond ``MAX_PHASE_DEG``.
    ``latest_update_s``: seconds after the last sample up to which an update may take effect with
    the loop still stable, found to 1/256 of a window and never too great, ``inf`` if it is stable
    up to a window's length.
    ``lifted_norm``: of the lifted sensitivity; ``peak_sensitivity``: Ms of the *averaged* loop.
    For a loop that is not stable the margins are 0, the latest update is ``-inf`` if it is not
    stable at once, and the sensitivities are ``inf``.
    """

    spectral_radius: Real
    gain_margin: Real
    phase_margin_deg: Real
    latest_update_s: Real
    lifted_norm: Real
    peak_sensitivity: Real


def periodic_margins(
    spec: Spec,
    window: Window,
    circuits: Sequence[FilterCircuit],
    kp: float | Fraction,
    ki: float | Fraction,
    *,
    gains: Real | None = None,
    late_s: Sequence[Fraction] | None = None,
) -> PeriodicMargins:
    """Margins of the loop with constants ``kp`` and ``ki`` per update around each circuit.

    ``gains`` (C, 2): least and greatest gain of each plant, rated per unit of scale; by default
    those of :func:`board_gains`. ``late_s``: latenesses at which it is judged; by default those of
    :func:`judged_lateness`. Raises ``ValueError`` as ``update_grid``.
    """
    ends = board_gains(spec, circuits) if gains is None else np.asarray(gains, dtype=float)
    grid = update_grid(window, spec.loop.measure)
    lates = judged_lateness(spec, window) if late_s is None else late_s
    scans = [
        LoopScan(periodic_loop(spec, window, circuits, late, grid), float(kp), float(ki), ends)
        for late in lates
    ]
    radius = np.max([scan.radius() for scan in scans], axis=0)
    stable = np.nonzero(radius < 1.0)[0]
    out = {key: np.zeros(len(circuits)) for key in ("gain", "phase")}
    out |= {key: np.full(len(circuits), np.inf) for key in ("lifted", "peak")}
    if len(stable):
        out["gain"][stable] = np.min([scan.gain_margin(stable) for scan in scans], axis=0)
        out["phase"][stable] = np.min([scan.phase_margin(stable) for scan in scans], axis=0)
        out["lifted"][stable] = np.max([scan.lifted_norm(stable) for scan in scans], axis=0)
        out["peak"][stable] = np.max([scan.peak_sensitivity(stable) for scan in scans], axis=0)
    latest = latest_updates(spec, window, circuits, float(kp), float(ki), ends)
    return PeriodicMargins(radius, out["gain"], out["phase"], latest, out["lifted"], out["peak"])


def board_gains(spec: Spec, circuits: Sequence[FilterCircuit]) -> Real:
    """Least and greatest gain (C, 2) of each circuit's boards, rated per unit of scale: bus and
    sensor at their ends, and the slope at rated where the sine clips or the bus sags. The sampling
    ripple of a mean is not in them, as the periodic loop has it."""
    response = modes(circuits, 2.0 * math.pi * float(spec.output.frequency_hz))
    per_volt = np.abs(response.transfer) / (math.sqrt(2.0) * float(spec.output.rated_rms_v))
    low, high = (per_volt * buses(spec)[end] * sensor_gains(spec)[end] for end in (0, -1))
    sag = bus_sag(spec, response)
    scale, slope = needed_scale(low, sag, spec.loop.measure)
    least = np.where(np.isfinite(scale), np.minimum(low, slope), low)
    return np.stack([least, high], axis=-1)


def judged_lateness(spec: Spec, window: Window) -> tuple[Fraction, ...]:
    """How late an update is taken to be: at once, and as late as the spec allows. A plain window
    whose spec says nothing takes effect at once."""
    if window.kind == "plain" and spec.loop.update_within_us == "auto":
        return (Fraction(0),)
    return tuple(sorted({Fraction(0), spec.update_within_s}))


def lateness_between(spec: Spec, window: Window) -> tuple[Fraction, ...]:
    """Those between the ends of :func:`judged_lateness` that are looked at; none if it has one."""
    latest = judged_lateness(spec, window)[-1]
    return tuple(share * latest for share in BETWEEN) if latest else ()


@dataclass(frozen=True, slots=True)
class LoopScan:
    """Circuits of ``loop``, constants ``kp`` and ``ki`` per update, and gains ``ends`` (C, 2)."""

    loop: PeriodicLoop
    kp: float
    ki: float
    ends: Real

    def radius(self, count: int | None = None) -> Real:
        """Spectral radius (C,) per update, the worst of the gains from one end to the other.
        ``count``: only so many of the greatest are exact, the others bounds below them."""
        gains = self._gains()
        if count is not None:
            return greatest_radii(self.loop, self.kp * gains, self.ki * gains, count)
        radii = spectral_radius_of(self.loop, self.kp * gains, self.ki * gains)
        return np.asarray(radii.max(axis=0), dtype=np.float64)

    def stable(self) -> NDArray[np.bool_]:
        """Whether each circuit's loop is stable (C,), with every gain from one end to the other."""
        gains = self._gains()
        radii = radii_from(1.0, self.loop, self.kp * gains, self.ki * gains)
        return np.asarray(radii.max(axis=0) < 1.0)

    def _gains(self) -> Real:
        ratio = float((self.ends[:, 1] / self.ends[:, 0]).max())
        steps = max(1, math.ceil(math.log(max(ratio, 1.0)) / math.log(GAIN_STEP)))
        return np.asarray(np.geomspace(self.ends[:, 0], self.ends[:, 1], steps + 1))

    def gain_margin(self, rows: Index, *, least: bool = False) -> Real:
        """Gain margins (R,) of stable circuits. ``least``: stop at the least of them; the others
        are then lower bounds."""
        steps = math.ceil(math.log(MAX_GAIN) / math.log(GAIN_STEP))
        factors = np.asarray(GAIN_STEP ** np.arange(steps + 1), dtype=np.float64)
        quick = partial(self.at_gain, least=NEAR)
        return first_unstable(self.at_gain, factors, rows, least=least, quick=quick)

    def phase_margin(self, rows: Index, *, least: bool = False) -> Real:
        """Phase margins (R,) of stable circuits, degrees; ``least`` as :meth:`gain_margin`."""
        angles = np.arange(0.0, MAX_PHASE_DEG + PHASE_STEP_DEG / 2, PHASE_STEP_DEG)
        quick = partial(self.at_phase, least=NEAR)
        return first_unstable(self.at_phase, angles, rows, least=least, quick=quick)

    def lifted_norm(self, rows: Index) -> Real:
        """Lifted norms (R,), the worse of both ends of the gain."""
        part = self.loop.rows(rows)
        return np.maximum(
            *(lifted_norm(part, self.kp, self.ki, self.ends[rows, end]) for end in (0, 1))
        )

    def peak_sensitivity(self, rows: Index) -> Real:
        """Ms (R,) of the averaged loop, the worse of both ends of the gain."""
        return averaged_peak(self.loop.rows(rows), self.kp, self.ki, self.ends[rows])

    def at_gain(self, factor: Real, rows: Index, least: float = 0.0) -> Real:
        """Radii (R,) of some circuits with the greatest gain times ``factor`` (R,); exact from
        ``least`` on, else bounds from above, below it."""
        gain = factor * self.ends[rows, 1]
        return radii_from(least, self.loop.rows(rows), self.kp * gain, self.ki * gain)

    def at_phase(self, degrees: Real, rows: Index, least: float = 0.0) -> Real:
        """Radii (R,) of some circuits with the loop turned by ``degrees`` (R,), the worse of both
        ends of the gain; ``least`` as :meth:`at_gain`."""
        turn = np.exp(1j * np.radians(degrees)) * self.ends[rows].T
        radii = radii_from(least, self.loop.rows(rows), self.kp * turn, self.ki * turn)
        return np.asarray(radii.max(axis=0), dtype=np.float64)


def latest_updates(  # noqa: PLR0917 (the loop, then its gains)
    spec: Spec,
    window: Window,
    circuits: Sequence[FilterCircuit],
    kp: float,
    ki: float,
    ends: Real,
    *,
    least: bool = False,
) -> Real:
    """Latest updates (C,), seconds, as :class:`PeriodicMargins` has them. ``least``: stop at the
    least of them; the others are then lower bounds."""
    grid = update_grid(window, spec.loop.measure)
    step = window.duration_s / LATE_STEPS
    latest = np.full(len(circuits), -np.inf)

    def stable(rows: Index, late: Fraction) -> NDArray[np.bool_]:
        chosen = [circuits[row] for row in rows]
        scan = LoopScan(periodic_loop(spec, window, chosen, late, grid), kp, ki, ends[rows])
        return scan.stable()

    rows = np.arange(len(circuits))
    good = stable(rows, Fraction(0))
    rows = rows[good]
    latest[rows] = 0.0
    if least and not good.all():
        return latest
    for k in range(LATE_STEPS if len(rows) else 0):
        good = stable(rows, (k + 1) * step)
        stopped, rows = rows[~good], rows[good]
        for part in range(1, LATE_PARTS):
            if not len(stopped):
                break
            late = (k + Fraction(part, LATE_PARTS)) * step
            stopped = stopped[stable(stopped, late)]
            latest[stopped] = float(late)
        latest[rows] = float((k + 1) * step)
        if not len(rows) or (least and not good.all()):
            return latest
    latest[rows] = np.inf
    return latest
