"""How far gain and share of a fit may be off besides its noise, which no longer log tells.

The fit takes a window to see of a change what its weights say, at any phase. A window of few
samples reads a little more or less by the phase at which they fall, and what a change loses on its
way through the filter, or as an update is late, is lost near a crest or near a crossing. The phase
is not in the log, so every one is tried, with each load of the spec: what the nominal circuit makes
of the log's scales (``circuit_readings``) is given to the fit instead of the readings. How late the
board is, is not in the log either: a share of 0.5 may be that of an update later than half and of a
phase that shows more of it. So every phase has the lateness at which the fit would be the log's.
Phases and loads that would leave far more of the readings than the log's fit did are not this
board's.

The gain is that of the bridge besides, whose sine has the rounding of its table and of the PWM.
"""

from __future__ import annotations

import math
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
    from halfcycle.bench.plant_fit import PlantFit
    from halfcycle.design.types import Design
    from halfcycle.loop.filter_model import FilterCircuit
    from halfcycle.regulator.plan import Plan

LATENESS_PARTS = 1000
"""Parts of an update to which a board's lateness is rounded."""
LATENESSES = 21
"""Tried about that which the average of the phases has."""
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
        moved
        for load in corner_loads(design.spec)
        for moved in _tried(design, plan, nominal_filter(design.spec, load), rows, fit)
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


def _tried(
    design: Design, plan: Plan, circuit: FilterCircuit, rows: Sequence[Chosen], fit: PlantFit
) -> Iterator[tuple[Floats, Floats]]:
    """As ``_moved``: of the circuit without lateness and, if an update may be late by the log's
    share, of each phase with the lateness at which the fit would have been the log's."""
    at_once = CircuitReadings(design, plan, circuit, Fraction(0))
    of_at_once = _moved(at_once, rows, fit)
    yield of_at_once
    if fit.share is None:
        return
    # Of the magnitude of a sine, a time from a crossing on has less than its share by 1 / pi of a
    # half cycle at most, and one about a crest more.
    half_cycles = float(design.window.half_cycles_per_sample) * design.window.update_samples
    reach = 1.0 / (math.pi * half_cycles) + 2.0 * float(np.abs(of_at_once[0][0]).max())
    late = at_once.share - fit.share.value + np.linspace(-reach, reach, LATENESSES)
    parts = sorted({round(part * LATENESS_PARTS) for part in np.clip(late, 0.0, 1.0).tolist()})
    if parts == [0]:
        return
    later = [
        CircuitReadings(
            design, plan, circuit, Fraction(part, LATENESS_PARTS) * design.window.update_s
        )
        for part in parts
        if part
    ]
    boards = [at_once, *later] if 0 in parts else later
    each = [of_at_once if board is at_once else _moved(board, rows, fit) for board in boards]
    moves, squares = np.stack([m for m, _ in each]), np.stack([s for _, s in each])
    shares = np.array([[board.share] for board in boards]) + moves[:, 0]
    nearest = np.abs(shares - fit.share.value).argmin(axis=0)
    moved = _between(fit.share.value, shares, moves)
    if len(boards) > 2:
        # A filter that rings bends what is between two of the latenesses.
        bends = np.abs(moves[1:-1, 0] - (moves[:-2, 0] + moves[2:, 0]) / 2.0).max(axis=0)
        moved[0] += np.copysign(bends, moved[0])
    yield moved, squares[nearest, np.arange(len(nearest))]


def _between(share: float, shares: Floats, moves: Floats) -> Floats:
    """The moves (values, P) at this ``share``, of those (L, values, P) at ``shares`` (L, P)."""
    order = shares.argsort(axis=0)
    rows, values = shares.T, np.moveaxis(moves, 2, 0)
    return np.array(
        [
            [np.interp(share, row[by], value[by]) for value in several.T]
            for row, several, by in zip(rows, values, order.T, strict=True)
        ]
    ).T


def _moved(made: CircuitReadings, rows: Sequence[Chosen], fit: PlantFit) -> tuple[Floats, Floats]:
    """How far share and gains are moved with one circuit at each phase (1 + levels, P), and the
    squares that are left (P,)."""
    by_share = _by_share(made, fit, made.share)
    gain = fit.predicted / _by_share(made, fit, fit.share.value if fit.share else made.share)
    readings = np.concatenate([made.of(part) for part in rows])[fit.rows.number]
    assert fit.pull is not None
    return fit.pull(gain[:, None] * (readings - by_share[:, None]))


def _by_share(made: CircuitReadings, fit: PlantFit, share: float) -> Floats:
    """What the fit's rows read by this share of delay per unit of gain (N,), units of rated."""
    by_share = share * fit.rows.now + (1.0 - share) * fit.rows.later
    return np.asarray(np.sqrt(by_share) if made.square else by_share)


def _drive_error(plan: Plan, scale: float) -> float:
    """By how much the duty's sine differs from ``scale`` (1.0 = bus), of it: 0 and up."""
    fed = round(min(scale, 1.0) * SCALE_ONE)
    phase = np.arange(TURN, dtype=np.int64)
    sine = np.sin(2.0 * np.pi * phase / TURN)
    size = 2.0 / TURN * float(duty_wave(plan, fed, phase) @ sine) / plan.pwm_counts
    return abs(size * SCALE_ONE / max(fed, 1) - 1.0)
