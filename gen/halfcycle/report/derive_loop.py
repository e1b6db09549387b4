"""Derivations of the controller and of the loop that it closes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from halfcycle.base.text import counted
from halfcycle.design.types import Design
from halfcycle.generate.pipeline import IntegerDesign
from halfcycle.loop import derivations
from halfcycle.loop.block_response import update_grid
from halfcycle.loop.moving_figures import MovingFigures
from halfcycle.loop.normalised import Normalised
from halfcycle.report.mathml import (
    carried_value,
    magnitude,
    relation,
    shown,
    substitute,
    value,
    with_numbers,
)
from halfcycle.report.parts import Derivation, Step, decimal, exact, quantity

MINUS_ONE = "<mrow><mi>{}</mi><mo>(</mo><mrow><mo>−</mo><mn>1</mn></mrow><mo>)</mo></mrow>"
FORMS = {
    "backward": "backward difference",
    "forward": "forward difference",
    "trapezoidal": "trapezoidal rule",
}


def controller(integer_design: IntegerDesign) -> Derivation:
    """The difference equations, and the constants of each update."""
    design = integer_design.design
    moving = design.window.moving
    form = design.spec.loop.integration
    kp_w, ki_w = derivations.window_constants(form)
    kp, ki, w = derivations.symbols("kp ki W")
    values = {
        kp: design.gains.proportional,
        ki: design.gains.integral_per_s,
        w: float(design.window.update_s),
    }
    upper = derivations.symbols("Kp Ki")
    if design.law is not None:
        return _normalised(design, design.law)
    return Derivation(
        "The controller",
        (
            Step(
                f"Once per {'update' if moving else 'window'}, with the error e of the window just "
                "read:",
                (
                    relation(
                        "<msub><mi>I</mi><mi>k</mi></msub>",
                        "<mrow><msub><mi>I</mi><mrow><mi>k</mi><mo>−</mo><mn>1</mn></mrow></msub>"
                        f"<mo>+</mo>{shown(upper[1])}<msub><mi>e</mi><mi>k</mi></msub></mrow>",
                    ),
                    relation(
                        "<msub><mi>u</mi><mrow><mi>k</mi><mo>+</mo><mn>1</mn></mrow></msub>",
                        f"<mrow><msub><mi>I</mi><mi>k</mi></msub><mo>+</mo>{shown(upper[0])}"
                        "<msub><mi>e</mi><mi>k</mi></msub></mrow>",
                    ),
                    relation(
                        "<mrow><mi>C</mi><mo>(</mo><mi>z</mi><mo>)</mo></mrow>",
                        shown(derivations.controller()),
                    ),
                ),
            ),
            Step(
                f"The continuous constants are the master; the {FORMS[form]} over "
                f"{'the W seconds from update to update' if moving else 'a window of W seconds'} "
                "turns them into these:",
                (
                    relation(
                        shown(upper[0]),
                        shown(kp_w),
                        carried_value(float(design.kp)),
                    ),
                    relation(
                        shown(upper[1]),
                        shown(ki_w),
                        with_numbers(ki_w, values),
                        carried_value(float(design.ki)),
                    ),
                ),
            ),
        ),
    )


def _normalised(design: Design, law: Normalised) -> Derivation:
    """The normalised law, and why its loop has the same gain on every board."""
    kp, ki = exact(float(design.kp)), exact(float(design.ki))
    change = "" if not design.kp else f"<mo>+</mo><mn>{kp}</mn><mo>Δ</mo><mi>e</mi>"
    size = (
        "<mrow><mo>max</mo><mo>(</mo><mi>u</mi><mo>,</mo>"
        f"<mn>{exact(float(law.floor))}</mn><mi>t</mi><mo>)</mo></mrow>"
    )
    return Derivation(
        "The controller",
        (
            Step(
                "Once per window, with the target t (rated is 1), the reading y, and the error as "
                "a share of the target, limited to -1/2 to 1, the drive u moves in proportion to "
                "what it is:",
                (
                    relation(
                        "<mi>e</mi>",
                        "<mfrac><mrow><mi>t</mi><mo>−</mo><mi>y</mi></mrow><mi>t</mi></mfrac>",
                    ),
                    relation(
                        "<mrow><mo>Δ</mo><mi>u</mi></mrow>",
                        f"<mrow>{size}<mo>(</mo><mn>{ki}</mn><mi>e</mi>{change}<mo>)</mo></mrow>",
                    ),
                ),
            ),
            Step(
                "At rest the gain of the board times u is t. A small change of u is then the same "
                "share of u as that of the reading is of t, so that the loop's gain is the "
                "integral constant on every board; where the sine clips it is less, by the "
                "elasticity of the reading."
            ),
        ),
        source="Gain controls that settle in a constant time: US 5,838,194 (text not checked).",
    )


def stability(integer_design: IntegerDesign) -> Derivation:
    """Jury's conditions and the gain margin at z = -1; of a window of blocks, Floquet's."""
    loop = integer_design.design.loop
    if isinstance(loop, MovingFigures):
        return _periodic(integer_design.design, loop)
    return _plain(integer_design)


def _periodic(design: Design, loop: MovingFigures) -> Derivation:
    """Why the loop of a window of blocks is periodic, and what that makes of its margins."""
    grid = update_grid(design.window, design.spec.loop.measure)
    window = design.window
    half_cycles = grid.updates * window.update_s * 2 * window.frequency_hz
    off_deg = 180 * abs(half_cycles - grid.half_cycles)
    place = "the same place of the sine"
    if off_deg:
        place = f"within {quantity(float(off_deg), '°')} of {place}, which is taken as the same"
    latest = (
        "until the next one is due"
        if loop.latest_update_ms is None or loop.latest_update_ms >= design.window.duration_ms
        else f"up to {quantity(loop.latest_update_ms, 'ms')} late"
    )
    product = Derivation(
        "Stability and margins",
        (
            Step(
                "Within a half cycle the window meets a sine whose amplitude is changing, so the "
                f"loop is periodic in the phase: {counted(grid.half_cycles)} and "
                f"{grid.updates} updates bring it back to {place}. The product "
                "of the matrices A of these updates, with the signs of the filter's states turned "
                "if the half cycles are odd, is the step of the whole period. Its states are the "
                "filter's, the sums of the blocks in the ring, the integral, and the scales under "
                "way.",
                (
                    relation(
                        "<mi>M</mi>",
                        "<mrow><mi>S</mi><msub><mi>A</mi><mi>P</mi></msub><mo>…</mo>"
                        "<msub><mi>A</mi><mn>2</mn></msub><msub><mi>A</mi><mn>1</mn></msub></mrow>",
                    ),
                ),
            ),
            Step(
                "It is stable if and only if every eigenvalue of that product lies inside the unit "
                f"circle. The greatest, per update, has size {decimal(loop.slowest_pole)}, over "
                "all filters inside the tolerances, the offsets of the sampling grid, and updates "
                f"at once and {quantity(loop.lateness_us, 'µs')} late."
            ),
        ),
        source="Floquet's theorem in discrete time.",
    )
    if not loop.stable:
        return product
    factor = loop.periodic_gain_margin
    margins = (
        Step(
            "The constants are raised together, from 1 upward, until an eigenvalue reaches the "
            f"circle: that is the gain margin, {decimal(factor)} "
            f"({quantity(loop.gain_margin_db, 'dB')}), of which 2 are asked for. Turned by "
            f"exp(jφ) instead, it is the phase margin, {quantity(loop.phase_margin_deg, '°')}. "
            f"Updates leave it stable {latest}."
        ),
        Step(
            "The same loop averaged over the phases has a gain margin of "
            f"{quantity(loop.averaged_gain_margin_db, 'dB')} and a phase margin of "
            f"{quantity(loop.averaged_phase_margin_deg, '°')}, which must not be relied on "
            f"alone; its peak sensitivity is {decimal(loop.peak_sensitivity)}, that of the "
            f"periodic loop (the norm of its sensitivity, lifted) {decimal(loop.lifted_norm)}."
        ),
    )
    return replace(product, steps=(*product.steps, *margins))


def _plain(integer_design: IntegerDesign) -> Derivation:
    """Those of a pure delay of one window, and what the corners have besides."""
    import sympy  # type: ignore[import-untyped]  # noqa: PLC0415 (slow)

    design, loop = integer_design.design, integer_design.design.loop
    z, g, kp, ki = derivations.symbols("z g Kp Ki")
    gain = design.loop_gain
    values = {g: gain, kp: float(design.kp), ki: float(design.ki)}
    conditions = derivations.jury_conditions()
    powers = derivations.characteristic_polynomial().all_coeffs()
    terms = [sympy.factor(c) * z**n for n, c in zip((2, 1, 0), powers, strict=True)]
    margin = derivations.nyquist_margin()
    factor = substitute(margin, values)
    signs = np.where(np.arange(design.plants.weights.shape[1]) % 2, -1.0, 1.0)
    turned = 100 * (design.plants.weights @ signs - 1)
    polynomial = sympy.Add(*terms, evaluate=False)
    return Derivation(
        "Stability and margins",
        (
            Step(
                "The open loop of a plant that is a pure delay of one window, and the polynomial "
                "whose roots are the poles of the closed loop:",
                (
                    relation(
                        "<mrow><mi>L</mi><mo>(</mo><mi>z</mi><mo>)</mo></mrow>",
                        shown(derivations.open_loop()),
                    ),
                    relation(
                        "<mrow><mi>P</mi><mo>(</mo><mi>z</mi><mo>)</mo></mrow>", shown(polynomial)
                    ),
                ),
            ),
            Step(
                "It is stable if all of these are above 0 (Jury's conditions); the numbers are "
                f"for the greatest gain, g = {decimal(gain)}:",
                tuple(
                    relation(
                        shown(condition),
                        value(substitute(condition, values)),
                        "<mn>0</mn>",
                        signs=("=", ">"),
                    )
                    for condition in conditions
                ),
            ),
            Step(
                "The gain may grow by this factor before a pole leaves at z = −1:",
                (
                    relation(
                        f"<mfrac><mn>1</mn>{magnitude(MINUS_ONE.format('L'))}</mfrac>",
                        shown(margin),
                        value(factor),
                        value(20 * math.log10(abs(factor)), "dB"),
                    )
                    if factor > 0
                    else relation(shown(margin), value(factor)),
                ),
            ),
            Step(
                "The corners themselves have more than a delay: what spills from one window into "
                f"the next changes the plant at z = −1 by {decimal(float(turned.min()))} % to "
                f"{decimal(float(turned.max()))} %. With it the least gain margin is "
                f"{quantity(loop.gain_margin_db, 'dB')}, and the slowest pole has size "
                f"{decimal(loop.slowest_pole)}."
            ),
        ),
        source="Jury's conditions: Åström and Wittenmark, Computer-Controlled Systems, chapter 3 "
        "(text not checked).",
    )


def offset(integer_design: IntegerDesign) -> Derivation:
    """What the loop makes of a zero offset that flips every window."""
    design = integer_design.design
    g, kp, ki = derivations.symbols("g Kp Ki")
    values = {g: design.loop_gain, kp: float(design.kp), ki: float(design.ki)}
    transfer = derivations.nyquist_transfer()
    faults = design.chosen.faults
    return Derivation(
        "Zero offset and an odd window",
        (
            Step(
                f"{counted(design.window.half_cycles)}, an odd count, so a zero offset turns its "
                "sign from window to window. The loop answers that with its gain at z = −1, here "
                "for a pure delay at the greatest gain:",
                (
                    relation(
                        MINUS_ONE.format("T"),
                        shown(transfer),
                        value(substitute(transfer, values)),
                    ),
                ),
            ),
            Step(
                f"Over all corners its size is at most {decimal(design.loop.nyquist_gain)}: "
                f"±{quantity(faults.alternation_v, 'V')} of the reading become "
                f"±{quantity(design.chosen.hunting_v, 'V')} at the output."
            ),
        ),
    )
