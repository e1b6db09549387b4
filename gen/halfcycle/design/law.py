"""Which law: the plain one wherever it meets the targets, or the faster one if the fastest is asked
for, and what the normalised one would buy."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction

from halfcycle.base.findings import Finding, finding
from halfcycle.base.text import figure
from halfcycle.design.kinds import Candidates
from halfcycle.design.trial import asking_for_the_fastest, try_window
from halfcycle.design.types import LawLook, Trial
from halfcycle.spec.models import Spec
from halfcycle.windows.search import Window

WIDE_BUS = Fraction(13, 10)
"""The normalised law is looked at if the bus's highest voltage is that many times the lowest, or
more: what it takes out of the loop's gain below that is less than the filter and the load leave in.
"""
SOONER = 0.95
"""What it buys is told if it settles in less than this share of the time..."""
LESS_PEAK = 0.05
"""...or if it is less sensitive by more than so much, at the same settling time."""


def under(spec: Spec, law: str) -> Spec:
    """The spec with this law."""
    return spec.model_copy(update={"loop": spec.loop.model_copy(update={"law": law})})


def may_normalise(spec: Spec) -> bool:
    """Whether "auto" leaves a choice: given gains belong to a law, and the normalised one takes
    plain windows, no measured bus, and a bus that moves a lot."""
    loop = spec.loop
    plain = loop.weighting != "shaped" and loop.updates_per_window in {"auto", 1}
    wide = spec.bridge.bus_max_v >= WIDE_BUS * spec.bridge.bus_min_v
    free = wide and spec.gains is None and spec.bus_sensor is None
    return loop.law == "auto" and plain and free


def first_normalised(
    spec: Spec, file: str, tried: Callable[[Window], Trial], hopeless: Callable[[Trial], bool]
) -> Trial | None:
    """The shortest plain window in question with the normalised law; None if none is. ``spec`` has
    that law."""
    for row in Candidates(spec, file).worth_trying("plain"):
        trial = tried(row[-1])
        if trial.in_question:
            return trial
        if hopeless(trial):
            return None
    return None


def look(spec: Spec, chosen: Trial, file: str) -> LawLook | None:
    """What the normalised law would do with the window that was ``chosen`` for the plain one, or
    with a plain window if it does not take that one."""
    limit_ms = spec.settling_limit_ms
    if chosen.plants.law or not may_normalise(spec):
        return None
    other, same = under(spec, "normalised"), chosen.window.kind == "plain"
    if limit_ms is None:
        # The fastest of both is chosen.
        asked = try_window(other, chosen.window, file) if same else None
        return LawLook(asked, asked.loop.settling_ms, chosen.loop.settling_ms) if asked else None
    soonest = asking_for_the_fastest(other)
    if same:
        fastest: Trial | None = try_window(soonest, chosen.window, file)
    else:
        fastest = first_normalised(
            soonest, file, lambda window: try_window(soonest, window, file), lambda _: False
        )
    if fastest is None:
        return None
    asked = try_window(other, fastest.window, file)
    plain = try_window(asking_for_the_fastest(spec), chosen.window, file)
    return LawLook(
        asked, *(None if trial.refusal else trial.loop.settling_ms for trial in (fastest, plain))
    )


def law_findings(spec: Spec, chosen: Trial, looked: LawLook | None) -> Iterator[Finding]:
    """Which law was taken, if that was open, and what the other one would buy."""
    if chosen.plants.law is not None and spec.loop.law == "auto":
        if spec.settling_limit_ms is None:
            why = "of the two laws the normalised one settles sooner"
        else:
            why = (
                "no window that is allowed meets the targets with the plain law, but one does with "
                "the normalised law"
            )
        yield finding(
            "law-normalised",
            "loop.law",
            f"{why}, whose gain is the same on every board; below a "
            "sixteenth of rated a target counts as 0",
        )
    if looked is None:
        return
    asked, parts = looked.asked, []
    sooner, plain_ms = looked.fastest_ms, looked.plain_fastest_ms
    if sooner is not None and plain_ms is not None and sooner < SOONER * plain_ms:
        instead = f"instead of {figure(plain_ms, 4)} ms"
        parts.append(f"settle in {figure(sooner, 4)} ms at best {instead}")
    peak = asked.loop.peak_sensitivity or 0.0
    plain_peak = chosen.loop.peak_sensitivity or 0.0
    if asked.meets and peak < plain_peak - LESS_PEAK:
        parts.append(
            f"have a peak sensitivity of {peak:.3g} instead of {plain_peak:.3g} with the "
            "settling time that is asked for"
        )
    if parts:
        same = asked.window == chosen.window
        yield finding(
            "law-gain",
            "loop.law",
            f'the normalised law (loop.law = "normalised") would {" and ".join(parts)}, at the '
            f"worst corner with {'this window' if same else 'a plain window'}",
        )
