"""Derivations of the window, its reading, and the plant that it sees."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from halfcycle.base import clipped_sine
from halfcycle.base.text import counted, signed_ppm
from halfcycle.generate.pipeline import IntegerDesign
from halfcycle.report import weights_section
from halfcycle.report.mathml import (
    carried_value,
    magnitude,
    relation,
    shown,
    substitute,
    value,
    with_numbers,
    words,
)
from halfcycle.report.parts import Derivation, Step, decimal, quantity
from halfcycle.windows.search import Window


def window(integer_design: IntegerDesign) -> Derivation:
    """Whole windows from 2fT = K/M."""
    window = integer_design.design.window
    if window.shaped:
        return _weighted(window)
    f, period, k, m = _symbols("f T K M")
    step = window.half_cycles_per_sample
    ratio = words(f"{step.numerator} / {step.denominator}")
    whole = window.whole
    return Derivation(
        "A window that is whole",
        (
            Step(
                "Half cycles per loop period, as a fraction in lowest terms: K half cycles fill M "
                "samples exactly, and every whole window is a multiple of that.",
                (
                    relation(
                        shown(2 * f * period),
                        with_numbers(
                            2 * f * period,
                            {f: float(window.frequency_hz), period: float(window.period_s)},
                        ),
                        ratio,
                        shown(k / m),
                    ),
                ),
            ),
            Step(
                f"Taken: {counted(window.half_cycles)} in {window.samples} samples"
                + ("." if whole else f", which misses by {signed_ppm(window.mismatch_ppm)}.")
            ),
        ),
    )


def _weighted(window: Window) -> Derivation:
    """What a sine's mean square is over weighted samples, and W at 2f and f."""
    row = "<mrow><mi>W</mi><mo>(</mo><mi>v</mi><mo>)</mo></mrow>"
    mains = float(window.frequency_hz)
    sizes = weights_section.response(window, np.array([mains, 2 * mains])).tolist()
    return Derivation(
        "A window with weights",
        (
            Step(
                "The sum of the weights w, each turned by the time of its sample before the "
                "newest, is what the window leaves of a ripple of frequency v.",
                (
                    relation(
                        row,
                        "<mrow><munder><mo>∑</mo><mi>k</mi></munder><msub><mi>w</mi><mi>k</mi>"
                        "</msub><msup><mi>e</mi><mrow><mo>−</mo><mi>j</mi><mn>2</mn><mi>π</mi>"
                        "<mi>v</mi><mi>k</mi><mi>T</mi></mrow></msup></mrow>",
                    ),
                ),
            ),
            Step(
                "The mean square of a sine swings at 2f, and with the error of the sensor's zero "
                f"at f. The weights leave {quantity(100 * sizes[1], '%')} of the one and "
                f"{quantity(100 * sizes[0], '%')} of the other, so the window needs no whole "
                "number of half cycles."
            ),
        ),
    )


def reading(integer_design: IntegerDesign) -> Derivation:
    """The mean read as RMS, and what sampling does to it."""
    import sympy  # type: ignore[import-untyped]  # noqa: PLC0415 (slow)

    design = integer_design.design
    n = design.window.distinct_points
    (x,) = _symbols("x")
    mean = sympy.integrate(sympy.sin(x), (x, 0, sympy.pi)) / sympy.pi
    steps = [
        Step(
            "The mean of a rectified sine, and the factor by which it is read as RMS.",
            (
                relation(
                    "<mrow><mfrac><mn>1</mn><mi>π</mi></mfrac><msubsup><mo>∫</mo><mn>0</mn>"
                    "<mi>π</mi></msubsup><mi>sin</mi><mi>x</mi><mspace width='0.2em'/>"
                    "<mi>d</mi><mi>x</mi></mrow>",
                    shown(mean),
                ),
                relation(
                    "<mfrac><mrow><mn>1</mn><mo>/</mo><msqrt><mn>2</mn></msqrt></mrow>"
                    "<mrow><mn>2</mn><mo>/</mo><mi>π</mi></mrow></mfrac>",
                    shown(sympy.pi / (2 * sympy.sqrt(2))),
                    carried_value(clipped_sine.FORM_FACTOR),
                    signs=("=", "≈"),
                ),
            ),
        )
    ]
    if design.window.shaped and design.spec.loop.measure == "rms":
        steps = [
            Step(
                "The root of the weighted mean square. It depends on the phase by what the weights "
                "leave at 2f, and by nothing else for a sine."
            )
        ]
    elif design.spec.loop.measure == "rms":
        steps = [
            Step(
                "A mean square over a whole window with two distinct points or more does not "
                "depend on the phase: the squares of a sine at N places spread evenly over a half "
                "cycle add up to N/2. There is no sampling error to derive."
            )
        ]
    elif design.window.whole and n > 1:
        big, y = _symbols("N y")
        arc = sympy.pi / (2 * big)
        low, high = sympy.cot(y) * y, y / sympy.sin(y)
        at = math.pi / (2 * n)
        ends = (at / math.tan(at), at / math.sin(at))
        steps.append(
            Step(
                f"N = {n} distinct points a half cycle. Their mean over the true one lies between "
                "its value with one point upon the zero crossing and its value with two astride "
                "it; the calibration takes the middle.",
                (
                    relation(shown(y), shown(arc), with_numbers(arc, {big: n}), carried_value(at)),
                    relation(shown(low), carried_value(ends[0]), signs=("≈",)),
                    relation(shown(high), carried_value(ends[1]), signs=("≈",)),
                    relation(
                        words("either way"),
                        value(
                            float(design.spec.output.rated_rms_v) * (ends[1] - ends[0]) / 2,
                            "V RMS at rated",
                        ),
                        signs=("=",),
                    ),
                ),
            )
        )
    return Derivation("The reading", tuple(steps))


def plant(integer_design: IntegerDesign) -> Derivation:
    """Gain and weights of the plant at the rate of the updates."""
    import sympy  # noqa: PLC0415 (slow)

    design = integer_design.design
    spec, plants = design.spec, design.plants
    w, l_, c, r = _symbols("omega L C R")
    size = 1 / ((1 - w**2 * l_ * c) ** 2 + (w * r * c) ** 2) ** (sympy.Rational(1, 2))
    values = {
        w: 2 * math.pi * float(spec.output.frequency_hz),
        l_: float(spec.filter.inductance_uh) * 1e-6,
        c: float(spec.filter.capacitance_uf) * 1e-6,
        r: float(spec.filter.winding_resistance_ohm),
    }
    rise = substitute(size, values)
    bus, rated = float(spec.bridge.bus_nominal_v), float(spec.output.rated_rms_v)
    v, u = _symbols("V_bus V_rated")
    strong = plants.strongest
    weights = ", ".join(decimal(float(h)) for h in plants.weights[strong][:4])
    moving = design.window.moving
    return Derivation(
        "The plant, per update" if moving else "The plant, per window",
        (
            Step(
                "What update k reads, in units of rated and averaged over the sine's phases, is "
                "the plant's gain times the scales of the updates before it, as far back as the "
                "window and the transient of filter and sensor reach."
                if moving
                else "What window k reads, in units of rated, is the plant's gain times the scales "
                "of this window and of those before, as the filter's and the sensor's transient "
                "spills over.",
                (
                    relation(
                        "<msub><mi>y</mi><mi>k</mi></msub>",
                        "<mrow><mi>g</mi><munder><mo>∑</mo><mi>i</mi></munder>"
                        "<msub><mi>h</mi><mi>i</mi></msub><msub><mi>u</mi>"
                        "<mrow><mi>k</mi><mo>−</mo><mi>i</mi></mrow></msub></mrow>",
                    ),
                ),
            ),
            Step(
                "The gain of the nominal board without load:",
                (
                    relation(magnitude("<mi>H</mi>"), shown(size)),
                    relation(magnitude("<mi>H</mi>"), carried_value(rise), signs=("≈",)),
                    relation(
                        "<mi>g</mi>",
                        f"<mrow>{shown(v / (sympy.sqrt(2) * u))}{magnitude('<mi>H</mi>')}</mrow>",
                        f"<mrow>{with_numbers(v / (sympy.sqrt(2) * u), {v: bus, u: rated})}"
                        f"<mo>×</mo>{carried_value(rise)}</mrow>",
                        value(bus / math.sqrt(2) / rated * rise),
                    ),
                ),
            ),
            Step(
                f"Over all corners g runs from {decimal(design.least_gain)} to "
                f"{decimal(design.greatest_gain)}. At the strongest corner "
                f"({plants.corners[strong].label}) the weights h begin {weights}."
            ),
        ),
    )


def _symbols(names: str) -> tuple[Any, ...]:
    from sympy import symbols  # noqa: PLC0415 (slow)

    named = symbols(names, positive=True)
    return named if isinstance(named, tuple) else (named,)
