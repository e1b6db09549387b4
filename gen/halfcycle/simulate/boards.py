"""Virtual boards: parts, load, bus and sensor drawn over the spec's tolerances.

Board 0 is nominal at rated load; the next ones are all corners; the rest is a scrambled Sobol
sequence (scipy.stats.qmc), which fills the space more evenly than random numbers do. A board
depends on the spec, its number and the seed alone, so any one can be replayed.
"""

from __future__ import annotations

import itertools
import warnings
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import qmc

from halfcycle.simulate.parts import BoardLoad, Filter, LoadKind
from halfcycle.simulate.run_types import Real

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

DIMENSIONS = ("L", "C", "bus", "gain", "zero", "delay", "load", "power factor", "phase", "instant")
DELAY_SPREAD = 0.5
"""The spec has no tolerance of the sensor's delay: half to one and a half of it are drawn."""
_ALMOST_RESISTIVE = 0.995
"""From this power factor on a load is a plain resistor."""


@dataclass(frozen=True, slots=True)
class Draw:
    """One board's place in the tolerances, before a case gives it loads.

    ``gain``: the sensor's over nominal. ``zero_codes``: its zero's error. ``load``: share of rated
    VA. ``phase`` and ``instant``: 0 to 1, of a turn and of the time by which events are moved.
    """

    number: int
    filter: Filter
    bus_v: float
    gain: float
    zero_codes: float
    delay_s: float
    load: float
    power_factor: float
    phase: float
    instant: float
    noise_key: int


def corners(spec: Spec) -> list[tuple[float, ...]]:
    """All corners, (L, C, bus, gain, zero, delay, load, power factor) as places from 0 to 1."""
    loads = [(0.0, 1.0), (1.0, 1.0), (1.0, 0.0)]  # Lightest, rated, rated and most inductive.
    if spec.load.lightest_percent == 100:
        loads = loads[1:]
    if spec.load.lowest_power_factor == 1:
        loads = loads[:-1]
    ends = itertools.product((0.0, 1.0), repeat=6)
    return [(*end, *load) for end, load in itertools.product(ends, loads)]


def draw(spec: Spec, numbers: Iterable[int], seed: int) -> list[Draw]:
    """The boards of these numbers (consecutive, from 0 up)."""
    wanted = list(numbers)
    if not wanted:
        return []
    places = _sobol(wanted[0], len(wanted), seed)
    fixed = corners(spec)
    for row, number in zip(places, wanted, strict=True):
        if number == 0:
            row[:8] = (0.5, 0.5, _nominal_bus(spec), 0.5, 0.5, 0.5, 1.0, 1.0)
        elif number <= len(fixed):
            row[:8] = fixed[number - 1]
    return [
        _board(spec, number, row, seed) for number, row in zip(wanted, places.tolist(), strict=True)
    ]


def _sobol(first: int, count: int, seed: int) -> Real:
    sequence = qmc.Sobol(len(DIMENSIONS), scramble=True, seed=seed)
    if first:
        sequence.fast_forward(first)
    with warnings.catch_warnings():
        # A run may well ask for a number of boards that is no power of two.
        warnings.simplefilter("ignore", UserWarning)
        points: Real = sequence.random(count)
    return points


def _nominal_bus(spec: Spec) -> float:
    low, high = float(spec.bridge.bus_min_v), float(spec.bridge.bus_max_v)
    return (float(spec.bridge.bus_nominal_v) - low) / (high - low) if high > low else 0.0


def _board(spec: Spec, number: int, place: list[float], seed: int) -> Draw:
    l_, c_, bus, gain, zero, delay, load, factor, phase, instant = place
    parts, sensor, bridge = spec.filter, spec.sensor, spec.bridge
    lightest = float(spec.load.lightest_percent) / 100
    return Draw(
        number=number,
        filter=Filter(
            inductance_h=_off(parts.inductance_uh, parts.inductance_tolerance_percent, l_) * 1e-6,
            winding_ohm=float(parts.winding_resistance_ohm),
            capacitance_f=_off(parts.capacitance_uf, parts.capacitance_tolerance_percent, c_)
            * 1e-6,
        ),
        bus_v=_between(float(bridge.bus_min_v), float(bridge.bus_max_v), bus),
        gain=_off(1, sensor.gain_tolerance_percent, gain),
        zero_codes=float(sensor.zero_tolerance_codes) * (2 * zero - 1),
        delay_s=float(sensor.delay_us) * 1e-6 * _off(1, 100 * DELAY_SPREAD, delay),
        load=_between(lightest, 1.0, load),
        power_factor=_between(float(spec.load.lowest_power_factor), 1.0, factor),
        phase=phase,
        instant=instant,
        # Whole numbers below 2^53 pass through the C's table of doubles unharmed.
        noise_key=(seed * 1_000_003 + number) % 2**53,
    )


def _between(low: float, high: float, place: float) -> float:
    return low + (high - low) * place


def _off(nominal: object, percent: object, place: float) -> float:
    """``nominal`` moved by up to ``percent`` either way."""
    return float(nominal) * (1 + float(percent) / 100 * (2 * place - 1))  # type: ignore[arg-type]


def linear_load(spec: Spec, share: float, power_factor: float) -> BoardLoad:
    """The load that draws ``share`` of rated VA at rated voltage (0: none)."""
    if share <= 0:
        return BoardLoad()
    ohm = float(spec.output.rated_rms_v) ** 2 / (float(spec.load.rated_va) * share)
    if power_factor >= _ALMOST_RESISTIVE:
        return BoardLoad(LoadKind.RESISTOR, series_ohm=ohm)
    reactance = ohm * float(np.sqrt(1 - power_factor**2))
    angular = 2 * np.pi * float(spec.output.frequency_hz)
    return BoardLoad(
        LoadKind.SERIES_RL, series_ohm=ohm * power_factor, series_h=reactance / float(angular)
    )
