"""The closed loop in plain Python: the oracle of ``c_harness/simulate.c``, one board at a time.

The reference model (``regulator.model.Regulator``) runs against ``oracles.circuit.Circuit``.
Order at each step: events, sample, update, then the drive that is held until the next step.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.interpolate import CubicHermiteSpline

from halfcycle.regulator.plan import DRIVE_FULL, Plan
from halfcycle.simulate.run_types import Board, Event, EventKind, History, Real, Run, SensorState
from oracles.circuit import VOLTAGE, Circuit
from support.started import started

_MASK = (1 << 64) - 1
_STEP = 0x9E3779B97F4A7C15


def hermite(y0: float, slope0: float, y1: float, slope1: float, where: float) -> float:
    """The cubic through two points with given slopes (per unit of ``where``, 0 to 1)."""
    rest = 1.0 - where
    return (
        y0 * rest * rest * (1.0 + 2.0 * where)
        + y1 * where * where * (3.0 - 2.0 * where)
        + slope0 * where * rest * rest
        - slope1 * where * where * rest
    )


def noise(key: int, counter: int) -> float:
    """As ``hc_noise``: twelve uniform numbers of SplitMix64 less 6; mean 0, deviation 1."""

    def scramble(z: int) -> int:
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _MASK
        return z ^ (z >> 31)

    stream = scramble((key + _STEP) & _MASK)
    words = [scramble((stream + (3 * counter + i) * _STEP) & _MASK) for i in range(1, 4)]
    total = sum(word >> shift & 0xFFFF for word in words for shift in (0, 16, 32, 48))
    return (total + 6.0) / 65536.0 - 6.0


class _Ramp:
    def __init__(self, value: float) -> None:
        self.now = self.end = value
        self.step, self.left = 0.0, 0

    def to(self, value: float, steps: int) -> None:
        self.end, self.left = value, steps
        if steps <= 0:
            self.now = value
        else:
            self.step = (value - self.now) / steps

    def advance(self) -> None:
        if self.left > 0:
            self.left -= 1
            self.now = self.end if self.left == 0 else self.now + self.step


class PlainLoop:
    """One board under one run; :meth:`run` gives its history, arrays of one row."""

    def __init__(self, plan: Plan, run: Run, board: Board) -> None:
        self._run, self._board = run, board
        self._regulator = started(plan)
        self._circuit = Circuit(board.filter, board.loads[0], run.step_s)
        self._bus, self._frequency = _Ramp(board.bus_v), _Ramp(run.frequency_hz)
        self._sensor, self._zero, self._code, self._taken = SensorState.GOOD, board.zero_code, 0, 0
        self._output: list[float] = [0.0]
        self._slope: list[float] = [0.0]

    def run(self) -> History:  # noqa: PLR0915 (read from top to bottom)
        """The whole run, waveforms included."""
        run, circuit, regulator = self._run, self._circuit, self._regulator
        phase = int(self._board.start_turn * 2**53) << 11
        pending = [(self._step_of(event), event) for event in run.events]
        halves: list[tuple[float, float]] = []
        windows: list[tuple[float, float, int, int, int]] = []
        trace = np.zeros((run.steps, 4))
        half: tuple[float, float] | None = None
        window, closed, update_at = (0.0, 0.0), (0.0, 0.0), -1
        late_steps = int(self._board.late_s / run.step_s + 0.5)

        until_due = run.first_block

        def update() -> None:
            nonlocal until_due
            regulator.update()
            until_due -= 1
            if until_due > 0:
                return
            until_due = run.update_blocks
            reported = (regulator.rms_mv(), regulator.scale(), regulator.flags())
            windows.append((*closed, *reported))

        energies, squares = [0.0], [0.0]
        # Of the sine in each step; the first one again, as points are counted from the start.
        hertz = [self._frequency.now]
        for now in range(run.steps):
            time = now * run.step_s
            while pending and pending[0][0] <= now:
                self._apply(pending.pop(0)[1])
            if now == update_at:
                update()
            if now > 0 and now % run.steps_per_sample == 0 and regulator.sample(self._adc(now)):
                closed = (time, (circuit.energy - window[1]) / (time - window[0]))
                window = (time, circuit.energy)
                update_at = now + late_steps
                if late_steps == 0:
                    update()

            before, energy, volts = phase, circuit.energy, float(circuit.x[VOLTAGE])
            exact = regulator.drive(phase >> 48) * run.pwm_counts / DRIVE_FULL
            duty = int(exact + (0.5 if exact >= 0 else -0.5)) / run.pwm_counts
            bridge = duty * (self._bus.now - self._board.bus_ohm * duty * circuit.x[0])
            trace[now] = volts, bridge, circuit.x[0], circuit.load_current()
            circuit.step(duty, self._bus.now, self._board.bus_ohm)
            increment = int(self._frequency.now * run.step_s * 2**64)
            phase = (phase + increment) & _MASK
            if (before ^ phase) >> 63:
                where = 1.0 - (phase & (_MASK >> 1)) / increment
                after = float(circuit.x[VOLTAGE])
                slopes = volts * volts * run.step_s, after * after * run.step_s
                end = (now + where) * run.step_s
                total = hermite(energy, slopes[0], circuit.energy, slopes[1], where)
                if half is not None:
                    halves.append((end, (total - half[1]) / (end - half[0])))
                half = (end, total)
            hertz.append(self._frequency.now)
            energies.append(circuit.energy)
            squares.append(float(circuit.x[VOLTAGE]) ** 2)
            self._output.append(float(circuit.x[VOLTAGE]))
            self._slope.append(circuit.slope())
            self._bus.advance()
            self._frequency.advance()
        sliding = Sliding(run, self._board, np.array(energies), np.array(squares))
        if run.true_s:
            # Over as many half cycles as the source has at the last point of the grid.
            grid = run.grid_steps
            last = [int(row[0] / run.step_s / grid + 1e-9) * grid for row in windows]
            windows = [
                (row[0], sliding.mean_square(row[0], run.true_s * run.frequency_hz / hertz[at]),
                 *row[2:])
                for row, at in zip(windows, last, strict=True)
            ]  # fmt: skip
        return _history(run, halves, windows, trace, sliding)

    def _step_of(self, event: Event) -> int:
        delay = self._board.event_delay_s if event.moves else 0.0
        return int((event.time_s + delay) / self._run.step_s + 0.5)

    def _apply(self, event: Event) -> None:
        ramp_steps = int(event.ramp_s / self._run.step_s + 0.5)
        if event.kind == EventKind.TARGET:
            self._regulator.set_target_mv(int(event.value))
        elif event.kind == EventKind.LOAD:
            self._circuit.connect(self._board.loads[int(event.value)])
        elif event.kind == EventKind.BUS:
            self._bus.to(event.value if event.value > 0.0 else self._board.bus_v, ramp_steps)
        elif event.kind == EventKind.SENSOR:
            self._sensor = SensorState(int(event.value))
        elif event.kind == EventKind.ZERO:
            self._zero = self._run.zero_code + event.value
        else:
            self._frequency.to(self._run.frequency_hz + event.value, ramp_steps)

    def _adc(self, now: int) -> int:
        board, run = self._board, self._run
        disturbed = board.noise_codes * noise(board.noise_key, self._taken)
        self._taken += 1
        if self._sensor == SensorState.STUCK:
            return self._code
        if self._sensor == SensorState.STUCK_AT:
            return board.stuck_code
        if self._sensor == SensorState.OPEN:
            exact = run.zero_code + disturbed
        else:
            steps = int(board.delay_s / run.step_s)
            part = board.delay_s / run.step_s - steps
            late, volts = now - steps, 0.0
            if late >= 1:
                volts = hermite(
                    self._output[late - 1],
                    self._slope[late - 1] * run.step_s,
                    self._output[late],
                    self._slope[late] * run.step_s,
                    1.0 - part,
                )
            exact = volts * board.codes_per_volt + self._zero + disturbed
        self._code = min(run.adc_max, int(max(0.0, exact) + 0.5))
        return self._code


class Sliding:
    """The half-cycle RMS of any start, at 8 points of every step; for one frequency only."""

    POINTS = 8

    def __init__(self, run: Run, board: Board, energies: Real, squares: Real) -> None:
        times = run.step_s * np.arange(len(energies))
        energy = self._energy = CubicHermiteSpline(times, energies, squares)
        half = 0.5 / run.frequency_hz
        self._end_s = np.arange(1, self.POINTS * (len(times) - 1)) * run.step_s / self.POINTS
        began = np.maximum(self._end_s - half, 0.0)
        self._rms = np.sqrt(np.maximum(energy(self._end_s) - energy(began), 0.0) / half)
        moved = run.judged.moves * board.event_delay_s
        from_s, rest_s = run.judged.from_s + moved, run.judged.rest_s + moved
        after = self._end_s > from_s
        last = times[(len(times) - 1) // run.grid_steps * run.grid_steps]
        halves = max(0, int((last - rest_s) / half)) if math.isfinite(rest_s) else 0
        self.rest_rms = math.sqrt(self.mean_square(last, halves * half)) if halves else 0.0
        about = self.rest_rms or board.rated_v
        outside = after & (np.abs(self._rms - about) > run.judged.band * board.rated_v)
        last = self._end_s[outside].max() if outside.any() else from_s
        self.settling_s = last - from_s
        self.lowest_rms = self._rms[after].min()
        self.highest_rms = self._rms[after].max()
        self.peak_v = math.sqrt(squares[times > from_s].max())
        high = self._rms[after] > run.judged.high * board.rated_v
        self.high_s = high.sum() * run.step_s / self.POINTS

    def mean_square(self, end_s: float, length_s: float) -> float:
        """Over the time that ends at ``end_s``; nothing was put out before the start."""
        return float(self._energy(end_s) - self._energy(max(0.0, end_s - length_s))) / length_s


def _history(
    run: Run,
    halves: list[tuple[float, float]],
    windows: list[tuple[float, float, int, int, int]],
    trace: Real,
    sliding: Sliding,
) -> History:
    half = np.array(halves, dtype=np.float64).reshape(-1, 2)[: run.half_limit]
    real = np.array([row[:2] for row in windows], dtype=np.float64).reshape(-1, 2)
    whole = np.array([row[2:] for row in windows], dtype=np.int32).reshape(-1, 3)
    return History(
        half_count=np.array([len(half)], np.int32),
        half_end_s=half[None, :, 0],
        half_rms=np.sqrt(np.maximum(half[None, :, 1], 0.0)),
        window_count=np.array([len(real)], np.int32),
        window_end_s=real[None, :, 0],
        window_rms=np.sqrt(real[None, :, 1]),
        window_reported_mv=whole[None, :, 0],
        window_scale=whole[None, :, 1],
        window_flags=whole[None, :, 2],
        rest_rms=np.array([sliding.rest_rms]),
        settling_s=np.array([sliding.settling_s]),
        lowest_rms=np.array([sliding.lowest_rms]),
        highest_rms=np.array([sliding.highest_rms]),
        high_s=np.array([sliding.high_s]),
        peak_v=np.array([sliding.peak_v]),
        wave=np.zeros((1, 0)),
        trace=trace,
    )
