"""Published limits in the drawing of a case; their names stand in its key, where nothing crosses
them."""

from __future__ import annotations

from itertools import cycle, pairwise

import numpy as np

from halfcycle.report.board_runs import CaseRun
from halfcycle.report.svg_chart import Chart
from halfcycle.simulate.limit_curves import LimitCurve, corridor, turns

STYLES = ("limit", "limit dotted", "limit dash-dot", "limit sparse")
"""How the limits of one case differ from each other."""


def limit_key(run: CaseRun) -> tuple[tuple[str, str], ...]:
    """Style and name of each limit of a case, for the key of its drawing."""
    return tuple(
        (style, curve.name) for curve, style in zip(run.case.curves, cycle(STYLES), strict=False)
    )


def draw_limits(chart: Chart, run: CaseRun) -> None:
    """Draw the limits of a case, in the styles of their key."""
    for curve, (style, _) in zip(run.case.curves, limit_key(run), strict=True):
        _draw(chart, curve, run, style)


def _draw(chart: Chart, curve: LimitCurve, run: CaseRun, style: str) -> None:
    """Draw what the curve allows by the time since the case's own event."""
    case, end_ms = run.case, float(run.edges[-1])
    start_s = case.event_s - case.zero_s
    settled_s, last_s = case.steady_s - case.event_s, end_ms / 1000 - start_s
    times = [0.0, *(step for step in turns(curve, settled_s) if 0 < step < last_s), last_s]
    middles = np.array([(a + b) / 2 for a, b in pairwise(times)])
    low, high = corridor(curve, middles, settled_s)
    edges = [1000 * (start_s + t) for t in times]
    for levels in (np.where(np.isinf(high), np.nan, high), low):
        chart.stairs(edges, np.where(levels == 0, np.nan, levels).tolist(), style)
