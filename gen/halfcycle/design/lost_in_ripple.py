"""Windows whose reading ripples by all of the band of settling, so that no gains settle with them.

Nothing can be had of such a window, in whatever time. Where a refused spec has no other one, those
are tried that are longer than the settling time that was asked for: what can be had is of theirs.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.base.errors import InputError, RefusedError
from halfcycle.base.exact import text
from halfcycle.design.kinds import Candidates
from halfcycle.design.trial import try_window
from halfcycle.design.types import Trial
from halfcycle.loop.gains import DESIGN_BAND, GainRefusal
from halfcycle.spec.models import Spec

_ANY_TIME = 10
"""Longest windows within which all of them are worth a try."""


def is_lost(spec: Spec, trial: Trial) -> bool:
    """Whether nothing settles with it, and its ripple leaves none of the band."""
    return (
        trial.faults.ripple_v >= DESIGN_BAND * float(spec.output.rated_rms_v)
        and isinstance(trial.refusal, GainRefusal)
        and trial.refusal.settling_ms is None
    )


def lost(spec: Spec, trials: Iterable[Trial]) -> list[Trial]:
    """Those of ``trials`` that are."""
    return [trial for trial in trials if is_lost(spec, trial)]


def longer_trials(spec: Spec, trials: Sequence[Trial], file: str) -> Iterator[Trial]:
    """Trials of other windows if every one of ``trials`` is lost: of the dearest kind that moves
    the likeliest, and plain ones, as long as they may be the best. ``file`` is how messages name
    the spec."""
    if spec.settling_limit_ms is None or len(lost(spec, trials)) < len(trials):
        return
    limit = {"settling_ms": _ANY_TIME * spec.loop.longest_window_ms}
    targets = spec.targets.model_copy(update=limit)
    known = {trial.window for trial in trials}
    try:
        patient = Candidates(spec.model_copy(update={"targets": targets}), file)
        kinds = [kind for kind in patient.kinds if patient.worth_trying(kind)]
    except (InputError, RefusedError):
        return
    moving = [kind for kind in kinds if kind.startswith("moving")]
    yield from (try_window(spec, patient.likeliest(kind), file) for kind in moving[-1:])
    best_ms = math.inf
    for (window,) in patient.worth_trying("plain") if "plain" in kinds else ():
        if window not in known and window.duration_ms < best_ms:
            trial = try_window(spec, window, file)
            if trial.refusal is not None and trial.refusal.settling_ms is not None:
                best_ms = min(best_ms, trial.refusal.settling_ms)
            yield trial


def cause(spec: Spec, trials: Sequence[Trial]) -> str:
    """What the ripple does to windows that nothing settles with, in words; "" if there are none."""
    without = lost(spec, trials)
    if not without:
        return ""
    rated_v = float(spec.output.rated_rms_v)
    least_v = min(trial.faults.ripple_v for trial in without)
    tolerance = spec.output.frequency_tolerance_hz
    drift, remedy = "", ""
    if tolerance:
        drift = f" as the frequency may be off by {text(tolerance)} Hz"
        remedy = " (clock the loop from the source that is followed, and the tolerance is 0)"
    more = " or more" if len(without) > 1 else ""
    which = (
        f"{len(without)} plain windows, whose reading ripples"
        if len(without) > 1
        else f"the {text(without[0].window.duration_s * 1000)} ms window, whose reading ripples"
    )
    return (
        f"nothing settles with {which} by +-{least_v:.3g} V{more}{drift}, next to all of the "
        f"{100 * SETTLING_BAND:g} % band of +-{SETTLING_BAND * rated_v:.3g} V{remedy}; "
    )
