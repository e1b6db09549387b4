"""What the boards of one case did, measured.

Everything is per board, arrays (boards,). The true output is measured by half cycles of the
reference (settling, overshoot, limits) and by the regulator's windows (steady error).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from halfcycle.loop.step_response import BAND
from halfcycle.regulator.plan import FLAG_BROWNOUT, FLAG_IMPLAUSIBLE, FLAG_LIMIT, FLAG_OVER
from halfcycle.simulate.boards import Draw
from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.limit_curves import EN_50160, breaches
from halfcycle.simulate.run_types import Board, History, Real

Flags = NDArray[np.bool_]

ALARMS = FLAG_OVER | FLAG_BROWNOUT | FLAG_IMPLAUSIBLE | FLAG_LIMIT


@dataclass(frozen=True, slots=True)
class Measured:
    """One case's boards; NaN where a figure does not apply.

    ``settling_s`` from the event to the end of the last half cycle outside the band around the
    board's own resting level.
    ``overshoot``, ``steady_error``, ``report_error`` as shares (of the step, of rated, of the true
    RMS), sensor gain apart. ``true_v`` and ``reported_v`` are of the steady window farthest from
    the target. ``scale`` is the greatest steady one. ``breached``: (boards, curves).
    ``lowest``, ``highest``: extremes of the half-cycle RMS after the event, ``end``: the last one,
    shares of rated. ``flags_then`` and ``report_then`` (the reported RMS's error) at the case's
    ``flagged_s``, ``flags_end`` at the end. ``drift``: how far the scale moved from the second
    whole window after the event on; ``rise``: the scale at the end less that before the event.
    """

    settling_s: Real
    overshoot: Real
    steady_error: Real
    report_error: Real
    true_v: Real
    reported_v: Real
    scale: Real
    lowest: Real
    highest: Real
    breached: Flags
    flags_then: NDArray[np.int32]
    flags_end: NDArray[np.int32]
    end: Real
    drift: Real
    rise: Real
    report_then: Real


def measure(
    setting: Setting,
    case: Case,
    draws: Sequence[Draw],
    boards: Sequence[Board],
    history: History,
) -> Measured:
    """All figures of one case's boards."""
    gain = np.array([draw.gain for draw in draws])[:, None]
    # Events after the start move with the board; the start does not.
    moved = bool(case.event_s) * np.array([board.event_delay_s for board in boards])[:, None]
    event = case.event_s + moved

    half_end, half = history.half_end_s, history.half_rms
    n = np.arange(half.shape[1])
    used = (n < history.half_count[:, None]) & (half_end > event)
    level = half * gain / setting.rated_v
    start = case.steady_s + moved
    # Settling and overshoot are about the board's own resting level, as in the theory of the loop;
    # how far that rests from rated is the steady error.
    resting = used & (half_end > start)
    rests = resting.any(axis=1)
    final = np.where(resting, level, 0.0).sum(axis=1) / np.maximum(1, resting.sum(axis=1))
    final = np.where(rests, final, 1.0)[:, None]
    # The design leaves room for the ripple of a step to rated; a smaller step has as much of it.
    band = BAND * case.step + (1 - case.step) * setting.ripple
    outside = used & (np.abs(level - final) > band)
    last = np.where(outside, half_end, -np.inf).max(axis=1, initial=-np.inf)
    settling = np.maximum(0.0, last - event[:, 0])

    w = np.arange(history.window_rms.shape[1])
    known = w < history.window_count[:, None]
    # A window counts as steady when all of it lies in the steady stretch.
    steady = known & (history.window_end_s - setting.window_s >= start)
    true = history.window_rms
    reported = history.window_reported_mv / 1000
    off = np.where(steady, np.abs(true * gain / setting.rated_v - 1), -1.0)
    worst = off.argmax(axis=1)[:, None]
    none = ~steady.any(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        wrong_ever = reported / (true * gain) - 1
    wrong = np.where(steady, wrong_ever, 0.0)
    worst_report = np.take_along_axis(wrong, np.abs(wrong).argmax(axis=1)[:, None], 1)[:, 0]

    lasting = np.diff(half_end, axis=1, prepend=0.0)
    lasting = np.where(used, lasting, 0.0)
    percent = np.where(used, 100 * level, np.nan)
    breached = np.zeros((len(boards), len(case.curves)), dtype=bool)
    for column, curve in enumerate(case.curves):
        # EN 50160 speaks of long means: only the settled end is held against it.
        late = half_end > start if curve is EN_50160 else True
        breached[:, column] = breaches(curve, np.where(late, percent, np.nan), lasting)

    before = known & (history.window_end_s <= case.flagged_s + moved)
    # The window that ends as the event comes may hold it in its last sample.
    untouched = known & (history.window_end_s + setting.sample_s <= event)
    blind = known & (history.window_end_s - 2 * setting.window_s >= event)
    return Measured(
        settling_s=settling,
        overshoot=np.maximum(0.0, np.where(used, level - final, 0.0).max(axis=1)) / case.step,
        steady_error=np.where(none, np.nan, np.take_along_axis(off, worst, 1)[:, 0]),
        report_error=np.where(none, np.nan, worst_report),
        true_v=np.where(none, np.nan, np.take_along_axis(true, worst, 1)[:, 0]),
        reported_v=np.where(none, np.nan, np.take_along_axis(reported, worst, 1)[:, 0]),
        scale=np.where(steady if not none.all() else known, history.window_scale, 0).max(axis=1)
        / 16384,
        lowest=np.where(used, level, np.inf).min(axis=1),
        highest=np.where(used, level, 0.0).max(axis=1),
        breached=breached,
        flags_then=_last(history.window_flags, before),
        flags_end=_last(history.window_flags, known),
        end=_last(level, n < history.half_count[:, None]),
        drift=np.where(blind, history.window_scale, 0).max(axis=1) / 16384
        - np.where(blind, history.window_scale, 2**20).min(axis=1) / 16384,
        rise=(_last(history.window_scale, known) - _last(history.window_scale, untouched)) / 16384,
        report_then=_last(wrong_ever, before),
    )


def _last(values: NDArray[Any], chosen: Flags) -> NDArray[Any]:
    """The last chosen entry of each row; 0 where there is none."""
    columns = chosen.shape[1] - 1 - chosen[:, ::-1].argmax(axis=1)
    found = np.take_along_axis(values, columns[:, None], 1)[:, 0]
    return np.where(chosen.any(axis=1), found, 0)
