"""Virtual boards: parts, load, bus and sensor drawn over the spec's tolerances.

Board 0 is nominal at rated load. The next ones are all corners, then the filters inside the
tolerances at which the design found its loop worst, with its strongest and its weakest gain. The
rest is a scrambled Sobol sequence (scipy.stats.qmc), which fills the space more evenly than random
numbers do. A board depends on the spec, those filters, its number and the seed alone, so any one
can be run again.
"""

from __future__ import annotations

import itertools
import math
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import qmc

from halfcycle.simulate.parts import FilterParts
from halfcycle.simulate.run_types import Real

if TYPE_CHECKING:
    from halfcycle.loop.plant_types import Plants
    from halfcycle.simulate.case import Setting
    from halfcycle.spec.models import Spec

DIMENSIONS = ("L", "C", "bus", "gain", "zero", "delay", "load", "power factor", "phase", "instant")
DELAY_SPREAD = 0.5
"""The spec has no tolerance of the sensor's delay: half to one and a half of it are drawn."""
_MEAN, _RMS = 2 / math.pi, math.sqrt(0.5)
"""Of a sine, shares of its peak: a sensor stuck there reads as if all were well."""
DRAWN = 1 << 16
"""So many points are drawn to leave them out, which takes no time."""
_SAME = 1e-9
"""Parts closer than this share to the end of a tolerance are at it."""

Place = tuple[float, ...]
"""(L, C, bus, gain, zero, delay, load, power factor), each from 0, the low end, to 1."""


@dataclass(frozen=True, slots=True)
class Draw:
    """One board's place in the tolerances, before a case gives it loads.

    ``gain``: the sensor's over nominal. ``zero_codes``: its zero's error. ``load``: share of rated
    VA. ``phase`` and ``instant``: 0 to 1, of a turn and of the time by which events are moved.
    """

    number: int
    filter: FilterParts
    bus_v: float
    gain: float
    zero_codes: float
    delay_s: float
    load: float
    power_factor: float
    phase: float
    instant: float
    noise_key: int
    late: float = 0.0
    """Of the latest update that the spec allows, 0 to 1."""
    code: float = 0.5
    """Place of the code at which its sensor may stick, 0 to 1."""
    bus_gain: float = 1.0
    """The bus sensor's gain over nominal, if there is one."""


def filters_inside(spec: Spec, plants: Plants) -> tuple[FilterParts, ...]:
    """The filters of a design's corners that are not at the ends of the tolerances, each once."""
    worst: dict[tuple[float, float], FilterParts] = {}
    for corner in plants.corners:
        parts = FilterParts(
            inductance_h=corner.inductance_h,
            winding_ohm=float(spec.filter.winding_resistance_ohm),
            capacitance_f=corner.capacitance_f,
        )
        if any(_SAME < place < 1 - _SAME for place in _filter_place(spec, parts)):
            worst.setdefault((round(parts.inductance_h, 12), round(parts.capacitance_f, 15)), parts)
    return tuple(worst.values())


def _filter_place(spec: Spec, parts: FilterParts) -> tuple[float, float]:
    """Places of L and C; 0, the end, if there is no tolerance."""

    def place(value: float, nominal_micro: Fraction, percent: Fraction) -> float:
        off = 100 * (value / (float(nominal_micro) * 1e-6) - 1)
        return 0.5 + off / (2 * float(percent)) if percent else 0.0

    stated = spec.filter
    return (
        place(parts.inductance_h, stated.inductance_uh, stated.inductance_tolerance_percent),
        place(parts.capacitance_f, stated.capacitance_uf, stated.capacitance_tolerance_percent),
    )


def _loads(spec: Spec) -> dict[str, tuple[float, float]]:
    """Places of load and power factor: lightest, rated, rated and most inductive, as far as the
    spec has them."""
    loads = {"lightest": (0.0, 1.0), "rated": (1.0, 1.0), "inductive": (1.0, 0.0)}
    if spec.load.lightest_percent == 100:
        del loads["lightest"]
    if spec.load.lowest_power_factor == 1:
        del loads["inductive"]
    return loads


def corners(spec: Spec) -> list[Place]:
    """All corners of the tolerances."""
    ends = itertools.product((0.0, 1.0), repeat=6)
    return [(*end, *load) for end, load in itertools.product(ends, _loads(spec).values())]


def special_places(spec: Spec, inside: Sequence[FilterParts] = ()) -> list[Place]:
    """The places of boards 1 and up that are not drawn: all corners, then every filter of
    ``inside`` with the strongest and with the weakest gain. A resistor damps the ringing that
    makes such a filter the worst one, so the lightest and the most inductive load are taken."""
    places = corners(spec)
    loads = _loads(spec)
    if len(loads) > 1:
        del loads["rated"]
    for parts, end, load in itertools.product(inside, (1.0, 0.0), loads.values()):
        places.append((*_filter_place(spec, parts), end, end, 0.5, 0.5, *load))
    return places


def draw(
    spec: Spec, numbers: Iterable[int], seed: int, inside: Sequence[FilterParts] = ()
) -> list[Draw]:
    """The boards of these numbers (consecutive, from 0 up); ``inside`` as ``special_places``."""
    wanted = list(numbers)
    if not wanted:
        return []
    places = _sobol(wanted[0], len(wanted), seed)
    special = special_places(spec, inside)
    for row, number in zip(places, wanted, strict=True):
        if number == 0:
            row[:8] = (0.5, 0.5, _nominal_bus(spec), 0.5, 0.5, 0.5, 1.0, 1.0)
        elif number <= len(special):
            row[:8] = special[number - 1]
    # Apart, so that the boards of a regulator that is never late are drawn without it.
    late = _sobol(wanted[0], len(wanted), (seed, 1), 2)
    for row, number in zip(late, wanted, strict=True):
        if number <= len(special):
            # A corner is at an end of this tolerance, too; the filters inside are late.
            row[0] = 0.0 if number == 0 else float(row[0] >= 0.5 or number > len(corners(spec)))
    boards = [
        _board(spec, number, row, seed, extra)
        for number, row, extra in zip(wanted, places.tolist(), late.tolist(), strict=True)
    ]
    if spec.bus_sensor is None:
        return boards
    percent = spec.bus_sensor.gain_tolerance_percent
    # Apart too; a corner is at an end of this tolerance.
    bus = _sobol(wanted[0], len(wanted), (seed, 2), 1)[:, 0]
    ends = (bus >= 0.5).astype(np.float64)
    return [
        replace(
            board,
            bus_gain=_inside_tolerance(
                1, percent, float(end if 0 < board.number <= len(special) else place)
            ),
        )
        for board, place, end in zip(boards, bus, ends, strict=True)
    ]


def stuck_code(setting: Setting, drawn: Draw) -> int:
    """The code at which the board's sensor may stick: one board in two any code of the ADC, the
    others an end of it, the zero, the codes beside the zero, or one that a sine at rated shows."""
    sensor, top = setting.spec.sensor, setting.adc_max
    zero = sensor.zero_code
    crest = round(math.sqrt(2) * setting.rated_v / float(sensor.volts_per_code))
    noise = max(1, round(3 * float(sensor.noise_codes_rms)))
    marked = (
        *(0, top, 1, top - 1, zero, zero - 1, zero + 1, zero - noise, zero + noise),
        *(zero + round(crest * share) for share in (1, -1, 0.5, -0.5, _MEAN, -_MEAN, _RMS, -_RMS)),
    )
    place = 2 * drawn.code
    if place >= 1:
        return min(top, int((place - 1) * (top + 1)))
    return min(top, max(0, marked[int(place * len(marked))]))


def _sobol(
    first: int, count: int, seed: int | tuple[int, int], dimensions: int = len(DIMENSIONS)
) -> Real:
    source = np.random.default_rng(seed) if isinstance(seed, tuple) else seed
    sequence = qmc.Sobol(dimensions, scramble=True, seed=source)
    if first:
        skip(sequence, first)
    with warnings.catch_warnings():
        # A run may well ask for a number of boards that is not a power of two.
        warnings.simplefilter("ignore", UserWarning)
        points: Real = sequence.random(count)
    return points


def skip(sequence: qmc.Sobol, count: int) -> None:
    """Leave out the first ``count`` points, 1 and up, of a new sequence.

    scipy draws each of them, which takes seconds from 10^8 on. A point is the scramble's shift with
    a direction number for each bit of the Gray code of its number (Antonov and Saleev 1979, from
    memory), so that far ones are gone to directly. A scipy without these fields draws them.
    """
    directions, state = getattr(sequence, "_sv", None), getattr(sequence, "_quasi", None)
    if count < DRAWN or directions is None or state is None:
        sequence.fast_forward(count)
        return
    last = count - 1
    gray = last ^ (last >> 1)
    for bit in range(gray.bit_length()):
        if gray >> bit & 1:
            state ^= directions[:, bit]
    sequence.num_generated = count


def _nominal_bus(spec: Spec) -> float:
    low, high = float(spec.bridge.bus_min_v), float(spec.bridge.bus_max_v)
    return (float(spec.bridge.bus_nominal_v) - low) / (high - low) if high > low else 0.0


def _board(
    spec: Spec, number: int, place: list[float], seed: int, late_and_code: list[float]
) -> Draw:
    late, code = late_and_code
    l_, c_, bus, gain, zero, delay, load, factor, phase, instant = place
    stated, sensor, bridge = spec.filter, spec.sensor, spec.bridge
    lightest = float(spec.load.lightest_percent) / 100
    inductance_uh = _inside_tolerance(stated.inductance_uh, stated.inductance_tolerance_percent, l_)
    capacitance_uf = _inside_tolerance(
        stated.capacitance_uf, stated.capacitance_tolerance_percent, c_
    )
    return Draw(
        number=number,
        filter=FilterParts(
            inductance_h=inductance_uh * 1e-6,
            winding_ohm=float(stated.winding_resistance_ohm),
            capacitance_f=capacitance_uf * 1e-6,
        ),
        bus_v=_between(float(bridge.bus_min_v), float(bridge.bus_max_v), bus),
        gain=_inside_tolerance(1, sensor.gain_tolerance_percent, gain),
        zero_codes=float(sensor.zero_tolerance_codes) * (2 * zero - 1),
        delay_s=float(sensor.delay_us) * 1e-6 * _inside_tolerance(1, 100 * DELAY_SPREAD, delay),
        load=_between(lightest, 1.0, load),
        power_factor=_between(float(spec.load.lowest_power_factor), 1.0, factor),
        phase=phase,
        instant=instant,
        # Whole numbers below 2^53 pass through the C's table of doubles unharmed.
        noise_key=(seed * 1_000_003 + number) % 2**53,
        late=late,
        code=code,
    )


def _between(low: float, high: float, place: float) -> float:
    return low + (high - low) * place


def _inside_tolerance(nominal: Fraction | float, percent: Fraction | float, place: float) -> float:
    """``nominal`` moved by up to ``percent`` either way."""
    return float(nominal) * (1 + float(percent) / 100 * (2 * place - 1))
