"""A window of blocks: the weights of its samples, and its response at each frequency."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from halfcycle.design.types import Design
from halfcycle.report.axis import Axis
from halfcycle.report.parts import Figure, quantity
from halfcycle.report.svg_chart import Chart
from halfcycle.windows.sample_weights import sample_weights
from halfcycle.windows.search import Window

Real = NDArray[np.float64]

POINTS = 1201
FLOOR_DB = -100.0
MULTIPLES = (1, 2, 4, 6)
"""Of the mains frequency: where a zero may be asked for."""


def response(window: Window, hertz: Real) -> Real:
    """Size of W at each frequency: the sum of the weights, turned by 2 pi v T for each sample
    back."""
    turns = np.outer(hertz * float(window.period_s), np.arange(window.samples))
    return np.asarray(np.abs(np.exp(-2j * math.pi * turns) @ sample_weights(window)))


def weights_figure(design: Design) -> Figure:
    """Weight of each block over the time of the window, the newest sample at the right."""
    window = design.window
    weights = [float(weight) for weight in window.block_weights[::-1]]
    block_ms = 1000 * float(window.block_samples * window.period_s)
    edges = [block_ms * (place - window.blocks) for place in range(window.blocks + 1)]
    chart = Chart(
        Axis(edges[0], 0.0, "time before the newest sample, ms"),
        Axis(0, 1.12 * max(weights), "weight of a block"),
    )
    chart.stairs(edges, weights, "one")
    listed = ", ".join(str(weight) for weight in window.block_weights)
    alt = f"Weights of {window.blocks} blocks, the newest first: {listed}"
    caption = (
        f"{window.kind.capitalize()}: {window.blocks} blocks, samples in each: "
        f"{window.block_samples}, updates per window: {window.updates}. Weights, the newest block "
        f"first: {listed}; their sum is {sum(window.block_weights)}."
    )
    return Figure("What each block weighs", alt, caption, chart.svg(alt))


def response_figure(design: Design) -> Figure:
    """Size of W from zero to eight times the mains, or to half the sampling rate."""
    window = design.window
    mains = float(window.frequency_hz)
    top = min(8.2 * mains, 0.5 / float(window.period_s))
    hertz = np.linspace(0.0, top, POINTS)
    decibels = 20 * np.log10(np.maximum(response(window, hertz), 10 ** (FLOOR_DB / 20)))
    chart = Chart(Axis(0, top, "frequency, Hz"), Axis(FLOOR_DB, 6, "size of W, dB of a constant's"))
    for multiple in MULTIPLES:
        if multiple * mains < top:
            chart.at(multiple * mains, "hair", f"{multiple}f")
    chart.line(hertz.tolist(), decibels.tolist(), "one")
    at = [(m, float(response(window, np.array([m * mains]))[0])) for m in MULTIPLES]
    sizes = ", ".join(f"{multiple}f {quantity(100 * size, '%')}" for multiple, size in at)
    alt = f"Size of the window's response over frequency. At multiples of the mains: {sizes}"
    caption = (
        f"What is left of a ripple of the rectified wave: {sizes} of its size. 2f is the sine "
        "itself, whose square swings at that rate; at f stands the error of the sensor's zero, at "
        "4f and 6f what a third and a fifth harmonic make."
    )
    return Figure("Frequency response of the window", alt, caption, chart.svg(alt))
