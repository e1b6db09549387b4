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

from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.regulator.plan import (
    FLAG_BROWNOUT,
    FLAG_IMPLAUSIBLE,
    FLAG_LIMIT,
    FLAG_OVER,
    SCALE_ONE,
)
from halfcycle.simulate.boards import Draw
from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.limit_curves import EN_50160, breaches
from halfcycle.simulate.run_types import Board, History, Real

Flags = NDArray[np.bool_]
Indices = NDArray[np.intp]

ALARMS = FLAG_OVER | FLAG_BROWNOUT | FLAG_IMPLAUSIBLE | FLAG_LIMIT


@dataclass(frozen=True, slots=True)
class Response:
    """What followed the event, by half cycles.

    ``settling_s`` from the event to the end of the last half cycle outside the band around the
    board's own resting level. ``overshoot`` as a share of the step. ``lowest``, ``highest``:
    extremes of the half-cycle RMS after the event, ``end``: the last one, shares of rated.
    ``breached``: (boards, curves).
    """

    settling_s: Real
    overshoot: Real
    lowest: Real
    highest: Real
    end: Real
    breached: Flags


@dataclass(frozen=True, slots=True)
class Steady:
    """The steady stretch, by windows; NaN if a board has no steady window.

    ``error``: greatest distance of a window's true RMS from rated, a share of it; ``true_v`` and
    ``reported_v`` are of that window. ``report_error``: the greatest error of the reported RMS, a
    share of the true one, signed, in window number ``report_window`` of the board. Sensor gain
    apart. ``scale``: the greatest one.
    """

    error: Real
    true_v: Real
    reported_v: Real
    report_error: Real
    report_window: Indices
    scale: Real


@dataclass(frozen=True, slots=True)
class Flagged:
    """What the firmware said and did about it.

    ``then``: flags of the last window before the case's ``flagged_s``, window number
    ``window_then``, in which the reported RMS was off by ``report_error``; ``end``: flags at the
    end. ``drift``: how far the scale moved from the second whole window after the event on;
    ``rise``: the scale at the end less that before the event.
    """

    then: NDArray[np.int32]
    window_then: Indices
    report_error: Real
    end: NDArray[np.int32]
    drift: Real
    rise: Real


@dataclass(frozen=True, slots=True)
class Measured:
    """One case's boards."""

    response: Response
    steady: Steady
    flagged: Flagged


def measure(
    setting: Setting,
    case: Case,
    draws: Sequence[Draw],
    boards: Sequence[Board],
    history: History,
) -> Measured:
    """All figures of one case's boards."""
    run = _Run(setting, case, draws, boards, history)
    return Measured(_response(run), _steady(run), _flagged(run))


class _Run:
    """The histories of one case beside the instants of each board; columns (boards, 1)."""

    def __init__(
        self,
        setting: Setting,
        case: Case,
        draws: Sequence[Draw],
        boards: Sequence[Board],
        history: History,
    ) -> None:
        self.setting, self.case, self.history = setting, case, history
        self.gain = np.array([draw.gain for draw in draws])[:, None]
        # Events after the start move with the board; the start does not.
        moved = np.array([board.event_delay_s for board in boards])[:, None]
        self.moved = bool(case.event_s) * moved
        self.event = case.event_s + self.moved
        self.start_of_steady = case.steady_s + self.moved
        halves = np.arange(history.half_rms.shape[1])
        self.level = history.half_rms * self.gain / setting.rated_v
        self.half_known = halves < history.half_count[:, None]
        self.half_after = self.half_known & (history.half_end_s > self.event)
        windows = np.arange(history.window_rms.shape[1])
        self.window_known = windows < history.window_count[:, None]

    def report_error(self) -> Real:
        """Of the reported RMS in every window, a share of the true one, sensor gain apart."""
        with np.errstate(divide="ignore", invalid="ignore"):
            off = self.history.window_reported_mv / 1000 / (self.history.window_rms * self.gain)
            return np.asarray(off - 1, dtype=np.float64)


def _response(run: _Run) -> Response:
    case, history, after = run.case, run.history, run.half_after
    # Settling and overshoot are about the board's own resting level, as in the theory of the loop;
    # how far that rests from rated is the steady error.
    resting = after & (history.half_end_s > run.start_of_steady)
    total = np.where(resting, run.level, 0.0).sum(axis=1)
    rests_at = total / np.maximum(1, resting.sum(axis=1))
    rests_at = np.where(resting.any(axis=1), rests_at, 1.0)[:, None]
    # The design leaves room for the ripple of a step to rated; a smaller step has as much of it.
    band = SETTLING_BAND * case.step + (1 - case.step) * run.setting.at_rest.ripple
    outside = after & (np.abs(run.level - rests_at) > band)
    last = np.where(outside, history.half_end_s, -np.inf).max(axis=1, initial=-np.inf)
    beyond = np.where(after, run.level - rests_at, 0.0).max(axis=1)
    return Response(
        settling_s=np.maximum(0.0, last - run.event[:, 0]),
        overshoot=np.maximum(0.0, beyond) / case.step,
        lowest=np.where(after, run.level, np.inf).min(axis=1),
        highest=np.where(after, run.level, 0.0).max(axis=1),
        end=_last(run.level, run.half_known),
        breached=_breached(run),
    )


def _breached(run: _Run) -> Flags:
    """Which of the case's curves each board left: (boards, curves)."""
    ends, after = run.history.half_end_s, run.half_after
    lasting = np.where(after, np.diff(ends, axis=1, prepend=0.0), 0.0)
    percent = np.where(after, 100 * run.level, np.nan)
    breached = np.zeros((len(ends), len(run.case.curves)), dtype=bool)
    for column, curve in enumerate(run.case.curves):
        # EN 50160 speaks of long means: only the settled end is held against it.
        late = ends > run.start_of_steady if curve is EN_50160 else True
        breached[:, column] = breaches(curve, np.where(late, percent, np.nan), lasting)
    return breached


def _steady(run: _Run) -> Steady:
    setting, history = run.setting, run.history
    # A window counts as steady when all of it lies in the steady stretch.
    starts = history.window_end_s - setting.window_s
    steady = run.window_known & (starts >= run.start_of_steady)
    none = ~steady.any(axis=1)
    true = history.window_rms
    off = np.where(steady, np.abs(true * run.gain / setting.rated_v - 1), -1.0)
    worst = off.argmax(axis=1)
    report_error = np.where(steady, run.report_error(), 0.0)
    misread = np.abs(report_error).argmax(axis=1)

    def of(values: NDArray[Any], window: Indices) -> Real:
        chosen = np.take_along_axis(values, window[:, None], 1)[:, 0]
        return np.where(none, np.nan, chosen)

    judged = steady if not none.all() else run.window_known
    return Steady(
        error=of(off, worst),
        true_v=of(true, worst),
        reported_v=of(history.window_reported_mv / 1000, worst),
        report_error=of(report_error, misread),
        report_window=misread,
        scale=np.where(judged, history.window_scale, 0).max(axis=1) / SCALE_ONE,
    )


def _flagged(run: _Run) -> Flagged:
    setting, history, known = run.setting, run.history, run.window_known
    before = known & (history.window_end_s <= run.case.flagged_s + run.moved)
    # The window that ends as the event comes may hold it in its last sample.
    untouched = known & (history.window_end_s + setting.sample_s <= run.event)
    blind = known & (history.window_end_s - 2 * setting.window_s >= run.event)
    highest = np.where(blind, history.window_scale, 0).max(axis=1)
    lowest = np.where(blind, history.window_scale, 2**20).min(axis=1)
    rise = _last(history.window_scale, known) - _last(history.window_scale, untouched)
    return Flagged(
        then=_last(history.window_flags, before),
        window_then=_last_column(before),
        report_error=_last(run.report_error(), before),
        end=_last(history.window_flags, known),
        drift=(highest - lowest) / SCALE_ONE,
        rise=rise / SCALE_ONE,
    )


def _last_column(chosen: Flags) -> Indices:
    """The column of the last chosen entry of each row."""
    return np.asarray(chosen.shape[1] - 1 - chosen[:, ::-1].argmax(axis=1), dtype=np.intp)


def _last(values: NDArray[Any], chosen: Flags) -> NDArray[Any]:
    """The last chosen entry of each row; 0 if there is none."""
    entries = np.take_along_axis(values, _last_column(chosen)[:, None], 1)[:, 0]
    return np.where(chosen.any(axis=1), entries, 0)
