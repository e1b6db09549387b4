"""One window tried: its plants, its faults, and the gains given or found for it."""

from __future__ import annotations

from halfcycle.design.types import Trial
from halfcycle.loop.discretise import ContinuousGains, to_window
from halfcycle.loop.gains import GainRefusal, analyse_inside, design_gains
from halfcycle.loop.plant import window_plants
from halfcycle.loop.ringing import ringing_lines
from halfcycle.loop.targets import LoopTargets
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import reading_faults
from halfcycle.windows.search import Window


def try_window(spec: Spec, window: Window, file: str = "spec") -> Trial:
    """Plants and gains for one window: the given gains, or the best there are.

    Raises InputError as ``window_plants`` does; ``file`` is how its message names the spec.
    """
    plants = window_plants(spec, window, file)
    lines = ringing_lines(spec, window)
    faults = reading_faults(spec, window)
    refused = None
    ripple = faults.ripple_v / float(spec.output.rated_rms_v)
    if spec.gains is not None:
        given = ContinuousGains(spec.gains.proportional, spec.gains.integral_per_s)
        constants = to_window(given, window.duration_s, spec.loop.integration)
        kp, ki = constants.proportional, constants.integral_per_window
        figures, plants = analyse_inside(plants, lines, kp, ki, window.duration_s, ripple)
    else:
        best = design_gains(
            plants,
            window.duration_s,
            spec.targets.settling_ms / 1000,
            spec.targets.overshoot_percent / 100,
            ripple,
            lines,
        )
        kp, ki, figures, plants = best.kp, best.ki, best.figures, best.plants
        refused = best if isinstance(best, GainRefusal) else None
    missed = spec.gains is not None and not LoopTargets.of(spec).met(figures)
    return Trial(window, plants, faults, kp, ki, figures, refused, spec.tolerance_v, missed)
