"""One board under a regulator with a window of blocks, in plain Python: filter and load move by
matrix exponentials, ``*_drive`` is called many times in a loop period, its duties are whole
counts, and the output's square is integrated exactly. Slow and clear."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfcycle.quantise.quantised import Quantised
from halfcycle.regulator.plan import DRIVE_FULL
from halfcycle.simulate.parts import BoardLoad, FilterParts
from halfcycle.spec.models import Spec
from oracles.circuit import VOLTAGE, Circuit
from support.started import started

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PlainBoard:
    """One board. ``zero_codes``: its zero's error; ``late_calls``: calls of the drive from a
    block's last sample to its update; ``phase``: the sine's at the start, turns."""

    parts: FilterParts
    load: BoardLoad
    bus_v: float
    sensor: float
    zero_codes: float
    late_calls: int
    phase: float


@dataclass(frozen=True, slots=True)
class PlainRun:
    """``half_rms`` (N,): RMS of the half cycles that end at each call of the drive, volts at the
    sensor's gain; ``scale`` (L,): the scale at each sample."""

    half_rms: Real
    scale: NDArray[np.int64]


def run(  # noqa: PLR0917 (who runs, from where, for how long)
    spec: Spec,
    quantised: Quantised,
    board: PlainBoard,
    scale: float,
    periods: int,
    calls: int,
) -> PlainRun:
    """``periods`` loop periods from a ``scale`` on, with ``calls`` of the drive in each. A half
    cycle must be a whole number of calls."""
    plan = quantised.plan
    period_s = float(spec.loop.period_us) / 1_000_000
    call_turns = float(spec.output.frequency_hz) * period_s / calls
    half_cycle = round(0.5 / call_turns)
    assert abs(half_cycle * call_turns - 0.5) < 1e-9
    regulator = started(plan)
    regulator.integral = int(scale * 2**plan.drive_bits)
    regulator.out_scale[0] = int(scale * 16384)
    circuit = Circuit(board.parts, board.load, period_s / calls)
    counts = spec.bridge.pwm_counts
    energy, scales = [0.0], []
    due: list[int] = []
    for k in range(periods * calls):
        if k in due:
            due.remove(k)
            regulator.update()
        turn = board.phase + k * call_turns
        exact = regulator.drive(int(turn % 1 * 65536)) * counts / DRIVE_FULL
        duty = int(exact + (0.5 if exact >= 0 else -0.5)) / counts
        circuit.step(duty, board.bus_v)
        energy.append(circuit.energy)
        if (k + 1) % calls == 0:
            volts = circuit.x[VOLTAGE] * board.sensor
            code = round(
                plan.zero_code + board.zero_codes + volts / float(spec.sensor.volts_per_code)
            )
            if regulator.sample(min(max(code, 0), plan.adc_max)):
                due.append(k + 1 + board.late_calls)
            scales.append(regulator.scale())
    total = np.array(energy)
    mean = (total[half_cycle:] - total[:-half_cycle]) / (half_cycle * period_s / calls)
    return PlainRun(board.sensor * np.sqrt(mean), np.array(scales))
