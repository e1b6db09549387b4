"""Runs the integer loop on the window-rate plant of every corner, to see whether it comes to rest.

The conditions against limit cycles (``readings.least_shift``) are necessary, not sufficient; so
the very model of the C is run on quantised readings, without noise, which would only help.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from halfcycle import readings
from halfcycle.design_types import Design
from halfcycle.drive import reading_of_scale
from halfcycle.faults import Finding
from halfcycle.fixed_point import Quantised, Rest
from halfcycle.model import Regulator
from halfcycle.plan import FLAG_LIMIT, SCALE_ONE

REST_WINDOWS = 24
"""Windows watched once the loop should be at rest."""
MOST_WINDOWS = 600
UNSETTLED = 50
"""Windows taken where the loop is too slow for a settling time."""


def run_to_rest(design: Design, made: Quantised) -> Rest:
    """Start every corner from zero towards the rated voltage and watch the last windows.

    Corners at the drive limit are left out: they do not meet the target, and say so.
    """
    spec, plan, plants = design.spec, made.plan, design.plants
    rated_v = float(spec.output.rated_rms_v)
    settling_ms = design.loop.settling_ms
    settle = math.ceil(settling_ms / design.window.duration_ms) if settling_ms else UNSETTLED
    # Past the last 2 % the error still has to fall below one count.
    counts = rated_v * made.counts_per_volt
    windows = min(MOST_WINDOWS, math.ceil(settle * math.log(50 * counts) / math.log(50)) + 8)

    corners, taps = plants.weights.shape
    angle = math.pi * float(design.window.half_cycles_per_sample) * np.arange(plan.samples)
    phase = np.radians([corner.phase_deg for corner in plants.corners])
    sine = np.sin(angle + phase[:, None])
    peak_codes = math.sqrt(2) * rated_v / float(spec.sensor.volts_per_code)

    regulators = [Regulator(plan) for _ in range(corners)]
    for regulator in regulators:  # past the ramp, which is no part of coming to rest
        regulator.ramp = plan.target_rated << plan.ramp_bits if plan.ramped else 0
    driven = np.zeros((corners, taps))
    scales = np.zeros((windows + REST_WINDOWS, corners))
    seen = np.zeros_like(scales)
    gain = _linear_gains(design)
    for row in range(windows + REST_WINDOWS):
        scale = np.array([regulator.scale() for regulator in regulators]) / SCALE_ONE
        driven = np.roll(driven, 1, axis=1)
        stepped = readings.duty_amplitude(scale, design.window, spec.bridge.pwm_counts)
        driven[:, 0] = reading_of_scale(stepped, plan.measure)[0]
        output = gain * (plants.weights * driven).sum(axis=1)
        codes = np.rint(plan.zero_code + peak_codes * output[:, None] * sine)
        magnitude = np.abs(np.clip(codes, 0, plan.adc_max) - plan.zero_code)
        terms = magnitude**2 if plan.measure == "rms" else magnitude
        for regulator, total in zip(regulators, terms.sum(axis=1), strict=True):
            _measure(regulator, int(total))
        scales[row] = [regulator.scale() for regulator in regulators]
        seen[row] = [regulator.out_reading[regulator.output_slot] for regulator in regulators]

    free = np.array([not regulator.flags() & FLAG_LIMIT for regulator in regulators])
    last = scales[-REST_WINDOWS:]
    moving = np.where(free, np.ptp(last, axis=0) / SCALE_ONE * gain * rated_v, 0.0)
    off = np.abs(seen[-REST_WINDOWS:] - plan.target_rated).max(axis=0)
    error = np.where(free, off * made.reading_step_v, 0.0)
    worst = int(np.argmax(moving)) if moving.max() > 0 else int(np.argmax(error))
    return Rest(
        windows=windows + REST_WINDOWS,
        hunting_v=float(moving.max()),
        error_v=float(error.max()),
        corner=plants.corners[worst].label,
    )


def rest_findings(design: Design, rest: Rest) -> Iterator[Finding]:
    """Remarks on a loop that does not come to rest, or comes to rest off the target."""
    tolerance_v = design.chosen.tolerance_v
    if rest.hunting_v > 0:
        yield Finding(
            "error" if rest.hunting_v > tolerance_v else "warning",
            "bridge.pwm_counts",
            f"the integer loop does not come to rest at {rest.corner}: the output moves by "
            f"{rest.hunting_v:.3g} V; make the output's steps finer or the tolerance wider",
        )
    if rest.error_v > tolerance_v:
        yield Finding(
            "error",
            "targets.voltage_tolerance_percent",
            f"the integer loop rests {rest.error_v:.3g} V off the target at {rest.corner}, more "
            f"than the tolerance of {tolerance_v:.3g} V; widen the tolerance or raise the gains",
        )


def _linear_gains(design: Design) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
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
    regulator.window_sequence = (regulator.window_sequence + 1) & 255
    slot = regulator.window_sequence & 1
    regulator.window_sum[slot] = total & 0xFFFFFFFF
    regulator.window_high[slot] = total >> 32
    regulator.update()
