"""Picture of a replay: the waveform where the reading errs most, its harmonics, and what was
reported beside the truth. Told apart by shape and tone, so that it reads in greyscale."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.base import figure
from halfcycle.bench.capture import Capture
from halfcycle.bench.capture_types import Floats
from halfcycle.bench.replay import Replay

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from halfcycle.design.types import Design

SHOWN_CYCLES = 4.0
"""Of the waveform, about the window with the greatest error."""
MAX_POINTS = 4_000
"""Points drawn of a line; of more the extremes of each part are."""


def picture(design: Design, replay: Replay, capture: Capture, form: str) -> bytes:
    """The picture as a file of ``form`` ("svg", "png" or "pdf").

    Raises ToolMissingError without matplotlib.
    """
    rated = float(design.spec.output.rated_rms_v)
    error = np.asarray(replay.reported_rms_v - replay.true_rms_v, dtype=np.float64)
    lasts = float(design.window.duration_s)

    def fill(figure: Figure) -> None:
        rows = figure.subplots(2, 2, width_ratios=(1.6, 1.0))
        _waveform(rows[0][0], design, replay, capture, error)
        _harmonics(rows[0][1], replay)
        _readings(rows[1][0], replay, lasts)
        _errors(rows[1][1], replay, 100 * error / rated, lasts)
        name = f"{design.spec.name}: {capture.channel} through the measuring code"
        figure.suptitle(name, fontsize=10)

    return figure.draw(fill, form, inches=(9.6, 5.6), dpi=110, font_size=8)


def _waveform(axes: Axes, design: Design, replay: Replay, capture: Capture, error: Floats) -> None:
    lasts, cycle = float(design.window.duration_s), 1 / float(design.window.frequency_hz)
    at = int(np.argmax(np.abs(error)))
    start = float(replay.start_s[at])
    room = max(0.0, SHOWN_CYCLES * cycle - lasts) / 2
    shown = (capture.time_s >= start - room) & (capture.time_s <= start + lasts + room)
    time, volts = thinned(capture.time_s[shown], capture.volts[shown])
    # From the window's start, in milliseconds: times of a long capture differ in late digits only.
    axes.axvspan(0, 1000 * lasts, color="0.9", label="window")
    axes.axhline(0, color="0.6", linewidth=0.6)
    axes.plot(1000 * (time - start), volts, color="0", linewidth=0.9, label="capture")
    title = f"greatest error, {error[at]:+.3g} V: window from {start:.6g} s"
    axes.set_title(title, loc="left", pad=12)
    axes.set_xlabel("ms after the window's start")
    axes.set_ylabel("V")
    _legend(axes)


def _harmonics(axes: Axes, replay: Replay) -> None:
    wave = replay.waveform
    if wave is None or len(wave.harmonics) < 2:
        axes.set_title("no harmonics: no whole cycle, or too few points", loc="left", pad=12)
        axes.set_axis_off()
        return
    above = wave.harmonics[1:]
    axes.bar([harmonic.order for harmonic in above], [harmonic.percent for harmonic in above],
             color="0.6", edgecolor="0.2", linewidth=0.5)  # fmt: skip
    axes.set_title(
        f"harmonics, THD {wave.thd_percent:.2f} %, form factor {wave.form_factor:.4f}",
        loc="left",
        pad=12,
    )
    last = above[-1].order
    axes.set_xticks(range(3, last + 1, 2 * max(1, last // 24)))
    axes.set_xlim(1.2, max(last, 9) + 0.8)
    axes.set_ylim(0, 1.08 * max(0.1, *(harmonic.percent for harmonic in above)))
    axes.set_xlabel(f"order, of {wave.frequency_hz:.5g} Hz")
    axes.set_ylabel("% of the fundamental")


def _readings(axes: Axes, replay: Replay, lasts: float) -> None:
    # A reading is there at its window's end.
    ends = replay.start_s + lasts
    marks = "o" if len(ends) <= 60 else None
    for values, color, width, label in (
        (replay.true_rms_v, "0.6", 2.2, "true"),
        (replay.reported_rms_v, "0", 0.9, f"reported by the {replay.measured_by}"),
    ):
        time, volts = thinned(ends, values)
        axes.plot(time, volts, color=color, linewidth=width, marker=marks, markersize=2.4,
                  label=label)  # fmt: skip
    low = min(replay.true_rms_v.min(), replay.reported_rms_v.min())
    high = max(replay.true_rms_v.max(), replay.reported_rms_v.max())
    room = max(0.01 * high, 0.12 * (high - low))
    axes.set_ylim(low - room, high + room)
    axes.set_xlabel("window's end, s")
    axes.set_ylabel("V RMS")
    axes.set_title("readings", loc="left", pad=12)
    _legend(axes)


def _errors(axes: Axes, replay: Replay, percent: Floats, lasts: float) -> None:
    axes.axhline(0, color="0.6", linewidth=0.6)
    time, shown = thinned(replay.start_s + lasts, percent)
    style = "o" if len(time) <= 400 else "-"
    axes.plot(time, shown, style, color="0", markersize=2.4, linewidth=0.8)
    reach = max(1e-3, 1.15 * float(np.abs(shown).max()))
    axes.set_ylim(-reach, reach)
    axes.set_title("reported less true", loc="left", pad=12)
    axes.set_xlabel("window's end, s")
    axes.set_ylabel("% of rated")


def thinned(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """The points, or of each of many parts the least and the greatest in their order."""
    if len(x) <= MAX_POINTS:
        return x, y
    parts = MAX_POINTS // 2
    edges = np.linspace(0, len(x), parts + 1).astype(np.intp)
    kept = sorted(
        {
            first + int(extreme(y[first:last]))
            for first, last in itertools.pairwise(edges.tolist())
            for extreme in (np.argmin, np.argmax)
        }
    )
    return x[kept], y[kept]


def _legend(axes: Axes) -> None:
    """Above the panel at the right, where it hides nothing."""
    axes.legend(fontsize=6.5, frameon=False, loc="lower right", bbox_to_anchor=(1.0, 0.97), ncols=3)
