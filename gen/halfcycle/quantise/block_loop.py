"""Runs the integer loop of a window of blocks in the circuit of every corner, sample by sample.

A loop with a PI step per block answers within the half cycle, so that its plant is no list of
weights per window: the circuit itself is run (``sampled_circuit``), the codes are summed block by
block into the ring, and the model's own PI step follows each update. The scale takes effect as
late as an update may end.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from halfcycle.design.types import Design
from halfcycle.loop.corner_plants import other_buses
from halfcycle.loop.drive import reading_of_scale
from halfcycle.loop.filter_model import Complex, Real
from halfcycle.quantise import resolution
from halfcycle.quantise.bridge_wave import BridgeWave, corner_circuits
from halfcycle.quantise.quantised import Quantised
from halfcycle.quantise.rest_runs import BEGIN, MAX_WINDOWS, UNSETTLED, Run, Start
from halfcycle.quantise.sampled_circuit import CornerModes, SampledCircuit
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import FLAG_LIMIT, SCALE_ONE, Plan
from halfcycle.regulator.trace import scale_by
from halfcycle.windows.zero_tracking import zero_left_codes

FORGOTTEN = 1e-6
"""Share to which the filter's ringing has decayed where it no longer counts."""
JUDGED = 48
"""Updates by which a loop is judged at rest, at least: more if the samples take longer to meet the
sine at the same places again..."""
MAX_REPEATS = 400
"""...unless they take longer than this; it is then judged by twice as many as at least."""


def run_blocks(loop: BlockLoop) -> Run:
    """Run until every corner rests or time is up.

    At rest is proven as for plain windows: the integrator has stood still for as many updates as
    ring, circuit and lateness remember, and for as many as it takes the samples to meet the sine at
    the same places again. If they never do soon enough, a loop is judged by what it did last.
    """
    design, plan = loop.design, loop.plan
    update_ms = 1000 * float(design.window.update_s)
    settling_ms = design.loop.settling_ms or UNSETTLED * design.window.duration_ms
    begins = math.ceil(2 * settling_ms / update_ms * math.log(2 * BEGIN) / math.log(50))
    repeats = (design.window.frequency_hz * design.window.update_s).denominator
    judged = max(JUDGED, repeats) if repeats <= MAX_REPEATS else 2 * JUDGED
    still = judged + loop.memory
    most = min(MAX_WINDOWS, begins + max(judged, still if repeats <= MAX_REPEATS else 0))

    corners = len(loop.regulators)
    integrals = np.zeros((most, corners), dtype=np.int64)
    scales, readings = np.zeros_like(integrals), np.zeros_like(integrals)
    outputs = np.zeros((most, corners))
    active, rows = loop.boards, 0
    while rows < most and len(active):
        loop.update(active)
        regulators = [loop.regulators[corner] for corner in active]
        integrals[rows, active] = [regulator.integral for regulator in regulators]
        scales[rows, active] = [regulator.scale() for regulator in regulators]
        readings[rows:, active] = [r.reading[r.output_sequence & 1] for r in regulators]
        outputs[rows, active] = loop.driven_v[active]
        rows += 1
        if rows > still and repeats <= MAX_REPEATS:
            active = active[np.ptp(integrals[rows - still - 1 : rows, active], axis=0) > 0]

    last = slice(max(0, rows - judged), rows)
    steps, moved = np.zeros(corners, dtype=np.int64), np.zeros(corners)
    steps[active] = np.ptp(scales[last, active], axis=0)
    moved[active] = np.ptp(_half_cycles(outputs[last, active], design), axis=0)
    reported = scale_by(readings[last], plan.millivolt_gain, plan.millivolt_shift)
    off = np.abs(reported - plan.rated_mv).max(axis=0) / 1000
    others = np.ones(corners, dtype=bool)
    others[loop.boards] = False
    limited = np.array([bool(r.flags() & FLAG_LIMIT) for r in loop.regulators]) | others
    steps[limited], moved[limited], off[limited] = 0, 0.0, 0.0
    return Run(rows, moved, steps, off)


def _half_cycles(outputs: Real, design: Design) -> Real:
    """Mean of the driven output (R, A) over as many updates as a half cycle holds, at least one."""
    half_cycle_s = 1 / (2 * design.window.frequency_hz)
    count = max(1, min(int(half_cycle_s / design.window.update_s), len(outputs)))
    summed = np.cumsum(np.pad(outputs, ((1, 0), (0, 0))), axis=0)
    return np.asarray((summed[count:] - summed[:-count]) / count)


class BlockLoop(ABC):
    """The regulators and circuits of all corners, an update at a time."""

    def __init__(self, design: Design, quantised: Quantised, start: Start, late_s: float) -> None:
        """``late_s``: how long after its block's last sample an update takes effect."""
        self.design, self.plan = design, quantised.plan
        spec, window, corners = design.spec, design.window, design.plants.corners
        self.codes_per_volt = 1 / float(spec.sensor.volts_per_code)
        self.zero = float(self.plan.zero_code)
        if spec.sensor.zero_tolerance_codes:
            codes = zero_left_codes(spec, window)
            self.zero += start.zero_part + start.zero_share * codes
        bus = np.array([corner.bus_v for corner in corners])
        self.stronger = 1 + start.inward * (other_buses(spec, bus) / bus - 1)
        self.volts = bus * self.stronger * np.array([corner.sensor for corner in corners])
        # As the sensor sees it: its delay makes every change later.
        self.late = (late_s + float(spec.sensor.delay_us / 1_000_000)) / float(window.period_s)
        self.pending: list[tuple[float, NDArray[np.int64]]] = []
        self.ring = np.zeros((len(corners), self.plan.blocks), dtype=np.int64)
        self.block_weights = np.array(self.plan.block_weights, dtype=np.int64)
        self.regulators = [Regulator(_of_one_block(self.plan)) for _ in corners]
        boards = [
            (corner.inductance_h, corner.capacitance_f, corner.load, corner.bus_v, corner.sensor)
            for corner in corners
        ]
        self.boards = np.array([boards.index(board) for board in dict.fromkeys(boards)])
        """The corners that are run: of those that differ in the phase alone, which a moving window
        goes through anyway, one."""
        self._begin(start)

    def _begin(self, start: Start) -> None:
        """Every corner some counts off rated, past the ramp, at rest but for that."""
        plan, spec = self.plan, self.design.spec
        share = 1 + start.counts / plan.target_rated
        limit = float(spec.bridge.scale_max)
        scale = np.minimum(share * self.design.plants.scale_for_rated / self.stronger, limit)
        for regulator, one in zip(self.regulators, scale, strict=True):
            regulator.set_target_mv(plan.rated_mv)
            regulator.integral = int(one * 2**plan.drive_bits)
            regulator.out_scale[0] = int(one * SCALE_ONE)
            regulator.ramp = plan.target_rated << plan.ramp_bits if plan.ramped else 0
        angular = 2 * math.pi * float(self.design.window.frequency_hz)
        circuits, rows = corner_circuits(self.design)
        period_s = float(self.design.window.period_s)
        harmonics = self.harmonics.astype(np.float64)
        self.modes = CornerModes.of(circuits, rows, angular, harmonics, period_s)
        phase = np.array([corner.phase_deg for corner in self.design.plants.corners])
        begins = np.radians(phase + start.turned_deg)[:, None] * harmonics
        delay = angular * float(spec.sensor.delay_us / 1_000_000) * harmonics
        spectra = self.spectra([regulator.scale() for regulator in self.regulators])
        self.driven_v = self._driven(slice(None), spectra)
        self.circuit = SampledCircuit(
            self.modes,
            spectra,
            np.exp(1j * (begins - delay)),
            angular * period_s * harmonics,
        )
        for _ in range(plan.blocks):
            self._block(self.boards)

    @property
    def memory(self) -> int:
        """Updates after which nothing is left of what was before."""
        plan = self.plan
        samples = plan.samples + self.modes.memory(FORGOTTEN) + math.ceil(self.late)
        return math.ceil(samples / (plan.block_samples * plan.update_blocks)) + 1

    @property
    @abstractmethod
    def harmonics(self) -> NDArray[np.int64]:
        """Those of the bridge's wave that are followed (K,), from 1 on."""

    @abstractmethod
    def spectra(self, scales: list[int]) -> Complex:
        """Complex amplitudes (A, K) of the bridge's wave at ``scales``, units of the bus."""

    def update(self, active: NDArray[np.intp]) -> None:
        """Measure the blocks up to the next update, and update the ``active`` corners."""
        plan = self.plan
        for _ in range(plan.update_blocks):
            self._block(active)
        totals = self.ring[active] @ self.block_weights
        for corner, total in zip(active, totals, strict=True):
            self.regulators[corner].close_with(int(total))
            self.regulators[corner].update()
        scales = np.array([regulator.scale() for regulator in self.regulators])
        self.pending.append((self.late, scales))

    def _block(self, active: NDArray[np.intp]) -> None:
        """A block's samples, and its sum into the ring."""
        plan = self.plan
        total = np.zeros(len(active))
        remaining = plan.block_samples
        while remaining:
            while self.pending and self.pending[0][0] <= 1:
                at, scales = self.pending.pop(0)
                self._change(active, scales[active].tolist(), at)
            count = remaining
            if self.pending:
                count = min(count, math.ceil(self.pending[0][0]) - 1)
            volts = self.volts[active, None] * self.circuit.samples(active, count)
            self.pending = [(at - count, scales) for at, scales in self.pending]
            remaining -= count
            codes = np.clip(np.rint(self.zero + volts * self.codes_per_volt), 0, plan.adc_max)
            magnitude = np.abs(codes - plan.zero_code)
            terms = magnitude**2 if plan.measure == "rms" else magnitude
            total += terms.sum(axis=1)
        self.ring[active, 1:] = self.ring[active, :-1]
        self.ring[active, 0] = total.astype(np.int64)

    def _change(self, active: NDArray[np.intp], scales: list[int], at: float) -> None:
        spectra = self.spectra(scales)
        self.circuit.change(active, spectra, at)
        self.driven_v[active] = self._driven(active, spectra)

    def _driven(self, rows: slice | NDArray[np.intp], spectra: Complex) -> Real:
        """What the fundamentals of ``spectra`` make at the output, volts RMS."""
        size = np.abs(spectra[:, 0] * self.modes.transfer[rows, 0])
        return np.asarray(self.volts[rows] * size / math.sqrt(2))


class SineBlocks(BlockLoop):
    """The fundamental alone, in duties of one call a loop period."""

    @property
    def harmonics(self) -> NDArray[np.int64]:
        """The first."""
        return np.array([1])

    def spectra(self, scales: list[int]) -> Complex:
        """In whole duty counts, clipped."""
        counts = self.design.spec.bridge.pwm_counts
        wanted = np.array(scales) / SCALE_ONE
        stepped = resolution.duty_amplitude(wanted, self.design.window, counts)
        return reading_of_scale(stepped, self.plan.measure)[0].astype(np.complex128)[:, None]


class WaveBlocks(BlockLoop):
    """The wave of whole duty counts at the bridge's own rate."""

    def __init__(
        self, design: Design, quantised: Quantised, wave: BridgeWave, start: Start, late_s: float
    ) -> None:
        self.wave = wave
        super().__init__(design, quantised, start, late_s)

    @property
    def harmonics(self) -> NDArray[np.int64]:
        """All that the filter passes."""
        return self.wave.harmonics

    def spectra(self, scales: list[int]) -> Complex:
        """Of the duties themselves."""
        return np.stack([self.wave.spectrum(scale) for scale in scales])


def _of_one_block(plan: Plan) -> Plan:
    """The Plan whose PI step takes the weighted sum of ``plan`` as one window's."""
    return replace(plan, block_weights=(1,), update_blocks=1, span_blocks=1, tracking=None)
