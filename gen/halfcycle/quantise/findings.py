"""What a designer should be told about a Plan, each remark with what to do about it."""

from __future__ import annotations

from collections.abc import Iterator

from halfcycle.base.findings import Finding, finding
from halfcycle.design.error_parts import ErrorPart, largest_first, noise_part, window_parts
from halfcycle.design.types import Design
from halfcycle.quantise.bus_findings import bus_step_findings
from halfcycle.quantise.lean import stuck_from_v
from halfcycle.quantise.quantised import Quantised
from halfcycle.quantise.zero import is_fine_enough, resolution_codes
from halfcycle.windows.zero_tracking import RESOLUTION

FINER = "make the output's steps finer (a greater bridge.pwm_counts)"
"""The remedy of a reading that is coarse, as its counts are kept coarser than the output's steps.
"""


def findings(design: Design, quantised: Quantised) -> Iterator[Finding]:
    """Remarks on integers that are too coarse or too small."""
    plan, tolerance_v = quantised.plan, design.spec.tolerance_v
    if plan.integral == 0 and design.ki:
        yield finding(
            "integral-vanishes",
            "gains.integral_per_s",
            "the integral constant rounds to zero in the integrator's format; raise it",
        )
    if quantised.dead_band_v > tolerance_v:
        yield finding(
            "dead-band",
            "targets.voltage_tolerance_percent",
            f"the dead band, {quantised.dead_band_v:.3g} V, exceeds the tolerance, "
            f"{tolerance_v:.3g} V; widen the tolerance, or make the output's steps finer "
            "(bridge.pwm_counts)",
        )
    elif quantised.steady_error_v > tolerance_v:
        parts = largest_first(
            (
                *window_parts(design),
                noise_part(design),
                ErrorPart("dead band", quantised.dead_band_v, FINER),
                ErrorPart("target", quantised.reading_step_v / 2, FINER),
            )
        )
        yield finding(
            "steady-error",
            "targets.voltage_tolerance_percent",
            f"the steady error may reach {quantised.steady_error_v:.3g} V "
            f"({', '.join(str(part) for part in parts if part.volts > 0)}), and the tolerance is "
            f"{tolerance_v:.3g} V; for the {parts[0].name}: {parts[0].remedy}; or widen the "
            "tolerance",
        )
    if quantised.reading_step_v <= quantised.output_step_v:
        yield finding(
            "coarse-output",
            "bridge.pwm_counts",
            f"a step of the output, {quantised.output_step_v:.3g} V, is no finer than a step of the"
            f" reading, {quantised.reading_step_v:.3g} V: the output may hunt by that much; raise"
            " pwm_counts or call the drive function more often",
        )
    for coefficient in quantised.coefficients:
        if abs(coefficient.error) > 0.01:
            yield finding(
                "coefficient-rounding",
                f"arithmetic.word_bits ({coefficient.name})",
                f"{coefficient.name} is off by {100 * coefficient.error:+.3g} % in its integer;"
                " use 32-bit words or a shorter settling time",
            )
    if plan.bus is not None:
        yield from bus_step_findings(design.spec, plan.bus)
    if not is_fine_enough(plan):
        yield finding(
            "zero-untrackable",
            "sensor.track_zero",
            f"the integers' last places add {resolution_codes(plan):.2g} codes to what tracking "
            f"the zero leaves, of which the design allows for {RESOLUTION:g}",
        )
    if stuck_from_v(design.spec, design.window) is None:
        yield finding(
            "stuck-unseen",
            "sensor.zero_tolerance_codes",
            "a sensor that sticks at a code cannot be told from a healthy one whose zero is off by "
            f"{float(design.spec.sensor.zero_tolerance_codes):g} codes; trim the zero, or use more "
            "of the ADC's range",
        )
    if plan.target_max_mv < plan.rated_mv:
        yield finding(
            "range-below-rated",
            "sensor.volts_per_code",
            "the reading cannot reach the rated voltage; raise volts_per_code",
        )
