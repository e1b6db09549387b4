"""Why no window and no gains meet the targets, the best that can be had, and what would help most.

What would help is not guessed: each remedy is designed, with its shortest windows, and the figure
that it reaches is said.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from halfcycle.base.errors import InputError, RefusedError
from halfcycle.base.exact import text
from halfcycle.base.findings import Finding, finding
from halfcycle.base.text import counted
from halfcycle.design.findings import reach
from halfcycle.design.trial import try_window
from halfcycle.design.types import Trial
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import allowed_windows

REMEDY_WINDOWS = 2
"""Windows tried for each remedy, the shortest ones."""
BETTER = 0.95
"""A remedy is named if it settles in less than this share of the best time without it."""


def refusal(spec: Spec, trials: Sequence[Trial], file: str = "spec") -> list[Finding]:
    """The findings on a spec whose targets none of ``trials`` meets; ``file`` names it."""
    targets = spec.targets
    wanted = (
        f"settling within {text(targets.settling_ms)} ms with at most "
        f"{text(targets.overshoot_percent)} % overshoot"
    )
    findings = [remark for remark in reach(spec, trials[0]) if remark.level == "error"]
    refused = [(trial, trial.refusal) for trial in trials if trial.refusal is not None]
    trial, best = min(refused, key=lambda pair: pair[1].settling_ms or float("inf"))
    reached = []
    if best.settling_ms is not None:
        reached.append(f"settling {best.settling_ms:.6g} ms within that overshoot")
    if best.overshoot_percent is not None:
        reached.append(f"overshoot {best.overshoot_percent:.3g} % within that time")
    window = trial.window
    findings.append(
        finding(
            "targets-unmet",
            "targets.settling_ms",
            f"{wanted} cannot be met at every corner by any of {len(refused)} windows; the best, "
            f"with {counted(window.half_cycles)} ({window.duration_ms:.6g} ms a window): "
            f"{' or '.join(reached) or 'none'}; {_held_back(trial, best.corner)}. "
            f"{_help(spec, file, best.settling_ms)}",
        )
    )
    ripple_v = min(each.faults.ripple_v for each, _ in refused)
    if ripple_v > float(spec.output.rated_rms_v) / 200:
        partial = not window.within_clock
        findings.append(
            finding(
                "band-ripple",
                "loop.period_us" if partial else "output.frequency_tolerance_hz",
                f"the reading ripples by +-{ripple_v:.3g} V or more, which comes off the 2 % band "
                "of settling; "
                + (
                    "change loop.period_us for a whole window"
                    if partial
                    else "clock the loop from the source that is followed (then this is 0)"
                ),
            )
        )
    return findings


def _held_back(trial: Trial, slowest: str) -> str:
    """The corner that is slow, and the one at the other end that allows no more gain."""
    limiting = trial.loop.worst.get("peak_sensitivity")
    if limiting is None or limiting == slowest:
        return f"held back by {slowest}"
    return f"held back by {slowest}, the slowest, and {limiting}, which allows no more gain"


@dataclass(frozen=True, slots=True)
class _Remedy:
    """A change of the spec, in words, and what it gives: whether the targets are met, and else
    the best settling time within the overshoot, ms."""

    words: str
    met: bool
    settling_ms: float


def _help(spec: Spec, file: str, settling_ms: float | None) -> str:
    """What helps, most first, each with its figure."""
    without = math.inf if settling_ms is None else settling_ms
    remedies = [
        remedy
        for remedy in _remedies(spec, file)
        if remedy.met or remedy.settling_ms < BETTER * without
    ]
    remedies.sort(key=lambda remedy: (not remedy.met, remedy.settling_ms))
    named = [
        f"{remedy.words} ({'meets both' if remedy.met else f'{remedy.settling_ms:.6g} ms'})"
        for remedy in remedies
    ]
    general = "Allow a longer settling time, narrow the tolerances, or add damping to the filter"
    return f"Tried for you: {', '.join(named)}. {general}" if named else general


def _remedies(spec: Spec, file: str) -> Iterator[_Remedy]:
    """A shorter loop period that divides the half cycle; the other measure; both."""
    half_us = Fraction(500_000) / spec.output.frequency_hz
    periods = [half_us / math.ceil(share * half_us / spec.loop.period_us) for share in (2, 4)]
    shorter = [period for period in periods if period >= 1]
    for period in shorter:
        yield from _tried(spec, file, f"loop.period_us = {_short(period)}", period_us=period)
    if spec.loop.measure == "mean":
        yield from _tried(spec, file, 'measure = "rms"', measure="rms")
        for period in shorter[:1]:
            words = f'both measure = "rms" and loop.period_us = {_short(period)}'
            yield from _tried(spec, file, words, measure="rms", period_us=period)


def _tried(spec: Spec, file: str, words: str, **changes: object) -> Iterator[_Remedy]:
    loop = spec.loop.model_copy(update={"half_cycles": "auto", **changes})
    changed = spec.model_copy(update={"loop": loop})
    try:
        windows = allowed_windows(changed, file)[:REMEDY_WINDOWS]
        trials = [try_window(changed, window, file) for window in windows]
    except (InputError, RefusedError):
        return
    times = [
        trial.loop.settling_ms if trial.refusal is None else trial.refusal.settling_ms
        for trial in trials
    ]
    reached = [time for time in times if time is not None]
    if reached:
        met = any(trial.on_target for trial in trials)
        yield _Remedy(words, met, min(reached))


def _short(period: Fraction) -> str:
    """A loop period as a spec has it: a fraction stands in quotes."""
    return text(period) if period.denominator == 1 else f'"{period}"'
