"""How far the output of a loop of blocks may move at rest: a bound over boards, starts and phases.

As ``movement`` has it, but the loop answers within the half cycle, so that its response to a
disturbance depends on where in the sine it comes: the loop is periodic. Its impulse responses are
computed in the circuit, about the steady sine, from all over the half cycle; a disturbance that
stays within a width moves the output by at most that width times the sum, over the time since, of
the greatest size that any of them has (the peak gain of a periodic loop is no more than this; it is
the l1 norm if the loop is not periodic; Desoer and Vidyasagar, 1975, ch. 2, from memory).

What the sensor's zero does to a window that does not cancel it is no such disturbance: its wave is
known, and it is run as it is. The output's movement is that of the RMS of half cycles that end at
any sample.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from halfcycle.design.types import Design
from halfcycle.loop.filter_model import Complex, Real, modes
from halfcycle.quantise.bridge_wave import BridgeWave, corner_circuits
from halfcycle.quantise.movement import Movement, duty_widths_v, reading_width_v, scale_width
from halfcycle.regulator.plan import SCALE_ONE, Plan
from halfcycle.windows.sample_weights import sample_weights
from halfcycle.windows.search import Window
from halfcycle.windows.zero_tracking import zero_left_codes

PHASES = 12
"""Phases of the sine at which an impulse comes, over the half cycle. A response is a constant and
a sinusoid of twice the phase and little more, so that what lies between is missed by up to 1 - cos
of half a step..."""
BETWEEN = 1 / math.cos(math.pi / PHASES)
"""...which this makes up for."""
FORGOTTEN = 1e-4
"""Share of the greatest response where it is cut; the rest is added as a geometric series."""
MAX_UPDATES = 5_000
MAX_REPEATS = 100
"""Updates of which the zero's movement is taken, at most, if the samples meet the sine at the same
places again only after more of them."""
RIPPLE_PHASES = 720
"""Phases at which the reading of a steady sine is tried for its ripple, over a half cycle."""


def periodic_movement_bound(
    design: Design, plan: Plan, reading_step_v: float, wave: BridgeWave
) -> Movement:
    """The bound for a stable loop of blocks. ``reading_step_v``: one reading count, volts RMS."""
    rated_v = float(design.spec.output.rated_rms_v)
    gains_v = design.plants.gains * rated_v
    duties_read, duties_out = duty_widths_v(design, wave)
    ripple_v, zero_ripple_v = _ripples_v(design)
    reading = reading_width_v(design, plan, reading_step_v, ripple_v + zero_ripple_v) + duties_read
    # Of each kind of disturbance the width, units of rated (the reading's) or of the scale.
    widths = np.stack(
        np.broadcast_arrays(reading / rated_v, 2.0**-plan.drive_bits, scale_width(plan), 1.0)
    )
    late_s = sorted({0.0, float(design.spec.update_within_s)})
    sizes = [PeriodicLoop(design, late).sizes() for late in late_s]
    moved = np.max([(widths * size.output).sum(axis=0) for size in sizes], axis=0)
    scale = np.max([(widths * size.scale).sum(axis=0) for size in sizes], axis=0)
    top_v = float(design.spec.bridge.scale_max) * gains_v
    output = np.minimum(moved * rated_v + duties_out, top_v)
    steps = min(float(scale.max()), float(design.spec.bridge.scale_max)) * SCALE_ONE
    worst = int(np.argmax(np.round(output, 12)))
    return Movement(
        output_v=float(output[worst]),
        # The scale is itself rounded: to either side of what moves by this.
        steps=math.ceil(steps) + 1,
        corner=design.plants.corners[worst].label,
    )


def _ripples_v(design: Design) -> tuple[float, float]:
    """Within what widths the reading of a steady sine moves from update to update, and by how much
    more that of the sensor's zero does at another frequency than at the rated one, volts RMS."""
    spec, window = design.spec, design.window
    rated_v = float(spec.output.rated_rms_v)
    off_hz = float(spec.output.frequency_tolerance_hz)
    hertz = float(spec.output.frequency_hz)
    weights = sample_weights(window)
    ripple = 0.0
    for at in sorted({hertz - off_hz, hertz, hertz + off_hz}):
        ripple = max(ripple, _ripple(window, weights, spec.loop.measure, at, fixed=at == hertz))
    zero_v = zero_left_codes(spec, window) * float(spec.sensor.volts_per_code)
    more = max(_gain(window, weights, hertz + off) for off in (-off_hz, 0.0, off_hz))
    more -= _gain(window, weights, hertz)
    return rated_v * ripple, 2 * math.sqrt(2) * zero_v * more


def _ripple(window: Window, weights: Real, measure: str, hertz: float, *, fixed: bool) -> float:
    """Greatest less least reading of a steady sine over the updates, share of it; ``fixed``: the
    updates come back to the same places of the sine, so that only these are compared."""
    turn = 2 * math.pi * hertz * float(window.period_s)
    starts: Real = np.linspace(0.0, math.pi, RIPPLE_PHASES, endpoint=False)
    if not fixed or _updates_to_repeat(window) > RIPPLE_PHASES:
        readings = _readings(starts, turn, weights, measure)
        return float(np.ptp(readings) / readings.mean())
    # Offsets of the grid against the sine, then the places that the updates come to from there.
    parts = _updates_to_repeat(window)
    offsets = starts[:: max(1, RIPPLE_PHASES // 48)] / parts
    places = offsets[:, None] + np.linspace(0.0, math.pi, parts, endpoint=False)
    readings = _readings(places, turn, weights, measure)
    return float((np.ptp(readings, axis=1) / readings.mean(axis=1)).max())


def _readings(phases: Real, turn: float, weights: Real, measure: str) -> Real:
    sine = np.sin(phases[..., None] + turn * np.arange(len(weights)))
    if measure == "rms":
        return np.asarray(np.sqrt((sine**2) @ weights))
    return np.asarray(np.abs(sine) @ weights)


def _gain(window: Window, weights: Real, hertz: float) -> float:
    """|W| at ``hertz``."""
    turn = 2 * math.pi * hertz * float(window.period_s)
    return float(abs(weights @ np.exp(-1j * turn * np.arange(len(weights)))))


def _updates_to_repeat(window: Window) -> int:
    """Updates until the samples meet the half cycle at the same places again."""
    return (2 * window.frequency_hz * window.update_s).denominator


_MODES = np.ones(3)
"""Adds up the modes of a circuit: faster than a sum along so short an axis."""

READING, INTEGRATOR, DRIVE, ZERO = range(4)
"""The kinds of disturbance, which are run side by side."""


@dataclass(frozen=True, slots=True)
class _Sizes:
    """How far each kind of disturbance moves the half cycles' RMS, in units of rated, and the
    scale: (4, C), by kind and corner. For READING, INTEGRATOR and DRIVE that is per unit of its
    width; for ZERO it is what the zero's tolerance does, peak to peak."""

    output: Real
    scale: Real


@dataclass(frozen=True, slots=True)
class _Piece:
    """A part of a loop period, from its share ``begin`` on, in which nothing changes. Of each mode
    (C, 1, 3): its ``decay``, and its integrals times exp(jwt), ``up``, and exp(-jwt), ``down``."""

    begin: float
    length_s: float
    decay: Complex
    up: Complex
    down: Complex

    @classmethod
    def of(cls, begin: float, length_s: float, poles: Complex, angular: float) -> _Piece:
        """With the modes' ``poles``, per second, and the sine's rad/s."""
        up, down = poles + 1j * angular, poles - 1j * angular
        return cls(
            begin,
            length_s,
            np.exp(poles * length_s),
            np.expm1(up * length_s) / up,
            np.expm1(down * length_s) / down,
        )


class PeriodicLoop:
    """Small changes about the steady sine, at C corners and P phases: a unit of output is that of
    the sine at a scale of 1, and an error is one of rated."""

    def __init__(self, design: Design, late_s: float) -> None:
        spec, window = design.spec, design.window
        circuits, every_row = corner_circuits(design)
        # Corners that differ in the phase alone are one here, as all phases are tried.
        pairs = list(zip(every_row, design.plants.gains.tolist(), strict=True))
        distinct = list(dict.fromkeys(pairs))
        self._place = np.array([distinct.index(pair) for pair in pairs])
        rows = [row for row, _ in distinct]
        self.gains: Real = np.array([gain for _, gain in distinct])[:, None]
        self.window, self.measure = window, spec.loop.measure
        self.kp, self.ki = float(design.kp), float(design.ki)
        self.angular = 2 * math.pi * float(window.frequency_hz)
        self.period_s = float(window.period_s)
        own = modes(circuits, self.angular)
        turned = np.exp(1j * np.angle(own.transfer)) * np.abs(own.transfer)
        self._forward: Complex = (own.steady / turned[:, None])[rows, None]
        self._backward: Complex = (own.steady_conj / turned.conj()[:, None])[rows, None]
        self.late = (late_s + float(spec.sensor.delay_us / 1_000_000)) / self.period_s
        zero_v = zero_left_codes(spec, window) * float(spec.sensor.volts_per_code)
        self.zero = zero_v / float(spec.output.rated_rms_v) / math.sqrt(2)
        self.half_cycle = float(1 / (2 * window.frequency_hz * window.period_s))
        # A step is cut where a change comes in, and where the oldest half cycle begins.
        self.oldest = 1 - self.half_cycle % 1
        cuts = sorted({0.0, self.late % 1, self.oldest, 1.0})
        poles = own.poles[rows, None]
        self.pieces = [
            _Piece.of(begin, (end - begin) * self.period_s, poles, self.angular)
            for begin, end in itertools.pairwise(cuts)
        ]
        self.weights = sample_weights(window)[:: -window.block_samples]

    def sizes(self) -> _Sizes:
        """Run the impulses, and a zero that is off, until the impulses are forgotten."""
        repeats = max(self._memory, min(_updates_to_repeat(self.window) * 2, MAX_REPEATS))
        self._start()
        outputs: list[Real] = []
        drives: list[Real] = []
        sizes: list[Real] = []
        for k in range(MAX_UPDATES):
            output, drive = self._update(first=k == 0)
            outputs.append(np.abs(output[:, :ZERO]).max(axis=(0, 3)))
            drives.append(np.abs(drive[:ZERO]).max(axis=2))
            sizes.append(outputs[-1] / self.gains[:, 0] + drives[-1])
            self._keep_zero(output[:, ZERO], drive[ZERO], repeats)
            enough = k > max(2 * self._memory, repeats)
            recent = np.max(sizes[-self._memory :], axis=0)
            if enough and (recent < FORGOTTEN * np.max(sizes[: self._memory], axis=0)).all():
                break
        recent, before = (
            np.sum(sizes[part], axis=0)
            for part in (slice(-self._memory, None), slice(-2 * self._memory, -self._memory))
        )
        ratio = np.clip(recent / np.maximum(before, 1e-300), 0.0, 1 - 1e-9)
        rest = recent * ratio / (1 - ratio)
        zeros = [np.ptp(np.concatenate(rows), axis=0).max(axis=1) for rows in self.zeros]
        output = np.concatenate([np.sum(outputs, axis=0) + rest * self.gains[:, 0], zeros[:1]])
        scale = np.concatenate([np.sum(drives, axis=0) + rest, zeros[1:]])
        return _Sizes(BETWEEN * output[:, self._place], BETWEEN * scale[:, self._place])

    def _keep_zero(self, output: Real, drive: Real, repeats: int) -> None:
        """What the zero does in the last ``repeats`` updates."""
        for rows, row in zip(self.zeros, (output, drive[None]), strict=True):
            rows.append(row)
            del rows[:-repeats]

    @property
    def _memory(self) -> int:
        """Updates by which a response is judged: a window, or a few."""
        return max(self.window.updates, math.ceil(self.half_cycle / self.window.update_samples), 4)

    def _start(self) -> None:
        shape = (ZERO + 1, len(self.gains), PHASES)
        self.angle: Real = np.linspace(0.0, math.pi, PHASES, endpoint=False)
        """Of the sensed sine at the newest sample."""
        self.left = np.zeros((*shape, 3), dtype=np.complex128)
        self.seen = np.zeros(shape)
        """The change of scale in force, as the sensor sees it."""
        self.integral, self.error = np.zeros(shape), np.zeros(shape)
        self.pending: list[tuple[float, Real]] = []
        self.zeros: tuple[list[Real], list[Real]] = ([], [])
        blocks = self.window.blocks
        self.ring, self.size = np.zeros((blocks, *shape)), np.zeros((blocks, PHASES))
        before = self.angle - self.angular * self.period_s * self.window.samples
        for sample in range(self.window.samples):
            onto = self._projection(before + self.angular * self.period_s * (sample + 1))
            at = blocks - 1 - sample // self.window.block_samples
            self.size[at] += onto * np.sin(before + self.angular * self.period_s * (sample + 1))
        # Energy up to the end of each step, and that of its part in the oldest half cycle.
        self.steps: list[tuple[Real, Real]] = [(self.seen, self.seen)] * (int(self.half_cycle) + 1)

    def _projection(self, angle: Real) -> Real:
        """What a change of the sample at each ``angle`` (P,) of the sine adds to the sum."""
        return np.sin(angle) if self.measure == "rms" else np.sign(np.sin(angle))

    def _update(self, *, first: bool) -> tuple[Real, Real]:
        """One update, the impulses in the ``first``: the half cycles' RMS that end with each of its
        samples (S, 4, C, P), and the drive (4, C, P)."""
        window = self.window
        self.integral = self.integral + self.ki * self.error
        if first:
            self.integral[INTEGRATOR] += 1.0
        drive = self.integral + self.kp * self.error
        if first:
            drive[DRIVE] += 1.0
        self.pending.append((self.late, drive))
        outputs = []
        for _ in range(window.blocks // window.updates):
            self.ring = np.roll(self.ring, 1, axis=0)
            self.size = np.roll(self.size, 1, axis=0)
            total, size = np.zeros_like(drive), np.zeros(PHASES)
            for _ in range(window.block_samples):
                output, sensed = self._sample()
                outputs.append(output)
                sensed[ZERO] += self.zero / self.gains
                onto = self._projection(self.angle)
                total, size = total + onto * sensed, size + onto * np.sin(self.angle)
            self.ring[0], self.size[0] = total, size
        whole = np.tensordot(self.weights, self.size, axes=1)
        y = self.gains * np.tensordot(self.weights, self.ring, axes=1) / whole
        if first:
            y[READING] += 1.0
        self.error = -y
        return np.array(outputs) * self.gains, drive

    def _sample(self) -> tuple[Real, Real]:
        """One loop period: the RMS of the half cycle that ends with it, and the change of the
        sample, both in units of a steady sine's size (C, P)."""
        whole, part = np.zeros_like(self.seen), np.zeros_like(self.seen)
        for piece in self.pieces:
            while self.pending and self.pending[0][0] <= piece.begin + 1e-12:
                self._change(self.pending.pop(0)[1])
            energy = self._energy(piece)
            whole = whole + energy
            if piece.begin >= self.oldest:
                part = part + energy
            self.left = self.left * piece.decay
            self.angle = self.angle + self.angular * piece.length_s
        self.pending = [(at - 1, drive) for at, drive in self.pending]
        upto = self.steps[0][0] + whole
        self.steps = [(upto, part), *self.steps[:-1]]
        oldest, part = self.steps[-1]
        energy = upto - oldest + part
        half_cycle_s = self.half_cycle * self.period_s
        sensed = self.seen * np.sin(self.angle) + self.left.real @ _MODES
        return np.asarray(2 * energy / half_cycle_s), np.asarray(sensed)

    def _change(self, drive: Real) -> None:
        """The scale becomes ``drive``: the modes take over what the sine kept up before."""
        turned = np.exp(1j * self.angle)[:, None]
        kept = (turned * self._forward - self._backward / turned) / 2j
        self.left = self.left + (self.seen - drive)[..., None] * kept
        self.seen = drive

    def _energy(self, piece: _Piece) -> Real:
        """Integral of sine times change over ``piece`` from here (C, P)."""
        after = self.angle + self.angular * piece.length_s
        swing = (np.sin(2 * after) - np.sin(2 * self.angle)) / (4 * self.angular)
        turned = np.exp(1j * self.angle)[:, None]
        seen = (turned * piece.up - piece.down / turned) / 2j
        steady = self.seen * (piece.length_s / 2 - swing)
        return np.asarray(steady + (self.left * seen).real @ _MODES)
