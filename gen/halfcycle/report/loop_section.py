"""The loop over every corner: which is the worst of what, and the step response."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.design.types import Design
from halfcycle.generate.pipeline import IntegerDesign
from halfcycle.generate.worst_corners import worst_corners
from halfcycle.loop.figures import CornerFigures, LoopFigures
from halfcycle.report.axis import Axis
from halfcycle.report.parts import (
    Corners,
    Figure,
    Table,
    asked,
    beside,
    decimal,
    exact,
    quantity,
)
from halfcycle.report.svg_chart import Chart

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

FIGURES = (
    ("settling_ms", "settling to 2 %", "ms"),
    ("overshoot_percent", "overshoot", "%"),
    ("gain_margin_db", "gain margin", "dB"),
    ("phase_margin_deg", "phase margin", "°"),
    ("peak_sensitivity", "peak sensitivity Ms", ""),
    ("nyquist_gain", "gain for a reading that flips every window", ""),
    ("noise_gain", "gain for reading noise", ""),
    ("slowest_pole", "slowest pole, size", ""),
)
"""Figures of ``halfcycle.loop.figures`` with their words and units."""
UNSTABLE = "Some corners are unstable: there are no margins to show."


def corners(integer_design: IntegerDesign) -> Corners:
    """A letter for each corner that has the worst of a figure, as the terminal shows it too."""
    return Corners(worst_corners(integer_design))


def corner_table(design: Design, named: Corners) -> Table:
    """What each letter stands for, and what the loop does there."""
    rows = []
    for label, letter in named.letters.items():
        at = row_of(design, label)
        row = None if at is None else design.loop.corners[at]
        rows.append(
            (
                letter,
                label,
                decimal(row.gain if row else None),
                decimal(row.scale if row else None),
                *(decimal(_figure_at(design.loop, row, label, key)) for key, _, _ in FIGURES[:5]),
            )
        )
    return Table(
        title="The worst corners",
        columns=(
            "corner",
            "where",
            "plant gain, pu per scale",
            "scale for rated",
            "settling, ms",
            "overshoot, %",
            "gain margin, dB",
            "phase margin, °",
            "Ms" if design.window.blocks == 1 else "Ms, averaged loop",
        ),
        rows=tuple(rows),
        numeric=(2, 3, 4, 5, 6, 7, 8),
        notes=(
            f"{len(design.loop.corners)} corners were analysed: bus, inductor, capacitor, load and "
            "sensor gain at the ends of their ranges, "
            + (
                "the phase at which a window starts, the slope if the sine clips, and filters "
                "whose ringing the sampling folds onto the sine."
                if design.window.blocks == 1
                else "and the worst filters inside them, each at every phase of the sine. Margins "
                "are made for the worst circuits alone."
            ),
        ),
    )


def _figure_at(loop: LoopFigures, row: CornerFigures | None, label: str, key: str) -> float | None:
    """A figure at a corner; that of the whole loop if the corner has the worst of it, as a board
    inside the tolerances may have no row of its own."""
    own: float | None = None if row is None else getattr(row, key)
    if own is None and loop.worst.get(key) == label:
        own = getattr(loop, key)
    return own


def row_of(design: Design, label: str | None) -> int | None:
    """The row of a corner; a board inside the tolerances may have none."""
    names = [corner.label for corner in design.plants.corners]
    return names.index(label) if label in names else None


def step_figure(design: Design, named: Corners) -> Figure:
    """Readings after the target steps from zero to rated, at every corner."""
    loop, spec = design.loop, design.spec
    update_ms = 1000 * float(design.window.update_s)
    limit_ms = design.settling_goal_ms
    over = float(spec.targets.overshoot_percent) / 100
    span_ms = 1.25 * max(limit_ms, loop.settling_ms or 0.0)
    count = max(4, min(400, math.ceil(span_ms / update_ms)))
    y = design.step_readings(count)
    times = [update_ms * k for k in range(count + 1)]
    rows = [[0.0, *y[:, at].tolist()] for at in range(y.shape[1])]
    top = max(1.14, 1.12 + over, min(2.0, 1.04 * float(np.nanmax(np.where(y < 9, y, np.nan)))))
    chart = Chart(
        Axis(0, times[-1], "time from the target's step, ms"),
        Axis(0, top, "reading, of the target"),
    )
    chart.band((0, times[-1]), (1 - SETTLING_BAND,) * 2, (1 + SETTLING_BAND,) * 2, "area")
    chart.lines([(times, row) for row in rows], "all")
    slow = row_of(design, loop.worst.get("settling_ms"))
    high = row_of(design, loop.worst.get("overshoot_percent"))
    key = [("all", f"{len(rows)} corners")]
    if slow is not None:
        chart.line(times, rows[slow], "one")
        key.append(("one", f"slowest ({named.letter(loop.worst['settling_ms'])})"))
    if high is not None and (loop.overshoot_percent or 0) > 0.01:
        chart.line(times, rows[high], "two")
        key.append(("two", f"highest ({named.letter(loop.worst['overshoot_percent'])})"))
    chart.level(1 + over, "limit", f"at most {exact(100 * over)} % over")
    chart.at(limit_ms, "limit", f"asked {asked(limit_ms, 'ms')}", up=0.3)
    if loop.settling_ms is not None:
        chart.at(
            loop.settling_ms,
            "one hair",
            f"settled {beside(loop.settling_ms, limit_ms, 'ms')}",
            up=0.5,
        )
    chart.key(*key)
    alt = (
        f"Step responses at {len(rows)} corners. Slowest settling "
        f"{quantity(loop.settling_ms, 'ms')}, greatest overshoot "
        f"{quantity(loop.overshoot_percent, '%')}"
    )
    caption = (
        "The average over the sine's phases, a reading per update, from zero to rated; the "
        "shaded band is ±2 %. Settling is not read off it: it is that of the true circuit, "
        "until every later half cycle, of any start, stays in the band."
        if design.window.blocks > 1
        else "One reading per window, from zero to rated, clipping included; the shaded band "
        "is ±2 %. Settling counts the wait for the first update that sees the new target."
    )
    if spec.targets.ramp_ms:
        caption += f" The ramp of {asked(spec.targets.ramp_ms, 'ms')} is left out."
    caption += "" if loop.stable else f" {UNSTABLE}"
    return Figure("Step of the target", alt, caption, chart.svg(alt))
