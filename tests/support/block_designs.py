"""Designs with windows of blocks made by hand, so that no search for gains is in between."""

from __future__ import annotations

import functools
from dataclasses import replace
from fractions import Fraction

from halfcycle.design.designer import design
from halfcycle.design.types import Design
from halfcycle.spec.load import parse_spec
from halfcycle.windows.candidates import reading_faults
from halfcycle.windows.search import Window

SPEC = """name = "marsh_ferry"
[output]
frequency_hz = 60
rated_rms_v = 115
[loop]
period_us = 1000
measure = "rms"
[sensor]
adc_bits = 12
zero_code = 2048
volts_per_code = 0.11
zero_tolerance_codes = 4
noise_codes_rms = 1
delay_us = 4
[bridge]
bus_nominal_v = 215
bus_min_v = 195
bus_max_v = 235
scale_max = 1.2
pwm_counts = 2000
[filter]
inductance_uh = 800
inductance_tolerance_percent = 20
winding_resistance_ohm = 0.3
capacitance_uf = 15
capacitance_tolerance_percent = 10
[load]
rated_va = 500
[targets]
settling_ms = 250
"""
ZERO_2F = (21, 27, 31, 31, 27, 31, 31, 27, 21)
"""Nine samples at 60 Hz and 1 ms that read no ripple at 2f."""
ZERO_F_2F_4F = (26, 28, 29, 29, 29, 30, 31, 29, 27, 29, 31, 30, 29, 29, 29, 28, 26)
"""Seventeen that read none at f, 2f and 4f."""
DOUBLE_2F = (
    *(22, 11, 9, 14, 24, 33, 38, 35, 33, 38, 44, 47),
    49,
    *(47, 44, 38, 33, 35, 38, 33, 24, 14, 9, 11, 22),
)
"""Twenty-five with zeros at f, 2f (double), 4f and 6f."""
FLAT_5, FLAT_25 = (1,) * 5, (1,) * 25


@functools.cache
def plain(text: str = SPEC) -> Design:
    """The design of a spec with its plain window."""
    return design(parse_spec(text, "blocks.toml"), "blocks.toml")


@functools.cache
def blocks(  # noqa: PLR0917 (the parts of a window, then its gains)
    weights: tuple[int, ...],
    samples: int = 0,
    updates: int = 0,
    ki: float = 0.3,
    kp: float = 0.4,
    text: str = SPEC,
) -> Design:
    """The design with a window of these ``weights`` instead, of as many ``samples`` and
    ``updates`` as blocks unless told. ``ki``: integral action per window; ``kp``: proportional,
    as a share of half of that."""
    made = plain(text)
    spec, window = made.spec, made.window
    samples, updates = samples or len(weights), updates or len(weights)
    half_cycles = max(1, round(float(samples * window.half_cycles_per_sample)))
    shaped = Window(half_cycles, samples, window.frequency_hz, window.period_s, weights, updates)
    each = Fraction(ki).limit_denominator(1000) / updates
    push = Fraction(kp).limit_denominator(1000) * each * updates / 2
    chosen = replace(
        made.chosen, window=shaped, faults=reading_faults(spec, shaped), kp=push, ki=each
    )
    return replace(made, chosen=chosen)
