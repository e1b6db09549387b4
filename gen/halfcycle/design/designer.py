"""From a Spec to a Design: window, gains and their figures over the corners, in real numbers.

Of the windows that a spec allows, the shortest is taken whose own errors stay inside the voltage
tolerance and whose gains meet the targets at every corner. One that meets the targets but not the
tolerance is taken only where there is no better, and the findings say so. Given gains are taken as
they are: with the shortest such window at which they meet the targets, or where they meet them
with none, with the shortest accurate one.
"""

from __future__ import annotations

from dataclasses import replace

from halfcycle.base.errors import RefusedError
from halfcycle.design.findings import findings, refusal
from halfcycle.design.types import Design, Gains, Trial
from halfcycle.loop.discretise import ContinuousGains, WindowGains, to_continuous, to_window
from halfcycle.loop.figures import LateUpdate, LoopFigures, late_update
from halfcycle.loop.gains import GainRefusal, analyse_inside, design_gains
from halfcycle.loop.plant import window_plants
from halfcycle.loop.ringing import ringing_lines
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import allowed_windows, reading_faults
from halfcycle.windows.search import Window

MOST_TRIALS = 12
"""Windows tried before giving up; each longer one settles more slowly."""


def design(spec: Spec, file: str = "spec", *, weigh_double: bool = True) -> Design:
    """The Design of ``spec``; ``file`` is how messages name it.

    ``weigh_double``: try twice the chosen window too, to say what it would buy and cost. Where the
    chosen one has an odd count that is always done, as a finding depends on it.

    Raises InputError if a key asks for what cannot be, and RefusedError if a valid spec cannot be
    met: its findings say what can. A Design may still carry findings of level "error": it must not
    ship.
    """
    allowed = allowed_windows(spec, file)
    trials: list[Trial] = []
    for window in allowed[:MOST_TRIALS]:
        if trials and window.duration_s * 1000 > spec.targets.settling_ms:
            break
        trials.append(_try(spec, window, file))
        if trials[-1].meets and trials[-1].accurate and not trials[-1].given_miss:
            break
    chosen = _choose(trials)
    if chosen is None:
        raise RefusedError(refusal(spec, trials))
    double = chosen.window.times(2)
    fits = double.duration_s * 1000 <= spec.loop.longest_window_ms
    wanted = weigh_double or chosen.window.odd
    if fits and wanted and all(trial.window != double for trial in trials):
        trials.append(_try(spec, double, file))
    made = Design(
        file=file,
        spec=spec,
        chosen=chosen,
        trials=tuple(sorted(trials, key=lambda trial: trial.window.samples)),
        gains=_gains(spec, chosen),
        late=_late(spec, chosen),
        findings=(),
    )
    return replace(made, findings=tuple(findings(made)))


def _try(spec: Spec, window: Window, file: str) -> Trial:
    """Plants and gains for one window: the given gains, or the best there are."""
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
    tolerance_v = float(spec.output.rated_rms_v * spec.targets.voltage_tolerance_percent) / 100
    missed = spec.gains is not None and not _on_target(spec, figures)
    return Trial(window, plants, faults, kp, ki, figures, refused, tolerance_v, missed)


def _on_target(spec: Spec, figures: LoopFigures) -> bool:
    settling, over = figures.settling_ms, figures.overshoot_percent
    return (
        settling is not None
        and over is not None
        and settling <= float(spec.targets.settling_ms) * (1 + 1e-9)
        and over <= float(spec.targets.overshoot_percent) + 1e-6
    )


def _choose(trials: list[Trial]) -> Trial | None:
    """The first that is both, else the most accurate of those that meet the targets."""
    meeting = [trial for trial in trials if trial.meets]
    accurate = [trial for trial in meeting if trial.accurate]
    for trial in accurate:
        if not trial.given_miss:
            return trial
    return (
        accurate[0] if accurate else min(meeting, key=lambda trial: trial.own_error_v, default=None)
    )


def _gains(spec: Spec, trial: Trial) -> Gains:
    constants = WindowGains(trial.kp, trial.ki)
    master = to_continuous(constants, trial.window.duration_s, spec.loop.integration)
    return Gains(
        proportional=float(master.proportional),
        integral_per_s=float(master.integral_per_s),
        integral_per_window=float(trial.ki),
    )


def _late(spec: Spec, trial: Trial) -> LateUpdate:
    return late_update(
        trial.plants,
        trial.kp,
        trial.ki,
        window_s=trial.window.duration_s,
        samples=trial.window.samples,
        settling_s=spec.targets.settling_ms / 1000,
        overshoot=spec.targets.overshoot_percent / 100,
        ripple=trial.faults.ripple_v / float(spec.output.rated_rms_v),
    )
