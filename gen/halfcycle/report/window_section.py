"""The measuring window: the reading error of every candidate, drawn to one scale, and why."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from halfcycle.base.errors import RefusedError
from halfcycle.base.text import counted, signed_ppm
from halfcycle.design.harmonics import TRUE, rectifier_harmonics
from halfcycle.design.types import Design, Trial
from halfcycle.report.axis import Axis
from halfcycle.report.parts import (
    DASH,
    Figure,
    Table,
    asked,
    carried,
    decimal,
    exact,
    percent,
    volts,
)
from halfcycle.report.svg_chart import WIDTH, Chart, wrap
from halfcycle.windows.candidates import ReadingFaults, allowed_windows, reading_faults
from halfcycle.windows.reading_errors import FEW_POINTS
from halfcycle.windows.search import Window

MAX_CANDIDATES = 10
"""Candidates drawn; the chosen one and its double are always among them."""
FEW_DRAWN = 60
"""More points than that on a half cycle are drawn as a line of dots without room between."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A window that the spec allows. ``trial`` is None if the designer did not need to try."""

    window: Window
    faults: ReadingFaults
    trial: Trial | None
    chosen: bool

    @property
    def error_v(self) -> float:
        """Error of the reading either way, sampling, frequency and the flipping zero."""
        return self.faults.spread_v + self.faults.alternation_v


def candidates(design: Design) -> tuple[Candidate, ...]:
    """The windows that were tried, and other short ones beside them, shortest first."""
    tried = {trial.window: trial for trial in design.trials}
    try:
        whole = allowed_windows(design.spec, design.file)
    except RefusedError:  # None is whole: a shaped one measures.
        whole = ()
    others = [window for window in whole if window not in tried]
    shown = [*tried, *others[: max(0, MAX_CANDIDATES - len(tried))]]
    return tuple(
        Candidate(
            window=window,
            faults=tried[window].faults if window in tried else reading_faults(design.spec, window),
            trial=tried.get(window),
            chosen=window == design.window,
        )
        for window in sorted(shown, key=lambda window: (window.samples, window.half_cycles))
    )


def bounds_figure(design: Design, shown: tuple[Candidate, ...]) -> Figure:
    """Error bounds of every candidate's reading as bars, with the tolerance."""
    tolerance = design.chosen.tolerance_v
    reach = max(tolerance, *(candidate.error_v + candidate.faults.zero_v for candidate in shown))
    scale = Axis(-1.08 * reach, 1.08 * reach, "error of the reading, V RMS at the output")
    row, top = 30, 26
    base = top + row * len(shown)
    left, wide = 10.0, WIDTH - 20.0

    def x(size: float) -> float:
        return left + wide * scale.share(size)

    parts = [
        f'<path class="frame" d="M{x(0):.1f} {top - 4}V{base}"/>',
        f'<path class="limit" d="M{left} 9h18"/>',
        f'<text x="{left + 22}" y="12.5">tolerance ±{exact(tolerance)} V</text>',
    ]
    for value, text in scale.ticks():
        parts.append(
            f'<path class="grid" d="M{x(value):.1f} {top}V{base}"/>'
            f'<text x="{x(value):.1f}" y="{base + 13}" text-anchor="middle">{text}</text>'
        )
    parts.append(f'<text x="{WIDTH / 2}" y="{base + 29}" text-anchor="middle">{scale.label}</text>')
    for at, candidate in enumerate(shown):
        y = top + row * at
        faults, window = candidate.faults, candidate.window
        parts.append(
            f'<text class="halo{" strong" if candidate.chosen else ""}" x="{left}" y="{y + 10}">'
            f"{'▸ ' if candidate.chosen else ''}{window_name(window)}, "
            f"{exact(window.duration_ms)} ms</text>"
        )
        for end in (-tolerance, tolerance):
            parts.append(f'<path class="limit solid-line" d="M{x(end):.1f} {y + 11}v16"/>')
        spread, flips = faults.spread_v, candidate.error_v
        steady = flips + faults.zero_v
        for size, style, tall in ((steady, "thin", 1), (flips, "hatch", 5), (spread, "solid", 9)):
            parts.append(
                f'<rect class="{style}" x="{x(-size):.1f}" y="{y + 19 - tall / 2}" '
                f'width="{max(x(size) - x(-size), 1.0):.1f}" height="{tall}"/>'
            )
    alt = "Bars of the greatest reading error for each candidate window: " + "; ".join(
        f"{window_name(candidate.window)} plus or minus {volts(candidate.error_v)} V"
        f"{' (chosen)' if candidate.chosen else ''}"
        for candidate in shown
    )
    return Figure(
        title="Reading error of each window",
        alt=f"{alt}. Tolerance plus or minus {exact(tolerance)} V.",
        caption=(
            "Bounds over every starting phase. Thick: sampling, a partial window and frequency. "
            "Medium: with the part of the zero offset that flips from window to window. Thin: "
            "with the steady part of the zero offset. The loop answers the flipping part with "
            "its own gain at that rate; the table has both."
        ),
        svg=wrap(WIDTH, base + 36, alt, "".join(parts)),
    )


def window_name(window: Window) -> str:
    """A shaped window by its kind: it holds no whole number of half cycles."""
    if window.shaped:
        return window.kind
    moving = f", {window.updates} updates" if window.moving else ""
    return counted(window.half_cycles) + moving


def points_figure(design: Design) -> Figure:
    """Where the samples fall on the half cycle, at the two phases that bound the mean."""
    window = design.window
    count = window.distinct_points
    wave = np.linspace(0.0, 180.0, 91)
    chart = Chart(
        Axis(0, 180, "phase in the half cycle, degrees", wanted=6),
        Axis(0, 1.12, "rectified output, of its peak"),
    )
    chart.line(wave.tolist(), np.sin(np.radians(wave)).tolist(), "faint")
    astride = (np.arange(count) + 0.5) * 180.0 / count
    upon = np.arange(count) * 180.0 / count
    drawn = count <= FEW_DRAWN
    for phases, style, foot in ((astride, "one", 0.0), (upon, "two", 0.0)):
        heights = np.sin(np.radians(phases))
        for phase, height in zip(phases.tolist(), heights.tolist(), strict=True):
            if drawn:
                chart.line((phase, phase), (foot, height), f"{style} hair")
            chart.dot(phase, height, f"{style}-dot")
    chart.key(("one", "reads highest"), ("two", "reads lowest"))
    ends = design.chosen.faults
    few = (
        f"; fewer than {FEW_POINTS} leave more than about 0.1 % open" if count < FEW_POINTS else ""
    )
    mean = design.spec.loop.measure == "mean"
    caption = f"{window.samples} samples fall on {count} places of the half cycle{few}. " + (
        "The mean of the samples depends on where the places lie: highest with two of them "
        "astride the zero crossing, lowest with one upon it. "
        f"That is ±{volts(ends.spread_v)} V here, and it is "
        + (
            "a fixed bias: the sine and the samples come from one clock."
            if ends.fixed
            else "a ripple: the phase wanders."
        )
        if mean
        else "A mean square over a whole window does not depend on where they lie."
    )
    alt = (
        f"One half of a sine with {count} sample places, at the phase that reads highest and "
        "at the one that reads lowest"
    )
    return Figure("Where the samples fall", alt, caption, chart.svg(alt))


def window_table(design: Design, shown: tuple[Candidate, ...]) -> Table:
    """All candidates in numbers."""
    dc_limit = asked(design.chosen.dc_limit_percent, "%")
    rows = []
    for candidate in shown:
        trial, faults = candidate.trial, candidate.faults
        settles = (
            "not tried"
            if trial is None
            else decimal(trial.loop.settling_ms)
            if trial.meets
            else "misses targets"
        )
        rows.append(
            (
                candidate.window.kind
                + (f", {candidate.window.updates} updates" if candidate.window.moving else ""),
                DASH if candidate.window.shaped else f"{candidate.window.half_cycles}",
                f"{candidate.window.samples}",
                exact(candidate.window.duration_ms),
                DASH
                if candidate.window.shaped
                else "yes"
                if candidate.window.whole
                else signed_ppm(candidate.window.mismatch_ppm),
                volts(faults.spread_v),
                volts(faults.alternation_v),
                DASH if trial is None else volts(trial.hunting_v),
                volts(faults.zero_v),
                volts(faults.noise_v),
                DASH if trial is None else _share(trial.output.dc_percent),
                settles,
            )
        )
    return Table(
        title="Windows",
        columns=(
            "kind",
            "half cycles",
            "samples",
            "length, ms",
            "whole",
            "sampling, ±V",
            "zero flips read, ±V",
            "zero flips out, ±V",
            "zero, steady, ±V",
            "noise read, V rms",
            "DC, % of peak",
            "settling, ms",
        ),
        rows=tuple(rows),
        numeric=(1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11),
        notes=(
            "Volts RMS at the output. The cheapest kind, and of it the shortest window, is taken "
            "whose errors stay inside the tolerance, whose gains meet the targets at every corner, "
            f"and which makes no more DC at the output than {dc_limit}. A dash: a window whose "
            "weights differ has no whole half cycles; or no gains were tried with this window.",
            *_dearer_note(design),
        ),
        marked=next((at for at, candidate in enumerate(shown) if candidate.chosen), None),
    )


def _dearer_note(design: Design) -> tuple[str, ...]:
    """That a dearer kind of window was not tried here, if one may be asked for."""
    spec = design.spec
    if spec.gains is not None or spec.settling_limit_ms is None:
        return ()
    return (
        "Kinds dearer than the one taken were not tried for this page: halfcycle design says "
        "whether one would settle clearly sooner.",
    )


def _share(value: float) -> str:
    """A share; a dash if there is no bound, as of an unstable loop."""
    if not math.isfinite(value):
        return DASH
    return percent(value)


def shape_note(design: Design) -> str:
    """What the window's reading takes for granted about the wave."""
    if design.spec.loop.measure == "rms" and design.window.shaped:
        return (
            "The reading is the root of a weighted mean square: true for a sine, and for "
            "harmonics as far as the window's zeros reach."
        )
    if design.spec.loop.measure == "rms":
        folded_v = rectifier_harmonics(design.spec, design.window).folded_v
        if folded_v <= TRUE * float(design.spec.output.rated_rms_v):
            return "The reading is a true RMS: it holds for any shape of wave."
        return (
            "The reading is an RMS of samples: it holds for any shape of wave, but for harmonics "
            "so high that the sampling folds them onto the sine. Those of a rectifier of rated "
            f"load are estimated to move it by up to ±{volts(folded_v)} V."
        )
    return (
        f"The mean is read as RMS by the factor π/(2√2) = {carried(math.pi / 8**0.5)}, which "
        "holds for a sine. A distorted output is held at that mean, not at its RMS."
    )


def length_text(window: Window) -> str:
    """``25 samples x 800 us = 20 ms``."""
    return (
        f"{window.samples} × {asked(window.period_s * 1_000_000, 'µs')} = "
        f"{asked(window.duration_ms, 'ms')}"
    )
