"""The same response in another world: another loop period, frequency or settling time.

The continuous constants are the master. They are the spec's own [gains] where it has them, else
those that were designed, and they go to the new period unchanged, exactly: the per-window constants
follow from the new window's length. So retuning there and back gives the same constants.

What is written of them: [gains] that were given stay. Designed ones are written where the design at
the new period alone would choose others, since that is what keeps the response.
A new settling time asks for another response: given gains get their integral constant in
proportion, which stretches the response in time, and without [gains] the design is made anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from halfcycle.base.errors import RefusedError
from halfcycle.base.exact import text as exact_text
from halfcycle.base.findings import Finding, finding
from halfcycle.base.text import counted
from halfcycle.generate.pipeline import IntegerDesign, design_integers
from halfcycle.loop.discretise import ContinuousGains, WindowGains, to_continuous
from halfcycle.retune.comparison import departure, worse_figures
from halfcycle.spec.edit import edit_text
from halfcycle.spec.load import parse_spec
from halfcycle.spec.models import Spec, Value

PERIOD, FREQUENCY, SETTLING = "loop.period_us", "output.frequency_hz", "targets.settling_ms"
PROPORTIONAL, INTEGRAL = "gains.proportional", "gains.integral_per_s"

Values = dict[str, Value | None]


@dataclass(frozen=True, slots=True)
class Retuned:
    """What a change of the world does to a spec and its design."""

    before: IntegerDesign
    after: IntegerDesign | None
    """None where no design can be had; the findings say why."""
    values: Mapping[str, Value | None]
    """The keys of the spec that change, dotted, with their new values; None removes one."""
    text: str
    """The spec's text with these values."""
    departure_percent: float | None
    """Greatest distance between the step responses' extremes over the corners, before and after,
    percent of the step; None where one is unstable or there is no design."""
    findings: tuple[Finding, ...]
    """About the move first, then those of the new design."""

    @property
    def good(self) -> bool:
        """Whether the new design may be used."""
        return self.after is not None and self.after.good


def continuous(made: IntegerDesign) -> ContinuousGains:
    """The exact continuous constants of a design, its master."""
    design = made.design
    constants = WindowGains(design.kp, design.ki)
    return to_continuous(constants, design.window.duration_s, design.spec.loop.integration)


def retune(
    text: str, asked: Mapping[str, Fraction], file: str = "spec", *, redesign: bool = False
) -> Retuned:
    """Move the spec ``text`` to the values ``asked`` for, its response kept.

    ``asked``: any of ``loop.period_us``, ``output.frequency_hz``, ``targets.settling_ms``, each
    with its new value. ``redesign``: design anew for the spec's targets, constants not kept.
    ``file`` is how messages name the spec.
    Raises InputError if the spec or a value is faulty, and RefusedError if the spec as it is has no
    design.
    """
    spec = parse_spec(text, file)
    now = spec.values()
    values: Values = {key: value for key, value in asked.items() if now[key] != value}
    edit_text(text, values, file)  # Every fault of the new values, before the work.
    before = design_integers(spec, file)
    kept = continuous(before)
    if spec.gains is not None and SETTLING in values:
        faster = spec.targets.settling_ms / asked[SETTLING]
        kept = replace(kept, integral_per_s=kept.integral_per_s * faster)

    attempt = _Attempt(text, values, file)
    anew = spec.gains is None and SETTLING in values
    if redesign or anew:
        after, refusal = attempt.designed(remove=spec.gains is not None)
    elif spec.gains is None:
        after, refusal = attempt.designed(remove=False)
        if after is None or continuous(after) != kept:
            after, refusal = attempt.kept(kept)
    else:
        after, refusal = attempt.kept(kept)

    stretched = SETTLING in values and not (redesign or anew)
    if stretched and (after is None or not after.good):
        about = [_failed(before, kept, after, attempt, SETTLING)]
    elif redesign or SETTLING in values:
        about = [_other_response(before, after)] if after else []
    elif after is not None and (after.good or not before.good or _as_good(before, after)):
        about = [_response(before, after)]
    else:
        about = [_failed(before, kept, after, attempt, PERIOD)]
    if INTEGRAL in attempt.values and spec.gains is None and after is not None and after.good:
        about.append(_PINNED)
    return Retuned(
        before=before,
        after=after,
        values=attempt.values,
        text=attempt.text,
        departure_percent=departure(before.design, after.design) if after else None,
        findings=(*about, *refusal, *(after.findings if after else ())),
    )


_PINNED = finding(
    "gains-pinned",
    "gains",
    "the constants go into the spec, as the design at the new values alone would choose others; "
    "remove [gains] to let it",
)


class _Attempt:
    """Tries of a design at the new values; holds the text and the values of the last one."""

    def __init__(self, text: str, asked: Values, file: str) -> None:
        self.original, self.asked, self.file = text, asked, file
        self.text, self.values = text, dict(asked)

    def kept(self, gains: ContinuousGains) -> tuple[IntegerDesign | None, tuple[Finding, ...]]:
        """With the constants ``gains`` in the spec."""
        now = parse_spec(self.original, self.file).values()
        wanted = {PROPORTIONAL: gains.proportional, INTEGRAL: gains.integral_per_s}
        return self._try(
            {**self.asked, **{key: new for key, new in wanted.items() if now.get(key) != new}}
        )

    def designed(self, *, remove: bool) -> tuple[IntegerDesign | None, tuple[Finding, ...]]:
        """Designed for the spec's targets; ``remove`` its [gains]."""
        return self._try({**self.asked, **({"gains": None} if remove else {})})

    def _try(self, values: Values) -> tuple[IntegerDesign | None, tuple[Finding, ...]]:
        self.values = values
        self.text = edit_text(self.original, values, self.file)
        try:
            return design_integers(parse_spec(self.text, self.file), self.file), ()
        except RefusedError as refused:
            return None, refused.findings


def _extent(before: IntegerDesign, after: IntegerDesign) -> str:
    moved = departure(before.design, after.design)
    if moved is None:
        return ""
    return f"; the step responses differ by at most {moved:.2g} % of the step"


def _other_response(before: IntegerDesign, after: IntegerDesign) -> Finding:
    """Where another response was asked for."""
    text = f"another response was asked for{_extent(before, after)}; compare them with --plot"
    return finding("other-response", SETTLING, text)


def _as_good(before: IntegerDesign, after: IntegerDesign) -> bool:
    return not worse_figures(before.design, after.design)


def _response(before: IntegerDesign, after: IntegerDesign) -> Finding:
    """How the response moved with the constants kept."""
    worse = worse_figures(before.design, after.design)
    if not worse:
        kept = "settling, overshoot and peak sensitivity are kept over all corners"
        then = "nothing to do" if after.good else "mind the errors, which have other causes"
        return finding("response-kept", PERIOD, f"{kept}{_extent(before, after)}; {then}")
    text = (
        f"the old response is not kept in full: {worse}{_extent(before, after)}; "
        f"{_nearer(before, after.design.spec)}"
    )
    return finding("response-moved", PERIOD, text)


def _failed(
    before: IntegerDesign,
    gains: ContinuousGains,
    after: IntegerDesign | None,
    attempt: _Attempt,
    key: str,
) -> Finding:
    """That the constants ``gains`` do not do at the new values, and what can be had instead."""
    spec = before.design.spec
    held = (
        f"the constants {'stretched' if key == SETTLING else 'kept'} (proportional "
        f"{_short(gains.proportional)}, integral {_short(gains.integral_per_s)} per s) do not do "
        "at the new values: "
    )
    worse = worse_figures(before.design, after.design) if after else ""
    held += worse or "the errors below"
    asked = parse_spec(edit_text(attempt.original, attempt.asked, attempt.file), attempt.file)
    nearer = _nearer(before, asked)
    other, refusal = _Attempt(attempt.original, attempt.asked, attempt.file).designed(
        remove=spec.gains is not None
    )
    if other is None or not other.good:
        best = next((f"; {one.text}" for one in refusal if one.level == "error"), "")
        text = f"{held}; no others meet the targets either{best}; {nearer}"
        return finding("retune-impossible", key, text)
    new, loop = other.design.gains, other.design.loop
    text = (
        f"{held}; what can be had there, with --redesign: proportional {new.proportional:.4g}, "
        f"integral {new.integral_per_s:.4g} per s, settling {loop.settling_ms:.6g} ms, overshoot "
        f"{loop.overshoot_percent:.3g} %, peak sensitivity {loop.peak_sensitivity:.3g}; or {nearer}"
    )
    return finding("retune-impossible", key, text)


def _nearer(before: IntegerDesign, after: Spec) -> str:
    """The period next to the new one at which the old count of half cycles is a whole window."""
    half_cycles = before.design.window.half_cycles
    window_us = 1_000_000 * half_cycles / (2 * after.output.frequency_hz)
    period = window_us / max(1, round(window_us / after.loop.period_us))
    if period == after.loop.period_us:
        return "compare the two responses with --plot"
    shown = _short(period) if period.denominator == 1 else f"{period} ({float(period):.6g})"
    return f"use --period-us {shown}, which holds {counted(half_cycles)} as before"


def _short(value: Fraction) -> str:
    text = exact_text(value)
    return text if len(text) <= 12 else f"{float(value):.6g}"
