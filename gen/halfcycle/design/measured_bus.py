"""What a measured bus changes in a design: reach, noise, and the loop while its reading is lost."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.base.findings import Finding, finding
from halfcycle.loop.corner_filters import corner_filters, resonance_line, ringing_loads
from halfcycle.loop.drive_noise import read_noise
from halfcycle.loop.moving_plants import moving_plants
from halfcycle.loop.plant import window_plants, window_timing
from halfcycle.loop.plant_types import Plants
from halfcycle.spec.bus_sensor import codes_of, lag_s, ripple_left
from halfcycle.spec.models import Spec
from halfcycle.windows.search import Window

if TYPE_CHECKING:
    from halfcycle.design.types import Design

RIPPLE_SHARE = 0.05
"""Peak of the ripple of which the distortion is told, a share of the bus: a tenth peak to peak
(common practice, no source)."""


@lru_cache(maxsize=16)
def lowest_bus_plants(spec: Spec, window: Window) -> Plants | None:
    """The plants of the whole range of a bus that is measured, as the drive's limit holds whatever
    is divided out; None if it is not measured, or of no plants at all, as its trial says."""
    if spec.bus_sensor is None:
        return None
    whole = spec.model_copy(update={"bus_sensor": None})
    if window.blocks == 1:
        return window_plants(whole, window)
    try:
        return moving_plants(whole, window, corner_filters(whole))
    except ValueError:
        return None


def bus_noise_v(spec: Spec, window: Window, noise_gain: float) -> float:
    """What noise and rounding of the bus readings move the output's RMS by, three standard
    deviations, volts; 0 if it is not measured. ``noise_gain``: of the loop, from a reading.

    Each reading drives the bridge for its period: a window's mean square holds the mean of 2
    sin(a)^2 times each one's error, of which the mean square is 3/2. What the window reads of it,
    with the filter's ringing, the loop then answers.
    """
    sensor = spec.bus_sensor
    if sensor is None:
        return 0.0
    codes = math.sqrt(float(sensor.noise_codes_rms) ** 2 + 1 / 12)
    share = codes / float(codes_of(spec, spec.bridge.bus_min_v))
    readings = float(window.duration_s / spec.bus_period_s)
    moved = math.hypot(math.sqrt(1.5 / readings), noise_gain * _read_noise(spec, window))
    return 3 * share * float(spec.output.rated_rms_v) * moved


@lru_cache(maxsize=64)
def _read_noise(spec: Spec, window: Window) -> float:
    """Share that a window reads of what every bus reading is wrong by, on the worst board: with a
    filter at the ends of its tolerances, or inside them on a resonance."""
    timing = window_timing(spec, window)
    circuits = corner_filters(spec)
    for load in ringing_loads(spec):
        circuits += resonance_line(spec, load, timing)
    weights = np.repeat(window.block_weights, window.block_samples)
    return float(
        read_noise(circuits, timing, weights, float(window.period_s / spec.bus_period_s)).max()
    )


def _percent(share: float) -> str:
    """Two digits of it in percent, and never as a power of ten."""
    return f"{100 * share:.0f}" if share > 0.1 else f"{100 * share:.2g}"


def bus_findings(design: Design) -> Iterator[Finding]:
    """Remarks on a measured bus."""
    spec, loop = design.spec, design.loop
    if spec.bus_sensor is None:
        return
    left = ripple_left(spec)
    third = 100 * RIPPLE_SHARE / 2
    yield finding(
        "bus-measured",
        "bus_sensor",
        f"the bus is divided out every {float(spec.bus_period_s) * 1e6:g} us, "
        f"{float(lag_s(spec)) * 1e6:.4g} us late on average; a ripple at twice the mains frequency "
        f"is followed: {_percent(left)} % of it is left, so that a ripple of "
        f"{200 * RIPPLE_SHARE:g} % of the bus, peak to peak, makes {third * left:.2g} % third "
        f"harmonic instead of {third:.2g} %",
    )
    bridge = spec.bridge
    spread = float(bridge.bus_max_v / bridge.bus_min_v)
    margin = loop.gain_margin_db
    if loop.stable and margin is not None and 20 * math.log10(spread) > margin:
        yield finding(
            "bus-lost-margin",
            "bus_sensor",
            f"if readings stop at the lowest bus and it rises to the highest, the loop's gain is "
            f"{spread:.3g} times what it is now, and the gain margin is {margin:.3g} dB "
            f"({10 ** (margin / 20):.3g} times): it may not be stable then; lower "
            "targets.peak_sensitivity or narrow the bus",
        )
    plants = design.chosen.hardest_plants
    if float(plants.scale_for_rated[plants.hardest]) > 1.0:
        yield finding(
            "bus-clips",
            "bridge.bus_min_v",
            "the figures of the loop are those of a bus at which rated does not clip; if it "
            "clips, at the lowest bus, the loop's gain is less and it settles later: see simulate",
        )
