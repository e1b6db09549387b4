"""The reference non-linear load: a rectifier with a reservoir capacitor.

Formulas of IEC 62040-3 Annex E, from memory (the standard itself was not at hand):

    Rs = 0.04 U^2 / S            resistance before the rectifier: 4 % of the rated voltage
    Uc = sqrt 2 x 0.92 x 0.96 x 0.975 x 0.988 x U = 1.22 U    mean voltage of the reservoir
    R1 = Uc^2 / (0.66 S)         66 % of the apparent power is active power in R1
    C  = 7.5 / (f R1)            5 % peak-to-peak ripple

R1 has to be trimmed for an exact apparent power, and ``reference_load`` does so: it solves the
periodic state on an ideal sine of the rated voltage and moves R1 (C stays) until U I = S.
"""

from __future__ import annotations

import functools
import math

from scipy.integrate import quad
from scipy.optimize import brentq

from halfcycle.simulate.parts import BoardLoad, LoadKind

DIODES_V = 1.4
"""Forward drop of two silicon diodes in the path (common practice, no source)."""


def untrimmed(rated_v: float, apparent_va: float, frequency_hz: float) -> BoardLoad:
    """The load straight from the formulas. Volts RMS, VA, Hz; all above 0."""
    series = 0.04 * rated_v**2 / apparent_va
    reservoir_v = math.sqrt(2) * 0.92 * 0.96 * 0.975 * 0.988 * rated_v
    resistor = reservoir_v**2 / (0.66 * apparent_va)
    return BoardLoad(
        LoadKind.RECTIFIER,
        series_ohm=series,
        drop_v=DIODES_V,
        reservoir_f=7.5 / (frequency_hz * resistor),
        reservoir_ohm=resistor,
    )


@functools.lru_cache(maxsize=64)
def reference_load(rated_v: float, apparent_va: float, frequency_hz: float) -> BoardLoad:
    """The load with R1 trimmed so that an ideal sine of ``rated_v`` gives ``apparent_va``."""
    plain = untrimmed(rated_v, apparent_va, frequency_hz)

    def with_resistor(ratio: float) -> BoardLoad:
        return BoardLoad(
            plain.kind,
            series_ohm=plain.series_ohm,
            drop_v=plain.drop_v,
            reservoir_f=plain.reservoir_f,
            reservoir_ohm=plain.reservoir_ohm * ratio,
        )

    def excess(ratio: float) -> float:
        current, _ = on_ideal_sine(with_resistor(ratio), rated_v, frequency_hz)
        return current * rated_v / apparent_va - 1.0

    return with_resistor(float(brentq(excess, 0.3, 3.0, xtol=1e-10)))


def on_ideal_sine(load: BoardLoad, rated_v: float, frequency_hz: float) -> tuple[float, float]:
    """RMS current (A) and active power (W) of the periodic state on an ideal sine.

    Within a half cycle the reservoir voltage q follows two linear laws: alone it decays with
    R1 C; conducting, C dq/dt = (v - drop - q)/Rs - q/R1. Both are solved in closed form (a decay
    plus a steady sine plus a constant), the switching instants and the periodic state by roots.
    """
    omega = 2 * math.pi * frequency_hz
    peak, drop = math.sqrt(2) * rated_v, load.drop_v
    rs, r1, c = load.series_ohm, load.reservoir_ohm, load.reservoir_f
    rate_on, rate_off = (1 / rs + 1 / r1) / c, 1 / (r1 * c)
    half = math.pi / omega

    # Conducting: q = k exp(-rate t) + steady(t), the steady answer to (peak sin - drop) / (Rs C).
    gain = peak / (rs * c * (rate_on**2 + omega**2))
    level = -drop / (rs * c * rate_on)

    def steady(t: float) -> float:
        return gain * (rate_on * math.sin(omega * t) - omega * math.cos(omega * t)) + level

    def cycle(q0: float) -> tuple[float, float, float]:
        """From conduction's start with q0 = v - drop: start, stop, and q at the next start's
        would-be instant, half a cycle on."""
        begin = math.asin(min(1.0, (q0 + drop) / peak)) / omega
        k = q0 - steady(begin)

        def forward(t: float) -> float:
            q = k * math.exp(-rate_on * (t - begin)) + steady(t)
            return peak * math.sin(omega * t) - drop - q

        crest = half / 2
        end = float(brentq(forward, max(crest, begin + 1e-9 * half), half, xtol=1e-15))
        q_end = k * math.exp(-rate_on * (end - begin)) + steady(end)
        return begin, end, q_end * math.exp(-rate_off * (begin + half - end))

    q0 = float(
        brentq(lambda q: cycle(q)[2] - q, 0.05 * peak, (1 - 1e-6) * (peak - drop), xtol=1e-11)
    )
    begin, end, _ = cycle(q0)
    k = q0 - steady(begin)

    def current(t: float) -> float:
        q = k * math.exp(-rate_on * (t - begin)) + steady(t)
        return (peak * math.sin(omega * t) - drop - q) / rs

    square = quad(lambda t: current(t) ** 2, begin, end, epsabs=0, epsrel=1e-10)[0] / half
    power = quad(lambda t: current(t) * peak * math.sin(omega * t), begin, end, epsrel=1e-10)[0]
    return math.sqrt(square), power / half
