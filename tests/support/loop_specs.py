"""Specs and windows for the tests of plant, loop and gains: plain stand-ins with the same keys."""

from __future__ import annotations

from fractions import Fraction as F
from types import SimpleNamespace

import numpy as np

from halfcycle.loop.plant_types import Corner, Plants


def spec(**changes):
    """The spec of the design document; ``spec(bridge__bus_min_v=F(300))`` changes one key."""
    tables = SimpleNamespace(
        output=SimpleNamespace(frequency_hz=F(50), rated_rms_v=F(230), frequency_tolerance_hz=F(0)),
        loop=SimpleNamespace(period_us=F(800), measure="mean"),
        sensor=SimpleNamespace(delay_us=F(4), gain_tolerance_percent=F(1)),
        bridge=SimpleNamespace(
            bus_nominal_v=F(385),
            bus_min_v=F(350),
            bus_max_v=F(420),
            scale_max=F(12, 10),
            bus_resistance_ohm=F(0),
        ),
        filter=SimpleNamespace(
            inductance_uh=F(1200),
            inductance_tolerance_percent=F(25),
            winding_resistance_ohm=F(1, 4),
            capacitance_uf=F(10),
            capacitance_tolerance_percent=F(10),
        ),
        load=SimpleNamespace(rated_va=F(700), lightest_percent=F(0), lowest_power_factor=F(7, 10)),
        bus_sensor=None,
    )
    for key, value in changes.items():
        table, name = key.split("__")
        assert hasattr(getattr(tables, table), name), key
        setattr(getattr(tables, table), name, value)
    return tables


def window(half_cycles=2, samples=25, frequency_hz=F(50), period_s=F(800, 10**6)):
    return SimpleNamespace(
        half_cycles=half_cycles,
        samples=samples,
        frequency_hz=frequency_hz,
        period_s=period_s,
        duration_s=samples * period_s,
    )


def plants(gains, weights=((1.0,),), measure="rms"):
    """Plants made by hand: one corner for each gain, named by it. Weights are rows, or one row
    for all."""
    gains = np.asarray(gains, dtype=float)
    rows = np.broadcast_to(np.asarray(weights, dtype=float), (len(gains), len(weights[0])))
    return Plants(
        corners=tuple(Corner(f"gain {g:g}", 0.0, 0.0, 0.0, "", 1.0, 0.0) for g in gains),
        gains=gains,
        weights=rows.copy(),
        tail=np.zeros(len(gains)),
        scale_for_rated=1.0 / np.maximum(gains, 1.0),
        step_gains=gains,
        sag=np.zeros(len(gains)),
        measure=measure,
    )
