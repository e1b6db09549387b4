"""Whether rated voltage can be had within the drive limit, at the corner that needs the most drive.

Windows differ a little in it: what a plain one reads of a mean depends on where in the sine it
begins, and over the readings of a moving one that averages out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from fractions import Fraction
from functools import lru_cache

from halfcycle.base import clipped_sine
from halfcycle.base.errors import InputError
from halfcycle.base.exact import text
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
_UPPER = ("bus_nominal_v", "bus_max_v")
"""Keys of the bridge that are no less than the least bus."""
_HALVINGS = 12
"""Of a range of one or three: to three digits."""


def reaches(spec: Spec, window: Window, file: str = "spec") -> bool:
    """Whether rated voltage can be had with ``window`` at every corner; ``file`` is how messages
    name the spec.

    Raises InputError as ``window_plants`` does.
    """
    plants = plants_of(spec, window, file)
    return plants is None or plants.reach_rated(float(spec.bridge.scale_max))


def plants_of(spec: Spec, window: Window, file: str = "spec") -> Plants | None:
    """The plants that decide whether rated voltage can be had with ``window``: of the whole range
    of the bus, measured or not; None if there are none at all, as the window's trial says.

    Raises InputError as ``window_plants`` does.
    """
    if spec.bus_sensor is not None:
        return lowest_bus_plants(spec, window)
    if window.blocks == 1:
        return window_plants(spec, window, file)
    try:
        return moving_plants(spec, window, corner_filters(spec))
    except ValueError:
        return None


def reach(spec: Spec, plants: Plants, window: Window) -> Iterator[Finding]:
    """Whether rated voltage can be had at the corner of ``plants``, those of ``window``, that needs
    the most drive; if not, the volts that can, and what would do."""
    hardest = plants.hardest
    scale, limit = float(plants.scale_for_rated[hardest]), float(spec.bridge.scale_max)
    label = plants.corners[hardest].label
    # Rounded up: a limit of that figure is enough.
    enough = math.ceil(1000 * Fraction(scale)) / 1000 if math.isfinite(scale) else math.inf
    if not plants.reach_rated(limit):
        rated, bus = spec.output.rated_rms_v, spec.bridge.bus_min_v
        known = enough < SQUARE
        need = f"needs scale {enough:.3f}" if known else "cannot be reached by any scale"
        yield finding(
            "rated-unreachable",
            "bridge.scale_max",
            f"rated voltage, {text(rated)} V, {need} at {label}, above the drive limit {limit:g}: "
            f"a bus of {text(bus)} V {_can_be_had(spec, window)}; "
            + ", or ".join(_remedies(spec, window, enough)),
        )
    elif scale > 1:
        thd = 100 * clipped_sine.thd(scale)
        yield finding(
            "rated-clips",
            "bridge.bus_min_v",
            f"rated voltage needs scale {scale:.3f} at {label}: the sine clips there, with "
            f"{thd:.2g} % distortion at the bridge; raise bus_min_v to hold it without clipping",
        )


def _can_be_had(spec: Spec, window: Window) -> str:
    """The rated voltage that the least bus gives at every corner, in words."""
    volts = _greatest(spec, window)
    if volts is None:
        return "gives next to nothing"
    return f"gives at most {volts:g} V with the load's {text(spec.load.rated_va)} VA"


def _remedies(spec: Spec, window: Window, enough: float) -> Iterator[str]:
    """What would do, each with its figure; ``enough``: drive limit that is."""
    if enough <= float(MAX_DRIVE_LIMIT):
        yield f"raise bridge.scale_max to {enough:.3f} or more"
    bus = _least_bus(spec, window)
    yield "raise bridge.bus_min_v" + (f" to {bus:g} V or more" if bus else "")
    if volts := _greatest(spec, window):
        yield f"ask for output.rated_rms_v = {volts:g}"
    yield "lower load.rated_va or filter.inductance_uh"


@lru_cache(maxsize=16)
def _greatest(spec: Spec, window: Window) -> float | None:
    """The greatest rated voltage that is in reach with the same load in VA, to three digits and
    rounded down so that it can be had; None if there is none above a tenth of what is asked."""
    asked = spec.output.rated_rms_v

    def had(share: Fraction) -> bool:
        output = spec.output.model_copy(update={"rated_rms_v": share * asked})
        return _reaches_clear(spec.model_copy(update={"output": output}), window)

    low = _bisected(had, Fraction(1), Fraction(1, 10))
    return None if low is None else _to_three_digits(low * asked, math.floor)


@lru_cache(maxsize=16)
def _least_bus(spec: Spec, window: Window) -> float | None:
    """The least ``bridge.bus_min_v`` that brings rated voltage into reach, to three digits and
    rounded up; None if four times that of the spec does not."""
    bus = spec.bridge.bus_min_v

    def enough(share: Fraction) -> bool:
        low_v = share * bus
        ends = {name: max(low_v, getattr(spec.bridge, name)) for name in _UPPER}
        bridge = spec.bridge.model_copy(update={"bus_min_v": low_v, **ends})
        return _reaches_clear(spec.model_copy(update={"bridge": bridge}), window)

    high = _bisected(enough, Fraction(1), Fraction(4))
    return None if high is None else _to_three_digits(high * bus, math.ceil)


def _reaches_clear(spec: Spec, window: Window) -> bool:
    """Whether :func:`plants_of` reach rated voltage; not if the spec is beyond what there are
    plants of."""
    try:
        plants = plants_of(spec, window)
    except InputError:
        return False
    return plants is not None and plants.reach_rated(float(spec.bridge.scale_max))


def _bisected(holds: Callable[[Fraction], bool], bad: Fraction, good: Fraction) -> Fraction | None:
    """A share near the limit from ``bad`` to ``good`` at which ``holds`` does; None if it does not
    even at ``good``."""
    if not holds(good):
        return None
    for _ in range(_HALVINGS):
        middle = (bad + good) / 2
        bad, good = (bad, middle) if holds(middle) else (middle, good)
    return good


def _to_three_digits(value: Fraction, rounded: Callable[[Fraction], int]) -> float:
    """To three digits, by ``math.floor`` or ``math.ceil``."""
    step = Fraction(10) ** (math.floor(math.log10(value)) - 2)
    return float(rounded(value / step) * step)
