"""The loop in time: the true circuit under the firmware's law, for many boards and moments at once.

Bridge, filter and load move exactly (``circuit_flow``). The sensor's value is taken at each
sample's own instant, its true square or size is weighed as the window does it, and the law is the
firmware's with its clamps, in real numbers. Lengths are in units of rated RMS, so that an output at
rated has an RMS of 1. Arrays are (B, N): B boards, each run N times (phases, constants).

A scale above 1 is clipped at the bus. What clipping and the bus's resistance take off the sine is
averaged over short steps; the rest is exact.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from halfcycle.base.clipped_sine import FORM_FACTOR
from halfcycle.loop.circuit_flow import ADDED, COSINE, SINE, STATES, circuit_flow
from halfcycle.loop.envelope import Measure
from halfcycle.loop.filter_model import FilterCircuit, Real
from halfcycle.loop.normalised import Normalised, share_of
from halfcycle.windows.sample_weights import sample_weights

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

HALF_CYCLE_POINTS = 16
"""A half cycle's RMS is computed at least so often in a half cycle, at every sample at least."""
_CACHED = 1 << 15
"""Numbers of the states whose energies are worked out at a time: what a processor's cache holds."""
_CURVED_POINTS = 72
"""Short steps in a cycle, at least, if the bridge does not give an undisturbed sine."""


@dataclass(frozen=True, slots=True)
class Sampling:
    """When the output is sampled, how samples are weighed, and what bounds the drive.

    ``weights`` (M,): of each sample, the oldest first, sum 1. A reading is made every ``every``
    samples; the scale that it gives takes effect ``late_s`` after the last of them. The sensor
    lags ``delay_s``. ``top``: drive limit; ``bus_ohm``: resistance of the bus.
    """

    period_s: Fraction
    frequency_hz: Fraction
    delay_s: Fraction
    late_s: Fraction
    weights: Real
    every: int
    measure: Measure
    top: float
    bus_ohm: float

    @classmethod
    def of(cls, spec: Spec, window: Window, late_s: Fraction) -> Sampling:
        """How ``window`` samples the output of ``spec``, with updates ``late_s`` late."""
        return cls(
            period_s=window.period_s,
            frequency_hz=window.frequency_hz,
            delay_s=spec.sensor.delay_us / 1_000_000,
            late_s=late_s,
            weights=sample_weights(window),
            every=window.update_samples,
            measure=spec.loop.measure,
            top=float(spec.bridge.scale_max),
            bus_ohm=float(spec.bridge.bus_resistance_ohm),
        )

    @property
    def angular(self) -> float:
        """Angular frequency of the sine, rad/s."""
        return 2.0 * math.pi * float(self.frequency_hz)

    @property
    def half_cycle(self) -> Fraction:
        """A half cycle, in loop periods."""
        return 1 / (2 * self.frequency_hz * self.period_s)

    @property
    def lead(self) -> int:
        """Loop periods that a run needs before its event, for the half cycle then under way."""
        return math.ceil(self.half_cycle) + 1


@dataclass(frozen=True, slots=True)
class Boards:
    """B boards before an event and after it. ``bus_before`` and ``bus_after`` (B,): units of rated
    RMS; ``sensor`` (B,): the sensor's gain; ``zero``: its zero's error, units of rated RMS."""

    before: Sequence[FilterCircuit]
    after: Sequence[FilterCircuit]
    bus_before: Real
    bus_after: Real
    sensor: Real
    zero: float = 0.0

    def rows(self, rows: NDArray[np.intp]) -> Boards:
        """Some of the boards."""
        return Boards(
            [self.before[row] for row in rows],
            [self.after[row] for row in rows],
            self.bus_before[rows],
            self.bus_after[rows],
            self.sensor[rows],
            self.zero,
        )


@dataclass(frozen=True, slots=True)
class Event:
    """What happens, and where in the sampling: ``share`` of a loop period after a sample that is
    ``samples`` after an update's last one (0 up to, not including, the samples of an update).
    ``lead``: loop periods that are run before that update, rounded up to whole updates. A target's
    step comes with the update itself. ``periods``: loop periods run after."""

    target_before: float
    target_after: float
    periods: int
    lead: int
    samples: int = 0
    share: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class Course:
    """``times_s`` (K,): from the event on; ``half_rms`` (K, B, N): RMS of the half cycle that ends
    then, times the sensor's gain; ``reading`` and ``scale`` (B, N): the last ones."""

    times_s: Real
    half_rms: Real
    reading: Real
    scale: Real


def run(  # noqa: PLR0917 (who, when, with what constants, from where)
    sampling: Sampling,
    boards: Boards,
    event: Event,
    kp: Real,
    ki: Real,
    phase: Real,
    scale: Real,
    points: int = HALF_CYCLE_POINTS,
    law: Normalised | None = None,
) -> Course:
    """Run ``boards`` through ``event``. ``kp`` and ``ki`` (per update), ``phase`` (radians: the
    sine's at the event) and ``scale`` (the steady one before it) broadcast against (B, N).
    ``points``: of a half cycle at which its RMS is computed, at least. ``law``: the normalised one;
    None: the plain one."""
    plain = _Run(sampling, boards, event, kp, ki, phase, scale, law=law)
    course = plain.course(points)
    if plain.curved or not (rows := np.nonzero(plain.greatest > 1.0)[0]).size:
        return course
    # Some boards clip on the way: these again, in short steps.
    shape = plain.shape
    again = _Run(
        sampling,
        boards.rows(rows),
        event,
        *(np.broadcast_to(given, shape)[rows] for given in (kp, ki, phase, scale)),
        curved=True,
        law=law,
    ).course(points)
    course.half_rms[:, rows] = again.half_rms
    course.reading[rows], course.scale[rows] = again.reading, again.scale
    return course


class _Run:
    """One call's arrays. An interval is the time from one update to the next; steps are the parts
    of it in which nothing changes from outside."""

    def __init__(  # noqa: PLR0917 (as ``run``)
        self,
        sampling: Sampling,
        boards: Boards,
        event: Event,
        kp: Real,
        ki: Real,
        phase: Real,
        scale: Real,
        *,
        curved: bool = False,
        law: Normalised | None = None,
    ) -> None:
        self.sampling, self.boards, self.event = sampling, boards, event
        count = len(boards.before)
        self.shape = np.broadcast_shapes(kp.shape, ki.shape, phase.shape, scale.shape, (count, 1))
        self.kp, self.ki, self.law = kp, ki, law
        self.before = np.zeros(())
        """The share of the error before, of the normalised law."""
        every = sampling.every
        self.length = float(every * sampling.period_s)
        self.at = math.ceil(event.lead / every)
        """Interval in which the event comes, which is the one of the target's step."""
        self.share = (event.samples + event.share) / every
        """Where in that interval the event comes."""
        self.intervals = self.at + math.ceil((event.samples + event.periods) / every)
        self.angle = phase - sampling.angular * (self.at + float(self.share)) * self.length
        self.scale0 = np.broadcast_to(scale, self.shape).astype(np.float64)
        self.flows = [
            circuit_flow(tuple(c), sampling.angular) for c in (boards.before, boards.after)
        ]
        self.greatest = self.scale0.max(axis=1)
        """The greatest scale of each board so far, (B,)."""
        self.curved = curved or sampling.bus_ohm > 0 or bool((self.greatest > 1.0).any())
        self.size = ADDED + int(self.curved)
        """Length of ``z``; nothing is added to an undisturbed sine."""
        self.bounds = self._bounds()
        self.roots = [
            np.array([math.sqrt(c.inductance_h) for c in circuits])[:, None]
            for circuits in (boards.before, boards.after)
        ]
        """Of each board's inductance, before and after the event, (B, 1): the first state is the
        current times it."""

    def _bounds(self) -> list[Fraction]:
        """Instants inside an interval at which a new step begins, shares of it, and its end."""
        update_s = self.sampling.every * self.sampling.period_s
        parts = 1
        if self.curved:
            parts = math.ceil(self.sampling.frequency_hz * update_s * _CURVED_POINTS)
        places = {Fraction(i, parts) for i in range(parts)}
        return [*sorted(places | {self.sampling.late_s / update_s % 1, self.share}), Fraction(1)]

    def course(self, points: int) -> Course:
        """Run, then the half cycles' RMS."""
        states, reading, scale = self._forward()
        times, energy = self._half_cycles(states, points)
        half = 0.5 / float(self.sampling.frequency_hz)
        gain = self.boards.sensor[None, :, None]
        np.maximum(energy, 0.0, out=energy)
        energy /= half
        np.sqrt(energy, out=energy)
        energy *= gain
        return Course(times, energy, reading, scale)

    def _forward(self) -> tuple[Real, Real, Real]:
        """States (K, S, B, 5 or 6, N) at the start of every step, last reading and scale."""
        s, event = self.sampling, self.event
        lengths = [
            float(b - a) * self.length for a, b in zip(self.bounds, self.bounds[1:], strict=False)
        ]
        moves = [[flow.step(length)[..., : self.size] for length in lengths] for flow in self.flows]
        late = s.late_s / (s.every * s.period_s)
        late_whole, late_step = math.floor(late), self.bounds.index(late % 1)
        event_step = self.bounds.index(self.share)
        samples = _Samples(self)
        states = np.zeros((self.intervals, len(lengths), self.shape[0], self.size, self.shape[1]))
        bus, after = self.boards.bus_before[:, None], 0
        scale, integral = self.scale0.copy(), self.scale0.copy()
        pending: dict[int, Real] = {}
        reading = np.zeros(self.shape)
        turns = s.angular * self.length * np.arange(self.intervals)
        turned = [s.angular * float(bound) * self.length for bound in self.bounds]
        x = self.flows[0].steady(scale * bus, self.angle)
        for k in range(self.intervals):
            # The last sample of the reading is the one at the start of interval k.
            reading = samples.reading(k)
            target = event.target_after if k >= self.at else event.target_before
            pending[k + late_whole], integral = self._law(target - reading, integral, target)
            if s.top > 1.0:
                self.greatest = np.maximum(self.greatest, pending[k + late_whole].max(axis=1))
            for step, length in enumerate(lengths):
                if step == late_step and k in pending:
                    scale = pending.pop(k)
                if k == self.at and step == event_step:
                    bus, after = self.boards.bus_after[:, None], 1
                z, move = states[k, step], moves[after][step]
                angle = self.angle + (turns[k] + turned[step])
                z[:, :STATES] = x
                size = scale * bus
                np.multiply(size, np.sin(angle), out=z[:, SINE])
                np.multiply(size, np.cos(angle), out=z[:, COSINE])
                if self.curved:
                    self._add(z, scale, bus, angle, length, move, after)
                x = move @ z
                samples.take(k, step, z, after)
        return states, reading, scale

    def _law(self, error: Real, integral: Real, target: float) -> tuple[Real, Real]:
        """The firmware's step: the drive in [0, top], and the integrator.

        It stops where the drive meets a limit; if it stands beyond that, it moves no farther.
        """
        if self.law is not None:
            share = share_of(error, target)
            drive = self.law.moved(integral, share, target, self.before, self.kp, self.ki)
            self.before = share
            return drive if target > 0.0 else np.zeros_like(drive), drive
        top = self.sampling.top
        push = self.kp * error
        after = self.ki * error
        after += integral
        np.minimum(after, np.maximum(integral, top - push), out=after)
        np.maximum(after, np.minimum(integral, -push), out=after)
        np.clip(after, 0.0, top, out=after)
        push += after
        return np.clip(push, 0.0, top, out=push), after

    def _add(  # noqa: PLR0917 (one step)
        self,
        z: Real,
        scale: Real,
        bus: Real,
        angle: Real,
        length: float,
        move: Real,
        after: int,
    ) -> None:
        """What clipping and the bus's resistance add to the sine, averaged over the step."""
        turn = self.sampling.angular * length
        added = np.zeros(self.shape)
        if scale.max() > 1.0:
            clipped = _area(scale, angle + turn) - _area(scale, angle)
            whole = scale * (np.cos(angle) - np.cos(angle + turn))
            added = np.where(scale > 1.0, (clipped - whole) / turn, 0.0) * bus
        if self.sampling.bus_ohm > 0:
            duty = scale * np.sin(angle + turn / 2.0)
            np.minimum(np.maximum(duty, -1.0, out=duty), 1.0, out=duty)
            z[:, ADDED] = added
            ahead = (move[:, :1] @ z)[:, 0]
            ahead += z[:, 0]
            ahead /= 2.0
            ahead /= self.roots[after]
            drop = self.sampling.bus_ohm * duty
            drop *= duty
            drop *= ahead
            added -= drop
        z[:, ADDED] = added

    def _half_cycles(self, states: Real, points: int) -> tuple[Real, Real]:
        """Times from the event (K,) and the output's square over the half cycle before (K, B, N).

        The integral of the square is needed at the points of a grid and at the same points a half
        cycle before: both lie at fixed shares of an interval.
        """
        every = self.sampling.every
        half = self.sampling.half_cycle / every
        whole, rest = math.floor(half), half % 1
        parts = max(1, math.ceil(points / half))
        grid = [Fraction(i, parts) for i in range(parts)]
        upto = self._upto(states, {*grid, *((g - rest) % 1 for g in grid)})
        followed = (self.event.periods - self.event.share) / every + self.share
        times, energies = [], []
        for g in grid:
            back = whole + (1 if g < rest else 0)
            start = self.at + (1 if g <= self.share else 0)
            stop = min(self.at + math.ceil(followed - g), self.intervals)
            times.append((np.arange(start, stop) - self.at + float(g - self.share)) * self.length)
            energies.append(upto[g][start:stop] - upto[(g - rest) % 1][start - back : stop - back])
        order = np.argsort(np.concatenate(times), kind="stable")
        return np.concatenate(times)[order], np.concatenate(energies)[order]

    def _upto(self, states: Real, shares: set[Fraction]) -> dict[Fraction, Real]:
        """The output's square integrated from the start of the run up to each share of every
        interval, (K, B, N) each."""
        steps = len(self.bounds) - 1
        begun = np.zeros((steps + 1, len(states), *self.shape))
        for i in range(steps):
            begun[i + 1] = begun[i]
            begun[i + 1] += self._energies(states[:, i], i, self.bounds[i + 1] - self.bounds[i])
        before = np.cumsum(begun[-1], axis=0)
        before -= begun[-1]
        begun += before
        found = {}
        for share in shares:
            i = bisect_right(self.bounds, share) - 1
            found[share] = begun[i]
            if self.bounds[i] < share:
                found[share] = begun[i] + self._energies(states[:, i], i, share - self.bounds[i])
        return found

    def _energies(self, states: Real, step: int, share: Fraction) -> Real:
        """The output's square integrated over a ``share`` of an interval from ``states``
        (K, B, 5 or 6, N), which are those at the start of ``step``, on."""
        first = self.at + (1 if self.bounds[step] < self.share else 0)
        energies = np.empty((len(states), *self.shape))
        for flow, part in zip(
            self.flows, (slice(0, first), slice(first, len(states))), strict=True
        ):
            form = flow.energy(float(share) * self.length)[:, : self.size, : self.size]
            form = np.ascontiguousarray(form)
            few = max(1, _CACHED // (self.size * math.prod(self.shape)))
            for at in range(part.start, part.stop, few):
                some = slice(at, min(at + few, part.stop))
                moved = form @ states[some]
                np.einsum("kbsn,kbsn->kbn", moved, states[some], out=energies[some])
        return energies


class _Samples:
    """The samples of one run: what each adds to its window, summed over blocks of equal weight."""

    def __init__(self, run: _Run) -> None:
        s = run.sampling
        self.sampling, self.zero = s, run.boards.zero
        every, count = s.every, len(s.weights)
        self.block = next(
            size
            for size in range(every, 0, -1)
            if every % size == 0
            and count % size == 0
            and (np.ptp(s.weights.reshape(-1, size), axis=1) == 0.0).all()
        )
        self.weights = s.weights[:: self.block]
        self.blocks = every // self.block
        lag = s.delay_s / s.period_s
        lag_whole = math.floor(lag)
        self.first = (count + lag_whole) // self.block
        over = (count + lag_whole) % self.block
        rows = count + lag_whole + run.intervals * every
        self.sums = np.zeros((-(-rows // self.block), *run.shape))
        # The samples that sense an interval's output, their shares of it, and the block of each.
        shares = [(lag_whole + 1 - lag + i) / every for i in range(every)]
        self.parts: list[tuple[list[Real], list[tuple[int, slice]]]] = []
        for begin, end in zip(run.bounds, run.bounds[1:], strict=False):
            inside = range(bisect_right(shares, begin), bisect_right(shares, end))
            times = np.array([float(shares[i] - begin) * run.length for i in inside])
            gain = run.boards.sensor[:, None, None]
            seen = [
                np.ascontiguousarray(flow.rows(times)[..., : run.size] * gain) for flow in run.flows
            ]
            blocks = [(over + i) // self.block for i in inside]
            groups = [
                (block, slice(blocks.index(block), blocks.index(block) + blocks.count(block)))
                for block in sorted(set(blocks))
            ]
            self.parts.append((seen, groups))
        self._fill(run, count + lag_whole)

    def _fill(self, run: _Run, rows: int) -> None:
        """Samples up to the last that senses the output before the run: the steady output's.

        Sample number j, in row j + M - 1, is taken j loop periods after the run's start and senses
        the output a delay before that.
        """
        flow, s = run.flows[0], self.sampling
        transfer = (flow.output * flow.response).sum(axis=1)[:, None]
        phasor = run.scale0 * run.boards.bus_before[:, None] * transfer * np.exp(1j * run.angle)
        phasor *= run.boards.sensor[:, None]
        sine, cosine = phasor.imag.copy(), phasor.real.copy()
        delay_s = float(s.delay_s)
        turns = s.angular * ((np.arange(rows) + 1 - len(s.weights)) * float(s.period_s) - delay_s)
        blocks = np.split(turns, range(self.block, rows, self.block))
        for block, part in enumerate(blocks):
            along, across = np.cos(part), np.sin(part)
            if s.measure == "rms":
                # The squares of along * sine + across * cosine + zero, added up.
                total = (along @ along) * sine * sine
                total += (across @ across) * cosine * cosine
                total += 2.0 * (along @ across) * sine * cosine
                if self.zero:
                    total += 2.0 * self.zero * (along.sum() * sine + across.sum() * cosine)
                    total += len(part) * self.zero**2
                self.sums[block] = total
                continue
            for a, b in zip(along, across, strict=True):
                seen = a * sine
                seen += b * cosine
                self.sums[block] += self._term(seen)

    def take(self, k: int, step: int, z: Real, after: int) -> None:
        """The samples that sense the output in ``step`` of interval ``k``, which begins at ``z``
        (B, 5 or 6, N)."""
        seen, groups = self.parts[step]
        if not groups:
            return
        terms = self._term(seen[after] @ z)
        base = self.first + k * self.blocks
        for block, part in groups:
            self.sums[base + block] += np.add.reduce(terms[:, part], axis=1)

    def _term(self, sensed: Real) -> Real:
        """What samples add to their windows; ``sensed`` is overwritten."""
        if self.zero:
            sensed += self.zero
        if self.sampling.measure == "rms":
            return np.multiply(sensed, sensed, out=sensed)
        return np.abs(sensed, out=sensed)

    def reading(self, k: int) -> Real:
        """Reading of the window whose last sample is the one at the start of interval ``k``."""
        first = k * self.blocks
        sums = self.sums[first : first + len(self.weights)]
        total = (self.weights @ sums.reshape(len(sums), -1)).reshape(sums.shape[1:])
        if self.sampling.measure == "rms":
            return np.asarray(np.sqrt(total))
        return np.asarray(FORM_FACTOR * total)


def _area(scale: Real, angle: Real) -> Real:
    """Integral from 0 to ``angle`` of the sine of amplitude ``scale`` (above 1) clipped at 1."""
    turned = np.mod(angle, 2.0 * math.pi)
    turned = np.minimum(turned, 2.0 * math.pi - turned)
    scale = np.maximum(scale, 1.0)
    clips = np.arcsin(1.0 / scale)
    corner = scale * (1.0 - np.cos(clips))
    rising = scale * (1.0 - np.cos(np.minimum(turned, clips)))
    flat = np.clip(turned - clips, 0.0, math.pi - 2.0 * clips)
    falling = corner - scale * (1.0 - np.cos(np.minimum(math.pi - turned, clips)))
    area = np.where(turned > math.pi - clips, corner + flat + falling, rising + flat)
    return np.asarray(area, dtype=np.float64)
