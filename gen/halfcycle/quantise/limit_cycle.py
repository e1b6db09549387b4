"""Runs the integer loop on the window-rate plant of every corner, to see whether it comes to rest.

The conditions against limit cycles (``resolution.least_shift``) are necessary, not sufficient; so
the very model of the C is run on quantised readings, without noise. What is seen holds for the
circuits, phases and zeros that were run; ``halfcycle.quantise.movement`` bounds all others.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod

import numpy as np
from numpy.typing import NDArray

from halfcycle.design.types import Design
from halfcycle.loop.corner_plants import other_buses
from halfcycle.loop.drive import reading_of_scale
from halfcycle.quantise import resolution
from halfcycle.quantise.block_loop import SineBlocks, WaveBlocks, run_blocks
from halfcycle.quantise.bridge_wave import BridgeWave
from halfcycle.quantise.movement import movement_bound
from halfcycle.quantise.periodic_movement import periodic_movement_bound
from halfcycle.quantise.quantised import Quantised, Rest
from halfcycle.quantise.rest_runs import (
    BEGIN,
    MAX_WINDOWS,
    REST_WINDOWS,
    STARTS,
    UNSETTLED,
    Run,
    Start,
    linear_gains,
)
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import FLAG_LIMIT, SCALE_ONE
from halfcycle.windows.zero_tracking import zero_left_codes


def run_sine(design: Design, quantised: Quantised) -> Run:
    """Run the loop on the fundamental alone, the drive called once a loop period and the sensor's
    zero where it should be. By its movement the reading's resolutions are compared."""
    if quantised.plan.blocks > 1:
        return run_blocks(SineBlocks(design, quantised, STARTS[0], 0.0))
    return _run(_SineLoop(design, quantised))


def run_to_rest(design: Design, quantised: Quantised, sine: Run) -> Rest:
    """Start every corner a few counts off rated and run it until it rests or time is up. ``sine``:
    what ``run_sine`` saw.

    At rest is proven, not watched for: once the integrator has stood still for as many windows as
    the plant remembers, every later window of that run is the same. Corners that do not get there
    are judged by their last windows; those at the drive limit are left out, as they do not meet
    the target. Windows of blocks are run by ``block_loop``.
    """
    wave = BridgeWave(design, quantised.plan)
    runs = [sine, *(_run_wave(design, quantised, wave, place) for place in range(len(STARTS)))]
    moved = np.array([run.moved_v for run in runs])
    # The sensor's zero is judged apart.
    exact = [True, *(not (start.zero_share or start.zero_part) for start in STARTS)]
    off = np.array([run.off_v for run in runs]) * np.array(exact)[:, None]
    by_corner = moved if moved.max() > 0 else off
    worst = int(np.unravel_index(np.argmax(by_corner), by_corner.shape)[1])
    bound_of = periodic_movement_bound if quantised.plan.blocks > 1 else movement_bound
    bound = bound_of(design, quantised.plan, quantised.reading_step_v, wave)
    return Rest(
        windows=max(run.windows for run in runs),
        hunting_v=float(moved.max()),
        hunting_steps=max(int(run.moved_steps.max()) for run in runs),
        bound_v=bound.output_v,
        bound_steps=bound.steps,
        error_v=float(off.max()),
        still_v=float(moved[exact].max()),
        corner=design.plants.corners[worst].label,
    )


def _run_wave(design: Design, quantised: Quantised, wave: BridgeWave, place: int) -> Run:
    """From the start at ``place``; updates of blocks are at once and as late as they may be by
    turns."""
    start = STARTS[place]
    if quantised.plan.blocks > 1:
        late_s = float(design.spec.update_within_s) if place % 2 else 0.0
        return run_blocks(WaveBlocks(design, quantised, wave, start, late_s))
    return _run(_WaveLoop(design, quantised, wave, start))


def _run(loop: _Loop) -> Run:
    design = loop.design
    settling_ms = design.loop.settling_ms
    settle = math.ceil(settling_ms / design.window.duration_ms) if settling_ms else UNSETTLED
    # The settling time is the time to a fiftieth; twice the few counts have to become none.
    most = min(MAX_WINDOWS, math.ceil(2 * settle * math.log(2 * BEGIN) / math.log(50)))
    most += REST_WINDOWS
    memory = loop.weights.shape[1] + 1

    corners = len(loop.regulators)
    outputs = np.zeros((most, corners))
    integrals = np.zeros((most, corners), dtype=np.int64)
    scales = np.zeros((most, corners), dtype=np.int64)
    active = np.arange(corners)
    rows = 0
    while rows < most and len(active):
        loop.window(active)
        integrals[rows, active] = [loop.regulators[corner].integral for corner in active]
        scales[rows, active] = [loop.regulators[corner].scale() for corner in active]
        outputs[rows, active] = loop.output[active]
        rows += 1
        if rows > memory and loop.repeats:
            recent = integrals[rows - memory - 1 : rows, active]
            active = active[np.ptp(recent, axis=0) > 0]

    last = slice(max(0, rows - REST_WINDOWS), rows)
    steps, moved = np.zeros(corners, dtype=np.int64), np.zeros(corners)
    steps[active] = np.ptp(scales[last, active], axis=0)
    moved[active] = np.ptp(outputs[last, active], axis=0)
    off = np.array([abs(r.rms_mv() - loop.plan.rated_mv) / 1000 for r in loop.regulators])
    limited = np.array([bool(r.flags() & FLAG_LIMIT) for r in loop.regulators])
    steps[limited], moved[limited], off[limited] = 0, 0.0, 0.0
    return Run(rows, moved, steps, off)


class _Loop(ABC):
    """The regulators and plants of all corners, a window at a time."""

    def __init__(self, design: Design, quantised: Quantised) -> None:
        self.design, self.plan = design, quantised.plan
        self.weights = design.plants.weights
        self.driven = np.zeros_like(self.weights)
        self.zero = float(self.plan.zero_code)
        self.repeats = True
        self.codes_per_volt = 1 / float(design.spec.sensor.volts_per_code)
        self.output = np.zeros(len(self.weights))
        self.stronger = np.ones(len(self.weights))
        """Gain over the corner's own."""
        self.regulators = [Regulator(self.plan) for _ in self.weights]

    def begin(self, counts: int) -> None:
        """Every corner ``counts`` off rated, past the ramp, at rest but for that."""
        plan = self.plan
        share = 1 + counts / plan.target_rated
        limit = float(self.design.spec.bridge.scale_max)
        start = np.minimum(share * self.design.plants.scale_for_rated / self.stronger, limit)
        for regulator, scale in zip(self.regulators, start, strict=True):
            regulator.set_target_mv(plan.rated_mv)
            regulator.integral = int(scale * 2**plan.drive_bits)
            regulator.out_scale[0] = int(scale * SCALE_ONE)
            regulator.ramp = plan.target_rated << plan.ramp_bits if plan.ramped else 0
        self.driven[:] = self.amplitudes(start)[:, None]

    def window(self, active: NDArray[np.intp]) -> None:
        """Drive, measure and update the ``active`` corners for one window."""
        plan = self.plan
        scales = [self.regulators[corner].scale() for corner in active]
        self.driven[active, 1:] = self.driven[active, :-1]
        self.driven[active, 0] = self.amplitudes(np.array(scales) / SCALE_ONE)
        level = (self.weights[active] * self.driven[active]).sum(axis=1)
        codes = np.rint(self.zero + self.volts(active, level, scales) * self.codes_per_volt)
        magnitude = np.abs(np.clip(codes, 0, plan.adc_max) - plan.zero_code)
        terms = magnitude**2 if plan.measure == "rms" else magnitude
        for corner, total in zip(active, terms.sum(axis=1), strict=True):
            _measure(self.regulators[corner], int(total))

    @abstractmethod
    def amplitudes(self, scales: NDArray[np.float64]) -> NDArray[np.float64]:
        """What ``scales`` (A,) are worth in the bridge's wave, 1.0 for a full sine."""

    @abstractmethod
    def volts(
        self, active: NDArray[np.intp], level: NDArray[np.float64], scales: list[int]
    ) -> NDArray[np.float64]:
        """Output at the samples (A, M) as the sensor has it, for the weighted amplitudes ``level``
        (A,); sets ``output``."""


class _SineLoop(_Loop):
    """The fundamental alone, in duties of one call a loop period."""

    def __init__(self, design: Design, quantised: Quantised) -> None:
        super().__init__(design, quantised)
        self.gain = linear_gains(design) * float(design.spec.output.rated_rms_v)
        phase = np.radians([corner.phase_deg for corner in design.plants.corners])
        per_sample = float(design.window.half_cycles_per_sample)
        angle = math.pi * per_sample * np.arange(self.plan.samples)
        self.sine = math.sqrt(2) * np.sin(angle + phase[:, None])
        self.begin(-BEGIN)

    def amplitudes(self, scales: NDArray[np.float64]) -> NDArray[np.float64]:
        """In whole duty counts, clipped."""
        counts = self.design.spec.bridge.pwm_counts
        stepped = resolution.duty_amplitude(scales, self.design.window, counts)
        return reading_of_scale(stepped, self.plan.measure)[0]

    def volts(
        self, active: NDArray[np.intp], level: NDArray[np.float64], scales: list[int]
    ) -> NDArray[np.float64]:
        """A sine at the corner's phase."""
        del scales
        self.output[active] = self.gain[active] * level
        return np.asarray(self.output[active, None] * self.sine[active])


class _WaveLoop(_Loop):
    """The wave of whole duty counts at the bridge's own rate: the fundamental follows the scale
    through the plant's weights, the harmonics are there at once."""

    def __init__(
        self, design: Design, quantised: Quantised, wave: BridgeWave, start: Start
    ) -> None:
        super().__init__(design, quantised)
        self.wave = wave
        sensor, window = design.spec.sensor, design.window
        self.repeats = window.whole
        if sensor.zero_tolerance_codes:
            self.zero += start.zero_part + start.zero_share * zero_left_codes(design.spec, window)
        per_sample = window.half_cycles_per_sample / 2
        # The bridge's wave at the samples, one for all corners, turned by each one's phase.
        turns = float(per_sample) * np.arange(1, self.plan.samples + 1)
        turns -= float(sensor.delay_us / 1_000_000 * window.frequency_hz)
        at_samples = np.exp(2j * math.pi * wave.harmonics[:, None] * turns)
        self.real, self.imaginary = at_samples.real.copy(), at_samples.imag.copy()
        phase = np.array([corner.phase_deg for corner in design.plants.corners])
        begins = (phase[:, None] + start.turned_deg) / 360
        self.turned = np.exp(2j * math.pi * wave.harmonics * begins)
        bus = np.array([corner.bus_v for corner in design.plants.corners])
        self.stronger = 1 + start.inward * (other_buses(design.spec, bus) / bus - 1)
        self.response = wave.response * self.stronger[:, None]
        # Each window begins where the last one ended: half a turn on after an odd count.
        advance = float(per_sample * self.plan.samples % 1)
        self.advance = np.exp(2j * math.pi * advance * wave.harmonics)
        self.begin(start.counts)

    def amplitudes(self, scales: NDArray[np.float64]) -> NDArray[np.float64]:
        """The wave's fundamental."""
        return np.abs([self.wave.spectrum(round(s * SCALE_ONE))[0] for s in scales.tolist()])

    def volts(
        self, active: NDArray[np.intp], level: NDArray[np.float64], scales: list[int]
    ) -> NDArray[np.float64]:
        """The filtered wave at the samples."""
        spectra = np.stack([self.wave.spectrum(scale) for scale in scales])
        # A scale of no duty at all has no fundamental: what the filter still holds is a plain sine.
        size = np.abs(spectra[:, 0])
        spectra[size == 0, 0] = 1.0
        spectra[:, 0] *= level / np.where(size == 0, 1.0, size)
        response = self.response[active]
        self.output[active] = level * np.abs(response[:, 0]) / math.sqrt(2)
        passed = response * spectra * self.turned[active]
        self.turned *= self.advance
        # einsum, as threads cost more than they gain at this size.
        return np.asarray(
            np.einsum("ck,km->cm", passed.real, self.imaginary)
            + np.einsum("ck,km->cm", passed.imag, self.real)
        )


def _measure(regulator: Regulator, total: int) -> None:
    """Hand a whole window's sum to the regulator, as its last sample would."""
    regulator.close_with(total)
    regulator.update()
