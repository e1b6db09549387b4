"""Picture of a calibration: what each reading says of the gain, and where the boards lie beside
the spec's tolerances. Told apart by shape and tone, so that it reads in greyscale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from halfcycle.base import figure
from halfcycle.base.text import counted
from halfcycle.bench.calibrate import Calibration, Estimate, is_dead, reading_gain
from halfcycle.bench.meter_readings import Reading

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from halfcycle.spec.models import Spec

MARKS = "osD^v<>Pp*hX"
"""Marks of the boards' readings, round and round."""
MAX_NAMED = 12
"""Boards whose readings are told apart in the legend."""
MAX_ROWS = 40
"""Boards that have a name beside their row."""


def picture(spec: Spec, calibration: Calibration, readings: Sequence[Reading], form: str) -> bytes:
    """The picture as a file of ``form`` ("svg", "png" or "pdf").

    Raises ToolMissingError without matplotlib.
    """
    boards = [fit.board for fit in calibration.boards]
    zeros = [fit.zero_code for fit in calibration.boards]
    panels = 3 if any(zeros) else 2
    sensor = spec.sensor
    per_code = float(sensor.volts_per_code)

    def percent(gain: Estimate | None) -> Estimate | None:
        return gain and Estimate(
            100 * (gain.value / per_code - 1), 100 * gain.uncertainty / per_code, gain.readings
        )

    def fill(figure: Figure) -> None:
        (axes,) = figure.subplots(1, panels, squeeze=False, width_ratios=(1.4, 1.0, 1.0)[:panels])
        _readings(axes[0], spec, calibration, readings)
        gains = [percent(fit.volts_per_code) for fit in calibration.boards]
        _place(axes[1], boards, gains, percent(calibration.volts_per_code), 0.0,
               float(sensor.gain_tolerance_percent))  # fmt: skip
        axes[1].set_xlabel(f"volts per code, % from the spec's {per_code:g}")
        axes[1].set_title("gain", loc="left", pad=12)
        if panels == 3:
            _place(axes[2], boards, zeros, calibration.zero_code, float(sensor.zero_code),
                   float(sensor.zero_tolerance_codes))  # fmt: skip
            axes[2].set_xlabel("zero code")
            axes[2].set_title("zero", loc="left", pad=12)
        title = f"{spec.name}: sensor of {counted(len(boards), 'board')}"
        figure.suptitle(title, fontsize=10)

    inches = (3.2 * panels + 0.8, 1.9 + 0.16 * min(max(len(boards), 8), MAX_ROWS))
    return figure.draw(fill, form, inches=inches, dpi=110, font_size=8)


def _readings(
    axes: Axes, spec: Spec, calibration: Calibration, readings: Sequence[Reading]
) -> None:
    """Each reading's gain over the meter's volts, outliers crossed out."""
    per_code = float(spec.sensor.volts_per_code)
    tolerance = float(spec.sensor.gain_tolerance_percent)
    axes.axhspan(-tolerance, tolerance, color="0.88")
    axes.axhline(0, color="0.6", linewidth=0.6)
    odd = {outlier.line for outlier in calibration.outliers if outlier.line}
    boards = [fit.board for fit in calibration.boards]
    named = {**dict(enumerate(boards[:MAX_NAMED])), MAX_NAMED: "others"}
    crossed: list[tuple[float, float]] = []
    for number, board in enumerate(boards):
        points = [
            (reading.meter_v or 0.0, 100 * (gain / per_code - 1), reading.line)
            for reading in readings
            if reading.board == board
            and not is_dead(reading, spec)
            and (gain := reading_gain(reading, per_code)) is not None
        ]
        crossed += [(volts, off) for volts, off, line in points if line in odd]
        shade = str(round(0.6 * number / max(1, min(len(boards), MAX_NAMED) - 1) % 0.7, 3))
        axes.plot([volts for volts, _, _ in points], [off for _, off, _ in points],
                  MARKS[number % len(MARKS)], color=shade, markersize=3.6, markerfacecolor="none",
                  label=named.get(number))  # fmt: skip
    if crossed:
        axes.plot(*zip(*crossed, strict=True), "x", color="0", markersize=8, label="left out")
    axes.set_xlabel("meter, V RMS")
    axes.set_ylabel("volts per code, % from the spec")
    axes.set_title("readings; grey: tolerance", loc="left", pad=12)
    axes.margins(x=0.06, y=0.12)
    axes.legend(fontsize=6.5, frameon=False, loc="best", ncols=1 + len(boards) // 7)


def _place(  # noqa: PLR0917 (what is drawn, in its order)
    axes: Axes,
    boards: Sequence[str],
    estimates: Sequence[Estimate | None],
    together: Estimate | None,
    centre: float,
    tolerance: float,
) -> None:
    """Each board's interval beside the range that the design relies on."""
    axes.axvspan(centre - tolerance, centre + tolerance, color="0.88", label="tolerance")
    for row, estimate in enumerate(estimates):
        if estimate is None:
            continue
        half = estimate.uncertainty if math.isfinite(estimate.uncertainty) else None
        axes.errorbar(estimate.value, row, xerr=half, fmt="o", color="0", markersize=3, capsize=2)
    if together is not None and len(boards) > 1:
        axes.axvline(together.value, color="0.3", linestyle="--", linewidth=0.9, label="fitted")
    named = boards if len(boards) <= MAX_ROWS else []
    axes.set_yticks(range(len(named)), named)
    axes.set_ylim(len(boards) - 0.5, -0.5)
    axes.ticklabel_format(axis="x", useOffset=False)
    axes.legend(fontsize=6.5, frameon=False, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2)
