"""Pictures of runs over virtual boards: amplitude with limits, the waveform, the spread.

One row of three panels per case. Told apart by tone, line style and hatching, so that they read in
greyscale.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.base import figure
from halfcycle.simulate.boards import draw
from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.cases import cases
from halfcycle.simulate.limit_curves import LimitCurve, corridor
from halfcycle.simulate.measurements import Measured, measure
from halfcycle.simulate.run_types import History, Real, Run
from halfcycle.simulate.setup import board, timing
from halfcycle.simulate.simulate import Prepared, compiled
from halfcycle.simulate.tally import Tally

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MAX_BOARDS = 512
"""Boards drawn in a picture; a run may have more."""
LEAD_CYCLES, SHOWN_CYCLES = 1.0, 4.0
"""Waveform shown, cycles before the event and in all."""


@dataclass(frozen=True, slots=True)
class _Shown:
    """One case's boards, and the waveforms of the one that stands out."""

    setting: Setting
    case: Case
    run: Run
    gain: Real
    delay: Real
    history: History
    measured: Measured
    number: int
    """Of the board whose waveform is shown."""
    trace: Real
    event_s: float


def picture(
    prepared: Prepared, tallies: Sequence[Tally], numbers: range, seed: int, form: str
) -> bytes:
    """The picture of the cases of ``tallies`` as a file of ``form`` ("svg", "png" or "pdf").

    Raises ToolMissingError without matplotlib.
    """

    def fill(figure: Figure) -> None:
        rows = figure.subplots(len(tallies), 3, squeeze=False, width_ratios=(1.35, 1.25, 0.9))
        for row, tally in zip(rows, tallies, strict=True):
            shown = _gather(prepared, tally, numbers[:MAX_BOARDS], seed)
            _amplitude(row[0], shown)
            _waveform(row[1], shown)
            _spread(row[2], shown)

    inches = (11.0, 2.9 * len(tallies) + 0.4)
    return figure.draw(fill, form, inches=inches, dpi=110, font_size=8)


def _gather(prepared: Prepared, tally: Tally, numbers: range, seed: int) -> _Shown:
    setting = prepared.setting
    case = cases(setting)[tally.case]
    run = timing(setting, case)
    loop = compiled(prepared.name, prepared.texts)
    draws = draw(setting.spec, numbers, seed, setting.inside)
    boards = [board(setting, case, drawn) for drawn in draws]
    history = loop.run(run, boards)
    # The waveform of the first board that failed, else of the one that strays the farthest.
    stray = tally.worst.get("highest_percent", (0.0, numbers[0]))[1]
    number = tally.failures[0].board if tally.failures else stray
    (drawn,) = draw(setting.spec, range(number, number + 1), seed, setting.inside)
    special = board(setting, case, drawn)
    traced = loop.run(run, [special], trace=True)
    moved = np.array([each.event_delay_s for each in boards]) * bool(case.event_s)
    return _Shown(
        setting=setting,
        case=case,
        run=run,
        gain=np.array([drawn.gain for drawn in draws]),
        delay=moved,
        history=history,
        measured=measure(setting, case, draws, boards, history),
        number=number,
        trace=traced.trace,
        event_s=case.event_s + special.event_delay_s * bool(case.event_s),
    )


def _amplitude(axes: Axes, shown: _Shown) -> None:
    """Half-cycle RMS of all boards as a band, the nominal board as a line, limits around it."""
    setting, case, history = shown.setting, shown.case, shown.history
    half_s = 0.5 / shown.run.frequency_hz
    # Boards have their events at their own instants, so each is shifted to a common grid.
    lead = min(0.25 * setting.pace.rest_s, case.event_s)
    grid = np.arange(-lead, case.end_s - case.event_s, half_s)
    level = np.full((len(shown.gain), len(grid)), np.nan)
    for row, count in enumerate(history.half_count.tolist()):
        time = history.half_end_s[row, :count] - half_s / 2 - case.event_s - shown.delay[row]
        percent = 100 * history.half_rms[row, :count] * shown.gain[row] / setting.rated_v
        level[row] = np.interp(grid, time, percent, left=np.nan, right=np.nan)
    covered = ~np.isnan(level).all(axis=0)
    grid, level = grid[covered], level[:, covered]
    low, high = np.nanmin(level, axis=0), np.nanmax(level, axis=0)
    label = f"{len(level)} boards" if len(level) > 1 else None
    axes.fill_between(1000 * grid, low, high, color="0.75", linewidth=0, label=label)
    axes.plot(1000 * grid, level[0], color="0", linewidth=0.9, label="first board")
    after = grid[grid > 0]
    for curve, line in zip(case.curves, itertools.cycle(("--", ":")), strict=False):
        _limits(axes, curve, after, line, case.steady_s - case.event_s)
    axes.axvline(0, color="0.4", linewidth=0.6)
    if case.target_step and setting.promise.settling_ms is not None:
        axes.axvline(
            setting.promise.settling_ms, color="0.3", linestyle="-.", linewidth=0.9,
            label="designed settling",
        )  # fmt: skip
    floor, top = float(low.min()), float(high.max())
    room = max(2.0, 0.12 * (top - floor))
    axes.set_ylim(floor - room, top + room)
    axes.set_xlabel("time after the event, ms")
    axes.set_ylabel("RMS of a half cycle, % of rated")
    axes.set_title(case.name, loc="left", fontweight="bold", pad=14)
    _legend(axes)


def _legend(axes: Axes) -> None:
    """Above the panel at the right, where it hides nothing."""
    axes.legend(
        fontsize=6.5, frameon=False, loc="lower right", bbox_to_anchor=(1.0, 0.98), ncols=4,
        columnspacing=1.0, handlelength=1.6, borderpad=0.1,
    )  # fmt: skip


def _limits(axes: Axes, curve: LimitCurve, after: Real, line: str, settled_s: float) -> None:
    low, high = corridor(curve, after, settled_s)
    axes.plot(1000 * after, low, color="0.2", linestyle=line, linewidth=0.9, label=curve.name)
    axes.plot(1000 * after, np.where(np.isinf(high), np.nan, high), color="0.2", linestyle=line,
              linewidth=0.9)  # fmt: skip


def _waveform(axes: Axes, shown: _Shown) -> None:
    """Bridge and output of the one board around its event, or at the end if there is none."""
    cycle = 1 / shown.run.frequency_hz
    whole = round(SHOWN_CYCLES * cycle / shown.run.step_s)
    first = shown.run.steps - whole
    if shown.event_s:
        first = min(first, round((shown.event_s - LEAD_CYCLES * cycle) / shown.run.step_s))
    first = max(0, first)
    last = min(shown.run.steps, first + whole)
    time = 1000 * (np.arange(first, last) * shown.run.step_s - shown.event_s)
    bridge, output = shown.trace[first:last, 1], shown.trace[first:last, 0]
    axes.plot(time, bridge, color="0.65", linewidth=1.6, label="bridge, averaged")
    axes.plot(time, output, color="0", linewidth=0.9, label="output")
    load = shown.trace[first:last, 3]
    if np.abs(load).max() > 0:
        factor = _round_factor(np.abs(output).max() / np.abs(load).max())
        axes.plot(time, factor * load, color="0.3", linestyle=":", linewidth=1.1,
                  label=f"load, {factor:g} V/A")  # fmt: skip
    if shown.event_s:
        axes.axvline(0, color="0.4", linewidth=0.6)
    axes.set_xlabel("time after the event, ms" if shown.event_s else "time, ms")
    axes.set_ylabel("V")
    axes.set_title(f"board {shown.number}", loc="left", pad=14)
    _legend(axes)


def _round_factor(ratio: float) -> float:
    """The largest of 1, 2, 5, 10, ... that is not above half of ``ratio``."""
    power = 10.0 ** np.floor(np.log10(max(ratio / 2, 1e-6)))
    return float(power * max(m for m in (1, 2, 5) if m * power <= ratio / 2 or m == 1))


def _spread(axes: Axes, shown: _Shown) -> None:
    """How the figure that this case is about spreads over the boards."""
    measured, case = shown.measured, shown.case
    targets = shown.setting.spec.targets
    if case.target_step:
        values, name = 1000 * measured.response.settling_s, "settling, ms"
        limit = shown.setting.settling_goal_ms
    elif "steady" in case.rules:
        values, name = 100 * measured.steady.error, "steady error, %"
        limit = float(targets.voltage_tolerance_percent)
    else:
        values, limit = 100 * measured.response.highest, np.nan
        name = "highest RMS of a half cycle, %"
    axes.hist(values, bins=24, color="0.8", edgecolor="0.3", linewidth=0.5)
    if np.isfinite(limit):
        axes.axvline(limit, color="0", linestyle="--", linewidth=0.9, label="target")
        _legend(axes)
    axes.set_xlabel(name)
    axes.set_ylabel("boards")
