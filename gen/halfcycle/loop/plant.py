"""The plant as the loop sees it, once per window, at every corner of the spec's tolerances.

A corner takes each of bus, inductor, capacitor, load and sensor gain at an end of its range, and
the sine's phase at the window's start at the two values that make the first weight least and
greatest. Filters inside the tolerances can be worse: ``halfcycle.loop.ringing`` finds those, for
the constants that a loop has.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

from halfcycle.base.errors import Fault, InputError
from halfcycle.loop.corner_filters import corner_filters
from halfcycle.loop.corner_plants import Board, FilterBank, buses, plants_of, sensor_gains
from halfcycle.loop.envelope import Timing, worst_weights
from halfcycle.loop.filter_model import modes
from halfcycle.loop.plant_types import Plants

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

_RINGS_ON = 0.02
"""Greatest share of a step that may still be ringing after the longest weights."""


def window_timing(spec: Spec, window: Window) -> Timing:
    """When ``window`` samples the output of ``spec``."""
    return Timing(
        samples=window.samples,
        period_s=window.period_s,
        frequency_hz=window.frequency_hz,
        delay_s=spec.sensor.delay_us / 1_000_000,
        measure=spec.loop.measure,
    )


def window_plants(spec: Spec, window: Window, file: str = "spec") -> Plants:
    """Plants of ``spec`` for ``window`` over all corners; ``file`` is how a fault names the spec.

    Raises ``InputError`` if the filter has so little damping that a step never dies out, or
    if every sample falls on the same point of the half cycle.
    """
    timing = window_timing(spec, window)
    try:
        circuits = corner_filters(spec)
        response = modes(circuits, timing.angular)
        weights = worst_weights(response, timing)
    except ValueError as error:
        raise InputError(
            [Fault(file, "loop.period_us", str(error), "choose another loop period")]
        ) from error
    if weights.tail.max() > _RINGS_ON:
        raise InputError(
            [
                Fault(
                    file,
                    "filter.winding_resistance_ohm",
                    "the filter rings on for longer than the loop can be analysed",
                    "give the winding's real resistance, or raise load.lightest_percent",
                )
            ]
        )
    boards = [
        Board(circuit, phase, bus, sensor)
        for circuit, bus, sensor, phase in itertools.product(
            range(len(circuits)), buses(spec), sensor_gains(spec), (0, 1)
        )
    ]
    return plants_of(spec, timing, FilterBank(circuits, response, weights), boards)
