"""Which board has the least phase margin of a loop with a window of blocks."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.loop.corner_plants import board_label

if TYPE_CHECKING:
    from halfcycle.loop.moving_figures import Scans


def phase_corner(scans: Scans, degrees: float) -> str:
    """The board whose loop, turned by ``degrees``, the least phase margin, is the nearest to
    unstable: of the circuits that margins are made of, at both ends of the gain."""
    rows = np.array(scans.worst_rows(), dtype=np.intp)
    turned = np.full(len(rows), degrees)
    radii = np.array(
        [
            np.max(
                [
                    replace(scan, ends=scan.ends[:, [end, end]]).at_phase(turned, rows)
                    for scan in scans.scans
                ],
                axis=0,
            )
            for end in (0, 1)
        ]
    )
    end, place = divmod(int(np.round(radii, 9).argmax()), len(rows))
    bridge, gain = scans.spec.bridge, float(scans.spec.sensor.gain_tolerance_percent) / 100
    bus_v, sensor = ((bridge.bus_min_v, 1 - gain), (bridge.bus_max_v, 1 + gain))[end]
    return board_label(scans.spec, scans.circuits[rows[place]], float(bus_v), sensor)
