"""Picture of logs: readings with what the fit makes of them, what is left, and the boards' place
among the corners. Told apart by shape and tone, so that it reads in greyscale."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from halfcycle.base import figure
from halfcycle.bench.identify import Identification
from halfcycle.bench.plant_fit import PlantFit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MAX_LOGS = 4
"""Logs whose readings are drawn; all are among the corners."""
SHOWN = 120
"""Readings drawn of a log, about the greatest movement of its scale."""


def picture(name: str, found: Identification, form: str) -> bytes:
    """The picture as a file of ``form`` ("svg", "png" or "pdf").

    Raises ToolMissingError without matplotlib.
    """
    fitted = [(log.name, log.plant) for log in found.logs if log.plant is not None]
    drawn = fitted[:MAX_LOGS]

    def fill(figure: Figure) -> None:
        rows = figure.subplots(len(drawn) + 1, 2, squeeze=False, width_ratios=(1.6, 1.0))
        for row, (board, plant) in zip(rows, drawn, strict=False):
            part = _shown(plant)
            _readings(row[0], board, plant, part)
            _left(row[1], plant, part)
        _place(rows[-1][0], found, fitted, "gain")
        _place(rows[-1][1], found, fitted, "share")
        figure.suptitle(f"{name}: logs of the firmware beside the model", fontsize=10)

    inches = (9.6, 2.6 * (len(drawn) + 1) + 0.3)
    return figure.draw(fill, form, inches=inches, dpi=110, font_size=8)


def _shown(plant: PlantFit) -> slice:
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
        half = estimate.uncertainty
        axes.errorbar(estimate.value, row, xerr=half, fmt="o", color="0", markersize=3, capsize=2)
    axes.set_yticks(range(len(fitted)), [board for board, _ in fitted])
    axes.set_ylim(len(fitted) - 0.5, -0.5)
    axes.set_xlabel(
        "gain, rated volts per unit of scale" if which == "gain" else "share of delay, 1: at once"
    )
    axes.legend(fontsize=6.5, frameon=False, loc="lower right", bbox_to_anchor=(1.0, 0.97))
