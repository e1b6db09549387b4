"""How far a loop's response moved from one design to another, over all corners."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from halfcycle.design.types import Design, Trial
from halfcycle.loop.filter_model import Real

MAX_UPDATES = 4096
"""Updates that a response is followed for, at most."""


@dataclass(frozen=True, slots=True)
class Steps:
    """Readings after a step of the target from zero to rated, at every corner; of a window of
    blocks by the loop that is averaged over the sine's phases.

    ``time_ms`` (N,): from the first update that saw the new target; 0 first, then the end of each
    reading. ``readings`` (N, C): share of rated, 0 first.
    """

    time_ms: Real
    readings: Real

    @property
    def lowest(self) -> Real:
        """Least reading over the corners (N,)."""
        return np.asarray(self.readings.min(axis=1))

    @property
    def highest(self) -> Real:
        """Greatest reading over the corners (N,)."""
        return np.asarray(self.readings.max(axis=1))


OVERSHOOT_SLACK = 1.0
"""Percent of the step. An overshoot that grows by less is the same response."""
SENSITIVITY_SLACK = 0.1
"""A peak sensitivity Ms that grows by less is the same. Ms bounds both margins: the gain margin is
at least Ms/(Ms - 1), the phase margin at least 2 asin(1/(2 Ms))."""


def steps(design: Design, until_ms: float) -> Steps:
    """The step responses of ``design`` up to ``until_ms``, at least one update."""
    update_ms = float(1000 * design.window.update_s)
    updates = min(MAX_UPDATES, max(1, math.ceil(until_ms / update_ms - 1e-9)))
    y = design.step_readings(updates)
    readings = np.concatenate([np.zeros((1, y.shape[1])), y])
    return Steps(update_ms * np.arange(updates + 1, dtype=np.float64), readings)


def horizon_ms(*designs: Design) -> float:
    """A time that shows every one of ``designs`` settle, milliseconds."""
    settled = [d.loop.settling_ms or d.settling_goal_ms for d in designs]
    return 1.5 * max(settled)


def departure(before: Design, after: Design) -> float | None:
    """Greatest distance between the two responses' least, and their greatest, readings over the
    corners, percent of the step; None if one of them is unstable.

    Between window ends the readings are taken as straight lines.
    """
    if not (before.loop.stable and after.loop.stable):
        return None
    until = horizon_ms(before, after)
    old, new = steps(before, until), steps(after, until)
    grid = np.union1d(old.time_ms, new.time_ms)
    grid = grid[grid <= min(old.time_ms[-1], new.time_ms[-1])]
    apart = [
        np.abs(np.interp(grid, old.time_ms, a) - np.interp(grid, new.time_ms, b)).max()
        for a, b in ((old.lowest, new.lowest), (old.highest, new.highest))
    ]
    return 100.0 * float(max(apart))


def _grain_ms(design: Design | Trial) -> float:
    """By how much a settling time changes at least, about."""
    window = design.window
    if window.blocks == 1:
        return window.duration_ms
    return float(1000 * (window.update_s + 1 / (2 * window.frequency_hz)))


def worse_figures(before: Design, after: Design | Trial) -> str:
    """The worst figures over the corners that grew beyond their slack, with the corner of the first
    of them; "" if none did. A settling time, which is a whole number of windows, may grow by one of
    the longer windows; with windows of blocks, by a half cycle and the time between updates."""
    old, new = before.loop, after.loop
    if not new.stable:
        return f"unstable at {new.worst['slowest_pole']}"
    grain_ms = max(_grain_ms(before), _grain_ms(after))
    grown, where = [], ""
    for key, name, unit, slack in (
        ("settling_ms", "settling", " ms", grain_ms),
        ("overshoot_percent", "overshoot", " %", OVERSHOOT_SLACK),
        ("peak_sensitivity", "peak sensitivity", "", SENSITIVITY_SLACK),
    ):
        was, now = getattr(old, key), getattr(new, key)
        if was is not None and (now is None or now > was + slack * (1 + 1e-9)):
            reached = "beyond what can be followed" if now is None else f"{now:.4g}{unit}"
            grown.append(f"{name} from {was:.4g}{unit} to {reached}")
            where = where or f", at {new.worst.get(key, 'some corner')}"
    return ", ".join(grown) + where
