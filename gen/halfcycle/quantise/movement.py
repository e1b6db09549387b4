"""How far the output may move at rest: a bound over every board, start and phase, noise apart.

A loop of integers never quite stands still on every board: whether it does depends on where the
ADC's codes, the duties and the reading's counts happen to fall. What it may do is bounded. Each
rounding is a disturbance of the linear loop whose size is known, and a disturbance that stays
within a width moves the output by at most that width times the sum of the sizes of its impulse
response (the l1 norm; Desoer and Vidyasagar, Feedback Systems, 1975, ch. 2, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfcycle.base.clipped_sine import FORM_FACTOR
from halfcycle.design.types import Design
from halfcycle.loop.filter_model import Complex, Real
from halfcycle.loop.step_response import spectral_radius
from halfcycle.quantise.bridge_wave import BridgeWave
from halfcycle.regulator.plan import DRIVE_FULL, SCALE_ONE, Plan

FORGOTTEN = 1e-4
"""Share to which the slowest mode has decayed where an impulse response is cut; the rest of its
sum is added as a geometric series."""
MAX_WINDOWS = 20_000
MAX_DUTIES = 2_000_000
"""Duties computed, at most: so many scales are tried as that allows."""
NEAR = 0.02
"""Scales within this share of the one for rated are those of a loop at rest."""
BETWEEN = 1.25
"""What is added to the computed width of the duties' rounding, for the scales and the filters
between those tried (a choice; tests hold the bound against a circuit)."""


@dataclass(frozen=True, slots=True)
class Movement:
    """Peak-to-peak movement at rest that no board inside the tolerances exceeds, noise apart."""

    output_v: float
    """Of the output, volts RMS."""
    steps: int
    """Of the scale, steps of 1/16384."""
    corner: str
    """The corner that has the output's."""


@dataclass(frozen=True, slots=True)
class _Sums:
    """Sums of the sizes of impulse responses (C,) to one kind of disturbance: of the output, in
    units of rated, and of the scale."""

    output: Real
    scale: Real


def movement_bound(design: Design, plan: Plan, reading_step_v: float, wave: BridgeWave) -> Movement:
    """The bound for a stable loop. ``reading_step_v``: one reading count, volts RMS."""
    rated_v = float(design.spec.output.rated_rms_v)
    taps, kp, ki = design.plants.taps, float(design.kp), float(design.ki)
    gains_v = design.plants.gains * rated_v
    duties_read, duties_out = duty_widths_v(design, wave)
    drive_out = scale_width(plan) * gains_v + duties_out
    ripple_v = 2 * design.chosen.faults.ripple_v
    reading = reading_width_v(design, plan, reading_step_v, ripple_v) + duties_read
    reading = reading + scale_width(plan) * gains_v
    by_reading = _sums(taps, kp, ki, "reading")
    by_integrator = _sums(taps, kp, ki, "integrator")
    # What flips every window is one frequency, so its response is known exactly.
    flips = 2 * design.chosen.hunting_v
    rest = np.ones(len(gains_v))
    least = np.full(len(gains_v), 2.0**-plan.drive_bits)
    if plan.law is not None:
        # The loop is one of shares: of the target, and of the drive at rest.
        reading = reading + rated_v * 2.0**-plan.law.share_bits
        rest = np.minimum(design.plants.scale_for_rated, float(design.spec.bridge.scale_max))
        least = 2 * least / rest + 2.0**-plan.law.action_bits
    output = flips + drive_out + reading * by_reading.output
    output = output + least * by_integrator.output * rated_v
    scale = reading * by_reading.scale / rated_v + least * by_integrator.scale
    scale = flips / gains_v + scale * rest
    worst = int(np.argmax(np.round(output, 12)))
    return Movement(
        output_v=float(output[worst]),
        # The scale is itself rounded: to either side of what moves by this.
        steps=math.ceil(float(scale.max()) * SCALE_ONE) + 1,
        corner=design.plants.corners[worst].label,
    )


def reading_width_v(design: Design, plan: Plan, reading_step_v: float, ripple_v: float) -> float:
    """Within what width the reading's own error moves, volts RMS: codes, counts and the
    ``ripple_v`` that sampling makes while the loop runs."""
    # Each sample is off by up to half a code either way; a mean and a root of a mean square
    # (Minkowski's inequality) are off by no more.
    form = FORM_FACTOR if plan.measure == "mean" else 1.0
    code_v = form * float(design.spec.sensor.volts_per_code)
    # The root's argument is cut at its last place, which is worth half over the root.
    cut = 1 + 1 / (2 * plan.target_rated) if plan.measure == "rms" else 1.0
    return code_v + cut * reading_step_v + ripple_v


def scale_width(plan: Plan) -> float:
    """Within what width the scale and the drive's level are rounded, units of scale."""
    scale = 1 / SCALE_ONE + (2.0**-plan.drive_bits if plan.has_proportional else 0.0)
    return scale + 2 / DRIVE_FULL * 2 / math.pi


def duty_widths_v(design: Design, wave: BridgeWave) -> tuple[Real, Real]:
    """Within what widths (C,) whole duty counts move the reading and the output's fundamental,
    volts RMS, over the scales near rated."""
    needed, limit = design.plants.scale_for_rated, float(design.spec.bridge.scale_max)
    needed = np.minimum(needed, limit)
    low, high = (1 - NEAR) * needed.min(), min((1 + NEAR) * needed.max(), limit)
    steps = np.arange(math.floor(low * SCALE_ONE), math.floor(high * SCALE_ONE) + 1)
    steps = steps[:: max(1, math.ceil(len(steps) * wave.points / MAX_DUTIES))]
    errors = wave.rounding(steps)
    fundamental = np.abs(wave.response[:, 0]) / math.sqrt(2)
    seen = (wave.response * _projection(design, wave)).T
    read = (errors @ seen).imag
    out = errors[:, :1].real * fundamental
    scale = steps[:, None] / SCALE_ONE
    near = np.abs(scale - needed) <= NEAR * needed
    return _width(read, near) * BETWEEN, _width(out, near) * BETWEEN


def _width(values: Real, near: NDArray[np.bool_]) -> Real:
    """Greatest less least of each column (S, C), over the rows that are near; 0 if none is."""
    high = np.where(near, values, -np.inf).max(axis=0)
    low = np.where(near, values, np.inf).min(axis=0)
    return np.where(near.any(axis=0), high - low, 0.0)


def _projection(design: Design, wave: BridgeWave) -> Complex:
    """What a unit of each harmonic at the output does to the reading (C, K), as the factor of its
    complex amplitude: a small wave beside the sine is seen by its product with the sine's sign
    (mean) or with the sine (rms)."""
    window, measure = design.window, design.spec.loop.measure
    delay = float(design.spec.sensor.delay_us / 1_000_000 * window.frequency_hz)
    turns = float(window.half_cycles_per_sample / 2) * np.arange(1, window.samples + 1) - delay
    begins = np.array([corner.phase_deg for corner in design.plants.corners]) / 360
    lag = np.angle(wave.response[:, 0])
    sine = np.sin(2 * math.pi * (begins[:, None] + turns) + lag[:, None])
    if measure == "mean":
        onto = np.sign(sine) * FORM_FACTOR / window.samples
    else:
        onto = sine / np.sqrt((sine**2).mean(axis=1, keepdims=True)) / window.samples
    waves = np.exp(2j * math.pi * turns[:, None] * wave.harmonics)
    turned = np.exp(2j * math.pi * begins[:, None] * wave.harmonics)
    return np.asarray(np.einsum("cm,mk->ck", onto, waves) * turned, dtype=np.complex128)


def _sums(taps: Real, kp: float, ki: float, where: str) -> _Sums:
    """Impulse at ``where`` ("reading" or "integrator") in the first window, followed until it is
    forgotten."""
    corners, length = taps.shape
    radius = float(spectral_radius(taps, kp, ki).max())
    decay = math.log(FORGOTTEN) / math.log(min(max(radius, 1e-3), 1 - 1e-9))
    windows = min(MAX_WINDOWS, math.ceil(decay) + length + 2)
    held = np.zeros((corners, length))
    integral, error = np.zeros(corners), np.zeros(corners)
    output, scale = np.zeros(corners), np.zeros(corners)
    size = np.zeros(corners)
    for k in range(windows):
        pulse = 1.0 if k == 0 else 0.0
        integral = integral + ki * error + (pulse if where == "integrator" else 0.0)
        driven = integral + kp * error
        held = np.roll(held, 1, axis=1)
        held[:, 0] = driven
        y = (taps * held).sum(axis=1)
        error = -(y + (pulse if where == "reading" else 0.0))
        output += np.abs(y)
        scale += np.abs(driven)
        size = np.abs(y) + np.abs(driven)
    # All that follows: at most a geometric series of what was last seen.
    rest = size * radius / (1 - radius)
    return _Sums(output + rest, scale + rest)
