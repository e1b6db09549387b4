"""What the boards of one case did, measured.

Everything is per board, arrays (boards,). The true output is measured by its RMS over a half cycle
of any start (settling, overshoot, extremes), by the half cycles of the reference (limits, which are
drawn for an RMS that comes every half cycle) and by the regulator's windows (steady error).

That RMS is not the Urms(1/2) of IEC 61000-4-30, but bounds it: Urms(1/2) is taken over a whole
cycle, every half cycle, so its square is the mean of two of these.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator.plan import FLAG_IMPLAUSIBLE, SCALE_ONE
from halfcycle.simulate.boards import Draw
from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.limit_curves import breaches
from halfcycle.simulate.run_types import Board, History, Real

Flags = NDArray[np.bool_]
Indices = NDArray[np.intp]

MAX_HARMONIC = 40
"""Last harmonic that is counted as distortion (IEC 61000-4-7 and EN 50160 stop there)."""


@dataclass(frozen=True, slots=True)
class Response:
    """What followed the event, by the RMS over a half cycle of any start.

    ``settling_s`` from the event to the end of the last half cycle outside the band around the
    board's own resting level. ``overshoot`` as a share of the step. ``lowest``, ``highest``:
    extremes of the half-cycle RMS after the event, ``end``: the last one, ``before``: the last one
    before the event (0: none), shares of rated. ``high_s``: time that it spends above HIGH_SHARE of
    rated. ``peak_v``: the greatest size of the output itself after it, volts, as a scope has it, so
    with the board's sensor gain in it. ``breached``: (boards, curves).
    """

    settling_s: Real
    overshoot: Real
    lowest: Real
    highest: Real
    end: Real
    before: Real
    high_s: Real
    peak_v: Real
    breached: Flags


@dataclass(frozen=True, slots=True)
class Steady:
    """The steady stretch, by windows; NaN if a board has no steady window.

    ``error``: greatest distance of a window's true RMS from the target, a share of rated;
    ``true_v`` and ``reported_v`` are of that window. ``report_error``: the greatest error of the
    reported RMS, a share of the true one, signed, in window number ``report_window`` of the board.
    Sensor gain apart. ``scale``: the greatest one.
    """

    error: Real
    true_v: Real
    reported_v: Real
    report_error: Real
    report_window: Indices
    scale: Real


@dataclass(frozen=True, slots=True)
class Wave:
    """The output at rest over a turn of the reference, the mean of the last whole cycles; NaN if a
    case has no rest. ``thd``: RMS of harmonics 2 to 40 as a share of the fundamental's. ``dc``:
    size of the DC as a share of rated peak; ``dc_v``: the same in volts, with its sign."""

    thd: Real
    dc: Real
    dc_v: Real


@dataclass(frozen=True, slots=True)
class Flagged:
    """What the firmware said and did about it.

    ``then``: flags of the last window before the case's ``flagged_s``, window number
    ``window_then``, in which the reported RMS was off by ``report_error``; ``end``: flags at the
    end. ``false_alarm``: whether IMPLAUSIBLE was flagged while the sensor was good. ``alarm_s``:
    from its loss until flagged, infinite if it never is; counted from the first update that drives
    it enough to see, if that is later. ``rests``: the scale at the end; ``rise``: that less the
    scale before the event; ``peak``: the greatest after it, 1.0 = bus.
    """

    then: NDArray[np.int32]
    window_then: Indices
    report_error: Real
    end: NDArray[np.int32]
    false_alarm: Flags
    alarm_s: Real
    rests: Real
    rise: Real
    peak: Real


@dataclass(frozen=True, slots=True)
class Measured:
    """One case's boards."""

    response: Response
    steady: Steady
    flagged: Flagged
    wave: Wave


def measure(
    setting: Setting,
    case: Case,
    draws: Sequence[Draw],
    boards: Sequence[Board],
    history: History,
) -> Measured:
    """All figures of one case's boards."""
    run = _Run(setting, case, draws, boards, history)
    return Measured(_response(run), _steady(run), _flagged(run), _wave(run))


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
        self.moved = case.moved * moved
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
    # Settling and overshoot are about the board's own resting level, as in the theory of the loop;
    # how far that rests from rated is the steady error.
    case, history = run.case, run.history
    to_share = run.gain[:, 0] / run.setting.rated_v
    rests_at = np.where(history.rest_rms > 0, history.rest_rms * to_share, 1.0)
    lowest, highest = history.lowest_rms * to_share, history.highest_rms * to_share
    beyond = rests_at - lowest if case.target_step < 0 else highest - rests_at
    return Response(
        settling_s=history.settling_s,
        overshoot=np.maximum(0.0, beyond) / case.step,
        lowest=lowest,
        highest=highest,
        end=_last(run.level, run.half_known),
        before=_last(run.level, run.half_known & (history.half_end_s <= run.event)),
        high_s=history.high_s,
        peak_v=history.peak_v,
        breached=_breached(run),
    )


def _wave(run: _Run) -> Wave:
    """By Fourier: WAVE_POINTS of a turn tell all of the first 40 harmonics."""
    setting, wave = run.setting, run.history.wave
    if not wave.shape[1]:
        nothing = np.full(len(wave), np.nan)
        return Wave(nothing, nothing, nothing)
    spectrum = np.fft.rfft(wave, axis=1) / wave.shape[1]
    harmonics = np.abs(spectrum[:, 2 : MAX_HARMONIC + 1])
    dc_v = spectrum[:, 0].real
    with np.errstate(divide="ignore", invalid="ignore"):
        thd = np.sqrt((harmonics**2).sum(axis=1)) / np.abs(spectrum[:, 1])
    return Wave(thd=thd, dc=np.abs(dc_v) / (math.sqrt(2) * setting.rated_v), dc_v=dc_v)


def _breached(run: _Run) -> Flags:
    """Which of the case's curves each board left: (boards, curves)."""
    ends, after = run.history.half_end_s, run.half_after
    lasting = np.where(after, np.diff(ends, axis=1, prepend=0.0), 0.0)
    percent = np.where(after, 100 * run.level, np.nan)
    breached = np.zeros((len(ends), len(run.case.curves)), dtype=bool)
    settled = ends > run.start_of_steady
    for column, curve in enumerate(run.case.curves):
        breached[:, column] = breaches(curve, percent, lasting, settled)
    return breached


def _steady(run: _Run) -> Steady:
    setting, history = run.setting, run.history
    # A window counts as steady when all of it lies in the steady stretch.
    starts = history.window_end_s - setting.span_s
    steady = run.window_known & (starts >= run.start_of_steady)
    none = ~steady.any(axis=1)
    true = history.window_rms
    off = np.where(steady, np.abs(true * run.gain / setting.rated_v - run.case.rests_at), -1.0)
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
    driven = setting.at_rest.driven * SCALE_ONE
    before = known & (history.window_end_s <= run.case.flagged_s + run.moved)
    # The window that ends as the event comes may hold it in its last sample.
    untouched = known & (history.window_end_s + setting.sample_s <= run.event)
    rests = _last(history.window_scale, known)
    rise = rests - _last(history.window_scale, untouched)
    implausible = known & ((history.window_flags & FLAG_IMPLAUSIBLE) != 0)
    good: Flags | bool = history.window_end_s <= run.event if run.case.lost else True
    if run.case.fails_s is not None:
        back = history.window_end_s > run.event + setting.alarm_s
        good = (history.window_end_s <= run.case.fails_s) | (back & (not setting.latched))
    lost = np.maximum(run.event, _first_s(run, history.window_scale >= driven))
    alarm = _first_s(run, implausible & (history.window_end_s > run.event))
    waited = np.where(np.isinf(alarm), np.inf, alarm - np.where(np.isinf(alarm), 0.0, lost))
    return Flagged(
        then=_last(history.window_flags, before),
        window_then=_last_column(before),
        report_error=_last(run.report_error(), before),
        end=_last(history.window_flags, known),
        false_alarm=(implausible & good).any(axis=1),
        alarm_s=np.maximum(0.0, waited[:, 0]),
        rests=rests / SCALE_ONE,
        rise=rise / SCALE_ONE,
        peak=np.where(known & (history.window_end_s > run.event), history.window_scale, 0).max(
            axis=1, initial=0
        )
        / SCALE_ONE,
    )


def _first_s(run: _Run, chosen: Flags) -> Real:
    """End of the first chosen window of each row (boards, 1); infinite if there is none."""
    ends = np.where(run.window_known & chosen, run.history.window_end_s, np.inf)
    return np.asarray(ends.min(axis=1, keepdims=True, initial=np.inf))


def _last_column(chosen: Flags) -> Indices:
    """The column of the last chosen entry of each row."""
    return np.asarray(chosen.shape[1] - 1 - chosen[:, ::-1].argmax(axis=1), dtype=np.intp)


def _last(values: NDArray[Any], chosen: Flags) -> NDArray[Any]:
    """The last chosen entry of each row; 0 if there is none."""
    entries = np.take_along_axis(values, _last_column(chosen)[:, None], 1)[:, 0]
    return np.where(chosen.any(axis=1), entries, 0)
