"""How the output itself settles and overshoots with a plain window, if the filter rings that long.

Readings may rest inside the band while half cycles that they average over are outside it: that
takes a filter whose ringing is not gone when the window ends.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.loop.corner_filters import corner_filters, resonance_line, ringing_loads
from halfcycle.loop.corner_plants import board_label
from halfcycle.loop.filter_model import Real, modes
from halfcycle.loop.judged_steps import TARGETS, UPWARD, Case, cases, judge
from halfcycle.loop.normalised import Normalised
from halfcycle.loop.plant import window_timing
from halfcycle.loop.time_domain import HALF_CYCLE_POINTS

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

SAME_PERCENT = 0.5
"""The output overshoots further than readings if by more than so much of the step: an RMS of a
sine that rings is not quite the mean that is regulated."""
_LEFT = 0.05
"""Ringing counts if more than so much of it is left after a window."""
_SEEN = 1e-6
"""A mode whose part in the steady output is less than this share is not excited."""
_PHASES = 8
_FIRST_PHASES, _FIRST_POINTS = 4, 8
"""Phases, and points of a half cycle, of the first look at every board..."""
_AGAIN = 12
"""...of which so many are run again at all of them: the slowest and those that overshoot most."""
_DIGITS = 9
"""Of times and shares: what is beyond is rounding."""
_FOLLOWED, _FOLLOWED_BRIEFLY = 2.0, 1.25
"""Boards are followed for so many times what the readings take: where they come to rest is then
known well enough. If that is known without, as of an RMS, they are first followed for less: what a
reading that took so long to come to the band is off by has halved by then."""


@dataclass(frozen=True, slots=True)
class OutputStep:
    """Steps up of the output, from zero and from half, the worst of both. ``settling_ms``: to the
    start of the last half cycle, at any instant, whose RMS is outside 2 %, ms; None if it takes
    longer than boards were followed. ``overshoot_percent``: of the step, of the RMS of a half
    cycle. ``slowest`` and ``farthest``: the boards that they are of."""

    settling_ms: float | None
    overshoot_percent: float
    slowest: str
    farthest: str


def output_settling(
    spec: Spec,
    window: Window,
    kp: float | Fraction,
    ki: float | Fraction,
    reading_ms: float,
    *,
    late_s: Fraction | None = None,
    limit_ms: float = 0.0,
    law: Normalised | None = None,
) -> OutputStep | None:
    """What the output of every board does on a step up; None if readings tell as much: if the
    ringing is gone within the window, or that ripples by itself as it holds no whole half cycles.

    ``kp`` and ``ki``: per window; ``reading_ms``: settling time of the readings; ``late_s``: how
    late updates take effect, seconds; if None, at once, and as late as the spec allows. Boards that
    have not settled in twice ``reading_ms`` are followed for twice ``limit_ms``, if that is later.
    ``law``: the normalised one, which is looked at on a step down, too; None: the plain one.
    The sensor's zero is taken to be right: its flips are counted apart. Of filters inside the
    tolerances those along the resonance under the lightest load are run.
    """
    if not window.within_clock or not _rings_beyond(spec, window):
        return None
    line = resonance_line(spec, ringing_loads(spec)[0], window_timing(spec, window))
    boards = cases(spec, "up", [*corner_filters(spec), *line])
    constants = np.array([float(kp)]), np.array([float(ki)])

    def worst(run_s: float, chosen: Sequence[Case], phases: int, points: int) -> tuple[Real, Real]:
        """Settling, seconds, and overshoot of each board, the worst of the steps up."""
        judged = [
            judge(
                spec,
                window,
                kind,
                chosen,
                *constants,
                run_s,
                phases=phases,
                zero=0.0,
                lates=None if late_s is None else (late_s,),
                points=points,
                law=law,
            )
            for kind in (UPWARD if law is None else TARGETS)
        ]
        settling = np.max([each.settling_s[:, 0] for each in judged], axis=0)
        overshoot = np.max([each.overshoot[:, 0] for each in judged], axis=0)
        return settling.round(_DIGITS), overshoot.round(_DIGITS)

    horizons = {_FOLLOWED * ms / 1000.0 for ms in (reading_ms, max(reading_ms, limit_ms))}
    if spec.loop.measure == "rms" and spec.bridge.bus_resistance_ohm == 0:
        horizons.add(_FOLLOWED_BRIEFLY * reading_ms / 1000.0 + 2.0 * float(window.duration_s))
    for run_s in sorted(horizons):
        settling, overshoot = worst(run_s, boards, _FIRST_PHASES, _FIRST_POINTS)
        if run_s < max(horizons) and not np.isfinite(settling).all():
            continue
        orders = np.lexsort((overshoot, settling)), np.lexsort((settling, overshoot))
        chosen = [boards[row] for row in np.unique([order[-_AGAIN:] for order in orders])]
        settling, overshoot = worst(run_s, chosen, _PHASES, HALF_CYCLE_POINTS)
        if np.isfinite(settling).all():
            break

    def label(row: int) -> str:
        case = chosen[row]
        return board_label(spec, case.after, case.bus_after_v, case.sensor)

    slowest, farthest = int(settling.argmax()), int(overshoot.argmax())
    half_ms = 500.0 / float(spec.output.frequency_hz)
    time_ms = round(1000.0 * float(settling[slowest]) - half_ms, _DIGITS)
    return OutputStep(
        settling_ms=time_ms if math.isfinite(time_ms) else None,
        overshoot_percent=100.0 * float(overshoot[farthest]),
        slowest=label(slowest),
        farthest=label(farthest),
    )


def _rings_beyond(spec: Spec, window: Window) -> bool:
    response = modes(corner_filters(spec), 2.0 * math.pi * float(spec.output.frequency_hz))
    size = np.abs(response.steady)
    seen = size > _SEEN * size.sum(axis=1, keepdims=True)
    left = np.exp(response.poles.real * float(window.duration_s)) * seen
    return bool(left.max() > _LEFT)
