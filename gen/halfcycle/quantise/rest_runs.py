"""How runs of the integer loop begin, how long they take, and what is kept of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfcycle.design.types import Design

REST_WINDOWS = 24
"""Windows by which a loop that does not rest is judged."""
MAX_WINDOWS = 20_000
BEGIN = 6
"""Reading counts between start and target."""
UNSETTLED = 50
"""Windows taken where the loop is too slow for a settling time."""


@dataclass(frozen=True, slots=True)
class Start:
    """How a run begins. ``counts``: reading counts above the target (below it: negative).
    ``zero_share``: the sensor's zero error, share of its tolerance, -1 to 1; ``zero_part``: a part
    of a code on top of it, as a zero seldom falls on a code. ``turned_deg``: how far the wave is
    turned against the sampling from the corner's own phase. ``inward``: how far the bus is moved
    from the corner's to the other end of its range, 0 to 1."""

    counts: int
    zero_share: float = 0.0
    zero_part: float = 0.0
    turned_deg: float = 0.0
    inward: float = 0.0


STARTS = (
    Start(-BEGIN),
    Start(BEGIN, 0.0, 0.0, 1.7, 0.29),
    Start(-BEGIN, 1.0, -0.3, 3.1),
    Start(BEGIN, -1.0, 0.3, 4.3, 0.83),
    Start(-BEGIN, 0.37, 0.2, 5.9, 0.57),
    Start(BEGIN, -0.61, 0.4, 7.3, 0.11),
)
"""From either side, with the zero where it should be and over its tolerance, at other phases, at
the corners and inside them."""


@dataclass(frozen=True, slots=True)
class Run:
    """All corners (C,) after a run: movement of the output, peak to peak, volts RMS, and of the
    scale, steps; distance of the reported voltage from rated, volts RMS."""

    windows: int
    moved_v: NDArray[np.float64]
    moved_steps: NDArray[np.int64]
    off_v: NDArray[np.float64]


def linear_gains(design: Design) -> NDArray[np.float64]:
    """Gain below clipping of each corner: a corner taken for its slope shares its circuit's."""
    plants = design.plants
    linear = {
        _circuit(index, design): float(plants.gains[index])
        for index, corner in enumerate(plants.corners)
        if corner.drive == 0
    }
    return np.array([linear[_circuit(index, design)] for index in range(len(plants.corners))])


def _circuit(index: int, design: Design) -> tuple[object, ...]:
    corner = design.plants.corners[index]
    return (
        corner.bus_v,
        corner.inductance_h,
        corner.capacitance_f,
        corner.load,
        corner.sensor,
        corner.phase_deg,
    )
