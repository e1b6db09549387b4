"""How late after a window's last sample an update may be done before a target or stability goes.

A scale that takes effect d loop periods late leaves the first d samples of the next window to the
scale before it. What share of the reading they are depends on where in the wave they lie: at the
crests more than their share of the time. The greatest share over every phase is taken.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction

import numpy as np

from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.design.types import LateUpdate, Trial
from halfcycle.loop.envelope import Measure
from halfcycle.loop.moving_figures import Analysed, MovingFigures
from halfcycle.loop.output_settling import SAME_PERCENT, OutputStep, output_settling
from halfcycle.loop.periodic_margins import lateness_between
from halfcycle.loop.step_response import judged_steps, settled_window, spectral_radius
from halfcycle.loop.time_domain import HALF_CYCLE_POINTS
from halfcycle.loop.true_settling import StepSettling, followed_s, settling_at
from halfcycle.spec.models import Spec
from halfcycle.windows.search import Window

PHASES = 180
"""Phases of the half cycle at which the share is computed: the greatest is missed by 0.02 % or
less of the share's swing (1 - cos of half a degree, doubled)."""


def late_update(spec: Spec, trial: Trial, analysed: Analysed | None = None) -> LateUpdate:
    """The latest update for the window and the gains of ``trial``. Found by halving, since a later
    one is never better. If the fastest loop is asked for, it is the one that is as fast.
    ``analysed``: what the margins of a window of blocks are made of."""
    if isinstance(trial.loop, MovingFigures):
        return _of_blocks(spec, trial, trial.loop, analysed)
    plants, window = trial.plants.at_once, trial.window
    kp, ki = float(trial.kp), float(trial.ki)
    limit_ms, half_cycle_ms = spec.settling_limit_ms, 500 / window.frequency_hz
    if limit_ms is None:
        # Of readings it is a whole number of windows, of the output one of points of its grid.
        limit_ms = Fraction(trial.loop.settling_ms or 0) + half_cycle_ms / HALF_CYCLE_POINTS
    allowed = math.floor(limit_ms / 1000 / window.duration_s)
    overshoot = float(spec.targets.overshoot_percent) / 100
    ripple = trial.faults.ripple_v / float(spec.output.rated_rms_v)

    def stable(periods: int) -> bool:
        taps = plants.delayed(late_share(window, plants.measure, periods)).taps
        return bool((spectral_radius(taps, kp, ki) < 1.0).all())

    def on_target(periods: int) -> bool:
        late = plants.delayed(late_share(window, plants.measure, periods))
        courses = judged_steps(
            late.step_taps, kp, ki, 2 * allowed + 8, plants.scale_curve(), plants.step_law()
        )
        readings = [np.stack(list(course)) for course in courses]
        settled = all(settled_window(y, SETTLING_BAND - ripple).max() <= allowed for y in readings)
        top = max(float(y.max()) for y in readings)
        return settled and top <= 1.0 + overshoot + 1e-9 and stable(periods)

    def output_too(periods: int) -> bool:
        return _output_in_time(spec, trial, periods, float(limit_ms))

    target = _latest(on_target, window.samples)
    # To follow the output takes longer: mostly the readings' latest will do.
    if target and not output_too(target):
        target = _latest(output_too, target)
    return LateUpdate(_latest(stable, window.samples), target)


def _output_in_time(spec: Spec, trial: Trial, periods: int, limit_ms: float) -> bool:
    """Whether the output settles in time too, if the filter rings as long as a window lasts."""
    late_s = periods * trial.window.period_s
    reading_ms = trial.loop.settling_ms or limit_ms
    output = output_settling(
        spec,
        trial.window,
        trial.kp,
        trial.ki,
        reading_ms,
        late_s=late_s,
        limit_ms=limit_ms,
        law=trial.plants.law,
    )
    if output is None:
        return True
    return output_keeps(spec, output, limit_ms * (1 + 1e-9))


def output_keeps(spec: Spec, output: OutputStep | StepSettling, limit_ms: float) -> bool:
    """Whether what the output does keeps the overshoot asked for and settles within ``limit_ms``,
    milliseconds."""
    allowed = float(spec.targets.overshoot_percent) + SAME_PERCENT
    in_time = output.settling_ms is not None and output.settling_ms <= limit_ms
    return in_time and output.overshoot_percent <= allowed


def _of_blocks(
    spec: Spec, trial: Trial, loop: MovingFigures, analysed: Analysed | None
) -> LateUpdate:
    """That of a window of blocks, whose figures are judged with updates at once and as late as the
    spec allows; stability is known until the next update is due. A filter that rings about as fast
    as samples are taken may be slower in between: that is looked at."""
    window = trial.window
    period_us = float(1_000_000 * window.period_s)
    if not loop.stable:
        return LateUpdate(None, None)
    held = math.floor(loop.lateness_us / period_us + 1e-9)
    stable = window.update_samples
    if loop.latest_update_ms is not None:
        stable = min(stable, math.floor(1000 * loop.latest_update_ms / period_us + 1e-9))
    return LateUpdate(
        max(held, stable),
        held if trial.on_target else None,
        _between(spec, trial, loop),
        analysed.margin_between() if analysed else None,
    )


def _between(spec: Spec, trial: Trial, loop: MovingFigures) -> StepSettling | None:
    lates = lateness_between(spec, trial.window)
    if loop.settling_ms is None or not lates:
        return None
    horizon_s = followed_s(spec, loop.settling_ms / 1000)
    return settling_at(spec, trial.window, trial.kp, trial.ki, lates, horizon_s)


def late_periods(spec: Spec) -> int:
    """Whole loop periods after a window's last sample by which an update of a plain window may end
    late, if the spec says so; 0 if it is silent: before the next sample."""
    within = spec.loop.update_within_us
    return 0 if within == "auto" else math.ceil(within / spec.loop.period_us)


def late_share(window: Window, measure: Measure, periods: int) -> float:
    """Greatest share of a window's reading that its first ``periods`` samples have, over every
    phase: 0 to 1. A change of amplitude shows in a mean by |sin|, in a mean square by sin^2."""
    at = math.pi * float(window.half_cycles_per_sample) * np.arange(window.samples)
    phases = math.pi / PHASES * np.arange(PHASES)
    weight = np.abs(np.sin(at + phases[:, None])) ** (1 if measure == "mean" else 2)
    return float((weight[:, :periods].sum(axis=1) / weight.sum(axis=1)).max())


def _latest(good: Callable[[int], bool], most: int) -> int | None:
    """Greatest count from 0 to ``most`` that is good, None if 0 is not."""
    if not good(0):
        return None
    if good(most):
        return most
    low, high = 0, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if good(middle) else (low, middle)
    return low
