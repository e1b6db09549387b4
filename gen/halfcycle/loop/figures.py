"""Figures of a loop over every corner: what the gains give, and which corner is the worst.

Figures are None if they are undefined: a corner that is not stable has no settling, overshoot
or margins, and a phase margin needs a gain that crosses 1. The worst over the corners is None
if any corner is unstable, or if no corner has one. No figure is ever infinite or NaN, so all
of it may go into JSON.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.loop.filter_model import Real
from halfcycle.loop.frequency_response import margins
from halfcycle.loop.plant_types import Plants
from halfcycle.loop.step_response import spectral_radius, step_figures

Number = float | Fraction


@dataclass(frozen=True, slots=True)
class Figures:
    """Figures of one corner, or the worst over all.

    ``settling_ms``: from the target's step, the wait for the first update included, to within 2 %
    for good. ``overshoot_percent`` of the step. ``gain_margin_db``, ``phase_margin_deg``,
    ``peak_sensitivity`` (Ms, 1 and up). ``nyquist_gain``: output over a disturbance of the reading
    that flips sign every window. ``noise_gain``: output over the reading's noise, RMS.
    ``slowest_pole``: size of the greatest closed-loop pole, 0 up to 1.
    """

    settling_ms: float | None
    overshoot_percent: float | None
    gain_margin_db: float | None
    phase_margin_deg: float | None
    peak_sensitivity: float | None
    nyquist_gain: float | None
    noise_gain: float | None
    slowest_pole: float | None


@dataclass(frozen=True, slots=True)
class CornerFigures(Figures):
    """Figures of one corner, with its ``label``, ``gain`` (rated per unit of scale), ``weights``
    and the steady ``scale`` for rated there (None: none is enough)."""

    corner: str
    gain: float
    weights: tuple[float, ...]
    scale: float | None
    stable: bool


@dataclass(frozen=True, slots=True)
class LoopFigures(Figures):
    """The worst of each figure; ``worst`` names the corner that has it. ``stable``: every corner
    is."""

    stable: bool
    worst: dict[str, str]
    corners: tuple[CornerFigures, ...]


def analyse(
    plants: Plants, kp: Number, ki: Number, window_s: Number, ripple: float = 0.0
) -> LoopFigures:
    """Figures of the loop with per-window constants ``kp`` and ``ki`` (not both 0) over all
    corners, for windows of ``window_s`` seconds. ``ripple``: what the output moves by at rest, a
    share of rated either way, which settling has to leave room for in its 2 %."""
    p, i, window_ms = float(kp), float(ki), 1000.0 * float(window_s)
    taps = plants.taps
    radius = spectral_radius(taps, p, i)
    stable = radius < 1.0
    steps = step_figures(
        plants.step_taps,
        p,
        i,
        stable,
        plants.scale_curve(),
        SETTLING_BAND - ripple,
        plants.step_law(),
    )
    loop_margins = margins(taps, p, i)
    with np.errstate(divide="ignore"):
        decibel = 20.0 * np.log10(loop_margins.gain)
    columns = {
        "settling_ms": np.where(steps.windows > 0, steps.windows * window_ms, np.inf),
        "overshoot_percent": 100.0 * steps.overshoot,
        "gain_margin_db": decibel,
        "phase_margin_deg": loop_margins.phase_deg,
        "peak_sensitivity": loop_margins.peak,
        "nyquist_gain": loop_margins.nyquist,
        "noise_gain": loop_margins.noise,
        "slowest_pole": radius,
    }
    corners = tuple(
        CornerFigures(
            corner=corner.label,
            gain=float(plants.gains[row]),
            weights=tuple(float(w) for w in plants.weights[row]),
            scale=_number(plants.scale_for_rated[row]),
            stable=bool(stable[row]),
            **{key: _number(v[row]) if stable[row] else None for key, v in columns.items()},
        )
        for row, corner in enumerate(plants.corners)
    )
    worst, least = _worst(columns, bool(stable.all()))
    return LoopFigures(
        stable=bool(stable.all()),
        worst={key: plants.corners[row].label for key, row in worst.items()},
        corners=corners,
        **least,
    )


def _worst(
    columns: dict[str, Real], stable: bool
) -> tuple[dict[str, int], dict[str, float | None]]:
    """Row and value of the worst of each figure. Rounded before it is compared, so that equal
    corners give the same name on every machine."""
    rows: dict[str, int] = {}
    values: dict[str, float | None] = {}
    for key, column in columns.items():
        pick: Callable[[Real], Any] = (
            np.argmin if key in {"gain_margin_db", "phase_margin_deg"} else np.argmax
        )
        rows[key] = int(pick(np.round(column, 9)))
        values[key] = _number(column[rows[key]]) if stable else None
    if not stable:
        rows = {"slowest_pole": rows["slowest_pole"]}
    return rows, values


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
