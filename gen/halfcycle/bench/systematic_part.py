"""How far gain and share of a fit may be off besides its noise, which no longer log tells.

The fit takes a window to see of a change what its weights say, at any phase. A window of few
samples reads a little more or less by the phase at which they fall, and what a change loses on its
way through the filter, or as an update is late, is lost near a crest or near a crossing. The phase
is not in the log, so every one is tried, with each load of the spec: what the nominal circuit makes
of the log's scales (``circuit_readings``) is given to the fit instead of the readings. Phases and
loads that would leave far more of the readings than the log's fit did are not this board's.

The gain is that of the bridge besides, whose sine has the rounding of its table and of the PWM.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.bench.circuit_readings import CircuitReadings
from halfcycle.bench.fit_rows import Chosen, Steps, chosen_rows
from halfcycle.loop.corner_filters import corner_loads, nominal_filter
from halfcycle.regulator.model import duty_wave
from halfcycle.regulator.plan import SCALE_ONE, TURN

if TYPE_CHECKING:
    from halfcycle.bench.capture_types import Floats
    from halfcycle.bench.fit_pull import Pull
    from halfcycle.bench.plant_fit import PlantFit
    from halfcycle.design.types import Design
    from halfcycle.loop.filter_model import FilterCircuit
    from halfcycle.regulator.plan import Plan

LATENESS_PARTS = 1000
"""Parts of an update to which a board's lateness is rounded."""
FAR_MORE = 2.0
"""Squares that a phase would leave, over those that are left: with noise besides there are more of
these, not fewer."""


def with_systematic_part(
    design: Design, plan: Plan, pieces: list[Steps], fit: PlantFit
) -> PlantFit:
    """The fit of ``pieces``, whose gain and share have their systematic part."""
    if fit.pull is None:
        return fit
    rows = list(chosen_rows(plan, pieces))
    tried = [
        _moved(made, rows, fit, fit.pull)
        for load in corner_loads(design.spec)
        for made in _circuits(design, plan, nominal_filter(design.spec, load), fit)
    ]
    moved = np.concatenate([values for values, _ in tried], axis=1)
    left = np.concatenate([squares for _, squares in tried])
    possible = left <= max(FAR_MORE * fit.pull.squares, float(left.min()))
    reach = np.abs(moved[:, possible]).max(axis=1).tolist()
    drive = _drive_error(plan, float(np.median(fit.rows.scale)))
    levels = tuple(
        replace(level, gain=replace(level.gain, systematic=off + drive * level.gain.value))
        for level, off in zip(fit.levels, reach[1:], strict=True)
    )
    gain = max((level.gain for level in levels), key=lambda gain: gain.readings)
    share = None if fit.share is None else replace(fit.share, systematic=reach[0])
    return replace(fit, gain=gain, share=share, levels=levels)


def _circuits(
    design: Design, plan: Plan, circuit: FilterCircuit, fit: PlantFit
) -> Iterator[CircuitReadings]:
    """The circuit without lateness and, if the log's share is less, with what makes it so."""
    at_once = CircuitReadings(design, plan, circuit, Fraction(0))
    yield at_once
    if fit.share is not None and fit.share.value < at_once.share:
        parts = round(min(1.0, at_once.share - fit.share.value) * LATENESS_PARTS)
        late = Fraction(parts, LATENESS_PARTS) * design.window.update_s
        yield CircuitReadings(design, plan, circuit, late)


def _moved(
    made: CircuitReadings, rows: Sequence[Chosen], fit: PlantFit, pull: Pull
) -> tuple[Floats, Floats]:
    """How far share and gains are moved with one circuit at each phase (1 + levels, P), and the
    squares that are left (P,)."""
    by_share = made.share * fit.rows.now + (1.0 - made.share) * fit.rows.later
    if made.square:
        by_share = np.sqrt(by_share)
    gain = fit.predicted / by_share
    readings = np.concatenate([made.of(part) for part in rows])[fit.rows.number]
    return pull(gain[:, None] * (readings - by_share[:, None]))


def _drive_error(plan: Plan, scale: float) -> float:
    """By how much the duty's sine differs from ``scale`` (1.0 = bus), of it: 0 and up."""
    fed = round(min(scale, 1.0) * SCALE_ONE)
    phase = np.arange(TURN, dtype=np.int64)
    sine = np.sin(2.0 * np.pi * phase / TURN)
    size = 2.0 / TURN * float(duty_wave(plan, fed, phase) @ sine) / plan.pwm_counts
    return abs(size * SCALE_ONE / max(fed, 1) - 1.0)
