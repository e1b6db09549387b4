"""A board of our own under the integer model: nothing of its circuit comes from the project."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy import signal

from halfcycle.design.types import Design
from halfcycle.regulator.plan import Plan
from support.started import started

STEPS = 16
"""Steps of the circuit in a sample."""
SAMPLES = 900


class Board:
    """A board of our own: an averaged bridge, the LC filter with its load as scipy.signal solves
    it, a sensor with a zero error. Nothing of it comes from the project but the regulator."""

    def __init__(self, plan: Plan, design: Design, zero: float, *, moves: bool = True) -> None:
        """``zero``: error of its zero, codes. ``moves``: whether its bus swells and sags."""
        self.moves, self.code = moves, 0
        spec = design.spec
        henry = float(spec.filter.inductance_uh) * 1e-6
        farad = float(spec.filter.capacitance_uf) * 1e-6
        ohm, load = float(spec.filter.winding_resistance_ohm), 115.0**2 / 400
        a = np.array([[-ohm / henry, -1 / henry], [1 / farad, -1 / (load * farad)]])
        b = np.array([[1 / henry], [0.0]])
        self.step_s = 1e-3 / STEPS
        self.a, self.b, *_ = signal.cont2discrete((a, b, np.eye(2), np.zeros((2, 1))), self.step_s)
        self.x = np.zeros(2)
        self.plan, self.regulator, self.zero = plan, started(plan), zero
        self.volts_per_code = float(spec.sensor.volts_per_code)
        self.turn = 0.0

    def run(
        self, lost_at: int | None = None, stuck: int | None = None, samples: int = SAMPLES
    ) -> Iterator[tuple[int, int, float]]:
        """(scale, flags, output) after each sample. ``stuck``: the code from ``lost_at`` on."""
        lost_at = samples if lost_at is None else lost_at
        plan, regulator = self.plan, self.regulator
        for now in range(samples):
            bus = 205.0
            if self.moves:
                bus = 205.0 if now < 400 else 235.0 if now < 500 else 130.0
            for _ in range(STEPS):
                drive = regulator.drive(int(self.turn * 65536) % 65536) / 32767
                self.x = self.a @ self.x + self.b[:, 0] * drive * bus
                self.turn += 60 * self.step_s
            code = round(plan.zero_code + self.zero + self.x[1] / self.volts_per_code)
            if now >= lost_at and stuck is not None:
                code = stuck
            if regulator.sample(min(max(code, 0), plan.adc_max)):
                regulator.update()
            self.code = code
            yield regulator.scale(), regulator.flags(), float(self.x[1])
