"""Whether a healthy sensor may look stuck while the output starts, as its filter rings.

A filter whose resonance lies near a whole multiple of the sampling rate rings at what the samples
take for a steady voltage. Each step of the drive on the way up adds to it, and two spans of samples
may then lean the same way, as those of a stuck sensor do. The bounds of ``lean`` are those of a
sine; here the C's own model starts in the circuits concerned, at many phases of the sine.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from halfcycle.base.findings import Finding, finding
from halfcycle.design.types import Design
from halfcycle.loop.corner_filters import filter_near, resonance_hz, ringing_loads
from halfcycle.loop.drive import reading_of_scale
from halfcycle.loop.filter_model import Complex, FilterCircuit, Real
from halfcycle.quantise.sampled_circuit import CornerModes, SampledCircuit
from halfcycle.regulator.model import Regulator, side_terms
from halfcycle.regulator.plan import FLAG_IMPLAUSIBLE, FLAG_SETTLED, SCALE_ONE, Plan

PHASES = 16
"""Of the sine, at which the drive begins."""
WINDOWS = 40
"""Windows that a start is followed for, at most."""
NEAR = 0.5
"""Turns by which the ringing may move against the samples within two windows and still look
steady."""


@dataclass(frozen=True, slots=True)
class FlaggedStarts:
    """A filter with which a start is taken for a stuck sensor. ``resonance_hz``; ``flagged``: of
    ``starts`` that were run."""

    circuit: FilterCircuit
    resonance_hz: float
    flagged: int
    starts: int


def start_findings(design: Design, plan: Plan) -> Iterator[Finding]:
    """That a healthy sensor is taken for a stuck one at a start, if it may be."""
    worst = flagged_starts(design, plan)
    if worst is None:
        return
    circuit = worst.circuit
    rate = 1 / float(design.window.period_s)
    follows = "stays off until it is reset" if plan.latched else "falls back and begins anew"
    yield finding(
        "start-as-stuck",
        "loop.period_us",
        f"with L {1e6 * circuit.inductance_h:.4g} uH, C {1e6 * circuit.capacitance_f:.4g} uF and "
        f"load {circuit.load.label} the filter rings at {worst.resonance_hz:.4g} Hz, "
        f"{worst.resonance_hz / rate:.3g} times the sampling rate, which the samples take for a "
        f"steady voltage: at {worst.flagged} of {worst.starts} starts a healthy sensor is taken "
        f"for a stuck one and the output {follows}; choose a loop period at which no filter inside "
        "the tolerances rings near a multiple of the sampling rate, or damp the filter",
    )


def flagged_starts(design: Design, plan: Plan) -> FlaggedStarts | None:
    """The filter with most starts at which the model calls a healthy sensor stuck; None if there
    is none among those that ring near a multiple of the sampling rate."""
    results = [_run(design, plan, circuit) for circuit in _steady_looking(design)]
    worst = max(results, key=lambda result: result.flagged, default=None)
    return worst if worst is not None and worst.flagged else None


def _steady_looking(design: Design) -> Iterator[FilterCircuit]:
    """Filters inside the tolerances that ring as near as they can to each multiple of the sampling
    rate, if that is near enough."""
    spec, window = design.spec, design.window
    rate = 1 / float(window.period_s)
    near = NEAR / (2 * window.duration_s)
    for load in ringing_loads(spec):
        low, high = (resonance_hz(filter_near(spec, load, end)) for end in (0.0, math.inf))
        first = max(1, math.ceil((low - near) / rate))
        for multiple in range(first, math.floor((high + near) / rate) + 1):
            yield filter_near(spec, load, multiple * rate)


def _run(design: Design, plan: Plan, circuit: FilterCircuit) -> FlaggedStarts:
    """Starts in ``circuit`` from no output to rated: at every phase, at either end of the bus, the
    updates at once and as late as they may be."""
    spec, window = design.spec, design.window
    ends = (spec.bridge.bus_min_v, spec.bridge.bus_max_v)
    lates = sorted({0.0, float(spec.update_within_s / window.period_s)})
    flagged = sum(
        int(_starts(design, plan, circuit, float(bus_v), late).sum())
        for bus_v in ends
        for late in lates
    )
    starts = PHASES * len(ends) * len(lates)
    return FlaggedStarts(circuit, resonance_hz(circuit), flagged, starts)


def _starts(
    design: Design, plan: Plan, circuit: FilterCircuit, bus_v: float, late: float
) -> np.ndarray:
    """Whether each start, one a phase, is flagged (PHASES,). ``late``: of updates, loop periods."""
    spec, window = design.spec, design.window
    angular = 2 * math.pi * float(window.frequency_hz)
    modes = CornerModes.of([circuit], [0] * PHASES, angular, np.ones(1), float(window.period_s))
    phases = np.exp(2j * math.pi * np.arange(PHASES) / PHASES)[:, None]
    output = SampledCircuit(
        modes, np.zeros((PHASES, 1), complex), phases, np.array([angular * float(window.period_s)])
    )
    rows = np.arange(PHASES)
    regulators = [Regulator(plan) for _ in rows]
    for regulator in regulators:
        regulator.set_target_mv(plan.rated_mv)
    flagged, ended = np.zeros(PHASES, dtype=bool), np.zeros(PHASES, dtype=bool)
    spectra: Complex | None = None
    for _ in range(WINDOWS * plan.blocks):
        volts = _block(output, rows, plan.block_samples, spectra, late) * bus_v
        codes = np.rint(plan.zero_code + volts / float(spec.sensor.volts_per_code))
        terms = side_terms(plan, np.clip(codes, 0, plan.adc_max).astype(np.uint16))
        above, below = (terms[side].sum(axis=1).tolist() for side in ("above", "below"))
        for regulator, over, under in zip(regulators, above, below, strict=True):
            regulator.close_window(over, under)
            regulator.update()
        flags = np.array([regulator.flags() for regulator in regulators])
        flagged |= (flags & FLAG_IMPLAUSIBLE) != 0
        ended |= flagged | ((flags & FLAG_SETTLED) != 0)
        if ended.all():
            break
        spectra = _spectra(regulators, plan)
    return flagged


def _block(
    output: SampledCircuit, rows: np.ndarray, count: int, spectra: Complex | None, late: float
) -> Real:
    """The samples of a block (PHASES, count); the wave ``spectra`` is in force ``late`` loop
    periods after the last sample before it, or as late in the block as it can be."""
    if spectra is None:
        return output.samples(rows, count)
    late = min(late, count)
    before = max(0, math.ceil(late) - 1)
    parts = [output.samples(rows, before)] if before else []
    output.change(rows, spectra, late - before)
    parts.append(output.samples(rows, count - before))
    return np.concatenate(parts, axis=1)


def _spectra(regulators: list[Regulator], plan: Plan) -> Complex:
    """What the scales in force make of the bridge's fundamental (PHASES, 1), units of the bus."""
    scales = np.array([regulator.scale() for regulator in regulators]) / SCALE_ONE
    return reading_of_scale(scales, plan.measure)[0].astype(np.complex128)[:, None]
