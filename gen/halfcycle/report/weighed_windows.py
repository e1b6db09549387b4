"""The windows that a refused spec was tried with: how soon each settles, and what is wrong with
it."""

from __future__ import annotations

from collections.abc import Iterator

from halfcycle.base.text import counted
from halfcycle.design.lost_in_ripple import is_lost
from halfcycle.design.refusal import later_than_ms
from halfcycle.design.types import Trial
from halfcycle.loop.targets import LoopTargets
from halfcycle.report.axis import Axis
from halfcycle.report.parts import (
    DASH,
    Corners,
    Figure,
    Table,
    asked,
    beside,
    decimal,
    exact,
    percent,
    quantity,
    volts,
)
from halfcycle.report.svg_chart import WIDTH, wrap
from halfcycle.spec.models import Spec
from halfcycle.windows.search import Window

NOTHING = "nothing settles"
"""Stands where no gains of a window settle within the overshoot."""
SHOWN = 3
"""Windows that the terminal shows of a refused spec."""
ROW, TOP, LEFT = 31, 26, 10.0


def best_ms(trial: Trial) -> float | None:
    """The least settling time that a window was found to have, milliseconds; None if it was not
    looked for, or nothing settles."""
    return trial.loop.settling_ms if trial.refusal is None else trial.refusal.settling_ms


def slowest(trial: Trial) -> str | None:
    """The board that is the last to settle, of a window that settles."""
    if best_ms(trial) is None:
        return None
    return trial.loop.worst.get("settling_ms") if trial.refusal is None else trial.refusal.corner


def by_time(trials: tuple[Trial, ...]) -> tuple[Trial, ...]:
    """The trials, the one that settles soonest first; behind them those that were not followed,
    and last those in which nothing settles."""

    def key(trial: Trial) -> tuple[bool, float, int]:
        time, later = best_ms(trial), later_than_ms(trial)
        known = later if time is None else time
        return time is None, float("inf") if known is None else known, trial.window.samples

    return tuple(sorted(trials, key=key))


def best_trials(trials: tuple[Trial, ...]) -> tuple[Trial, ...]:
    """The windows that settle first, those that the terminal shows."""
    return tuple(trial for trial in by_time(trials) if best_ms(trial) is not None)[:SHOWN]


def limiting(trial: Trial) -> tuple[str | None, str | None]:
    """The board that is the last to settle, and the corner that allows no more gain."""
    return slowest(trial), trial.loop.worst.get("peak_sensitivity")


def name_of(window: Window) -> str:
    """A plain window by its half cycles, another one by its kind, as the finding names it."""
    return counted(window.half_cycles) if window.kind == "plain" else window.kind


def full_name(window: Window) -> str:
    """Its name, with the updates that tell it apart from the same window with more or fewer."""
    more = f", {window.updates} updates" if window.updates > 1 else ""
    return f"{name_of(window)}{more}"


def settling_figure(spec: Spec, trials: tuple[Trial, ...]) -> Figure:
    """A bar for each window: how soon it settles at best, against what is asked for."""
    limit = spec.settling_limit_ms
    times = [best_ms(trial) or later_than_ms(trial) or 0.0 for trial in trials]
    greatest = max(*times, 1.0 if limit is None else float(limit))
    scale = Axis(0.0, 1.12 * greatest, "settling at best, ms")
    base, wide = TOP + ROW * len(trials), WIDTH - 2 * LEFT

    def x(time_ms: float) -> float:
        return LEFT + wide * scale.share(time_ms)

    parts = [
        f'<path class="grid" d="M{x(value):.1f} {TOP}V{base}"/>'
        f'<text x="{x(value):.1f}" y="{base + 13}" text-anchor="middle">{text}</text>'
        for value, text in scale.ticks()
    ]
    parts.append(f'<text x="{WIDTH / 2}" y="{base + 29}" text-anchor="middle">{scale.label}</text>')
    told, names = [], []
    for at, (trial, time) in enumerate(zip(trials, times, strict=True)):
        y = TOP + ROW * at
        words = (
            f"{full_name(trial.window)}, {asked(trial.window.duration_ms, 'ms')}: {_told(trial)}"
        )
        told.append(words)
        reached = best_ms(trial) is not None
        style, tall = ("solid", 8) if reached else ("hatch", 2)
        if time > 0:
            parts.append(
                f'<rect class="{style}" x="{LEFT}" y="{y + 19 - tall / 2}" '
                f'width="{x(time) - LEFT:.1f}" height="{tall}"/>'
            )
        names.append(f'<text class="halo" x="{LEFT}" y="{y + 11}">{words}</text>')
    asked_for = "" if limit is None else f"asked for: {asked(limit, 'ms')}"
    if limit is not None:
        right = scale.share(float(limit)) > 0.6
        parts.append(f'<path class="limit" d="M{x(float(limit)):.1f} {TOP - 8}V{base}"/>')
        side, dx = (' text-anchor="end"', -4) if right else ("", 4)
        parts.append(
            f'<text class="halo" x="{x(float(limit)) + dx:.1f}" y="{TOP - 5}"{side}>'
            f"{asked_for}</text>"
        )
    alt = f"Settling time at best of each window. {'; '.join([*told, asked_for])}."
    thin = any(later_than_ms(trial) is not None for trial in trials)
    none = any(time == 0 for time in times)
    return Figure(
        title="How soon each window can settle",
        alt=alt,
        caption=(
            "Every window tried, in the order of the table. A bar ends at the least settling "
            "time within the overshoot, on the board that is slowest then."
            + (" Thin: no gains settle sooner than its end." if thin else "")
            + (" Without a bar: nothing settles." if none else "")
        ),
        svg=wrap(WIDTH, base + 36, alt, "".join([*parts, *names])),
    )


def _told(trial: Trial) -> str:
    """The settling time of a window in words, for a drawing."""
    time, later = best_ms(trial), later_than_ms(trial)
    if time is not None:
        return quantity(time, "ms")
    return NOTHING if later is None else f"more than {quantity(later, 'ms')}"


def windows_table(spec: Spec, trials: tuple[Trial, ...], named: Corners) -> Table:
    """Every window with the figures of its best gains, and what is wrong with it."""
    limit = spec.settling_limit_ms
    targets = spec.targets
    followed = all(later_than_ms(trial) is None for trial in trials)
    lost = any(best_ms(trial) is None and later_than_ms(trial) is None for trial in trials)
    given = spec.gains is not None
    told = {slowest(trial) for trial in trials}
    boards = [f"{letter} {label}" for label, letter in named.letters.items() if label in told]
    return Table(
        title="Windows, the one that settles soonest first"
        + ("" if followed else ", then those not followed"),
        columns=(
            "window",
            "length, ms",
            "settles, ms",
            "overshoot, %",
            "Ms",
            "steady error, ±V",
            "DC, % of peak",
            "slowest board",
            "what is wrong with it",
        ),
        rows=tuple(_row(spec, trial, named) for trial in trials),
        numeric=(1, 2, 3, 4, 5, 6),
        notes=(
            f"Settles: {'with the given gains' if given else 'with the gains that settle first'}"
            f" within {exact(targets.overshoot_percent)} % overshoot and a peak sensitivity Ms of "
            f"{exact(targets.peak_sensitivity)}, over all corners; "
            + ("" if limit is None else f"{asked(limit, 'ms')} is asked for; ")
            + "the columns behind it are with the same gains. Steady error: sampling, the "
            "flipping part of the sensor's zero and noise, without the integers. DC: by the "
            "sensor's zero."
            + (
                " Ms of a window with blocks: that of the loop averaged over the sine's phases."
                if any(trial.window.blocks > 1 for trial in trials)
                else ""
            ),
            *(
                ()
                if followed
                else (
                    "“>”: a shorter search over a few boards found no gains that meet the targets, "
                    "and shows that none settle sooner than that. Of such windows only the "
                    "likeliest is searched fully; the others have no further figures.",
                )
            ),
            *(
                (f"“{NOTHING}”: no gains settle within the overshoot in the time looked at.",)
                if lost
                else ()
            ),
            *((f"Boards by letter: {'; '.join(boards)}.",) if boards else ()),
        ),
    )


def _row(spec: Spec, trial: Trial, named: Corners) -> tuple[str, ...]:
    time, later = best_ms(trial), later_than_ms(trial)
    limit = spec.settling_limit_ms
    head = (full_name(trial.window), exact(trial.window.duration_ms))
    against = "; ".join(_against(spec, trial)) or "nothing by itself"
    if time is None:
        settles = NOTHING if later is None else f"> {decimal(later)}"
        return (*head, settles, *(DASH,) * 5, against)
    loop = trial.loop
    return (
        *head,
        decimal(time) if limit is None else beside(time, float(limit)),
        percent(loop.overshoot_percent),
        decimal(loop.peak_sensitivity),
        volts(trial.steady_error_v),
        percent(trial.output.dc_percent),
        named.letter(slowest(trial)),
        against,
    )


def _against(spec: Spec, trial: Trial) -> Iterator[str]:
    """What is wrong with a window, in words."""
    if not trial.in_reach:
        yield "rated voltage is out of reach"
        return
    refusal, known = trial.refusal, best_ms(trial) is not None
    if refusal is not None:
        targets = LoopTargets.of(spec)
        if is_lost(spec, trial):
            yield f"its reading ripples by ± {quantity(trial.faults.ripple_v, 'V')}"
            return
        yield "too slow" if not known or not targets.settles(trial.loop) else "overshoots"
        if refusal.overshoot_percent is not None:
            yield f"in time only with {decimal(refusal.overshoot_percent)} % overshoot"
    elif trial.missed:
        yield "the given gains miss settling or overshoot"
    if refusal is not None and not known:
        return
    if not trial.little_dc:
        yield f"more DC than {asked(trial.dc_limit_percent, '%')}"
    if not trial.within_tolerance:
        yield f"a steady error beyond {asked(trial.tolerance_v, 'V')}"
