"""The same response at other values: another loop period, frequency or settling time.

The continuous constants are the master. They are the spec's own [gains] where it has them, else
those that were designed, and they go to the new period unchanged, exactly: the per-window constants
follow from the new window's length. So retuning there and back gives the same constants.

What is written of them: [gains] that were given stay. Designed ones are written if the design at
the new period alone would choose others, since that is what keeps the response. The window keeps
its count of half cycles if the design alone would choose a worse one and the new period has a whole
number of samples for the old: the count is then written too.
A new settling time asks for another response: given gains get their integral constant in
proportion, which stretches the response in time, and without [gains] the design is made anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from halfcycle.base.errors import InputError, RefusedError
from halfcycle.base.exact import text as exact_text
from halfcycle.base.findings import Finding, finding
from halfcycle.base.text import counted
from halfcycle.design.trial import try_window
from halfcycle.generate.pipeline import IntegerDesign, design_integers
from halfcycle.loop.discretise import ContinuousGains, WindowGains, to_continuous
from halfcycle.retune.comparison import departure, worse_figures
from halfcycle.spec.edit import edit_text
from halfcycle.spec.load import parse_spec
from halfcycle.spec.models import Spec, Value
from halfcycle.windows.candidates import allowed_windows, moving_candidates
from halfcycle.windows.search import Window

PERIOD, FREQUENCY, SETTLING = "loop.period_us", "output.frequency_hz", "targets.settling_ms"
PROPORTIONAL, INTEGRAL = "gains.proportional", "gains.integral_per_s"
HALF_CYCLES = "loop.half_cycles"
LAW = "loop.law"
WEIGHTING, UPDATES, SAMPLES = "loop.weighting", "loop.updates_per_window", "loop.samples"

MAX_PERIODS = 4
"""Loop periods tried for one that keeps the window and the response, the nearest ones."""

Values = dict[str, Value | None]


@dataclass(frozen=True, slots=True)
class Retuned:
    """What a change of the world does to a spec and its design."""

    before: IntegerDesign
    after: IntegerDesign | None
    """None if no design can be had; the findings say why."""
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


def continuous(integer_design: IntegerDesign) -> ContinuousGains:
    """The exact continuous constants of a design, its master."""
    design = integer_design.design
    constants = WindowGains(design.kp, design.ki)
    return to_continuous(constants, design.window.update_s, design.spec.loop.integration)


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
    constants = continuous(before)
    if spec.gains is not None and SETTLING in values:
        was = spec.settling_limit_ms or Fraction(before.design.settling_goal_ms)
        faster = was / asked[SETTLING]
        constants = replace(constants, integral_per_s=constants.integral_per_s * faster)

    attempt = _Attempt(text, values, file, before)
    anew = spec.gains is None and SETTLING in values
    if redesign or anew:
        after, refusal = attempt.designed(remove=spec.gains is not None)
    elif spec.gains is None:
        after, refusal = attempt.designed(remove=False)
        moved = after is not None and not _same_count(before, after)
        if after is None or moved or continuous(after) != constants:
            after, refusal = attempt.kept(constants)
    else:
        after, refusal = attempt.kept(constants)

    stretched = SETTLING in values and not (redesign or anew)
    if stretched and (after is None or not after.good):
        about = [_failed(before, constants, after, attempt, SETTLING)]
    elif redesign or SETTLING in values:
        about = [_other_response(before, after)] if after else []
    elif after is not None and (after.good or not before.good or _as_good(before, after)):
        about = [_response(before, after)]
    else:
        about = [_failed(before, constants, after, attempt, PERIOD)]
    if after is not None and not redesign and not _same_count(before, after):
        about.append(_window_moved(before, after))
    if HALF_CYCLES in attempt.values or WEIGHTING in attempt.values:
        about.append(_WINDOW_PINNED)
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


_WINDOW_PINNED = finding(
    "window-pinned",
    HALF_CYCLES,
    "the window's half cycles, weighting or updates go into the spec, as the design at the new "
    'values alone would choose others; set them to "auto" to let it',
)


class _Attempt:
    """Tries of a design at the new values; holds the text and the values of the last one.

    ``before``: the design whose window a design with kept constants holds on to, if it can.
    """

    def __init__(self, text: str, asked: Values, file: str, before: IntegerDesign) -> None:
        self.original, self.asked, self.file = text, asked, file
        self.before = before
        self.text, self.values = text, dict(asked)

    def kept(self, gains: ContinuousGains) -> tuple[IntegerDesign | None, tuple[Finding, ...]]:
        """With the constants ``gains`` in the spec."""
        now = parse_spec(self.original, self.file).values()
        wanted: Values = {PROPORTIONAL: gains.proportional, INTEGRAL: gains.integral_per_s}
        if self.before.design.law is not None:
            # The constants are those of its law, which "auto" does not give to constants.
            wanted[LAW] = "normalised"
        values = {**self.asked, **{key: new for key, new in wanted.items() if now.get(key) != new}}
        held = self._nearest(values) if self.before.design.window.blocks > 1 else None
        if held is not None and held.good:
            return held, ()
        nearest = self.values
        after, refusal = self._try(values)
        if held is not None and (after is None or not after.good):
            return self._try(nearest)
        if after is None or not self._better_held(after):
            return after, refusal
        loop = after.design.spec.loop
        frequency = after.design.spec.output.frequency_hz
        half_cycles = self.before.design.window.half_cycles
        window_s = half_cycles / (2 * frequency)
        whole = (window_s * 1_000_000 / loop.period_us).denominator == 1
        if loop.half_cycles != "auto" or not whole or 1000 * window_s > loop.longest_window_ms:
            return after, refusal
        same, _ = self._try({**values, HALF_CYCLES: half_cycles})
        if same is not None and (same.good or not after.good):
            return same, ()
        return self._try(values)

    def _nearest(self, values: Values) -> IntegerDesign | None:
        """With the window of blocks that is nearest to the old one of its kind, in time: a count of
        samples or updates that the spec insists on is of the old period. None if there is no such
        design."""
        window = self.before.design.window
        now = parse_spec(self.original, self.file).values()
        free = {key: None for key in (WEIGHTING, UPDATES, SAMPLES) if now[key] != "auto"}
        spec = parse_spec(edit_text(self.original, {**self.asked, **free}, self.file), self.file)
        if spec.loop.half_cycles != "auto":
            return None
        try:
            candidates = moving_candidates(spec, self.file)
        except (InputError, RefusedError):
            return None
        of_kind = [candidate for candidate in candidates if candidate.kind == window.kind]
        near = min(of_kind, key=self._far, default=None)
        if near is None:
            return None
        wanted: Values = {
            WEIGHTING: "shaped" if near.shaped else "flat",
            UPDATES: near.updates,
            SAMPLES: near.samples,
        }
        pinned = {key: new for key, new in wanted.items() if now[key] != new}
        return self._try({**values, **pinned})[0]

    def _far(self, window: Window) -> tuple[Fraction, Fraction]:
        """How far a window is from the old one in length, then in time between updates."""
        old = self.before.design.window
        return abs(window.duration_s - old.duration_s), abs(window.update_s - old.update_s)

    def _better_held(self, after: IntegerDesign) -> bool:
        """Whether the old count is worth holding on to: the new one is odd and the old one is not,
        or its flipping zero is warned of."""
        design = after.design
        if _same_count(self.before, after):
            return False
        turned_odd = design.window.odd and not self.before.design.window.odd
        return turned_odd or design.chosen.flips

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
    """That another response was asked for."""
    text = f"another response was asked for{_extent(before, after)}; compare the two"
    return finding("other-response", SETTLING, text)


def _same_count(before: IntegerDesign, after: IntegerDesign) -> bool:
    """Whether the window is of the old kind, and a flat one has the old count of half cycles."""
    old, new = before.design.window, after.design.window
    if old.shaped and new.shaped:
        # A shaped window has a length, not a count.
        return old.kind == new.kind and 2 * abs(new.duration_s / old.duration_s - 1) <= 1
    return old.kind == new.kind and old.half_cycles == new.half_cycles


def _window_moved(before: IntegerDesign, after: IntegerDesign) -> Finding:
    """That the count of half cycles could not be kept, and what the other one costs."""
    old, new = before.design.window, after.design.window
    trial = after.design.chosen
    cost = f"steady error +-{after.quantised.steady_error_v:.3g} V"
    cost += f", before +-{before.quantised.steady_error_v:.3g} V"
    if trial.faults.alternation_v:
        cost += (
            f"; the sensor's zero flips the reading by +-{trial.faults.alternation_v:.3g} V from "
            f"window to window, the output by +-{trial.hunting_v:.3g} V"
        )
    return finding(
        "window-moved",
        HALF_CYCLES,
        f"the window moves from {_window_text(old)} to {_window_text(new)}, as the old "
        f"{'count' if old.kind == new.kind else 'kind'} cannot be kept at the new values: {cost}; "
        f"{_nearer(before, after.design.spec)}",
        "warning" if trial.flips else "note",
    )


def _window_text(window: Window) -> str:
    """A window in a few words: ``2 half cycles in 20 ms``."""
    if window.kind == "plain":
        return f"{counted(window.half_cycles)} in {window.duration_ms:.4g} ms"
    plural = "" if window.updates == 1 else "s"
    return f"{window.duration_ms:.4g} ms, {window.kind}, {window.updates} update{plural}"


def _as_good(before: IntegerDesign, after: IntegerDesign) -> bool:
    return not worse_figures(before.design, after.design)


def _response(before: IntegerDesign, after: IntegerDesign) -> Finding:
    """How the response moved with the constants kept."""
    worse = worse_figures(before.design, after.design)
    if not worse:
        held = "settling, overshoot and peak sensitivity are kept over all corners"
        then = "nothing to do" if after.good else "see the errors, which have other causes"
        return finding("response-kept", PERIOD, f"{held}{_extent(before, after)}; {then}")
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
    spec, file = before.design.spec, attempt.file
    held = (
        f"the constants {'stretched' if key == SETTLING else 'kept'} (proportional "
        f"{_short(gains.proportional)}, integral {_short(gains.integral_per_s)} per s) do not meet "
        "the targets at the new values: "
    )
    worse = worse_figures(before.design, after.design) if after else ""
    held += worse or "the errors below"
    kept: Values = {PROPORTIONAL: gains.proportional, INTEGRAL: gains.integral_per_s}
    values = {**attempt.asked, **kept}
    nearer = _nearer(before, parse_spec(edit_text(attempt.original, values, file), file))
    anew = _Attempt(attempt.original, attempt.asked, file, before)
    other, refusal = anew.designed(remove=spec.gains is not None)
    if other is None or not other.good:
        best = next((f"; {remark.text}" for remark in refusal if remark.level == "error"), "")
        text = f"{held}; no others meet the targets either{best}; {nearer}"
        return finding("retune-impossible", key, text)
    new, loop = other.design.gains, other.design.loop
    text = (
        f"{held}; what can be had there, designed anew: proportional {new.proportional:.4g}, "
        f"integral {new.integral_per_s:.4g} per s, settling {loop.settling_ms:.6g} ms, overshoot "
        f"{loop.overshoot_percent:.3g} %, peak sensitivity {loop.peak_sensitivity:.3g}; or {nearer}"
    )
    return finding("retune-impossible", key, text)


def _nearer(before: IntegerDesign, after: Spec) -> str:
    """The period nearest to the new one at which the old count of half cycles is a whole window
    that keeps the response, with the gains of ``after``; "compare the two responses" if none of the
    ``MAX_PERIODS`` nearest does, or it is the new one itself."""
    window = before.design.window
    compare = "compare the two responses"
    if window.shaped:
        return compare
    window_us = 1_000_000 * window.half_cycles / (2 * after.output.frequency_hz)
    samples = round(window_us / after.loop.period_us)
    counts = (samples + change for change in range(-MAX_PERIODS, MAX_PERIODS + 1))
    periods = [window_us / count for count in counts if count > 0]
    periods.sort(key=lambda period: abs(period - after.loop.period_us))
    for period in periods[:MAX_PERIODS]:
        if period == after.loop.period_us:
            return compare
        if _keeps(before, after, period):
            shown = _short(period) if period.denominator == 1 else f"{period} ({float(period):.6g})"
            held = counted(window.half_cycles)
            return (
                f"take a loop period of {shown} us, which holds {held} and the response as before"
            )
    return compare


def _keeps(before: IntegerDesign, after: Spec, period: Fraction) -> bool:
    """Whether the response is kept, or without given gains the targets are met, with the old count
    of half cycles at ``period``, microseconds."""
    old = before.design.window.half_cycles
    changes = {"period_us": period, "half_cycles": old, "samples": "auto"}
    spec = after.model_copy(update={"loop": after.loop.model_copy(update=changes)})
    try:
        windows = allowed_windows(spec, before.design.file)
        tried = try_window(spec, windows[0], before.design.file)
    except (InputError, RefusedError):
        return False
    if spec.gains is None:
        return tried.on_target
    return not worse_figures(before.design, tried)


def _short(value: Fraction) -> str:
    text = exact_text(value)
    return text if len(text) <= 12 else f"{float(value):.6g}"
