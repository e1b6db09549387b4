"""How long the output itself takes to settle with a plain window, if the filter rings that long.

Readings may rest inside the band while half cycles that they average over are outside it: that
takes a filter whose ringing is not gone when the window ends.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.loop.corner_filters import corner_filters, resonance_line, ringing_loads
from halfcycle.loop.corner_plants import board_label
from halfcycle.loop.filter_model import FilterCircuit, modes
from halfcycle.loop.judged_steps import cases, judge
from halfcycle.loop.plant import window_timing

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

_LEFT = 0.05
"""Ringing counts if more than so much of it is left after a window."""
_SEEN = 1e-6
"""A mode whose part in the steady output is less than this share is not excited."""
_PHASES = 8
_FOLLOWED = 2
"""Boards are followed for so many times what the readings take."""


def output_settling(
    spec: Spec, window: Window, kp: float | Fraction, ki: float | Fraction, reading_ms: float
) -> tuple[float | None, str] | None:
    """Time from a step up from zero to the start of the last half cycle, at any instant, whose RMS
    is outside 2 %, ms, at the slowest board, and which that is; no time if it takes more than twice
    ``reading_ms``, after which the readings have settled. None if readings tell as much: if the
    ringing is gone within the window, or the output is no later than they are.

    ``kp`` and ``ki``: per window. The sensor's zero is taken to be right: its flips are counted
    apart. Filters inside the tolerances are run if those at the ends are later than readings.
    """
    if not _rings_beyond(spec, window):
        return None
    timing = window_timing(spec, window)
    half_ms = 500.0 / float(spec.output.frequency_hz)
    time, board = _slowest(spec, window, (kp, ki), corner_filters(spec), reading_ms)
    if time is not None and time > reading_ms:
        inside = resonance_line(spec, ringing_loads(spec)[0], timing)
        if inside:
            within = _slowest(spec, window, (kp, ki), inside, reading_ms)
            if within[0] is None or within[0] > time:
                time, board = within
    if time is None:
        return None, board
    return (time - half_ms, board) if time - half_ms > reading_ms else None


def _rings_beyond(spec: Spec, window: Window) -> bool:
    response = modes(corner_filters(spec), 2.0 * math.pi * float(spec.output.frequency_hz))
    size = np.abs(response.steady)
    seen = size > _SEEN * size.sum(axis=1, keepdims=True)
    left = np.exp(response.poles.real * float(window.duration_s)) * seen
    return bool(left.max() > _LEFT)


def _slowest(
    spec: Spec,
    window: Window,
    constants: tuple[float | Fraction, float | Fraction],
    circuits: Sequence[FilterCircuit],
    reading_ms: float,
) -> tuple[float | None, str]:
    """Settling of the slowest board, ms, None if not followed so long; and which that is."""
    boards = cases(spec, "up", circuits)
    kp, ki = (np.array([float(constant)]) for constant in constants)
    horizon_s = _FOLLOWED * reading_ms / 1000.0
    judged = judge(spec, window, "up", boards, kp, ki, horizon_s, phases=_PHASES, zero=0.0)
    settled = judged.settling_s[:, 0]
    row = int(np.round(settled, 9).argmax())
    case, seconds = boards[row], float(settled[row])
    label = board_label(spec, case.after, case.bus_after_v, case.sensor)
    return (1000.0 * seconds if math.isfinite(seconds) else None), label
