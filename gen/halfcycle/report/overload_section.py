"""Overload: the drive that the bus clips, its spectrum, and what the firmware reports."""

from __future__ import annotations

import math

import numpy as np

from halfcycle.base import clipped_sine
from halfcycle.design.harmonics import TRUE, clipped_rms_error
from halfcycle.design.types import Design
from halfcycle.regulator.plan import SCALE_ONE
from halfcycle.report.axis import Axis
from halfcycle.report.parts import Figure, Table, decimal, percent
from halfcycle.report.svg_chart import Chart

ORDERS = tuple(range(3, 27, 2))
"""Harmonics drawn; a clipped sine has odd ones only."""


def limit(design: Design) -> float:
    """The drive limit as the firmware has it, 1.0 being a sine that just reaches the bus."""
    return math.floor(design.spec.bridge.scale_max * SCALE_ONE) / SCALE_ONE


def wave_figure(design: Design) -> Figure:
    """The drive at its limit: the sine asked for, what the bus leaves, its fundamental."""
    drive = limit(design)
    degrees = np.linspace(0, 360, 361)
    sine = drive * np.sin(np.radians(degrees))
    reach = 1.12 * max(1.0, drive, clipped_sine.fundamental(drive))
    chart = Chart(
        Axis(0, 360, "phase, degrees", given=tuple((v, str(v)) for v in (0, 90, 180, 270, 360))),
        Axis(-reach, reach, "bridge voltage, of the bus"),
    )
    chart.level(1.0, "limit", "bus")
    chart.level(-1.0, "limit")
    chart.line(degrees.tolist(), sine.tolist(), "faint")
    if drive > 1:
        main = clipped_sine.fundamental(drive)
        chart.line(degrees.tolist(), (main * np.sin(np.radians(degrees))).tolist(), "two")
    chart.line(degrees.tolist(), np.clip(sine, -1, 1).tolist(), "one")
    chart.key(("one", "bridge"), ("faint", "asked for"), *[("two", "fundamental")] * (drive > 1))
    alt = f"One turn of the drive at its limit of {decimal(drive)} times the bus"
    if drive > 1:
        start = math.degrees(math.asin(1 / drive))
        caption = (
            f"At the limit of {decimal(drive)} the sine clips from {decimal(start)}° on. The "
            f"fundamental is {decimal(clipped_sine.fundamental(drive))} of the bus, "
            f"{decimal(100 * clipped_sine.thd(drive))} % distortion beside it."
        )
    else:
        caption = f"At the limit of {decimal(drive)} nothing clips."
    return Figure("Drive at its limit", alt, caption, chart.svg(alt))


def spectrum_figure(design: Design) -> Figure:
    """Harmonics of the clipped drive at the limit, before the filter."""
    drive = limit(design)
    main = clipped_sine.fundamental(drive)
    sizes = [100 * abs(clipped_sine.harmonic(drive, n)) / main for n in ORDERS]
    chart = Chart(
        Axis(1, ORDERS[-1] + 1, "order", given=tuple((n, str(n)) for n in ORDERS)),
        Axis(0, 1.15 * max(sizes), "of the fundamental, %"),
        height=200,
    )
    for order, size in zip(ORDERS, sizes, strict=True):
        chart.line((order, order), (0.0, size), "one stem")
        if size >= 0.15:
            chart.note(order, size, f"{size:.1f}", anchor="middle", dy=-4)
    thd = 100 * clipped_sine.thd(drive)
    alt = "Harmonics in percent of the fundamental: " + ", ".join(
        f"order {order} {decimal(size)}" for order, size in zip(ORDERS, sizes, strict=True)
    )
    return Figure(
        "Spectrum at the limit",
        alt,
        f"At the bridge, before the filter; {decimal(thd)} % in all. The filter takes off what "
        "lies above its resonance, and lifts what lies near it.",
        chart.svg(alt),
    )


def reporting_figure(design: Design) -> Figure:
    """What a mean-based reading reports over the drive, against the truth."""
    drive = limit(design)
    drives = np.linspace(0.9, max(1.5, 1.1 * drive), 121)
    error = [100 * clipped_sine.reading_error(float(d)) for d in drives]
    thd = [100 * clipped_sine.thd(float(d)) for d in drives]
    rms = design.spec.loop.measure == "rms"
    window = design.window
    shown = [100 * clipped_rms_error(window, float(d)) for d in drives] if rms else error
    chart = Chart(
        Axis(float(drives[0]), float(drives[-1]), "drive, of the bus"),
        Axis(0, 1.1 * max(thd), "%"),
    )
    chart.line(drives.tolist(), thd, "two")
    chart.line(drives.tolist(), shown, "one")
    chart.at(drive, "limit", f"limit {decimal(drive)}", up=0.9)
    chart.dot(drive, 100 * clipped_sine.thd(drive), "two-dot")
    off = clipped_rms_error(window, drive)
    reads = 100 * (off if rms else clipped_sine.reading_error(drive))
    chart.dot(drive, reads, "one-dot")
    chart.key(("one", "off by up to" if rms else "reads high by"), ("two", "distortion"))
    alt = (
        f"Reporting error and distortion over the drive; at the limit the reading is "
        f"{percent(reads)} % {'off at most' if rms else 'high'} with "
        f"{decimal(100 * clipped_sine.thd(drive))} % distortion"
    )
    caption = (
        "The RMS reading stays true while the sine clips."
        if rms and off <= TRUE
        else f"While the sine clips at the limit, the RMS reading is off by up to {decimal(reads)} "
        "%, as the sampling folds the harmonics of the wave; by less if the filter damps them."
        if rms
        else f"While the sine clips at the limit, the mean reads {decimal(reads)} % high: "
        f"{decimal(reads / 100 * float(design.spec.output.rated_rms_v))} V at rated. The "
        "firmware reports that reading."
    )
    return Figure("What the firmware reports", alt, caption, chart.svg(alt))


def drive_table(design: Design) -> Table:
    """The closed forms at some drives and at the limit."""
    at = limit(design)
    drives = sorted([at, *(d for d in (1.0, 1.05, 1.1, 1.2, 1.3, 1.5) if abs(d - at) > 0.01)])
    return Table(
        title="Clipped sine",
        columns=(
            "drive",
            "fundamental, of the bus",
            "RMS, of the bus",
            "mean, of the bus",
            "distortion, %",
            "mean reads high by, %",
        ),
        rows=tuple(
            (
                decimal(drive),
                decimal(clipped_sine.fundamental(drive)),
                decimal(clipped_sine.rms(drive)),
                decimal(clipped_sine.mean(drive)),
                decimal(100 * clipped_sine.thd(drive)),
                decimal(100 * clipped_sine.reading_error(drive)),
            )
            for drive in drives
        ),
        numeric=(0, 1, 2, 3, 4, 5),
        notes=("The marked row is the drive limit.",),
        marked=drives.index(at),
    )
