"""The bus of the overload case: so low that the drive limit cannot hold rated on any board.

The sine at the drive limit is clipped, and the filter lifts those of its harmonics that lie near
the resonance. What a reading makes of the output is therefore computed from the harmonics behind
the filter, over the tolerances, and not from the bridge's voltage.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.base import clipped_sine
from halfcycle.simulate.loads import OVERLOAD, linear_load
from halfcycle.simulate.parts import BoardLoad, FilterParts, transfer

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

MAX_SHARE = 0.9
"""At the drive limit the output reads this share of rated, or less:"""
BELOW_BAND = 0.08
"""it stays this far below the target band, so that no board takes it as in it."""
_ORDERS = np.arange(1.0, 60.0, 2.0)
"""Harmonics of the clipped sine that are added up."""
_POINTS = 1024
"""Of a half cycle."""
_PLACES = 7
"""Filters looked at between the ends of each tolerance, ends included."""


def overload_share(spec: Spec) -> float:
    """What the drive limit gives in the overload case at most, a share of rated."""
    tolerance = float(spec.targets.voltage_tolerance_percent) / 100
    return max(0.1, min(MAX_SHARE, 1 - tolerance - BELOW_BAND))


def overload_bus_v(spec: Spec, inside: Sequence[FilterParts] = ()) -> float:
    """The bus, volts, at which the drive limit reads ``overload_share`` on the board where it
    reads most; ``inside``: filters inside the tolerances to look at besides a grid of them."""
    loads = {linear_load(spec, OVERLOAD, factor) for factor in _power_factors(spec)}
    most = max(
        reading_at_limit(spec, parts, load)
        for parts, load in itertools.product((*_grid(spec), *inside), loads)
    )
    gain = 1 + float(spec.sensor.gain_tolerance_percent) / 100
    return overload_share(spec) * float(spec.output.rated_rms_v) / (most * gain)


def _power_factors(spec: Spec) -> tuple[float, float]:
    return float(spec.load.lowest_power_factor), 1.0


def _grid(spec: Spec) -> Iterator[FilterParts]:
    stated = spec.filter
    l_off = float(stated.inductance_tolerance_percent) / 100
    c_off = float(stated.capacitance_tolerance_percent) / 100
    for l_, c_ in itertools.product(np.linspace(-1, 1, _PLACES).tolist(), repeat=2):
        yield FilterParts(
            inductance_h=float(stated.inductance_uh) * 1e-6 * (1 + l_off * l_),
            winding_ohm=float(stated.winding_resistance_ohm),
            capacitance_f=float(stated.capacitance_uf) * 1e-6 * (1 + c_off * c_),
        )


def reading_at_limit(spec: Spec, parts: FilterParts, load: BoardLoad) -> float:
    """What the regulator reads at its drive limit, volts RMS for each volt of the bus."""
    drive, mains = float(spec.bridge.scale_max), float(spec.output.frequency_hz)
    at = np.pi * (np.arange(_POINTS) + 0.5) / _POINTS
    peaks = [clipped_sine.harmonic(drive, order) for order in range(3, 60, 2)]
    behind = np.array([clipped_sine.fundamental(drive), *peaks]) * transfer(
        parts, load, mains * _ORDERS
    )
    wave = (behind @ np.exp(1j * np.outer(_ORDERS, at))).imag
    if spec.loop.measure == "mean":
        return clipped_sine.FORM_FACTOR * float(np.abs(wave).mean())
    return math.sqrt(float((wave**2).mean()))
