"""The units on which the settling of the kinds of windows is measured, as specs.

``designed(...)`` is the fastest loop there is unless a settling time is given; designs are kept for
the run of the tests.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from halfcycle.generate.pipeline import IntegerDesign, design_integers
from halfcycle.spec.load import parse_spec
from halfcycle.spec.models import Spec
from support.paths import example

SIXTY = """
name = "unit"
[output]
frequency_hz = 60
rated_rms_v = 120
[loop]
period_us = 1000
measure = "rms"
[sensor]
adc_bits = 12
zero_code = 2048
volts_per_code = 0.11
zero_tolerance_codes = 4
[bridge]
bus_nominal_v = 215
bus_min_v = 195
bus_max_v = 235
scale_max = 1.0
pwm_counts = 2000
[filter]
inductance_uh = 800
inductance_tolerance_percent = 20
winding_resistance_ohm = 0.3
capacitance_uf = 15
[load]
rated_va = 600
[targets]
settling_ms = "fastest"
overshoot_percent = 6
"""
"""60 Hz, 1 ms: bus +-9 %, inductor +-20 %, capacitor +-10 %, no load to rated at a power factor
down to 0.7, zero +-4 codes, updates up to a loop period late."""

CABIN = (
    example("peat_cabin").read_text("utf-8").replace("settling_ms = 250", 'settling_ms = "fastest"')
)
"""50 Hz, 800 us, a lightly damped filter."""

TABLES = {
    "output": ("dc_percent", "frequency_tolerance_hz"),
    "loop": ("measure", "weighting", "updates_per_window", "samples", "update_within_us"),
    "sensor": ("zero_tolerance_codes", "track_zero"),
    "bridge": ("bus_min_v", "bus_max_v"),
    "filter": ("inductance_tolerance_percent", "capacitance_tolerance_percent"),
    "load": ("lowest_power_factor",),
    "targets": ("settling_ms", "overshoot_percent"),
}


def unit(text: str = SIXTY, **keys: Any) -> Spec:
    """A unit with keys of ``TABLES`` set anew."""
    spec = parse_spec(text, "unit")
    for table, names in TABLES.items():
        changed = {name: keys.pop(name) for name in names if name in keys}
        part = getattr(spec, table)
        spec = spec.model_copy(
            update={table: type(part)(**{**part.model_dump(exclude_none=True), **changed})}
        )
    assert not keys, keys
    return spec


@cache
def designed(text: str = SIXTY, **keys: Any) -> IntegerDesign:
    """The design of a unit with its integers."""
    return design_integers(unit(text, **keys), "unit")
