"""Picture of logs: readings with what the fit makes of them, what is left, and the boards' place
among the corners. Told apart by shape and tone, so that it reads in greyscale."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.base import figure
from halfcycle.bench.filter_ringing import BoardRinging
from halfcycle.bench.identify import Identification
from halfcycle.bench.plant_fit import PlantFit
from halfcycle.bench.ringing_fit import RingingFit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MAX_LOGS = 4
"""Logs whose readings are drawn; all are among the corners."""
SHOWN = 120
"""Readings drawn of a log, about the greatest movement of its scale."""


def picture(name: str, found: Identification, ringing: Sequence[BoardRinging], form: str) -> bytes:
    """The picture as a file of ``form`` ("svg", "png" or "pdf").

    Raises ToolMissingError without matplotlib.
    """
    fitted = [(log.name, log.plant) for log in found.logs if log.plant is not None]
    rung = [(board, board.fit) for board in ringing if isinstance(board.fit, RingingFit)]
    drawn = [(log.name, plant) for log, plant in found.fitted(MAX_LOGS)]
    heard = rung[:MAX_LOGS]
    count = len(drawn) + bool(found.logs) + len(heard) + bool(ringing)

    def fill(figure: Figure) -> None:
        rows = list(figure.subplots(count, 2, squeeze=False, width_ratios=(1.6, 1.0)))
        for board, plant in drawn:
            row, part = rows.pop(0), shown_part(plant)
            _readings(row[0], board, plant, part)
            _left(row[1], plant, part)
        if found.logs:
            row = rows.pop(0)
            _place(row[0], found, fitted, "gain")
            _place(row[1], found, fitted, "share")
        for capture, fit in heard:
            row = rows.pop(0)
            _ringing(row[0], capture.name, fit)
            _unexplained(row[1], fit)
        if ringing:
            row = rows.pop(0)
            _ringing_place(row[0], rung, "frequency")
            _ringing_place(row[1], rung, "decay")
        what = "logs of the firmware beside the model" if found.logs else "ringing of the filter"
        left_out = ""
        if len(drawn) < len(fitted):
            left_out = f" ({len(drawn)} of {len(fitted)} logs drawn, those outside first)"
        if len(heard) < len(rung):
            left_out += f" ({len(heard)} of {len(rung)} captures drawn)"
        figure.suptitle(f"{name}: {what}{left_out}", fontsize=10)

    return figure.draw(fill, form, inches=(9.6, 2.6 * count + 0.3), dpi=110, font_size=8)


def _ringing(axes: Axes, name: str, fit: RingingFit) -> None:
    ms = 1000 * (fit.time_s - fit.start_s)
    axes.axhline(0, color="0.7", linewidth=0.6)
    axes.plot(ms, fit.fitted_v, color="0.45", linewidth=1.2, label="fit")
    axes.plot(ms, fit.ringing_v, "o", color="0", markersize=1.8, label="capture less the mains")
    axes.set_title(name, loc="left", fontweight="bold", pad=12)
    axes.set_xlabel(f"ms after {fit.start_s:.6g} s of the capture")
    axes.set_ylabel("V")
    axes.legend(fontsize=6.5, frameon=False, loc="lower right", bbox_to_anchor=(1.0, 0.97), ncols=2)


def _unexplained(axes: Axes, fit: RingingFit) -> None:
    ms = 1000 * (fit.time_s - fit.start_s)
    axes.plot(ms, fit.ringing_v - fit.fitted_v, "o", color="0", markersize=1.8)
    for side in (-2, 2):
        axes.axhline(side * fit.noise_v, color="0.5", linestyle="--", linewidth=0.8)
    axes.set_title("capture less fit; dashed: twice the noise", loc="left", pad=12)
    axes.set_xlabel("ms")
    axes.set_ylabel("V")


def _ringing_place(axes: Axes, rung: Sequence[tuple[BoardRinging, RingingFit]], which: str) -> None:
    """Each capture's interval beside what the spec allows."""
    for row, (board, fit) in enumerate(rung):
        corners = board.corners
        limits, estimate = (
            (corners.frequency_hz, fit.frequency_hz)
            if which == "frequency"
            else (corners.decay_per_s, fit.decay_per_s)
        )
        if not row:
            axes.axvspan(limits.low, limits.high, color="0.85", label="allowed by the spec")
        half = estimate.half
        axes.errorbar(estimate.value, row, xerr=half, fmt="o", color="0", markersize=3, capsize=2)
    axes.set_yticks(range(len(rung)), [board.name for board, _ in rung])
    axes.set_ylim(max(len(rung), 1) - 0.5, -0.5)
    axes.set_xlabel("ringing, Hz" if which == "frequency" else "decay, per second")
    if rung:
        axes.legend(fontsize=6.5, frameon=False, loc="lower right", bbox_to_anchor=(1.0, 0.97))


def shown_part(plant: PlantFit) -> slice:
    """The readings about the greatest movement."""
    rows = plant.rows
    moves = np.abs(np.diff(rows.scale, prepend=rows.scale[0]))
    middle = int(np.argmax(moves))
    first = max(0, min(middle - SHOWN // 4, len(rows) - SHOWN))
    return slice(first, first + SHOWN)


def _readings(axes: Axes, board: str, plant: PlantFit, part: slice) -> None:
    rows = plant.rows
    count = np.arange(len(rows.reading[part]))
    axes.plot(count, 100 * plant.predicted[part], color="0.45", linewidth=1.2, label="fit")
    axes.plot(count, 100 * rows.reading[part], "o", color="0", markersize=2.4, label="log")
    axes.plot(count, 100 * rows.scale[part], color="0.6", linestyle=":", label="scale, % of bus")
    axes.set_title(board, loc="left", fontweight="bold", pad=12)
    axes.set_xlabel("readings of the fit, about the greatest movement")
    axes.set_ylabel("reading, % of rated")
    axes.legend(fontsize=6.5, frameon=False, loc="lower right", bbox_to_anchor=(1.0, 0.97), ncols=3)


def _left(axes: Axes, plant: PlantFit, part: slice) -> None:
    rows = plant.rows
    left = 100 * (rows.reading - plant.predicted)[part]
    axes.plot(np.arange(len(left)), left, "o", color="0", markersize=2.4)
    for side in (-2, 2):
        axes.axhline(100 * side * plant.noise, color="0.5", linestyle="--", linewidth=0.8)
    axes.set_title("log less fit; dashed: twice the noise", loc="left", pad=12)
    axes.set_xlabel("readings of the fit")
    axes.set_ylabel("% of rated")


def _place(
    axes: Axes, found: Identification, fitted: list[tuple[str, PlantFit]], which: str
) -> None:
    """Each board's interval beside the range that the design relies on."""
    limits = found.corners.gain if which == "gain" else found.corners.share
    axes.axvspan(limits.low, limits.high, color="0.85", label="corners of the design")
    for row, (_, plant) in enumerate(fitted):
        estimate = plant.gain if which == "gain" else plant.share
        if estimate is None:
            continue
        half = estimate.half
        axes.errorbar(estimate.value, row, xerr=half, fmt="o", color="0", markersize=3, capsize=2)
    axes.set_yticks(range(len(fitted)), [board for board, _ in fitted])
    axes.set_ylim(len(fitted) - 0.5, -0.5)
    axes.set_xlabel(
        "gain, rated volts per unit of scale" if which == "gain" else "share of delay, 1: at once"
    )
    axes.legend(fontsize=6.5, frameon=False, loc="lower right", bbox_to_anchor=(1.0, 0.97))
