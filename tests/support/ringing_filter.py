"""An output filter whose load is switched: its waveform by scipy's matrix exponential, and the
ringing that its poles make."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RingingFilter:
    """Henry, farad, ohm; a resistive load before and after ``switch_s`` (0: none); a bridge of
    ``peak_v`` and ``mains_hz``."""

    inductance_h: float = 1.2e-3
    capacitance_f: float = 10e-6
    ohm: float = 0.25
    before_ohm: float = 75.0
    after_ohm: float = 0.0
    switch_s: float = 0.0123
    peak_v: float = 325.0
    mains_hz: float = 50.0

    def _matrix(self, load_ohm: float) -> Real:
        l_, c_ = self.inductance_h, self.capacitance_f
        loss = 1 / load_ohm / c_ if load_ohm else 0.0
        return np.array([[-self.ohm / l_, -1 / l_], [1 / c_, -loss]])

    @property
    def pole(self) -> complex:
        """Of the ringing after the switch, per second: numpy's eigenvalue."""
        poles = np.linalg.eigvals(self._matrix(self.after_ohm))
        return complex(poles[np.argmax(poles.imag)])

    @property
    def hertz(self) -> float:
        return self.pole.imag / 2 / math.pi

    @property
    def decay(self) -> float:
        return -self.pole.real

    def waveform(self, step_s: float = 2e-5, lasts_s: float = 0.05) -> tuple[Real, Real]:
        """Seconds and volts, from the steady sine on, exact at every sample."""
        turn = 2 * math.pi * self.mains_hz
        start = np.linalg.solve(
            1j * turn * np.eye(2) - self._matrix(self.before_ohm),
            np.array([self.peak_v / self.inductance_h, 0.0]),
        )
        state = np.array([start[0].imag, start[1].imag, 0.0, self.peak_v])
        flows = [self._flow(ohm) for ohm in (self.before_ohm, self.after_ohm)]
        steps = [expm(flow * step_s) for flow in flows]
        time = np.arange(round(lasts_s / step_s)) * step_s
        volts = np.empty(len(time))
        for at, now in enumerate(time.tolist()):
            volts[at] = state[1]
            until = self.switch_s - now
            if 0 <= until < step_s:
                state = expm(flows[1] * (step_s - until)) @ expm(flows[0] * until) @ state
            else:
                state = steps[until < 0] @ state
        return time, volts

    def _flow(self, load_ohm: float) -> Real:
        """Over current, voltage and the bridge's sine with its quarter turn."""
        turn = 2 * math.pi * self.mains_hz
        flow = np.zeros((4, 4))
        flow[:2, :2] = self._matrix(load_ohm)
        flow[0, 2] = 1 / self.inductance_h
        flow[2, 3], flow[3, 2] = turn, -turn
        return flow


def as_csv(time: Real, volts: Real) -> str:
    """A capture as an oscilloscope exports it."""
    rows = zip(time.tolist(), volts.tolist(), strict=True)
    return "s,V\n" + "".join(f"{at:.7f},{value:.2f}\n" for at, value in rows)
