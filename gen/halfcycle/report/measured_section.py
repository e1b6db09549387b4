"""The measured boards: what their logs say, beside what the design relies on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.base.findings import Finding, any_error
from halfcycle.bench.identify_plot import MAX_LOGS, shown_part
from halfcycle.report.axis import Axis, padded
from halfcycle.report.parts import DASH, DIGITS, Figure, Table, decimal
from halfcycle.report.svg_chart import Chart

if TYPE_CHECKING:
    from halfcycle.bench.board_loop import Range
    from halfcycle.bench.calibrate import Estimate
    from halfcycle.bench.identify import BoardLog, Identification
    from halfcycle.bench.plant_fit import PlantFit
    from halfcycle.design.types import Design

MAX_NAMED = 24
"""Boards that have a name beside their row of a drawing."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What ``identify`` makes of the logs, and its findings."""

    found: Identification
    findings: tuple[Finding, ...]

    @property
    def good(self) -> bool:
        """Whether no log differs from the model, and no board is outside the corners."""
        return not any_error(self.findings)


def board_figures(measured: Measured) -> tuple[Figure, ...]:
    """Each board's place among the corners, and the readings of the first boards beside the fit."""
    found = measured.found
    fitted = [(log, log.plant) for log in found.logs if log.plant is not None]
    if not fitted:
        return ()
    gains = [(log.name, plant.gain) for log, plant in fitted]
    places = [_place("Gain", "rated volts per unit of scale", gains, found.corners.gain)]
    shares = [(log.name, plant.share) for log, plant in fitted if plant.share is not None]
    if shares:
        unit = "share of a change that acts at once"
        places.append(_place("Share of delay", unit, shares, found.corners.share))
    return (*places, *(_readings(log, plant) for log, plant in found.fitted(MAX_LOGS)))


def _place(
    title: str, unit: str, estimates: Sequence[tuple[str, Estimate]], corners: Range
) -> Figure:
    """An interval a row, over the range that the design relies on."""
    ends = [corners.low, corners.high]
    ends += [end for _, estimate in estimates for end in (estimate.low, estimate.high)]
    count = len(estimates)
    names = estimates if count <= MAX_NAMED else ()
    ticks = tuple((float(row), _short(name)) for row, (name, _) in enumerate(names))
    chart = Chart(
        Axis(*padded(ends), f"{title.lower()}, {unit}"),
        Axis(count - 0.4, -0.6, "", given=ticks or ((0.0, " "),)),
        height=70.0 + 16.0 * min(max(count, 3), 40),
    )
    edges = [-0.6, count - 0.4]
    chart.band([corners.low, corners.high], [edges[1]] * 2, [edges[0]] * 2, "spread")
    for row, (_, estimate) in enumerate(estimates):
        outside = not corners.may_hold(estimate)
        chart.line((estimate.low, estimate.high), (row, row), "two" if outside else "one")
        chart.dot(estimate.value, row, "two-dot" if outside else "one-dot")
    outside_count = sum(not corners.may_hold(estimate) for _, estimate in estimates)
    key = [("spread", "corners"), ("one", "board, 95 %")]
    chart.key(*key, *([("two", "outside")] if outside_count else []))
    verdict = f"{outside_count} of {count} outside" if outside_count else f"all {count} inside"
    alt = (
        f"{title} of {count} measured boards with 95 percent intervals, from "
        f"{decimal(min(ends[2:]))} to {decimal(max(ends[2:]))}; the design relies on "
        f"{decimal(corners.low)} to {decimal(corners.high)}: {verdict}"
    )
    caption = "Band: the range over all corners of the design. Rows: measured boards."
    if count > MAX_LOGS:
        caption += f" The readings of {MAX_LOGS} are drawn below, boards outside first."
    return Figure(f"{title}: {verdict}", alt, caption, chart.svg(alt))


def _readings(log: BoardLog, plant: PlantFit) -> Figure:
    """The readings about the greatest movement of the drive, and what the fit makes of them."""
    part = shown_part(plant)
    read = 100 * plant.rows.reading[part]
    made = 100 * plant.predicted[part]
    count = np.arange(len(read))
    both = np.concatenate([read, made]).tolist()
    chart = Chart(
        Axis(0, max(len(read) - 1, 1), "readings, about the greatest movement of the drive"),
        Axis(*padded(both), "reading, % of rated"),
        height=200,
    )
    chart.line(count.tolist(), made.tolist(), "one")
    for at, value in zip(count.tolist(), read.tolist(), strict=True):
        chart.dot(at, value, "two-dot")
    alt = (
        f"Readings of {log.name} from {decimal(float(read.min()))} to {decimal(float(read.max()))} "
        f"percent of rated, and those of the fit; noise {decimal(100 * plant.noise)} percent"
    )
    caption = (
        f"Line: the fit; dots: the log. Gain {_pm(plant.gain)}, share of delay "
        f"{_pm(plant.share) if plant.share else DASH}; what the fit leaves is "
        f"{decimal(100 * plant.noise)} % of rated, RMS."
    )
    return Figure(f"{log.name}: readings and fit", alt, caption, chart.svg(alt))


def board_table(design: Design, measured: Measured) -> Table:
    """A row for each log, and the corners' for comparison."""
    loop, corners = design.loop, measured.found.corners
    asked = (
        "the design's corners",
        DASH,
        DASH,
        f"{decimal(corners.gain.low)} to {decimal(corners.gain.high)}",
        f"{decimal(corners.share.low)} to {decimal(corners.share.high)}",
        DASH,
        f"≤ {decimal(loop.settling_ms)}",
        f"≤ {decimal(loop.overshoot_percent)}",
        f"≥ {decimal(loop.gain_margin_db)}",
        f"≥ {decimal(loop.phase_margin_deg)}",
    )
    return Table(
        title="Measured boards beside the corners",
        columns=(
            "board",
            "rows",
            "as the model",
            "gain",
            "share of delay",
            "noise, %",
            "settles, ms",
            "overshoot, %",
            "gain margin, dB",
            "phase margin, °",
        ),
        rows=(*map(_row, measured.found.logs), asked),
        numeric=(1, 5, 6, 7, 8, 9),
        notes=(
            "±: half of the 95 % confidence interval. Gain: rated volts per unit of scale. Share: "
            "of a change of scale that acts before the next update. Settling, overshoot and "
            "margins are predicted: of a step of the target, by the design's model with this gain "
            "and delay; the corners' are the worst of all, tolerances of the filter included.",
        ),
        marked=len(measured.found.logs),
    )


def _row(log: BoardLog) -> tuple[str, ...]:
    plant, loop, checked = log.plant, log.loop, log.checked
    like = "yes" if checked.first is None else f"no, {checked.differing} rows differ"
    head = (log.name, str(checked.rows), like)
    if plant is None:
        return (*head, *(DASH,) * 7)
    if plant.share is None or loop is None:
        noise = decimal(100 * plant.noise)
        return (*head, _pm(plant.gain), DASH, noise, *(DASH,) * 4)
    return (
        *head,
        _pm(plant.gain),
        _pm(plant.share),
        decimal(100 * plant.noise),
        decimal(loop.settling_ms) if loop.stable else "unstable",
        decimal(loop.overshoot_percent),
        decimal(loop.gain_margin_db),
        decimal(loop.phase_margin_deg),
    )


def spread_text(measured: Measured) -> str:
    """What all logs say together, in a sentence."""
    found = measured.found
    count = len(found.logs)
    logs = f"{count} logs of running firmware, one a board" if count > 1 else "One log of a board"
    like = (
        "every row is what the model computes" if found.as_model else "rows differ from the model"
    )
    if found.inside is None:
        place = "not every log tells gain and delay"
    elif found.inside:
        place = "gain and delay are inside the corners"
    else:
        place = "a board is outside the corners that the design relies on"
    return f"{logs}: {like}, and {place}. The findings are in the summary."


def _pm(estimate: Estimate) -> str:
    """An estimate, to the place of the last digit that its interval is told to."""
    half = estimate.half
    if not 0 < half < math.inf:
        return f"{decimal(estimate.value)} ± {decimal(half)}"
    places = max(0, DIGITS - 1 - math.floor(math.log10(half)))
    value = f"{estimate.value:.{places}f}".replace("-", "−")
    return f"{value} ± {decimal(half)}"


def _short(name: str) -> str:
    """A name that fits beside an axis."""
    return name if len(name) <= 14 else f"{name[:13]}…"
