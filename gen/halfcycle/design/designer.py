"""From a Spec to a Design: window, gains and their figures over the corners, in real numbers.

Of the windows that a spec allows, those are in question whose gains meet settling and overshoot at
every corner and whose whole steady error, as the integers have it, stays inside the voltage
tolerance. The shortest of them is taken; but if its count is odd and the flipping zero would move
the output by more than a quarter of the tolerance, twice that window is taken if it is in question
too. If none is, the shortest of those that meet the targets with about the least steady error is
taken, and the findings say so. Given gains are taken as they are: if they meet the targets with no
window, with the shortest one inside the tolerance.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from halfcycle.base.errors import RefusedError
from halfcycle.design.findings import findings
from halfcycle.design.late_update import late_update
from halfcycle.design.refusal import refusal
from halfcycle.design.trial import try_window
from halfcycle.design.types import Design, LateUpdate, LoopGains, Trial
from halfcycle.loop.discretise import WindowGains, to_continuous
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import allowed_windows

MAX_TRIALS = 12
"""Windows tried before giving up; each longer one settles more slowly."""

ABOUT_LEAST = 1.1
"""If every steady error is too large, the shortest window is taken of those within a tenth of the
least: a longer one averages a little more noise and is slower."""

IntegerError = Callable[[Design], float]
"""What the integers of a design add to its steady error, volts RMS either way."""


def design(
    spec: Spec,
    file: str = "spec",
    *,
    weigh_double: bool = True,
    integer_error_v: IntegerError | None = None,
) -> Design:
    """The Design of ``spec``; ``file`` is how messages name it.

    ``weigh_double``: try twice the chosen window too, to say what it would buy and cost. For a
    chosen one with an odd count that is always done, as the choice and a finding depend on it.
    ``integer_error_v``: what the stage of the integers says of a design, so that windows are chosen
    by the very steady error by which designs are refused; None leaves that share out.

    Raises InputError if a key asks for what cannot be, and RefusedError if a valid spec cannot be
    met: its findings say what can. A Design may still carry findings of level "error": it must not
    ship.
    """

    def weighed(trial: Trial) -> Trial:
        if integer_error_v is None or not trial.meets:
            return trial
        return replace(trial, integer_error_v=integer_error_v(_design(spec, file, trial)))

    trials: list[Trial] = []
    for window in allowed_windows(spec, file)[:MAX_TRIALS]:
        if trials and window.duration_s * 1000 > spec.targets.settling_ms:
            break
        trials.append(weighed(try_window(spec, window, file)))
        if trials[-1].on_target and trials[-1].within_tolerance:
            break
    chosen = _choose(trials)
    if chosen is None:
        raise RefusedError(refusal(spec, trials, file))
    double = chosen.window.times(2)
    fits = double.duration_s * 1000 <= spec.loop.longest_window_ms
    wanted = weigh_double or chosen.window.odd
    if fits and wanted and all(trial.window != double for trial in trials):
        trials.append(weighed(try_window(spec, double, file)))
    if spec.loop.half_cycles == "auto":
        chosen = _unless_flipping(chosen, trials)
    complete = replace(
        _design(spec, file, chosen),
        trials=tuple(sorted(trials, key=lambda trial: trial.window.samples)),
        late=late_update(spec, chosen),
    )
    return replace(complete, findings=tuple(findings(complete)))


def _choose(trials: list[Trial]) -> Trial | None:
    """The first on target and inside the tolerance, else the best of those that meet the
    targets."""
    meeting = [trial for trial in trials if trial.meets]
    inside = [trial for trial in meeting if trial.within_tolerance]
    for trial in inside:
        if trial.on_target:
            return trial
    if inside:
        return inside[0]
    least = min((trial.steady_error_v for trial in meeting), default=0.0)
    near = (trial for trial in meeting if trial.steady_error_v <= ABOUT_LEAST * least)
    return next(near, None)


def _unless_flipping(chosen: Trial, trials: list[Trial]) -> Trial:
    """Twice the chosen window if that one's zero flips the output by too much and this one is as
    good in all else."""
    if not chosen.flips:
        return chosen
    for trial in trials:
        doubled = trial.window.samples == 2 * chosen.window.samples
        if doubled and trial.on_target and trial.within_tolerance:
            return trial
    return chosen


def _design(spec: Spec, file: str, trial: Trial) -> Design:
    """The Design with one window, before anything is said about it."""
    constants = WindowGains(trial.kp, trial.ki)
    master = to_continuous(constants, trial.window.duration_s, spec.loop.integration)
    return Design(
        file=file,
        spec=spec,
        chosen=trial,
        trials=(trial,),
        gains=LoopGains(
            proportional=float(master.proportional),
            integral_per_s=float(master.integral_per_s),
            integral_per_window=float(trial.ki),
        ),
        late=LateUpdate(None, None),
        findings=(),
    )
