"""The steps by which a loop in time is judged, and what they give: settling, overshoot, release.

Settling counts from the event to the end of the last half cycle, of any start, whose RMS lies
outside the band about where the board comes to rest. The band is 2 % of a target's step, and 2 % of
rated if load or bus step. Half cycles are computed at the points of a grid, no farther apart than
a half cycle over HALF_CYCLE_POINTS; the time given is the first point from which all are inside.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Literal

import numpy as np

from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.loop.circuit_flow import circuit_flow
from halfcycle.loop.corner_filters import corner_filters
from halfcycle.loop.corner_plants import buses, sensor_gains
from halfcycle.loop.drive import effective_scale, needed_scale
from halfcycle.loop.filter_model import FilterCircuit, Real
from halfcycle.loop.normalised import Normalised
from halfcycle.loop.periodic_margins import judged_lateness
from halfcycle.loop.time_domain import (
    HALF_CYCLE_POINTS,
    Boards,
    Course,
    Event,
    Sampling,
    run,
)
from halfcycle.windows.zero_tracking import zero_left_codes

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

StepKind = Literal[
    "up", "half up", "half down", "load on", "load off", "bus up", "bus down", "release"
]
TARGETS: dict[StepKind, tuple[float, float]] = {
    "up": (0.0, 1.0),
    "half up": (0.5, 1.0),
    "half down": (1.0, 0.5),
}
"""Steps of the target, shares of rated before and after."""
UPWARD: tuple[StepKind, ...] = ("up", "half up")
"""Those whose overshoot is a target's."""
OVERLOADED = 0.9
"""What the output reads, of rated, while an overload holds the drive at its limit."""
SWELL = 1.2
"""Half cycles above this share of rated count as those of a release."""
PHASES = 24
"""Phases of the sine at which each step comes."""
_NEAR = 0.5
"""A run has come to rest if its last reading is this share of the band from the target."""
_CHUNK_BYTES = 48_000_000


@dataclass(frozen=True, slots=True)
class Case:
    """One board and what happens to it: circuits (lightest and rated, for a load's step), the bus
    before and after, volts, and the sensor's gain."""

    before: FilterCircuit
    after: FilterCircuit
    bus_before_v: float
    bus_after_v: float
    sensor: float


@dataclass(frozen=True, slots=True)
class Judged:
    """Of one kind of step, each of B boards with G pairs of constants: the worst over phases,
    moments and latencies. ``settling_s`` (B, G), ``inf`` if it does not settle; ``overshoot``
    (B, G), a share of the step, or of rated if load or bus step; ``swell_s`` (B, G): time with half
    cycles above ``SWELL``."""

    cases: tuple[Case, ...]
    settling_s: Real
    overshoot: Real
    swell_s: Real


def cases(spec: Spec, kind: StepKind, circuits: Sequence[FilterCircuit]) -> list[Case]:
    """The boards of ``circuits`` on which a ``kind`` of step is judged: each end of bus and sensor
    together, as only their product counts below clipping; both sensors if the bus steps."""
    low, high = buses(spec)[0], buses(spec)[-1]
    sensors = sensor_gains(spec)
    ends = sorted({(low, sensors[0]), (high, sensors[-1])})
    if kind in TARGETS:
        return [Case(c, c, bus, bus, s) for c in circuits for bus, s in ends]
    if kind == "release":
        return [
            Case(c, c, _overload_bus(spec, c, sensors[-1]), high, sensors[-1]) for c in circuits
        ]
    if kind in {"bus up", "bus down"}:
        before, after = (low, high) if kind == "bus up" else (high, low)
        return [Case(c, c, before, after, s) for c in circuits for s in sensors]
    return [
        Case(*(pair if kind == "load on" else pair[::-1]), bus, bus, s)
        for pair in _load_pairs(circuits)
        for bus, s in ends
    ]


def _load_pairs(circuits: Sequence[FilterCircuit]) -> list[tuple[FilterCircuit, FilterCircuit]]:
    """Each filter with its lightest load, and with every heavier one."""
    by_filter: dict[tuple[float, float], list[FilterCircuit]] = {}
    for circuit in circuits:
        by_filter.setdefault((circuit.inductance_h, circuit.capacitance_f), []).append(circuit)
    pairs = []
    for group in by_filter.values():
        light = min(group, key=lambda circuit: circuit.load.share)
        pairs += [(light, heavy) for heavy in group if heavy is not light]
    return pairs


def _gain(circuits: Sequence[FilterCircuit], angular: float) -> Real:
    """Output RMS (B,) over the bridge sine's amplitude."""
    flow = circuit_flow(tuple(circuits), angular)
    size = np.abs(np.einsum("bs,bs->b", flow.output, flow.response))
    return np.asarray(size / math.sqrt(2.0), dtype=np.float64)


def _overload_bus(spec: Spec, circuit: FilterCircuit, sensor: float) -> float:
    """The bus at which the drive's limit reads ``OVERLOADED`` of rated, volts."""
    angular = 2.0 * math.pi * float(spec.output.frequency_hz)
    gain = sensor * float(_gain([circuit], angular)[0])
    top = effective_scale(np.array([float(spec.bridge.scale_max)]), np.zeros(1), "rms")
    return OVERLOADED * float(spec.output.rated_rms_v) / (gain * float(top[0]))


def judge(  # noqa: PLR0917 (what is run, with what constants, and how long)
    spec: Spec,
    window: Window,
    kind: StepKind,
    chosen: Sequence[Case],
    kp: Real,
    ki: Real,
    horizon_s: float,
    *,
    phases: int = PHASES,
    band: float = SETTLING_BAND,
    zero: float | None = None,
    lates: Sequence[Fraction] | None = None,
    moments: int = 2,
    points: int = HALF_CYCLE_POINTS,
    law: Normalised | None = None,
) -> Judged:
    """Run G pairs ``kp``, ``ki`` (G,), per update, through one kind of step, for ``horizon_s``
    after it. ``zero``: error of the sensor's zero, of rated peak (the spec's tolerance if None);
    ``lates``: latencies of the updates, seconds; ``moments``: of a load or bus step in a block;
    ``points``: of a half cycle at which its RMS is computed, at least; ``law``: the normalised
    one; None: the plain one."""
    rated = float(spec.output.rated_rms_v)
    if zero is None:
        zero = zero_left_codes(spec, window) * float(spec.sensor.volts_per_code) / rated
    else:
        zero *= math.sqrt(2.0)
    if lates is None:
        lates = judged_lateness(spec, window)
    boards = Boards(
        before=[case.before for case in chosen],
        after=[case.after for case in chosen],
        bus_before=np.array([case.bus_before_v for case in chosen]) / rated,
        bus_after=np.array([case.bus_after_v for case in chosen]) / rated,
        sensor=np.array([case.sensor for case in chosen]),
        zero=zero,
    )
    # What a measured bus leaves of the drive at its limit is there at once when the bus is back.
    held = boards.bus_before / boards.bus_after
    if kind == "release" and spec.bus_sensor is not None:
        boards = replace(boards, bus_before=boards.bus_after)
    else:
        held = np.ones(len(chosen))
    # An error of the zero and a half turn of the sine are the same as its negative.
    turn = 2.0 * math.pi if zero else math.pi
    phase = np.arange(phases, dtype=np.float64) * (turn / phases)
    results = [
        _judged(kind, course, sampling, event, band, len(kp))
        for late in lates
        for sampling in (Sampling.of(spec, window, late),)
        for event in _events(kind, sampling, horizon_s, moments)
        for course in (_courses(sampling, boards, event, kp, ki, phase, kind, points, law, held),)
    ]
    settling, overshoot, swell = (np.max(parts, axis=0) for parts in zip(*results, strict=True))
    return Judged(tuple(chosen), settling, overshoot, swell)


def _events(kind: StepKind, sampling: Sampling, horizon_s: float, moments: int) -> Iterator[Event]:
    """The moments at which a step comes: a target's with an update, others spread over a block."""
    periods = math.ceil(horizon_s / float(sampling.period_s))
    before, after = TARGETS.get(kind, (1.0, 1.0))
    event = Event(before, after, periods, sampling.lead)
    if kind in TARGETS:
        yield event
        return
    for part in range(moments):
        samples, share = divmod(Fraction(part * sampling.every, moments), 1)
        yield replace(event, samples=samples, share=share)


def _courses(  # noqa: PLR0917 (as ``run``)
    sampling: Sampling,
    boards: Boards,
    event: Event,
    kp: Real,
    ki: Real,
    phase: Real,
    kind: StepKind,
    points: int,
    law: Normalised | None,
    held: Real,
) -> Course:
    """The course (K, B, G P) of every pair at every phase. ``held`` (B,): of a release, what is
    left of the drive at its limit."""
    gain = _gain(boards.before, sampling.angular) * boards.bus_before * boards.sensor
    if kind == "release":
        scale = sampling.top * held
    else:
        scale = needed_scale(gain / max(event.target_before, 1e-9), np.zeros(len(gain)), "rms")[0]
        scale = np.minimum(scale, sampling.top) * (event.target_before > 0)
    if scale.max() > 1.0 or sampling.bus_ohm > 0:
        # What clips or sags is not known in closed form: the loop finds its rest by itself.
        event = replace(event, lead=event.lead + max(len(sampling.weights), event.periods // 2))
    intervals = (event.lead + event.samples + event.periods) // sampling.every + 2
    each = 2 * 6 * 8 * intervals * len(gain) * len(phase)
    at_once = max(1, _CHUNK_BYTES // each)
    parts = []
    for first in range(0, len(kp), at_once):
        part = slice(first, first + at_once)
        count = len(kp[part])
        parts.append(
            run(
                sampling,
                boards,
                event,
                np.repeat(kp[part], len(phase))[None, :],
                np.repeat(ki[part], len(phase))[None, :],
                np.tile(phase, count)[None, :],
                scale[:, None],
                points,
                law,
            )
        )
    return Course(
        parts[0].times_s,
        np.concatenate([part.half_rms for part in parts], axis=-1),
        np.concatenate([part.reading for part in parts], axis=-1),
        np.concatenate([part.scale for part in parts], axis=-1),
    )


def _judged(  # noqa: PLR0917 (a course, and how it is judged)
    kind: StepKind, course: Course, sampling: Sampling, event: Event, band: float, pairs: int
) -> tuple[Real, Real, Real]:
    """Settling, overshoot and time of a swell, (B, G) each: the worst over the phases."""
    shape = (*course.half_rms.shape[:2], pairs, -1)
    level = course.half_rms.reshape(shape)
    reading = course.reading.reshape(shape[1:])
    times = course.times_s
    target, size = event.target_after, abs(event.target_after - event.target_before)
    size = size if kind in TARGETS else 1.0
    last = times > times[-1] - float(sampling.half_cycle * sampling.period_s)
    # What the last reading is still off by, the output will move on. An RMS reading of a sine has
    # no error of its own.
    rest = level[last].mean(axis=0) + (target - reading)
    if sampling.measure == "rms" and sampling.bus_ohm == 0:
        rest = np.where(course.scale.reshape(shape[1:]) <= 1.0, target, rest)
    outside = np.abs(level - rest) > band * size
    ends = len(times) - outside[::-1].argmax(axis=0)
    settled = np.where(outside.any(axis=0), ends, 0)
    at = np.append(times, math.inf)[settled]
    wait = float(sampling.every * sampling.period_s) if kind in TARGETS else 0.0
    resting = np.abs(reading - target) <= _NEAR * band * size
    resting &= settled <= len(times) - int(last.sum())
    settling = np.where(resting, at + wait, math.inf)
    beyond = (level - target) if event.target_after >= event.target_before else (target - level)
    swell = (level > SWELL).sum(axis=0) * float(np.diff(times).mean())
    return (
        settling.max(axis=-1),
        np.maximum(beyond.max(axis=(0, -1)), 0.0) / size,
        swell.max(axis=-1),
    )


def corner_cases(spec: Spec, kind: StepKind) -> list[Case]:
    """The boards at the ends of the tolerances on which a ``kind`` of step is judged."""
    return cases(spec, kind, corner_filters(spec))


def inside(
    circuits: Sequence[FilterCircuit], corners: Sequence[FilterCircuit]
) -> list[FilterCircuit]:
    """Those filters, each with every load of ``corners``."""
    loads = {circuit.load.label: circuit.load for circuit in corners}
    return [
        replace(circuit, load=load) for circuit, load in itertools.product(circuits, loads.values())
    ]
