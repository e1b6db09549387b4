"""A measured board beside the design: is it inside the corners, and what loop does it have?"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.bench.calibrate import Estimate
from halfcycle.bench.fit_rows import block_shares
from halfcycle.bench.phase_shares import shares_by_phase
from halfcycle.loop.corner_filters import corner_filters, corner_loads, nominal_filter
from halfcycle.loop.corner_plants import buses, sensor_gains
from halfcycle.loop.drive import needed_scale
from halfcycle.loop.figures import analyse
from halfcycle.loop.filter_model import FilterCircuit, modes
from halfcycle.loop.judged_steps import TARGETS, Case, judge
from halfcycle.loop.periodic import periodic_loop
from halfcycle.loop.periodic_margins import LoopScan, judged_lateness
from halfcycle.loop.plant_types import Corner, Plants

if TYPE_CHECKING:
    from halfcycle.bench.capture_types import Floats
    from halfcycle.bench.plant_fit import PlantFit
    from halfcycle.design.types import Design
    from halfcycle.regulator.plan import Plan

OUTSIDE = 2.0
"""Half widths of the 95 % interval by which a value is beyond an end before it is outside. With
one, every fortieth log of a good board at that end would be; with two, one in 10^4."""
HORIZON_WINDOWS = 60
PHASES = 96


@dataclass(frozen=True, slots=True)
class Range:
    """From ``low`` to ``high``, both included."""

    low: float
    high: float

    def may_hold(self, estimate: Estimate) -> bool:
        """Whether the estimate is inside, or no farther from it than it may be off."""
        return not self.above(estimate) and not self.below(estimate)

    def above(self, estimate: Estimate) -> bool:
        """Whether the estimate is surely above."""
        return estimate.value - OUTSIDE * estimate.uncertainty > self.high

    def below(self, estimate: Estimate) -> bool:
        """Whether the estimate is surely below."""
        return estimate.value + OUTSIDE * estimate.uncertainty < self.low


@dataclass(frozen=True, slots=True)
class Corners:
    """What the design relies on: ``gain``, rated volts per unit of scale, and ``share``, of a
    change of scale that acts in the first update's time."""

    gain: Range
    share: Range


@dataclass(frozen=True, slots=True)
class BoardLoop:
    """The loop that a board has, by the design's own model with its gain and delay; None if
    undefined. ``settling_ms``: of steps of the target."""

    stable: bool
    settling_ms: float | None
    overshoot_percent: float | None
    gain_margin_db: float | None
    phase_margin_deg: float | None
    peak_sensitivity: float | None

    def slower_than(self, goal_ms: float) -> bool:
        """Whether it settles later than that, or never."""
        return self.settling_ms is None or self.settling_ms > goal_ms * (1 + 1e-9)


def corners(design: Design, plan: Plan) -> Corners:
    """The ranges of the design's corners."""
    spec = design.spec
    # The samples of a mean read a little more or less with the phase of the sine, about the
    # middle that the firmware is calibrated for.
    rated = float(spec.output.rated_rms_v)
    ripple = design.chosen.faults.spread_v / rated
    response = modes(corner_filters(spec), 2 * math.pi * float(spec.output.frequency_hz))
    per_volt = np.abs(response.transfer) / (math.sqrt(2) * rated)
    return Corners(
        Range(
            float(per_volt.min()) * buses(spec)[0] * sensor_gains(spec)[0] * (1 - ripple),
            float(per_volt.max()) * buses(spec)[-1] * sensor_gains(spec)[-1] * (1 + ripple),
        ),
        _share_range(design, plan),
    )


def _share_range(design: Design, plan: Plan) -> Range:
    spec, window, plants = design.spec, design.window, design.plants
    if window.blocks > 1 and window.updates == 1:
        return Range(*shares_by_phase(spec, window, corner_filters(spec)))
    ends = np.array([corner.drive == 0 for corner in plants.corners])
    at_once = block_shares(plan)
    ago = np.arange(plants.weights.shape[1])
    shares = 1.0 - (plants.weights[ends] @ ago - at_once @ np.arange(len(at_once)))
    # The plants of a window of blocks are those of the latest updates.
    sooner = 0.0
    if window.blocks > 1:
        sooner = float(judged_lateness(spec, window)[-1] / window.update_s)
    by_phase = delay_by_phase(design)
    return Range(float(shares.min()) - by_phase, float(shares.max()) + sooner + by_phase)


def delay_by_phase(design: Design) -> float:
    """How far the mean delay of a change lies, updates, from its mean over all phases of the sine
    at which the change may come: a window of blocks sees it first near a crest or near a crossing.
    0 of a window with one update, which sees all of it (but see ``shares_by_phase``)."""
    window = design.window
    power = 1 if design.spec.loop.measure == "mean" else 2
    weights = np.repeat(np.array(window.block_weights, dtype=np.float64), window.block_samples)
    angle = math.pi * float(window.half_cycles_per_sample) * np.arange(window.samples)
    phases = math.pi / PHASES * np.arange(PHASES)
    seen = weights * np.abs(np.sin(phases[:, None] + angle)) ** power
    shown = np.cumsum(seen.reshape(PHASES, window.updates, -1).sum(axis=2), axis=1)
    delay = (1.0 - shown / shown[:, -1:]).sum(axis=1)
    return float(np.abs(delay - delay.mean()).max())


def board_loop(design: Design, plan: Plan, fit: PlantFit) -> BoardLoop | None:
    """The loop around the plant of a fit; None if the log does not tell its delay.

    A window of blocks shows the delay of a step at one phase of the sine only: if the loop with it
    is not as good as the design asks for, the best one is taken that the step's phase leaves open.
    """
    if fit.share is None:
        return None
    loop = _loop_at(design, plan, fit.gain.value, fit.share.value)
    reach = phase_reach(design)
    if reach > 0 and not _good(loop, design):
        shares = [fit.share.value + reach, fit.share.value - reach]
        others = [_loop_at(design, plan, fit.gain.value, share) for share in shares]
        loop = next((other for other in others if _good(other, design)), loop)
    return loop


def phase_reach(design: Design) -> float:
    """By how much the share that a step shows may differ from its mean over the phases of the sine,
    of a nominal filter. 0 of a plain window, of which each phase is a corner."""
    if design.window.blocks == 1 or design.window.updates > 1:
        return delay_by_phase(design)
    low, high = shares_by_phase(design.spec, design.window, [_nominal(design)])
    return (high - low) / 2


def _good(loop: BoardLoop, design: Design) -> bool:
    return loop.stable and not loop.slower_than(design.settling_goal_ms)


def _loop_at(design: Design, plan: Plan, gain: float, share: float) -> BoardLoop:
    share = min(max(share, 0.0), 1.0)
    kp, ki = float(design.kp), float(design.ki)
    spec, window = design.spec, design.window
    taps = np.append(block_shares(plan), 0.0) * share
    taps[1:] += block_shares(plan) * (1 - share)
    plants = _plants(gain, taps, design)
    ripple = design.chosen.faults.ripple_v / float(spec.output.rated_rms_v)
    figures = analyse(plants, kp, ki, window.update_s, ripple)
    if window.blocks == 1:
        return BoardLoop(
            figures.stable,
            figures.settling_ms,
            figures.overshoot_percent,
            figures.gain_margin_db,
            figures.phase_margin_deg,
            figures.peak_sensitivity,
        )
    return _moving_loop(design, gain, share, figures.peak_sensitivity)


def _plants(gain: float, taps: Floats, design: Design) -> Plants:
    one = np.array([gain])
    measure = design.spec.loop.measure
    scale, slope = needed_scale(one, np.zeros(1), measure)
    return Plants(
        corners=(Corner("this board", 0.0, 0.0, 0.0, "", 1.0, 0.0),),
        gains=slope if np.isfinite(scale[0]) else one,
        weights=taps[None, :],
        tail=np.zeros(1),
        scale_for_rated=scale,
        step_gains=one,
        sag=np.zeros(1),
        measure=measure,
        law=design.law,
    )


def _moving_loop(design: Design, gain: float, share: float, peak: float | None) -> BoardLoop:
    """Margins of the periodic loop and steps of the true circuit, with nominal parts: the bus makes
    the gain, and an update's lateness the delay."""
    spec, window = design.spec, design.window
    circuit = _nominal(design)
    angular = 2 * math.pi * float(spec.output.frequency_hz)
    size = float(np.abs(modes([circuit], angular).transfer[0]))
    rated = float(spec.output.rated_rms_v)
    bus = gain * rated * math.sqrt(2) / size
    late = Fraction(1.0 - share).limit_denominator(1000) * window.update_s
    kp, ki = float(design.kp), float(design.ki)
    loop = periodic_loop(spec, window, [circuit], late)
    scan = LoopScan(loop, kp, ki, np.array([[gain, gain]]))
    if not bool(scan.stable()[0]):
        return BoardLoop(False, None, None, None, None, None)
    rows = np.array([0], dtype=np.intp)
    margin = float(scan.gain_margin(rows)[0])
    phase = float(scan.phase_margin(rows)[0])
    horizon = HORIZON_WINDOWS * float(window.duration_s)
    case = Case(circuit, circuit, bus, bus, 1.0)
    constants = np.array([kp]), np.array([ki])
    steps = [
        judge(spec, window, kind, [case], *constants, horizon, zero=0.0, lates=[late])
        for kind in TARGETS
    ]
    settling = max(float(step.settling_s[0, 0]) for step in steps)
    return BoardLoop(
        True,
        1000 * settling if math.isfinite(settling) else None,
        100 * max(float(step.overshoot[0, 0]) for step in steps),
        20 * math.log10(margin) if math.isfinite(margin) else None,
        phase if math.isfinite(phase) else None,
        peak,
    )


def _nominal(design: Design) -> FilterCircuit:
    loads = {load.label: load for load in corner_loads(design.spec)}
    return nominal_filter(design.spec, loads.get("rated", next(iter(loads.values()))))
