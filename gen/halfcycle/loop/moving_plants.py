"""The plants of a window that moves or is weighted, averaged over the sine's phases.

Ms, noise and what else is said of a time-invariant loop are of these. Margins and stability are
not: see ``periodic``.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.loop.corner_plants import Board, FilterBank, buses, plants_of, sensor_gains
from halfcycle.loop.envelope import Weights
from halfcycle.loop.filter_model import FilterCircuit, modes
from halfcycle.loop.periodic import periodic_loop
from halfcycle.loop.periodic_margins import judged_lateness
from halfcycle.loop.periodic_sensitivity import averaged_taps
from halfcycle.loop.plant import window_timing
from halfcycle.loop.plant_types import Plants

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window


def moving_plants(
    spec: Spec, window: Window, circuits: Sequence[FilterCircuit], *, inside: bool = False
) -> Plants:
    """Averaged plants of ``circuits`` at both ends of bus and sensor gain, with updates as late as
    they may be. ``inside``: the filters lie inside their tolerances.

    Raises ``ValueError`` if every sample falls on the same point of the half cycle.
    """
    timing = window_timing(spec, window)
    late = judged_lateness(spec, window)[-1]
    taps = averaged_taps(periodic_loop(spec, window, circuits, late)).mean(axis=1)
    total = taps.sum(axis=1)
    count = len(circuits)
    weights = Weights(
        weights=(taps / total[:, None])[:, None, :],
        tail=np.zeros(count),
        phase_deg=np.zeros((count, 1)),
        ratio=total[:, None],
    )
    response = modes(circuits, timing.angular)
    bank = FilterBank(circuits, response, weights, inside, averaged=True)
    sensors = sensor_gains(spec)
    ends = sorted({(buses(spec)[0], sensors[0]), (buses(spec)[-1], sensors[-1])})
    boards = [
        Board(circuit, 0, bus, sensor)
        for circuit, (bus, sensor) in itertools.product(range(count), ends)
    ]
    return plants_of(spec, timing, bank, boards)
