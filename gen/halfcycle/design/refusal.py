"""Why no window and no gains meet the targets, the best that can be had, and what would help most.

What would help is not guessed: each remedy is designed, with its shortest windows, and the figure
that it reaches is said.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, Context
from fractions import Fraction

from halfcycle.base.errors import InputError, RefusedError
from halfcycle.base.exact import text
from halfcycle.base.findings import Finding, finding
from halfcycle.base.text import counted, figure
from halfcycle.design.kinds import Candidates, has_zero_at_f
from halfcycle.design.lost_in_ripple import cause, longer_trials, lost
from halfcycle.design.reach import reach
from halfcycle.design.trial import try_window
from halfcycle.design.types import Trial
from halfcycle.loop.moving import MovingRefusal
from halfcycle.loop.moving_figures import MovingFigures
from halfcycle.loop.plant_types import Plants
from halfcycle.spec.models import Spec
from halfcycle.windows.search import Window

REMEDY_WINDOWS = 2
"""Windows tried for each remedy, the shortest ones."""
FAR = 2.0
"""If the shortest plain window settles in more than so many times what is asked for, the next one
is left out if other kinds are allowed: settling grows with the length."""
MEASURED_BUS = Fraction(1, 100)
"""Share by which a bus that is measured and divided out seems to move: the gain tolerance of its
sensor (common practice, no source)."""
SAME_LOOK = 0.1
"""Windows whose first looks differ by less than about this share of the settling time are alike."""
BETTER = 0.95
"""A remedy is named if it settles in less than this share of the best time without it."""


class UnmetError(RefusedError):
    """A spec that no window meets, with the ``trials`` that were made; ``beyond``: the plants that
    do not reach rated voltage, for which reason no window was tried."""

    def __init__(
        self,
        findings: Iterable[Finding],
        trials: Iterable[Trial] = (),
        beyond: Plants | None = None,
    ) -> None:
        super().__init__(findings)
        self.trials = tuple(trials)
        self.beyond = beyond

    def __reduce__(self) -> tuple[type[UnmetError], tuple[object, ...]]:
        return type(self), (self.findings, self.trials, self.beyond)


def out_of_reach(spec: Spec, window: Window, plants: Plants) -> UnmetError:
    """What is said of a spec whose rated voltage no window brings into reach; ``plants``: those of
    ``window``, one of them."""
    return UnmetError(reach(spec, plants, window), beyond=plants)


def refusal(spec: Spec, trials: Sequence[Trial], file: str = "spec") -> UnmetError:
    """What is said of a spec whose targets none of ``trials`` meets, though rated voltage can be
    had; ``file`` names it."""
    followed = _with_the_fastest(spec, trials, file)
    for each in longer_trials(spec, followed, file):
        trial = each
        if isinstance(trial.refusal, MovingRefusal) and trial.refusal.settling_ms is None:
            trial = _with_its_fastest(spec, trial, file)
        if trial.refusal is not None:
            followed.append(trial)
    return UnmetError(unmet(spec, followed, file), followed)


def unmet(spec: Spec, trials: Sequence[Trial], file: str) -> list[Finding]:
    """The findings, if rated voltage can be had; ``trials``: followed as far as they will be."""
    targets = spec.targets
    limit_ms = spec.settling_limit_ms
    wanted = "settling" if limit_ms is None else f"settling within {text(limit_ms)} ms"
    wanted += f" with at most {text(targets.overshoot_percent)} % overshoot"
    refused = [(trial, trial.refusal) for trial in trials if trial.refusal is not None]
    if not refused:
        return [_too_much_dc(spec, trials, file)]
    trial, best = min(refused, key=lambda pair: pair[1].settling_ms or float("inf"))
    reached = []
    if best.settling_ms is not None:
        reached.append(f"settling {_enough_ms(best.settling_ms)} ms within that overshoot")
    if best.overshoot_percent is not None:
        reached.append(f"overshoot {best.overshoot_percent:.3g} % within that time")
    window = trial.window
    length = counted(window.half_cycles) if window.kind == "plain" else window.kind
    tried = f"any of {len(refused)} windows" if len(refused) > 1 else "the window that was tried"
    findings = [
        finding(
            "targets-unmet",
            "targets.settling_ms",
            f"{wanted} cannot be met at every corner by {tried}; "
            f"{cause(spec, trials)}the best{_among(trials, len(refused))}, with {length} "
            f"({window.duration_ms:.6g} ms a window): {' or '.join(reached) or 'none'}; "
            f"{_others(spec, trials)}{_limited(trial, best.corner)}. "
            f"{_help(spec, file, best.settling_ms, drifts=bool(lost(spec, trials)))}",
        )
    ]
    ripple_v = min(each.faults.ripple_v for each, _ in refused)
    if ripple_v > float(spec.output.rated_rms_v) / 200 and not lost(spec, trials):
        partial = not (window.within_clock or window.shaped)
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
    if not any(each.faults.spread_v <= each.tolerance_v for each, _ in refused):
        findings.append(_never_accurate([each for each, _ in refused]))
    return findings


def _never_accurate(trials: Sequence[Trial]) -> Finding:
    """That the reading of every one of ``trials`` is further off than the tolerance, so that more
    time for settling is not enough."""
    least = min(trials, key=lambda trial: trial.faults.spread_v)
    which = "any of these windows" if len(trials) > 1 else "this window"
    return finding(
        "window-error",
        "targets.voltage_tolerance_percent",
        f"the reading of {which} moves the output by more than the tolerance of "
        f"{least.tolerance_v:.3g} V; the least is +-{least.faults.spread_v:.3g} V "
        f"({least.window.kind}, {least.window.duration_ms:.6g} ms)",
        "error",
    )


def _among(trials: Sequence[Trial], refused: int) -> str:
    """Over how many of the ``refused`` windows the best is the best; "" if over all."""
    followed = refused - len(unfollowed_ms(trials))
    return "" if best_of_all(trials) else f" of the {followed} that were followed to their best"


def _others(spec: Spec, trials: Sequence[Trial]) -> str:
    """What is known of the windows that were not followed to their best; "" if all were. The bound
    of their settling may be less than what they were ruled out for."""
    others_ms = unfollowed_ms(trials)
    if not others_ms:
        return ""
    limit_ms = spec.settling_limit_ms
    one = len(others_ms) == 1
    others = "other one" if one else f"other {len(others_ms)}"
    for_ = "" if limit_ms is None else f" for {text(limit_ms)} ms"
    return (
        f"a shorter search over fewer boards rules out the {others}{for_}; "
        f"{'its' if one else 'their'} best was not looked for, it is no less than "
        f"{figure(min(others_ms))} ms; "
    )


def unfollowed_ms(trials: Iterable[Trial]) -> tuple[float, ...]:
    """:func:`later_than_ms` of the windows that were not followed to their best."""
    times = (later_than_ms(trial) for trial in trials)
    return tuple(time for time in times if time is not None)


def later_than_ms(trial: Trial) -> float | None:
    """Of a window that was ruled out at a first look: no gains settle sooner, milliseconds."""
    refused = trial.refusal
    if not isinstance(refused, MovingRefusal) or refused.settling_ms is not None:
        return None
    return refused.at_least_ms


def best_of_all(trials: Sequence[Trial]) -> bool:
    """Whether no window that was not followed to its best may settle sooner than the others."""
    return min(unfollowed_ms(trials), default=math.inf) >= _best_ms(trials)


def _enough_ms(time_ms: float) -> str:
    """A settling time to six digits, rounded up: asked for, it can be had."""
    digits = Context(prec=6, rounding=ROUND_CEILING)
    return f"{digits.create_decimal(f'{time_ms:.10g}'):f}"


def _with_the_fastest(spec: Spec, trials: Sequence[Trial], file: str) -> list[Trial]:
    """``trials`` with the best there is of a window of blocks, which were not followed so far: of
    the one that may have the best of all, by what a first look at them leaves, of the same ones
    the shortest with the most updates; if that leaves none, of the last."""
    followed = list(trials)
    if spec.settling_limit_ms is None:
        return followed
    left = {
        at: trial.refusal.at_least_ms
        for at, trial in enumerate(trials)
        if isinstance(trial.refusal, MovingRefusal)
    }

    limit_ms = float(spec.settling_limit_ms)

    def slow(at: int) -> tuple[int, bool, Fraction, int]:
        """A key of the trial at ``at`` by which the fastest comes first. Looks end at about the
        time asked for, so that they hardly tell windows apart within SAME_LOOK: of those it is
        one that the sensor's zero does not move, and that is refreshed the most often."""
        window = trials[at].window
        look = round(hopeful[at] / (SAME_LOOK * limit_ms))
        return look, not has_zero_at_f((window,)), window.update_s, window.samples

    hopeful = {at: least for at, least in left.items() if least is not None}
    if hopeful and hopeful[first := min(hopeful, key=slow)] < _best_ms(followed):
        followed[first] = _with_its_fastest(spec, trials[first], file)
    if left and not any(followed[at] is not trials[at] for at in left):
        followed[max(left)] = _with_its_fastest(spec, trials[max(left)], file)
    return followed


def _best_ms(trials: Sequence[Trial]) -> float:
    """The least settling time, ms, that a refusal of ``trials`` knows of."""
    refused = (trial.refusal for trial in trials if trial.refusal is not None)
    return min((each.settling_ms for each in refused if each.settling_ms), default=math.inf)


def _with_its_fastest(spec: Spec, refused: Trial, file: str) -> Trial:
    """The trial with the fastest constants for its window, still a refusal."""
    fastest = try_window(_with(spec, "targets", settling_ms="fastest"), refused.window, file)
    figures, missed = fastest.loop, refused.refusal
    if fastest.refusal is not None:
        return fastest
    if not isinstance(missed, MovingRefusal) or not isinstance(figures, MovingFigures):
        return fastest
    best = replace(
        missed,
        settling_ms=figures.settling_ms,
        corner=figures.worst.get("settling_ms", figures.worst["slowest_pole"]),
        kp=fastest.kp,
        ki=fastest.ki,
        figures=figures,
        plants=fastest.plants,
    )
    return replace(fastest, refusal=best)


def _too_much_dc(spec: Spec, trials: Sequence[Trial], file: str) -> Finding:
    """That the loop is fast enough, but makes too much DC: the least there is, and what helps."""
    least = min(trials, key=lambda trial: trial.output.dc_percent)
    made = least.output.dc_percent
    # DC grows no less than in proportion to the zero's error.
    codes = float(spec.sensor.zero_tolerance_codes) * float(spec.output.dc_percent) / made
    return finding(
        "too-much-dc",
        "output.dc_percent",
        f"every one of {len(trials)} windows that meet the targets makes more DC than "
        f"{text(spec.output.dc_percent)} %, by the sensor's zero; the least is {made:.2g} % "
        f"({least.window.kind}, {least.window.duration_ms:.6g} ms). Trim the zero to "
        f"{_rounded(codes, down=True):g} codes, allow {_rounded(made):g} %, or more settling time",
    )


def _rounded(value: float, *, down: bool = False) -> float:
    """To two digits, up or down, so that the figure is enough."""
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return float(f"{(math.floor if down else math.ceil)(value / step) * step:.2g}")


def _limited(trial: Trial, slowest: str) -> str:
    """The corner that is slow, and the one at the other end that allows no more gain."""
    limiting = trial.loop.worst.get("peak_sensitivity")
    if limiting is None or limiting == slowest:
        return f"limited by {slowest}"
    return f"limited by {slowest}, the slowest, and {limiting}, which allows no more gain"


@dataclass(frozen=True, slots=True)
class _Remedy:
    """A change of the spec, in words, and what it gives: whether the targets are met, and else
    the best settling time within the overshoot, ms; ``window``: with which."""

    words: str
    met: bool
    settling_ms: float
    window: Window

    def __str__(self) -> str:
        figure = "meets the targets" if self.met else f"{_enough_ms(self.settling_ms)} ms"
        with_ = "" if self.window.kind == "plain" else f", {self.window.kind}"
        return f"{self.words} ({figure}{with_})"


def _help(spec: Spec, file: str, settling_ms: float | None, *, drifts: bool) -> str:
    """What helps, most first, each with its figure; ``drifts``: as ``_changes`` has it."""
    without = math.inf if settling_ms is None else settling_ms

    def helpful(words: str, changed: Spec) -> _Remedy | None:
        """The remedy, if it makes the loop settle clearly sooner."""
        remedy = _tried(words, changed, file)
        helps = remedy is not None and (remedy.met or remedy.settling_ms < BETTER * without)
        return remedy if helps else None

    remedies = [remedy for change in _changes(spec, drifts=drifts) if (remedy := helpful(*change))]
    # A wider bus does not help if the narrowest does not.
    buses = sorted(_narrower_buses(spec), key=lambda change: _bus_range(change[1]))
    if buses and (narrowest := helpful(*buses[0])):
        wider = [remedy for change in buses[1:] if (remedy := helpful(*change))]
        remedies += [*wider, narrowest]
    remedies.sort(key=lambda remedy: (not remedy.met, remedy.settling_ms))
    general = "Allow a longer settling time, narrow the tolerances, or add damping to the filter"
    return f"Tried for you: {', '.join(map(str, remedies))}. {general}" if remedies else general


def _changes(spec: Spec, *, drifts: bool) -> Iterator[tuple[str, Spec]]:
    """Changes that may help besides a narrower bus, in words: other windows if keys forbid them, a
    loop clocked from the source that is followed if ``drifts`` (the ripple of the reading is too
    much), a loop period that is shorter and divides the half cycle, the other measure, both."""
    free = {"half_cycles": "auto", "weighting": "auto", "updates_per_window": "auto"}
    free["samples"] = "auto"
    insisted = [name for name in free if getattr(spec.loop, name) != "auto"]
    if insisted:
        keys = " and ".join(f"loop.{name}" for name in insisted)
        yield f'{keys} = "auto"', _with(spec, "loop", **free)
    if drifts and spec.output.frequency_tolerance_hz > 0:
        words = "output.frequency_tolerance_hz = 0, as of a loop clocked from the source"
        yield words, _with(spec, "output", frequency_tolerance_hz=Fraction(0))
    half_us = Fraction(500_000) / spec.output.frequency_hz
    periods = [half_us / math.ceil(share * half_us / spec.loop.period_us) for share in (2, 4)]
    shorter = [period for period in periods if period >= 1]
    # Counts belong to the old period.
    counts = {"half_cycles": "auto", "samples": "auto"}
    for period in shorter:
        words = f"loop.period_us = {_short(period)}"
        yield words, _with(spec, "loop", period_us=period, **counts)
    if spec.loop.measure == "mean":
        yield 'measure = "rms"', _with(spec, "loop", measure="rms", **counts)
        for period in shorter[:1]:
            words = f'both measure = "rms" and loop.period_us = {_short(period)}'
            yield words, _with(spec, "loop", measure="rms", period_us=period, **counts)


def _narrower_buses(spec: Spec) -> Iterator[tuple[str, Spec]]:
    """Half the range of the bus; and what is left of it if it is measured and divided out."""
    if spec.bus_sensor is not None:
        return
    bridge = spec.bridge
    nominal = bridge.bus_nominal_v
    ends = (nominal - bridge.bus_min_v, bridge.bus_max_v - nominal)
    if max(ends) > 0:
        low, high = nominal - ends[0] / 2, nominal + ends[1] / 2
        words = f"a bus of {float(low):.4g} to {float(high):.4g} V"
        yield words, _with(spec, "bridge", bus_min_v=low, bus_max_v=high)
    error = MEASURED_BUS * nominal
    if max(ends) > error:
        low, high = nominal - min(error, ends[0]), nominal + min(error, ends[1])
        words = f"a bus held to +-{float(100 * MEASURED_BUS):g} %, as measuring it does"
        yield words, _with(spec, "bridge", bus_min_v=low, bus_max_v=high)


def _bus_range(spec: Spec) -> Fraction:
    """From the lowest bus to the highest, volts."""
    return spec.bridge.bus_max_v - spec.bridge.bus_min_v


def _with(spec: Spec, table: str, **changes: object) -> Spec:
    """``spec`` with other values in one of its tables."""
    changed = getattr(spec, table).model_copy(update=changes)
    return spec.model_copy(update={table: changed})


def _tried(words: str, changed: Spec, file: str) -> _Remedy | None:
    """What a change gives with the shortest plain windows and, if these do not do, with the
    fastest window of the dearest kind; None if nothing settles, or there is no window."""
    try:
        trials = list(_trials(changed, file))
    except (InputError, RefusedError):
        return None
    times = [(time, trial) for trial in trials if (time := _settles(trial)) is not None]
    if not times:
        return None
    time, best = min(times, key=lambda pair: (not pair[1].in_question, pair[0]))
    return _Remedy(words, best.in_question, time, best.window)


def _trials(changed: Spec, file: str) -> Iterator[Trial]:
    candidates = Candidates(changed, file)
    kinds = [kind for kind in candidates.kinds if candidates.worth_trying(kind)]
    limit_ms = changed.settling_limit_ms
    if "plain" in kinds:
        for (window,) in candidates.worth_trying("plain")[:REMEDY_WINDOWS]:
            trial = try_window(changed, window, file)
            yield trial
            if trial.in_question:
                return
            time = _settles(trial)
            late = limit_ms is not None and (time is None or time > FAR * float(limit_ms))
            if late and kinds[-1] != "plain":
                break
    if kinds and kinds[-1] != "plain":
        yield try_window(changed, candidates.likeliest(kinds[-1]), file)


def _settles(trial: Trial) -> float | None:
    """Settling time within the overshoot: of the gains, or the best of a refusal; ms."""
    return trial.loop.settling_ms if trial.refusal is None else trial.refusal.settling_ms


def _short(period: Fraction) -> str:
    """A loop period as a spec has it: a fraction stands in quotes."""
    return text(period) if period.denominator == 1 else f'"{period}"'
