"""Whether rated voltage can be had within the drive limit, at the corner that needs the most drive.

Windows differ a little in it: what a plain one reads of a mean depends on where in the sine it
begins, and over the readings of a moving one that averages out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction

from halfcycle.base import clipped_sine
from halfcycle.base.findings import Finding, finding
from halfcycle.design.measured_bus import lowest_bus_plants
from halfcycle.loop.corner_filters import corner_filters
from halfcycle.loop.moving_plants import moving_plants
from halfcycle.loop.plant import window_plants
from halfcycle.loop.plant_types import Plants
from halfcycle.spec.bounds import MAX_DRIVE_LIMIT
from halfcycle.spec.models import Spec
from halfcycle.windows.search import Window

SQUARE = 50.0
"""Scale from which on a sine is a square wave for all purposes."""


def reaches(spec: Spec, window: Window, file: str = "spec") -> bool:
    """Whether rated voltage can be had with ``window`` at every corner; ``file`` is how messages
    name the spec.

    Raises InputError as ``window_plants`` does.
    """
    limit = float(spec.bridge.scale_max)
    if spec.bus_sensor is not None:
        plants = lowest_bus_plants(spec, window)
        return plants is None or plants.reach_rated(limit)
    if window.blocks == 1:
        return window_plants(spec, window, file).reach_rated(limit)
    try:
        return moving_plants(spec, window, corner_filters(spec)).reach_rated(limit)
    except ValueError:
        return True  # No plants at all, as its trial says.


def reach(spec: Spec, plants: Plants) -> Iterator[Finding]:
    """Whether rated voltage can be had at the corner that needs the most drive."""
    hardest = plants.hardest
    scale, limit = float(plants.scale_for_rated[hardest]), float(spec.bridge.scale_max)
    label = plants.corners[hardest].label
    # Rounded up: a limit of that figure is enough.
    enough = math.ceil(1000 * Fraction(scale)) / 1000 if math.isfinite(scale) else math.inf
    if not plants.reach_rated(limit):
        if enough <= float(MAX_DRIVE_LIMIT):
            remedy = f"raise bridge.scale_max to {enough:.3f} or more, or bridge.bus_min_v"
        else:
            remedy = "raise bridge.bus_min_v, or lower load.rated_va or filter.inductance_uh"
        known = enough < SQUARE
        need = f"needs scale {enough:.3f}" if known else "cannot be reached by any scale"
        yield finding(
            "rated-unreachable",
            "bridge.scale_max",
            f"rated voltage {need} at {label}, above the drive limit {limit:g}; {remedy}",
        )
    elif scale > 1:
        thd = 100 * clipped_sine.thd(scale)
        yield finding(
            "rated-clips",
            "bridge.bus_min_v",
            f"rated voltage needs scale {scale:.3f} at {label}: the sine clips there, with "
            f"{thd:.2g} % distortion at the bridge; raise bus_min_v to hold it without clipping",
        )
