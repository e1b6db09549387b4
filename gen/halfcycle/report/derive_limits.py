"""Derivations of what the integers and the bus leave: dead band, steps, clipping."""

from __future__ import annotations

import math

from halfcycle.base import clipped_sine
from halfcycle.base.text import counted
from halfcycle.generate.pipeline import IntegerDesign
from halfcycle.loop import derivations
from halfcycle.quantise.fixed_point import stalled_error
from halfcycle.regulator.plan import SCALE_BITS
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
from halfcycle.report.overload_section import limit
from halfcycle.report.parts import Derivation, Step, exact


def dead_band(integer_design: IntegerDesign) -> Derivation:
    """Where the integrator stands still."""
    plan, numbers = integer_design.quantised.plan, integer_design.quantised
    stalled = stalled_error(plan)
    per_volt = carried_value(numbers.counts_per_volt, "counts per V")
    if plan.law is not None:
        rule = Step(
            "A step moves the drive by a share of it in steps of "
            f"1/{1 << plan.law.action_bits}; it stands still if the error, in steps of "
            f"1/{1 << plan.law.share_bits} of the target, asks for less than half of that."
        )
    elif plan.integral_shift == 0:
        rule = Step(
            f"The integrator adds {exact(plan.integral)} of its last places for each count "
            "of error, with nothing to round: it stands still only if the error is 0."
        )
    else:
        rule = Step(
            f"The integrator adds {exact(plan.integral)} times the error, shifted right by "
            f"{plan.integral_shift} and rounded to nearest. It stands still if that is below "
            "half a last place:",
            (
                relation(
                    magnitude("<mi>e</mi>"),
                    f"<mfrac><mn>{1 << (plan.integral_shift - 1)}</mn>"
                    f"<mn>{abs(plan.integral)}</mn></mfrac>",
                    signs=("<",),
                ),
            )
            if plan.integral
            else (),
        )
    return Derivation(
        "Dead band",
        (
            rule,
            Step(
                f"That is {counted(stalled, 'whole count')} of the reading, and the reading's own "
                "rounding hides half a count more:",
                (
                    relation(
                        f"<mfrac><mrow><mn>{stalled}</mn><mo>+</mo><mn>0.5</mn></mrow>{per_volt}"
                        "</mfrac>",
                        value(numbers.dead_band_v, "V RMS either way"),
                    ),
                ),
            ),
        ),
    )


def limit_cycle(integer_design: IntegerDesign) -> Derivation:
    """The conditions against hunting."""
    numbers, spec = integer_design.quantised, integer_design.design.spec
    ki = float(integer_design.design.ki) * integer_design.design.loop_gain
    return Derivation(
        "No limit cycle",
        (
            Step(
                "The drive must find a level inside the one count of the reading that means no "
                f"error. The output's steps come from the scale (1/{1 << SCALE_BITS}) and from the "
                f"bridge's {spec.bridge.pwm_counts} counts:",
                (
                    relation(
                        value(numbers.output_step_v, "V"),
                        value(numbers.reading_step_v, "V"),
                        signs=("<" if numbers.output_step_v < numbers.reading_step_v else "≥",),
                    ),
                ),
            ),
            Step(
                "Integral action must be there, and below unity at the greatest gain:",
                (
                    relation(
                        "<mn>0</mn>",
                        f"<mrow><mi>g</mi>{shown(derivations.symbols('Ki')[0])}</mrow>",
                        value(ki),
                        "<mn>1</mn>",
                        signs=("<", "=", "<" if ki < 1 else "≥"),
                    ),
                ),
            ),
            Step("Both are needed and not enough, so the integer loop is run besides."),
        ),
        source="Peterchev and Sanders, IEEE Transactions on Power Electronics 18(1), 2003.",
    )


def clipped(integer_design: IntegerDesign) -> Derivation:
    """The sine at the drive limit."""
    import sympy  # type: ignore[import-untyped]  # noqa: PLC0415 (slow)

    drive = limit(integer_design.design)
    forms = derivations.clipped_sine()
    m = sympy.Symbol("m", positive=True)
    t = sympy.Symbol("t", positive=True)
    values = {m: drive, t: math.asin(1 / drive)}

    def line(name: str, key: str) -> str:
        return relation(
            words(name),
            shown(forms[key]),
            carried_value(substitute(forms[key], values)),
            signs=("=", "≈"),
        )

    return Derivation(
        "The clipped sine",
        (
            Step(
                "A sine of peak m, the bus being 1, clips from the angle t on; by integration over "
                "a quarter cycle:",
                (
                    relation(
                        shown(t),
                        shown(sympy.asin(1 / m)),
                        with_numbers(sympy.asin(1 / m), {m: drive}),
                        carried_value(values[t]),
                        signs=("=", "=", "≈"),
                    ),
                    line("fundamental", "fundamental"),
                    line("mean", "mean"),
                    line("mean square", "mean_square"),
                ),
            ),
            Step(
                "Distortion, and what a mean read as RMS makes of it:",
                (
                    relation(
                        words("distortion"),
                        "<msqrt><mrow><mfrac><mrow><mn>2</mn><mtext>mean square</mtext></mrow>"
                        "<msup><mtext>fundamental</mtext><mn>2</mn></msup></mfrac><mo>−</mo>"
                        "<mn>1</mn></mrow></msqrt>",
                        value(100 * clipped_sine.thd(drive), "%"),
                        signs=("=", "≈"),
                    ),
                    relation(
                        words("reads high by"),
                        "<mrow><mfrac><mi>π</mi><mrow><mn>2</mn><msqrt><mn>2</mn></msqrt></mrow>"
                        "</mfrac><mfrac><mtext>mean</mtext><msqrt><mtext>mean square</mtext>"
                        "</msqrt></mfrac><mo>−</mo><mn>1</mn></mrow>",
                        value(100 * clipped_sine.reading_error(drive), "%"),
                        signs=("=", "≈"),
                    ),
                ),
            ),
        ),
    )
