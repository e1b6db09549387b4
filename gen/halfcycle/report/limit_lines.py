"""Published limits in the drawing of a case, each with its name beside it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import cycle, pairwise
from typing import Literal

import numpy as np

from halfcycle.report.board_runs import CaseRun
from halfcycle.report.svg_chart import Chart
from halfcycle.simulate.limit_curves import LimitCurve, corridor, turns

STYLES = ("limit", "limit dotted")
"""How the limits of one case differ from each other."""
BELOW, ABOVE = 11.0, -4.0
"""From a line to the foot of its name, for the side of the line on which the voltage may be."""
LETTER, LINE = 6.0, 13.0
"""Room that a name takes: of a letter, and of a line."""


@dataclass(frozen=True, slots=True)
class _Name:
    """A place for a name: at the right or left end of a line at ``level``, ``lower`` by so much."""

    level: float
    lower: float
    anchor: Literal["start", "end"]

    def box(self, chart: Chart, text: str) -> tuple[float, float, float]:
        """Left, right and foot of the name in the drawing."""
        width = LETTER * len(text)
        foot = chart.place(chart.x.low, self.level)[1] + self.lower
        if self.anchor == "end":
            return chart.left + chart.wide - width, chart.left + chart.wide, foot
        return chart.left, chart.left + width, foot


def draw_limits(chart: Chart, run: CaseRun) -> None:
    """Draw the limits of a case, and their names where none covers another."""
    taken: list[tuple[float, float, float]] = []
    for curve, style in zip(run.case.curves, cycle(STYLES), strict=False):
        places = [
            _Name(level, lower, anchor)
            for anchor in ("end", "start")
            for level, lower in _draw(chart, curve, run, style)
        ]
        if not places:
            continue
        place = max(places, key=lambda each: min(_apart(each.box(chart, curve.name), taken), LINE))
        taken.append(place.box(chart, curve.name))
        at_end = place.anchor == "end"
        chart.note(
            chart.x.high if at_end else chart.x.low,
            place.level,
            curve.name,
            anchor=place.anchor,
            dx=-3 if at_end else 5,
            dy=place.lower,
        )


def _apart(box: tuple[float, float, float], taken: list[tuple[float, float, float]]) -> float:
    """How far a name is from the nearest one that it stands above or below of."""
    beside = (abs(box[2] - b[2]) for b in taken if box[0] < b[1] and b[0] < box[1])
    return min(beside, default=float("inf"))


def _draw(chart: Chart, curve: LimitCurve, run: CaseRun, style: str) -> list[tuple[float, float]]:
    """Draw what the curve allows by the time since the case's own event, which may come after the
    first one, from which the drawing counts; give the levels at which a name may stand."""
    case, end_ms = run.case, float(run.edges[-1])
    first_s = min((event.time_s for event in case.events if event.time_s > 0), default=0.0)
    start_s = case.event_s - first_s
    settled_s, last_s = case.steady_s - case.event_s, end_ms / 1000 - start_s
    times = [0.0, *(step for step in turns(curve, settled_s) if 0 < step < last_s), last_s]
    middles = np.array([(a + b) / 2 for a, b in pairwise(times)])
    low, high = corridor(curve, middles, settled_s)
    edges = [1000 * (start_s + t) for t in times]
    places: list[tuple[float, float]] = []
    for levels, lower in ((np.where(np.isinf(high), np.nan, high), BELOW), (low, ABOVE)):
        values = np.where(levels == 0, np.nan, levels).tolist()
        chart.stairs(edges, values, style)
        places += [(v, lower) for v in values[::-1] if chart.y.low < v < chart.y.high][:1]
    return places
