"""How far a loop's response moved from one design to another, over all corners."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from halfcycle.design.types import Design
from halfcycle.loop.filter_model import Real
from halfcycle.loop.step_response import step_response

LONGEST = 4096
"""Windows that a response is followed for, at most."""


@dataclass(frozen=True, slots=True)
class Steps:
    """Readings after a step of the target from zero to rated, at every corner.

    ``time_ms`` (N,): from the first window that is driven by an update that saw the new target; 0
    first, then each window's end. ``readings`` (N, C): share of rated, 0 first.
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
    """The step responses of ``design`` up to ``until_ms``, at least one window."""
    window_ms = design.window.duration_ms
    windows = min(LONGEST, max(1, math.ceil(until_ms / window_ms - 1e-9)))
    plants = design.plants
    with np.errstate(over="ignore", invalid="ignore"):
        y = step_response(
            plants.step_taps, float(design.kp), float(design.ki), windows, plants.scale_curve()
        )
    readings = np.concatenate([np.zeros((1, y.shape[1])), y])
    return Steps(window_ms * np.arange(windows + 1, dtype=np.float64), readings)


def horizon_ms(*designs: Design) -> float:
    """A time that shows every one of ``designs`` settle, milliseconds."""
    settled = [d.loop.settling_ms or float(d.spec.targets.settling_ms) for d in designs]
    return 1.5 * max(settled)


def departure(before: Design, after: Design) -> float | None:
    """Greatest distance between the two responses' least, and their greatest, readings over the
    corners, percent of the step; None where one of them is unstable.

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


def worse_figures(before: Design, after: Design) -> str:
    """The worst figures over the corners that grew beyond their slack, with the corner of the first
    of them; "" where none did. A settling time, which is a whole number of windows, may grow by
    one of the longer windows."""
    old, new = before.loop, after.loop
    if not new.stable:
        return f"unstable at {new.worst['slowest_pole']}"
    window_ms = max(before.window.duration_ms, after.window.duration_ms)
    found, where = [], ""
    for key, name, unit, slack in (
        ("settling_ms", "settling", " ms", window_ms),
        ("overshoot_percent", "overshoot", " %", OVERSHOOT_SLACK),
        ("peak_sensitivity", "peak sensitivity", "", SENSITIVITY_SLACK),
    ):
        was, now = getattr(old, key), getattr(new, key)
        if was is not None and (now is None or now > was + slack * (1 + 1e-9)):
            reached = "beyond what can be followed" if now is None else f"{now:.4g}{unit}"
            found.append(f"{name} from {was:.4g}{unit} to {reached}")
            where = where or f", at {new.worst.get(key, 'some corner')}"
    return ", ".join(found) + where
