"""Runs the integer loop on the window-rate plant of every corner, to see whether it comes to rest.

The conditions against limit cycles (``readings.least_shift``) are necessary, not sufficient; so
the very model of the C is run on quantised readings, without noise, which would only help.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from halfcycle.base.findings import Finding, finding
from halfcycle.design.types import Design
from halfcycle.loop.drive import reading_of_scale
from halfcycle.quantise import resolution
from halfcycle.quantise.fixed_point import Quantised, Rest
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import FLAG_LIMIT, SCALE_ONE

REST_WINDOWS = 24
"""Windows by which a loop that does not rest is judged."""
MOST_WINDOWS = 20_000
START = 6
"""Reading counts below the target at the start."""
UNSETTLED = 50
"""Windows taken where the loop is too slow for a settling time."""


def run_to_rest(design: Design, made: Quantised) -> Rest:
    """Start every corner a few counts below rated and run it until it rests or time is up.

    At rest is proven, not watched for: once the integrator has stood still for as many windows as
    the plant remembers, every later window is the same. Corners that do not get there are judged
    by their last windows; those at the drive limit are left out, as they do not meet the target.
    """
    loop = _Loop(design, made)
    settling_ms = design.loop.settling_ms
    settle = math.ceil(settling_ms / design.window.duration_ms) if settling_ms else UNSETTLED
    # The settling time is the time to a fiftieth; twice the few counts have to become none.
    most = min(MOST_WINDOWS, math.ceil(2 * settle * math.log(2 * START) / math.log(50)))
    most += REST_WINDOWS
    memory = loop.weights.shape[1] + 1

    corners = len(loop.gain)
    integrals = np.zeros((most, corners), dtype=np.int64)
    scales = np.zeros((most, corners))
    active = np.arange(corners)
    rows = 0
    while rows < most and len(active):
        loop.window(active)
        integrals[rows, active] = [loop.regulators[corner].integral for corner in active]
        scales[rows, active] = [loop.regulators[corner].scale() for corner in active]
        rows += 1
        if rows > memory:
            recent = integrals[rows - memory - 1 : rows, active]
            active = active[np.ptp(recent, axis=0) > 0]

    rated_v = float(design.spec.output.rated_rms_v)
    moving = np.zeros(corners)
    last = scales[max(0, rows - REST_WINDOWS) : rows, active]
    moving[active] = np.ptp(last, axis=0) / SCALE_ONE * loop.gain[active] * rated_v
    off = np.array([abs(r.rms_mv() - made.plan.rated_mv) / 1000 for r in loop.regulators])
    limited = np.array([bool(r.flags() & FLAG_LIMIT) for r in loop.regulators])
    moving[limited] = off[limited] = 0.0
    worst = int(np.argmax(moving)) if moving.max() > 0 else int(np.argmax(off))
    return Rest(
        windows=rows,
        hunting_v=float(moving.max()),
        error_v=float(off.max()),
        corner=design.plants.corners[worst].label,
    )


class _Loop:
    """The regulators and plants of all corners, a window at a time."""

    def __init__(self, design: Design, made: Quantised) -> None:
        self.plan, self.window_, self.weights = made.plan, design.window, design.plants.weights
        self.counts = design.spec.bridge.pwm_counts
        self.gain = _linear_gains(design)
        self.driven = np.zeros_like(self.weights)
        angle = math.pi * float(self.window_.half_cycles_per_sample) * np.arange(self.plan.samples)
        phase = np.radians([corner.phase_deg for corner in design.plants.corners])
        rated_v, code_v = design.spec.output.rated_rms_v, design.spec.sensor.volts_per_code
        self.sine = math.sqrt(2) * float(rated_v / code_v) * np.sin(angle + phase[:, None])
        self.regulators = [Regulator(self.plan) for _ in self.gain]
        self._start(design)

    def _start(self, design: Design) -> None:
        """Every corner a few counts below rated, past the ramp, at rest but for that."""
        plan = self.plan
        least = 1 - START / plan.target_rated
        limit = float(design.spec.bridge.scale_max)
        start = np.minimum(least * design.plants.scale_for_rated, limit)
        self.driven[:] = reading_of_scale(start, plan.measure)[0][:, None]
        for regulator, scale in zip(self.regulators, start, strict=True):
            regulator.integral = int(scale * 2**plan.drive_bits)
            regulator.out_scale[0] = int(scale * SCALE_ONE)
            regulator.ramp = plan.target_rated << plan.ramp_bits if plan.ramped else 0

    def window(self, active: NDArray[np.intp]) -> None:
        """Drive, measure and update the ``active`` corners for one window."""
        plan = self.plan
        scale = np.array([self.regulators[corner].scale() for corner in active]) / SCALE_ONE
        stepped = resolution.duty_amplitude(scale, self.window_, self.counts)
        self.driven[active, 1:] = self.driven[active, :-1]
        self.driven[active, 0] = reading_of_scale(stepped, plan.measure)[0]
        output = self.gain[active] * (self.weights[active] * self.driven[active]).sum(axis=1)
        codes = np.rint(plan.zero_code + output[:, None] * self.sine[active])
        magnitude = np.abs(np.clip(codes, 0, plan.adc_max) - plan.zero_code)
        terms = magnitude**2 if plan.measure == "rms" else magnitude
        for corner, total in zip(active, terms.sum(axis=1), strict=True):
            _measure(self.regulators[corner], int(total))


def rest_findings(design: Design, rest: Rest) -> Iterator[Finding]:
    """Remarks on a loop that does not come to rest, or comes to rest off the target."""
    tolerance_v = design.chosen.tolerance_v
    if rest.hunting_v > 0:
        yield finding(
            "no-rest",
            "bridge.pwm_counts",
            f"the integer loop does not come to rest at {rest.corner}: the output moves by "
            f"{rest.hunting_v:.3g} V; make the output's steps finer or the tolerance wider",
            "error" if rest.hunting_v > tolerance_v else "warning",
        )
    if rest.error_v > tolerance_v:
        yield finding(
            "rest-off-target",
            "targets.voltage_tolerance_percent",
            f"the integer loop rests {rest.error_v:.3g} V off the target at {rest.corner}, more "
            f"than the tolerance of {tolerance_v:.3g} V; widen the tolerance or raise the gains",
        )


def _linear_gains(design: Design) -> NDArray[np.float64]:
    """Gain below clipping of each corner: a corner taken for its slope shares its circuit's."""
    plants = design.plants
    linear = {
        _circuit(index, design): float(plants.gains[index])
        for index, corner in enumerate(plants.corners)
        if corner.drive == 0
    }
    return np.array([linear[_circuit(index, design)] for index in range(len(plants.corners))])


def _circuit(index: int, design: Design) -> tuple[object, ...]:
    corner = design.plants.corners[index]
    return (
        corner.bus_v,
        corner.inductance_h,
        corner.capacitance_f,
        corner.load,
        corner.sensor,
        corner.phase_deg,
    )


def _measure(regulator: Regulator, total: int) -> None:
    """Hand a whole window's sum to the regulator, as its last sample would."""
    regulator.close_window(total)
    regulator.update()
