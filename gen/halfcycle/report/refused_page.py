"""The page of a spec that cannot be met: the best that can be had, and every window weighed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from halfcycle.base.findings import Finding
from halfcycle.base.text import counted
from halfcycle.design.types import Trial
from halfcycle.loop.moving import MovingRefusal
from halfcycle.report.axis import Axis
from halfcycle.report.page import Section, lay_out
from halfcycle.report.parts import DASH, Figure, Table, decimal, quantity
from halfcycle.report.summary_section import by_level
from halfcycle.report.svg_chart import Chart
from halfcycle.report.window_section import window_name
from halfcycle.spec.models import Spec


@dataclass(frozen=True, slots=True)
class Refused:
    """All that enters the page of a refused spec. ``findings`` and ``trials``: of the refusal, no
    trial if no window was found to try; the rest as in ``parts.Contents``."""

    spec: Spec
    findings: tuple[Finding, ...]
    trials: tuple[Trial, ...]
    spec_text: str
    command: str


def render(refused: Refused) -> str:
    """The page as text. The same spec gives the same text."""
    return lay_out(
        refused.spec,
        {
            "good": False,
            "warned": False,
            "rows": (),
            "sign_off": None,
            "derivations": (),
            "boards": None,
            "worst_again": "",
            "verdict": verdict(refused),
            "findings": by_level(refused.findings),
            "front": tuple(_sections(refused)),
            "command": refused.command,
            "spec_text": refused.spec_text,
        },
    )


def verdict(refused: Refused) -> str:
    """The sentence that says that there is no design."""
    if not refused.trials:
        return "Cannot be met: no window that the spec allows measures the output."
    windows = counted(len(refused.trials), "window")
    return f"Cannot be met with any of {windows} weighed. There is no C."


def _sections(refused: Refused) -> Iterator[Section]:
    if not refused.trials:
        return
    settling = [best_ms(trial) for trial in refused.trials]
    yield Section(
        "windows",
        "Windows weighed",
        texts=(
            "What each window can do at best: the settling time within the overshoot that is "
            "asked for, over all corners, and what stands against it.",
        ),
        figures=(settling_figure(refused),) if any(settling) else (),
        tables=(window_table(refused),),
    )


def best_ms(trial: Trial) -> float | None:
    """The least settling time that a window was found to have, milliseconds; None if it was not
    looked for, or nothing settles."""
    return trial.loop.settling_ms if trial.refusal is None else trial.refusal.settling_ms


def settling_figure(refused: Refused) -> Figure:
    """The best settling time of each window over its length, and what is asked for."""
    points = [
        (trial.window.duration_ms, time, window_name(trial.window))
        for trial in refused.trials
        if (time := best_ms(trial)) is not None
    ]
    limit = refused.spec.settling_limit_ms
    times = [time for _, time, _ in points] + ([float(limit)] if limit is not None else [])
    chart = Chart(
        Axis(0.0, 1.1 * max(length for length, _, _ in points), "length of the window, ms"),
        Axis(0.0, 1.15 * max(times), "settling at best, ms"),
    )
    for length, time, _ in points:
        chart.dot(length, time, "one-dot")
    asked = ""
    if limit is not None:
        chart.level(float(limit), "limit", f"asked for: {decimal(float(limit))} ms")
        asked = f"; {decimal(float(limit))} ms is asked for"
    alt = "Settling time at best over the length of the window: " + "; ".join(
        f"{name} of {decimal(length)} ms, {decimal(time)} ms" for length, time, name in points
    )
    return Figure(
        title="How soon each window can settle",
        alt=f"{alt}{asked}.",
        caption=(
            "Each dot is a window with the gains that settle soonest within the overshoot, on the "
            "board that is slowest with them."
        ),
        svg=chart.svg(f"{alt}{asked}."),
    )


def window_table(refused: Refused) -> Table:
    """Every window with its figures, and what stands against it."""
    trials = sorted(refused.trials, key=lambda trial: best_ms(trial) or float("inf"))
    rows = [_row(trial) for trial in trials]
    columns = (
        "window",
        "length, ms",
        "settles at best, ms",
        "least overshoot in time, %",
        "DC, % of peak",
        "steady error, ±V",
        "against it",
    )
    told = [at for at in range(len(columns)) if any(row[at] != DASH for row in rows)]
    return Table(
        title="Windows, the one that settles soonest first",
        columns=tuple(columns[at] for at in told),
        rows=tuple(tuple(row[at] for at in told) for row in rows),
        numeric=tuple(range(1, len(told) - 1)),
        notes=(
            "A window of blocks that a first look at a few boards rules out is not followed over "
            "all: its time is then one that is not reached.",
        ),
    )


def _row(trial: Trial) -> tuple[str, ...]:
    refusal, time = trial.refusal, best_ms(trial)
    settles = decimal(time)
    if time is None and isinstance(refusal, MovingRefusal) and refusal.at_least_ms is not None:
        settles = f"more than {decimal(refusal.at_least_ms)}"
    return (
        window_name(trial.window),
        decimal(trial.window.duration_ms, 6),
        settles,
        DASH if refusal is None else decimal(refusal.overshoot_percent, 3),
        decimal(trial.output.dc_percent, 2) if refusal is None else DASH,
        decimal(trial.steady_error_v, 3) if refusal is None else DASH,
        "; ".join(_against(trial)),
    )


def _against(trial: Trial) -> Iterator[str]:
    """What stands against a window, in words."""
    if not trial.in_reach:
        yield "rated voltage is out of reach"
    if trial.refusal is not None:
        yield f"settling or overshoot, on {trial.refusal.corner}"
        return
    if trial.missed:
        yield "the given gains miss settling or overshoot"
    if not trial.little_dc:
        yield f"more DC than {quantity(trial.dc_limit_percent, '%')}"
    if not trial.within_tolerance:
        yield f"a steady error beyond {quantity(trial.tolerance_v, 'V')}"
