"""One picture of the closed loop's step responses before and after a change, over all corners."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from halfcycle.base import figure
from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.design.types import Design
from halfcycle.retune.comparison import Steps, horizon_ms, steps
from halfcycle.spec.kinds import brief

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def picture(before: Design, after: Design | None, form: str) -> bytes:
    """The picture as a file of ``form`` ("svg", "png" or "pdf"); no clock in it.

    Raises ToolMissingError without matplotlib.
    """
    shown = [before, after] if after is not None else [before]
    until = horizon_ms(*shown)

    def fill(figure: Figure) -> None:
        axes = figure.subplots()
        _limits(axes, before)
        _band(axes, before, steps(before, until))
        if after is not None:
            _edges(axes, after, steps(after, until))
        _frame(axes, shown, until)

    return figure.draw(fill, form, inches=(7.2, 4.6), dpi=150, font_size=9)


def _volts(design: Design) -> float:
    return float(design.spec.output.rated_rms_v)


def _band(axes: Axes, design: Design, shown: Steps) -> None:
    """Before: everything between the corners' least and greatest reading, in light grey."""
    volts = _volts(design)
    label = f"before: {_about(design)}, all corners"
    low, high = volts * shown.lowest, volts * shown.highest
    axes.fill_between(shown.time_ms, low, high, color="0.82", linewidth=0, label=label)
    for edge in (low, high):
        axes.plot(shown.time_ms, edge, color="0.45", linewidth=0.8)


def _edges(axes: Axes, design: Design, shown: Steps) -> None:
    """After: the least and the greatest reading, each window's end marked."""
    volts = _volts(design)
    for values, line, name in (
        (shown.highest, "-", "greatest"),
        (shown.lowest, "--", "least"),
    ):
        label = f"after: {_about(design)}, {name} of all corners"
        every = max(1, len(shown.time_ms) // 40)
        axes.plot(
            shown.time_ms,
            volts * values,
            line,
            color="black",
            linewidth=1.2,
            marker="o",
            markersize=2.6,
            markevery=every,
            label=label,
        )


def _limits(axes: Axes, design: Design) -> None:
    volts = _volts(design)
    for side in (-1, 1):
        axes.axhline(volts * (1 + side * SETTLING_BAND), color="0.3", linewidth=0.7, linestyle=":")
    axes.annotate(
        f"$\\pm${100 * SETTLING_BAND:g} %",
        (1.0, volts * (1 + SETTLING_BAND)),
        xycoords=("axes fraction", "data"),
        xytext=(-2, 2),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=8,
        color="0.3",
    )


def _frame(axes: Axes, shown: list[Design], until: float) -> None:
    for design, style in zip(shown, ((0, (1, 2)), (0, (6, 2))), strict=False):
        settled = design.loop.settling_ms
        if settled is not None:
            side = "before" if design is shown[0] else "after"
            label = f"settled at every corner, {side}: {settled:.4g} ms"
            axes.axvline(settled, color="0.5", linewidth=0.9, linestyle=style, label=label)
    axes.set_xlim(0, until)
    top = max(float(np.nanmax(line.get_ydata())) for line in axes.get_lines())
    bound = 2.5 * _volts(shown[0])  # An unstable loop leaves the picture.
    axes.set_ylim(0, min(bound, 1.05 * top))
    axes.set_xlabel("time after the first update that saw the new target, ms")
    axes.set_ylabel("output as read each window, V RMS")
    axes.set_title(f"{shown[0].spec.name}: target step from zero to rated", fontsize=10)
    axes.grid(color="0.9", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.legend(loc="lower right", fontsize=8, framealpha=1.0, edgecolor="0.8")


def _about(design: Design) -> str:
    return f"{brief(design.spec.loop.period_us)} us, window {design.window.duration_ms:.4g} ms"
