"""One window tried: its plants, its faults, and the gains given or found for it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache

from halfcycle.base.errors import Fault, InputError
from halfcycle.design.late_update import late_periods, late_share
from halfcycle.design.measured_bus import bus_noise_v, lowest_bus_plants
from halfcycle.design.types import Trial
from halfcycle.loop.discretise import ContinuousGains, to_window
from halfcycle.loop.figures import LoopFigures, analyse
from halfcycle.loop.gains import (
    MAX_ALLOWED,
    MAX_ROUNDS,
    GainDesign,
    GainRefusal,
    analyse_inside,
    design_gains,
    refusal_of,
)
from halfcycle.loop.moving import MovingDesign, MovingRefusal, can_settle, moving_design
from halfcycle.loop.moving_figures import moving_figures
from halfcycle.loop.normalised import Normalised
from halfcycle.loop.output_settling import SAME_PERCENT, output_settling
from halfcycle.loop.plant import window_plants
from halfcycle.loop.plant_types import Plants
from halfcycle.loop.ringing import RingingLines, ringing_lines
from halfcycle.loop.targets import LoopTargets
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import reading_faults
from halfcycle.windows.output_ripple import output_ripple_of
from halfcycle.windows.search import Window

_CLOSE = 24
_TENTHS = (min(MAX_ALLOWED, round(_CLOSE * 1.1**i)) for i in range(26))
_COUNTS = sorted({*range(1, _CLOSE), *_TENTHS}, reverse=True)
"""Windows for settling whose gains are looked at if the output is later than its readings: every
number up to _CLOSE, then a tenth apart. They are the same ones whatever time is asked for."""
MAX_SLOWER = 16
"""Windows more in which gains are sought whose output does not overshoot too far."""


def asking_for_the_fastest(spec: Spec) -> Spec:
    """The spec with the fastest loop for its settling time."""
    targets = spec.targets.model_copy(update={"settling_ms": "fastest"})
    return spec.model_copy(update={"targets": targets})


def try_window(spec: Spec, window: Window, file: str = "spec", *, finer: bool = True) -> Trial:
    """Plants and gains for one window: the given gains, or the best there are; the fastest of a
    window of blocks on the finer grid too if ``finer``.

    Raises InputError as ``window_plants`` does; ``file`` is how its message names the spec.
    """
    if window.blocks > 1:
        return _tried_moving(spec, window, file, finer)
    plants = with_law(spec, window_plants(spec, window, file))
    lines = ringing_lines(spec, window)
    faults = reading_faults(spec, window)
    ripple = faults.ripple_v / float(spec.output.rated_rms_v)
    late = late_share(window, spec.loop.measure, late_periods(spec))
    refused, missed = None, False
    if spec.gains is not None:
        given = ContinuousGains(spec.gains.proportional, spec.gains.integral_per_s)
        constants = to_window(given, window.duration_s, spec.loop.integration)
        kp, ki = constants.proportional, constants.integral_per_window
        figures, plants = analyse_inside(plants, lines, kp, ki, window.duration_s, ripple)
        if late:
            plants = plants.with_late(late)
            figures = analyse(plants, kp, ki, window.duration_s, ripple)
        figures = _of_the_output(spec, window, kp, ki, figures, plants.law)
        missed = not LoopTargets.of(spec).met(figures)
    else:
        best = _designed_for_the_output(spec, window, plants, lines, ripple, late=bool(late))
        kp, ki, figures, plants = best.kp, best.ki, best.figures, best.plants
        refused = best if isinstance(best, GainRefusal) else None
    return _trial(spec, window, plants, (kp, ki), figures, refused, missed=missed)


def with_law(spec: Spec, plants: Plants) -> Plants:
    """The plants, under the normalised law if the spec has it; "auto" is the plain one here."""
    if spec.loop.law != "normalised":
        return plants
    strongest = float(plants.step_gains.max())
    return replace(plants, law=Normalised.of(strongest, float(spec.bridge.scale_max)))


def _of_the_output(  # noqa: PLR0917 (the loop, then its figures)
    spec: Spec,
    window: Window,
    kp: Fraction,
    ki: Fraction,
    figures: LoopFigures,
    law: Normalised | None,
) -> LoopFigures:
    """The figures with settling and overshoot of the output if these are worse than those of the
    readings, and else ``figures``: ``simulate`` looks at the output, and allows for the half cycle
    that an RMS takes."""
    if figures.settling_ms is None:
        return figures
    output = output_settling(spec, window, kp, ki, figures.settling_ms, law=law)
    if output is None:
        return figures
    worst = dict(figures.worst)
    settling_ms, overshoot = output.settling_ms, output.overshoot_percent
    if settling_ms is None or settling_ms > figures.settling_ms:
        worst["settling_ms"] = output.slowest
    else:
        settling_ms = figures.settling_ms
    if overshoot > (figures.overshoot_percent or 0.0) + SAME_PERCENT:
        worst["overshoot_percent"] = output.farthest
    elif figures.overshoot_percent is not None:
        overshoot = figures.overshoot_percent
    if worst == figures.worst:
        return figures
    return replace(figures, settling_ms=settling_ms, overshoot_percent=overshoot, worst=worst)


@lru_cache(maxsize=64)
def _tried_moving(spec: Spec, window: Window, file: str, finer: bool) -> Trial:
    """The trial of a window of blocks, whose loop is periodic in the sine's phase."""
    refused, missed, analysed = None, False, None
    try:
        if spec.gains is not None:
            given = ContinuousGains(spec.gains.proportional, spec.gains.integral_per_s)
            constants = to_window(given, window.update_s, spec.loop.integration)
            kp, ki = constants.proportional, constants.integral_per_window
            analysed = moving_figures(spec, window, kp, ki)
            figures, plants = analysed.figures, analysed.plants
            missed = not LoopTargets.of(spec).met(figures)
        else:
            best = _designed_moving(spec, window, finer=finer)
            kp, ki, figures, plants = best.kp, best.ki, best.figures, best.plants
            if isinstance(best, MovingRefusal):
                refused = best
            else:
                analysed = best.analysed
    except ValueError as error:
        fault = Fault(file, "loop.period_us", str(error), "choose another loop period")
        raise InputError([fault]) from error
    trial = _trial(spec, window, plants, (kp, ki), figures, refused, missed=missed)
    return replace(trial, analysed=analysed)


def _designed_moving(spec: Spec, window: Window, *, finer: bool) -> MovingDesign | MovingRefusal:
    """The gains for the settling time asked for, or those of the fastest loop there is."""
    if spec.settling_limit_ms is None:
        return moving_design(spec, window, finer=finer)
    limit_ms = float(spec.settling_limit_ms)
    best = moving_design(spec, window, settling_s=limit_ms / 1000, brief=True)
    if isinstance(best, MovingDesign) or best.at_least_ms is None:
        return best
    # The search's band is a little narrower, which may cost a half cycle.
    near_ms = limit_ms + 500 / float(spec.output.frequency_hz)
    if best.at_least_ms > near_ms or not can_settle(spec, window, limit_ms / 1000):
        return best
    # So near that only the fastest constants may do: the search tries those of least Ms, a few.
    fastest = moving_design(spec, window, of_use_s=limit_ms / 1000)
    met = isinstance(fastest, MovingDesign) and LoopTargets.of(spec).settles(fastest.figures)
    return fastest if met else best


def _trial(  # noqa: PLR0917 (the trial's parts)
    spec: Spec,
    window: Window,
    plants: Plants,
    constants: tuple[Fraction, Fraction],
    figures: LoopFigures,
    refused: GainRefusal | MovingRefusal | None,
    *,
    missed: bool,
) -> Trial:
    """The trial, with the faults of its readings and what they make of the output."""
    kp, ki = constants
    return Trial(
        window,
        plants,
        reading_faults(spec, window),
        kp,
        ki,
        figures,
        refused,
        spec.tolerance_v,
        output_ripple_of(
            spec, window, ki=float(ki), kp=float(kp), gain=float(plants.loop_gains.max())
        ),
        float(spec.output.dc_percent),
        float(spec.bridge.scale_max),
        missed,
        bus_noise_v=bus_noise_v(spec, window, figures.noise_gain or 0.0),
        reached=lowest_bus_plants(spec, window),
    )


def _designed_for_the_output(
    spec: Spec, window: Window, plants: Plants, lines: RingingLines, ripple: float, *, late: bool
) -> GainDesign | GainRefusal:
    """The gains with which not only the readings settle in time, but the output as well. If that is
    late, gains are sought whose readings settle sooner."""
    designed = _designed_late if late else _designed

    def within(asked: Spec) -> GainDesign | GainRefusal:
        return judged(designed(asked, window, plants, lines, ripple))

    def judged(best: GainDesign | GainRefusal) -> GainDesign | GainRefusal:
        law = best.plants.law
        figures = _of_the_output(spec, window, best.kp, best.ki, best.figures, law)
        return best if figures is best.figures else replace(best, figures=figures)

    readings = designed(spec, window, plants, lines, ripple)
    best = judged(readings)
    if best is readings:
        return readings
    figures = best.figures
    asked_ms = spec.settling_limit_ms
    targets = LoopTargets.of(spec)
    if isinstance(best, GainDesign) and asked_ms is not None and targets.met(figures):
        return best
    # If readings are too slow, or the fastest is asked for, the best there is can be no later.
    at_best = isinstance(best, GainRefusal) or asked_ms is None
    limit_ms = figures.settling_ms if at_best and figures.settling_ms else asked_ms
    return _soonest_output(spec, window, best, limit_ms, within)


def _soonest_output(
    spec: Spec,
    window: Window,
    late: GainDesign | GainRefusal,
    limit_ms: float | Fraction | None,
    within: Callable[[Spec], GainDesign | GainRefusal],
) -> GainDesign | GainRefusal:
    """Gains whose output settles within the time that is asked for, or those whose output settles
    first: a refusal unless the fastest is asked for. ``late``: what is refused if none fits at all.

    Gains are looked at whose readings settle in as many windows as ``limit_ms`` has, then in one
    less (of many in about a tenth less), and so on to the fastest there are. What they are for so
    many windows does not depend on the time that is asked for, so that the best time that a refusal
    names is met if that is asked for. If all of them make the output overshoot, slower ones are
    looked at.
    """

    def settled_in(windows: int) -> GainDesign | GainRefusal:
        time = {"settling_ms": 1000 * windows * window.duration_s}
        return within(spec.model_copy(update={"targets": spec.targets.model_copy(update=time)}))

    targets = LoopTargets.of(spec)
    in_the_end = replace(targets, settling_ms=math.inf)
    count = math.floor(float(limit_ms or 0) / window.duration_ms + 1e-9)
    count = min(count, MAX_ALLOWED)
    found: list[GainDesign] = []

    def fits(best: GainDesign | GainRefusal) -> bool:
        if fit := in_the_end.met(best.figures) and targets.robust(best.figures):
            found.append(GainDesign(best.kp, best.ki, best.figures, best.plants))
        return fit

    asked_for = spec.settling_limit_ms is not None and isinstance(late, GainDesign)
    for windows in (windows for windows in _COUNTS if windows <= count):
        # Those for the time that is asked for are at hand.
        best = late if asked_for and windows == count else settled_in(windows)
        if fits(best) and spec.settling_limit_ms is not None and targets.settles(best.figures):
            return found[-1]
        if isinstance(best, GainRefusal):
            break
    slower = range(count + 1, count + 1 + MAX_SLOWER)
    if not found and (isinstance(late, GainDesign) or late.settling_ms is not None):
        any(fits(settled_in(windows)) for windows in slower)
    soonest = min(found, key=_settles, default=None)
    if soonest is not None and spec.settling_limit_ms is None:
        return soonest
    best = soonest or late
    refused = refusal_of(best.figures, best.kp, best.ki, best.plants)
    # Gains that overshoot less may settle the readings in time, but not the output.
    known_ms = None if soonest is None else refused.settling_ms
    return replace(refused, settling_ms=known_ms, overshoot_percent=None)


def _settles(design: GainDesign) -> float:
    return design.figures.settling_ms or math.inf


def _designed_late(
    spec: Spec, window: Window, plants: Plants, lines: RingingLines, ripple: float
) -> GainDesign | GainRefusal:
    """Gains as :func:`_designed` has them that bear the latest update too. The worst filters inside
    the tolerances are sought with updates at once, and looked at with late ones."""
    late = late_share(window, spec.loop.measure, late_periods(spec))
    targets = LoopTargets.of(spec)
    for _ in range(MAX_ROUNDS):
        best = _designed(spec, window, plants.with_late(late), lines, ripple)
        kp, ki, known = best.kp, best.ki, best.plants.at_once
        _, inside = analyse_inside(known, lines, kp, ki, window.duration_s, ripple)
        every = inside.with_late(late)
        figures = analyse(every, kp, ki, window.duration_s, ripple)
        if isinstance(best, GainRefusal):
            return best
        if targets.met(figures) and targets.robust(figures):
            return replace(best, figures=figures, plants=every)
        if len(inside.corners) == len(plants.corners):
            break
        plants = inside
    slowest = figures.worst.get("settling_ms", figures.worst["slowest_pole"])
    return GainRefusal(None, None, slowest, kp, ki, figures, every)


def _designed(
    spec: Spec, window: Window, plants: Plants, lines: RingingLines, ripple: float
) -> GainDesign | GainRefusal:
    """The gains for the settling time asked for, or those of the fastest loop there is."""

    def within(settling_s: Fraction) -> GainDesign | GainRefusal:
        return design_gains(
            plants,
            window.duration_s,
            settling_s,
            spec.targets.overshoot_percent / 100,
            ripple,
            lines,
            max_sensitivity=spec.targets.peak_sensitivity,
        )

    if spec.settling_limit_ms is not None:
        return within(spec.settling_limit_ms / 1000)
    # A loop settles after a whole number of windows. The least is near what a refusal says that
    # can be had, so the search goes from there, in steps that double, and then by halving.
    refused, low, step = within(window.duration_s), 1, 1
    if isinstance(refused, GainDesign):
        return refused
    near = float(refused.settling_ms or 0.0) / window.duration_ms
    high, best = max(2, round(near)), None
    while best is None:
        tried = within(high * window.duration_s)
        if isinstance(tried, GainDesign):
            best = tried
        elif high >= MAX_ALLOWED:
            return tried
        else:
            low, high, step = high, min(MAX_ALLOWED, high + step), 2 * step
    while high - low > 1:
        middle = (low + high) // 2
        tried = within(middle * window.duration_s)
        if isinstance(tried, GainDesign):
            high, best = middle, tried
        else:
            low = middle
    return best
