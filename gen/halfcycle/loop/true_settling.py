"""How long the output itself takes to settle, whatever the window, with every kind of step.

A loop's reading is late and rounds off what the output does. Here the output's half-cycle RMS is
looked at, of half cycles of any start, after steps of the target, the load and the bus, and after
an overload.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.loop.corner_filters import corner_filters, resonance_line, ringing_loads
from halfcycle.loop.corner_plants import board_label
from halfcycle.loop.filter_model import FilterCircuit
from halfcycle.loop.judged_steps import (
    PHASES,
    TARGETS,
    UPWARD,
    Case,
    Judged,
    StepKind,
    cases,
    inside,
    judge,
)
from halfcycle.loop.plant import window_timing

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

KINDS: tuple[StepKind, ...] = (*TARGETS, "load on", "load off", "bus up", "bus down")
"""Steps that count for settling."""
INSIDE_KINDS: tuple[StepKind, ...] = ("half down", "up", "load off")
"""What filters inside the tolerances are run through: the steps that make them ring the most."""
_INSIDE_PHASES, _INSIDE_POINTS = 8, 8
"""Phases, and points of a half cycle, of the first look at those; the worst are run again at all,
and at every moment."""
_HORIZONS = (5.0, 20.0, 60.0)
"""Windows for which boards are followed until all have settled, one after the other..."""
HALF_CYCLES = 4
"""...and half cycles besides, in which a run comes to rest."""
_LONGER = 1.5
"""Boards of a loop whose settling time is known are followed for so many times that."""


@dataclass(frozen=True, slots=True)
class StepSettling:
    """The worst of one kind of step: ``settling_ms`` to the end of the last half cycle outside 2 %,
    None if one does not settle; ``overshoot_percent`` of the step (of rated, above it, if the load
    or the bus steps); ``board``: the slowest one."""

    settling_ms: float | None
    overshoot_percent: float
    board: str


@dataclass(frozen=True, slots=True)
class TrueSettling:
    """``settling_ms``: the worst of all ``steps``, None if one does not settle; ``last_start_ms``:
    when that last half cycle outside 2 % begins; ``start_ms``: settling after a reset, when the
    window fills first. ``overshoot_percent``: the farthest of the target's steps up.
    ``release_ms``: time with half cycles above 120 % after an overload, each counted at its end;
    ``release_peak_percent``: the highest of them, of rated.
    ``worst``: the board of each figure; ``judged``: all that was run."""

    settling_ms: float | None
    last_start_ms: float | None
    start_ms: float | None
    overshoot_percent: float
    release_ms: float
    release_peak_percent: float
    steps: dict[StepKind, StepSettling]
    worst: dict[str, str]
    judged: dict[StepKind, list[Judged]]


def followed_s(spec: Spec, settling_s: float) -> float:
    """How long boards of a loop are followed that settles in about ``settling_s``, seconds."""
    return _LONGER * settling_s + HALF_CYCLES * 0.5 / float(spec.output.frequency_hz)


def true_settling(
    spec: Spec,
    window: Window,
    kp: float | Fraction,
    ki: float | Fraction,
    *,
    zero: float | None = None,
    horizon_s: float | None = None,
) -> TrueSettling:
    """Run every board of ``spec`` with ``window`` and constants ``kp`` and ``ki`` per update.
    ``zero``: error of the sensor's zero that is left, of rated peak; the spec's tolerance if None.
    ``horizon_s``: how long boards are followed; if None, until they have settled, in reason."""
    half = 0.5 / float(spec.output.frequency_hz)
    window_s = float(window.duration_s)
    horizons = [count * window_s + HALF_CYCLES * half for count in _HORIZONS]
    for run_s in horizons if horizon_s is None else [horizon_s]:
        judged = _run(spec, window, float(kp), float(ki), zero, run_s)
        steps = {kind: _worst_of(spec, judged[kind]) for kind in KINDS}
        times = [step.settling_ms for step in steps.values()]
        if None not in times:
            break
    settling = None if None in times else max(ms for ms in times if ms is not None)
    up = steps["up"].settling_ms
    slowest = _slowest(steps)
    over = max((steps[kind] for kind in UPWARD), key=lambda step: step.overshoot_percent)
    (release,) = judged["release"]
    return TrueSettling(
        settling_ms=settling,
        last_start_ms=None if settling is None else max(0.0, settling - 1000.0 * half),
        start_ms=None if up is None else up + 1000.0 * float(window.duration_s - window.update_s),
        overshoot_percent=over.overshoot_percent,
        release_ms=1000.0 * float(release.swell_s.max()),
        release_peak_percent=100.0 * (1.0 + float(release.overshoot.max())),
        steps=steps,
        worst={"settling_ms": slowest.board, "overshoot_percent": _farthest(spec, judged)},
        judged=judged,
    )


def _run(  # noqa: PLR0917 (the loop, then how it is run)
    spec: Spec, window: Window, kp: float, ki: float, zero: float | None, horizon_s: float
) -> dict[StepKind, list[Judged]]:
    """Every kind of step on the corners, then on the worst of the filters inside."""
    corners = corner_filters(spec)
    timing = window_timing(spec, window)
    light = resonance_line(spec, ringing_loads(spec)[0], timing)

    p, i = np.array([kp]), np.array([ki])

    def run(kind: StepKind, boards: Sequence[Case]) -> Judged:
        return judge(spec, window, kind, boards, p, i, horizon_s, phases=PHASES, zero=zero)

    judged = {kind: [run(kind, cases(spec, kind, corners))] for kind in (*KINDS, "release")}
    for kind in INSIDE_KINDS if light else ():
        some = inside_cases(spec, kind, light, corners)
        look = _look(spec, window, kind, some, (kp, ki), horizon_s, zero=zero)
        worst = {
            int(np.round(column[:, 0], 9).argmax()) for column in (look.settling_s, look.overshoot)
        }
        judged[kind].append(run(kind, [look.cases[row] for row in sorted(worst)]))
    return judged


def settling_at(  # noqa: PLR0917 (the loop, then how it is run)
    spec: Spec,
    window: Window,
    kp: Fraction,
    ki: Fraction,
    lates: Sequence[Fraction],
    horizon_s: float,
) -> StepSettling:
    """The slowest and the farthest up with updates as late as ``lates``, seconds, over the corners
    and the filters inside: at fewer phases than :func:`true_settling`, a look and no bound."""
    corners = corner_filters(spec)
    light = resonance_line(spec, ringing_loads(spec)[0], window_timing(spec, window))
    steps = {}
    for kind in KINDS:
        boards = cases(spec, kind, corners)
        if light and kind in INSIDE_KINDS:
            boards = [*boards, *inside_cases(spec, kind, light, corners)]
        constants = float(kp), float(ki)
        look = _look(spec, window, kind, boards, constants, horizon_s, lates=lates)
        steps[kind] = _worst_of(spec, [look])
    over = max(steps[kind].overshoot_percent for kind in UPWARD)
    return replace(_slowest(steps), overshoot_percent=over)


def _look(  # noqa: PLR0917 (what is run, with what constants, and how long)
    spec: Spec,
    window: Window,
    kind: StepKind,
    boards: Sequence[Case],
    constants: tuple[float, float],
    horizon_s: float,
    *,
    zero: float | None = None,
    lates: Sequence[Fraction] | None = None,
) -> Judged:
    """Boards at a few phases and points, and one moment of a step in its block."""
    kp, ki = (np.array([value]) for value in constants)
    return judge(
        spec,
        window,
        kind,
        boards,
        kp,
        ki,
        horizon_s,
        phases=_INSIDE_PHASES,
        zero=zero,
        lates=lates,
        moments=1,
        points=_INSIDE_POINTS,
    )


def _slowest(steps: Mapping[StepKind, StepSettling]) -> StepSettling:
    """The kind of step that settles last, or does not."""
    return max(
        steps.values(),
        key=lambda step: math.inf if step.settling_ms is None else step.settling_ms,
    )


def inside_cases(
    spec: Spec, kind: StepKind, line: Sequence[FilterCircuit], corners: Sequence[FilterCircuit]
) -> list[Case]:
    """Boards of the filters along a ``line`` of resonances, with the loads of ``corners`` if it is
    the load that steps."""
    return cases(spec, kind, inside(line, corners) if kind == "load off" else line)


def _worst_of(spec: Spec, parts: Sequence[Judged]) -> StepSettling:
    settling = np.concatenate([part.settling_s[:, 0] for part in parts])
    boards = [case for part in parts for case in part.cases]
    slow = float(settling.max())
    return StepSettling(
        settling_ms=1000.0 * slow if math.isfinite(slow) else None,
        overshoot_percent=100.0 * max(float(part.overshoot.max()) for part in parts),
        board=_label(spec, boards[int(np.round(settling, 9).argmax())]),
    )


def _farthest(spec: Spec, judged: dict[StepKind, list[Judged]]) -> str:
    """The board that overshoots a target's step up the farthest."""
    parts = [part for kind in UPWARD for part in judged[kind]]
    over = np.concatenate([part.overshoot[:, 0] for part in parts])
    boards = [case for part in parts for case in part.cases]
    return _label(spec, boards[int(np.round(over, 9).argmax())])


def _label(spec: Spec, case: Case) -> str:
    return board_label(spec, case.after, case.bus_after_v, case.sensor)
