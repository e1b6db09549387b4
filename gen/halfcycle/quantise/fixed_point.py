"""From a Design's real numbers to the Plan's integers, with every range derived.

Each shift and word follows from an interval, never from a sample of values. What cannot be held in
the words asked for, or is too coarse for the tolerance, comes back as a finding.
``halfcycle.quantise.quantise`` picks the reading's resolution.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from halfcycle.base.errors import Fault, InputError
from halfcycle.base.findings import Finding, finding
from halfcycle.design.types import Design
from halfcycle.quantise import formats, resolution, signals
from halfcycle.quantise.interval import Interval
from halfcycle.regulator import arithmetic
from halfcycle.regulator.plan import SCALE_ONE, Plan

TARGET_RANGE = Fraction(11, 10)
"""Greatest target over the rated voltage that the C accepts."""
NEAR_ZERO = Fraction(1, 20)
"""A reading below this share of rated is near zero (more where the sensor's zero is worse)."""


@dataclass(frozen=True, slots=True)
class Coefficient:
    """A constant as wanted and as quantised, both in ``unit``."""

    name: str
    wanted: float
    got: float
    unit: str

    @property
    def error(self) -> float:
        """Relative error; 0 where nothing was wanted."""
        return self.got / self.wanted - 1 if self.wanted else 0.0


@dataclass(frozen=True, slots=True)
class Rest:
    """What the integer loop does at rest, over all corners."""

    windows: int
    """Windows until the last corner was at rest, or was given up."""
    hunting_v: float
    """Greatest peak-to-peak movement of the output at rest, volts RMS; 0 where it stands still."""
    error_v: float
    """Greatest distance of the reported voltage from rated there, volts RMS."""
    corner: str
    """The corner of ``hunting_v`` (or of ``error_v`` where nothing hunts)."""


@dataclass(frozen=True, slots=True)
class Quantised:
    """A Plan with what its integers cost."""

    plan: Plan
    coefficients: tuple[Coefficient, ...]
    counts_per_volt: float
    """Reading counts per output volt RMS."""
    reading_step_v: float
    """One reading count, volts RMS at the output."""
    output_step_v: float
    """Greatest step of the output, volts RMS."""
    dead_band_v: float
    """Half width in which the integrator does not move, volts RMS at the output."""
    steady_error_v: float
    """Greatest steady error, volts RMS either way, the sensor's zero and gain apart: the window's
    own error (sampling, frequency, flipping zero), three standard deviations of noise, the dead
    band, and half a count of the target."""
    table_error: float
    """Bound on the drive table's error, as a fraction of the crest."""
    findings: tuple[Finding, ...]
    rest: Rest | None = None
    """What the integer loop does at rest, once it has been run."""


def fixed_point(design: Design, coarser: int = 0) -> Quantised:
    """The Plan of a Design, its reading ``coarser`` bits coarser than the finest that is sensible.

    Findings of level "error" mean that it must not ship. Raises InputError where given gains are
    too large for any format.
    """
    spec, window = design.spec, design.window
    rated_v = spec.output.rated_rms_v
    measure, word_bits = spec.loop.measure, spec.arithmetic.word_bits
    adc_max = (1 << spec.sensor.adc_bits) - 1
    magnitude_max = max(spec.sensor.zero_code, adc_max - spec.sensor.zero_code)
    total_max = window.samples * (magnitude_max**2 if measure == "rms" else magnitude_max)

    centre = resolution.reading_centre(design)
    output_step_v = resolution.output_step_v(spec, window, design.greatest_gain)
    step = 2 if measure == "rms" else 1
    least = resolution.least_shift(spec, window, centre, output_step_v) + step * coarser
    shift, wide = formats.reading_shift(measure, total_max, least, word_bits)
    counts = resolution.counts_per_volt(spec, window, centre, shift)
    reading_max = formats.reading_max(measure, total_max, shift)

    if reading_max / counts * 1000 > formats.INT32.high:
        raise InputError([_range_too_large(design, float(reading_max / counts))])
    rated_mv = round(1000 * rated_v)
    target_max_mv = min(int(1000 * rated_v * TARGET_RANGE), int(1000 * reading_max / counts))
    target_gain, target_shift = formats.conversion(counts / 1000, target_max_mv)
    target_max = arithmetic.scale_by(target_max_mv, target_gain, target_shift)
    millivolt_gain, millivolt_shift = formats.conversion(1000 / counts, reading_max)

    scale_max = math.floor(spec.bridge.scale_max * SCALE_ONE)
    rated_counts = counts * rated_v
    error = Interval(-reading_max, target_max)
    loop = formats.loop_format(
        design.kp / rated_counts, design.ki / rated_counts, error, scale_max, word_bits
    )
    if loop is None:
        raise InputError([_gains_too_large(design)])

    near_zero_v = _near_zero_v(design)
    hold = math.ceil(4 * SCALE_ONE * near_zero_v / rated_v / Fraction(design.least_gain))
    ramp_step, ramp_bits = 0, 0
    if spec.targets.ramp_ms:
        windows = spec.targets.ramp_ms / 1000 / window.duration_s
        ramp_step, ramp_bits = formats.ramp_format(rated_counts / windows, target_max)
    table_bits = resolution.table_bits(spec.bridge.pwm_counts)

    plan = Plan(
        name=spec.name,
        measure=measure,
        word_bits=word_bits,
        samples=window.samples,
        half_cycles=window.half_cycles,
        adc_max=adc_max,
        zero_code=spec.sensor.zero_code,
        magnitude_max=magnitude_max,
        sum_high=total_max > formats.UINT32_MAX,
        reading_shift=shift,
        reading_max=reading_max,
        wide=wide or target_max > formats.NARROW_MAX,
        target_max_mv=target_max_mv,
        rated_mv=rated_mv,
        target_gain=target_gain,
        target_shift=target_shift,
        target_max=target_max,
        target_rated=arithmetic.scale_by(min(rated_mv, target_max_mv), target_gain, target_shift),
        millivolt_gain=millivolt_gain,
        millivolt_shift=millivolt_shift,
        ramp_step=ramp_step,
        ramp_bits=ramp_bits,
        proportional=loop.proportional,
        proportional_shift=loop.proportional_shift,
        integral=loop.integral,
        integral_shift=loop.integral_shift,
        drive_bits=loop.drive_bits,
        scale_max=scale_max,
        band=max(2, round(rated_counts * spec.targets.voltage_tolerance_percent / 100)),
        hold_scale=min(scale_max, hold),
        hold_reading=math.ceil(counts * near_zero_v),
        table_bits=table_bits,
        table=resolution.drive_table(table_bits),
        signals=(),
    )
    code_v = float(spec.sensor.volts_per_code)
    plan = replace(plan, signals=signals.signal_table(plan, float(1 / counts), code_v))
    quantised = Quantised(
        plan=plan,
        coefficients=_coefficients(design, plan, rated_counts),
        counts_per_volt=float(counts),
        reading_step_v=float(1 / counts),
        output_step_v=output_step_v,
        dead_band_v=float((stalled_error(plan) + Fraction(1, 2)) / counts),
        steady_error_v=design.chosen.own_error_v
        + design.chosen.noise_v
        + float((stalled_error(plan) + 1) / counts),
        table_error=resolution.table_error(table_bits),
        findings=(),
    )
    return replace(quantised, findings=tuple(_findings(design, quantised)))


def stalled_error(plan: Plan) -> int:
    """Greatest error, in reading counts, that leaves the integrator where it is.

    Rounding to nearest, ties away: the step is 0 where |Ki e| < half a last place.
    """
    if plan.integral == 0:
        return plan.reading_max
    return max(0, (arithmetic.half(plan.integral_shift) - 1) // abs(plan.integral))


def quantised_gains(plan: Plan, rated_counts: Fraction) -> tuple[Fraction, Fraction]:
    """(Kp, Ki) as the integers have them: scale per per-unit error, and a window."""
    kp = Fraction(plan.proportional, 1 << (plan.drive_bits + plan.proportional_shift))
    ki = Fraction(plan.integral, 1 << (plan.drive_bits + plan.integral_shift))
    return kp * rated_counts, ki * rated_counts


def pole_shift(design: Design, made: Quantised) -> float:
    """Greatest move of the slowest closed-loop pole, over the corners, by the coefficients'
    rounding: a length in the z plane."""
    import numpy as np  # noqa: PLC0415

    from halfcycle.loop.step_response import spectral_radius  # noqa: PLC0415

    taps = design.plants.taps
    rated_counts = Fraction(made.counts_per_volt) * design.spec.output.rated_rms_v
    kp, ki = quantised_gains(made.plan, rated_counts)
    wanted = spectral_radius(taps, float(design.kp), float(design.ki))
    got = spectral_radius(taps, float(kp), float(ki))
    return float(np.abs(got - wanted).max())


def _near_zero_v(design: Design) -> Fraction:
    """Reading below which a driven output is implausible, volts RMS.

    Twice what the sensor's zero and noise alone can read as, and at least NEAR_ZERO of rated.
    """
    sensor = design.spec.sensor
    floor_v = sensor.volts_per_code * (sensor.zero_tolerance_codes + sensor.noise_codes_rms)
    return max(NEAR_ZERO * design.spec.output.rated_rms_v, 2 * floor_v)


def _coefficients(design: Design, plan: Plan, rated_counts: Fraction) -> tuple[Coefficient, ...]:
    kp, ki = quantised_gains(plan, rated_counts)
    counts = rated_counts / design.spec.output.rated_rms_v
    rows = [
        Coefficient("integral", float(design.ki), float(ki), "scale per pu and window"),
        Coefficient(
            "target_gain",
            float(counts / 1000),
            plan.target_gain / 2**plan.target_shift,
            "counts per mV",
        ),
        Coefficient(
            "millivolt_gain",
            float(1000 / counts),
            plan.millivolt_gain / 2**plan.millivolt_shift,
            "mV per count",
        ),
        Coefficient(
            "scale_max", float(design.spec.bridge.scale_max), plan.scale_max / SCALE_ONE, "scale"
        ),
    ]
    if design.kp:
        rows.insert(0, Coefficient("proportional", float(design.kp), float(kp), "scale per pu"))
    if plan.ramped:
        windows = design.spec.targets.ramp_ms / 1000 / design.window.duration_s
        got = plan.ramp_step / 2**plan.ramp_bits
        rows.append(
            Coefficient("ramp_step", float(rated_counts / windows), got, "counts per window")
        )
    return tuple(rows)


def _range_too_large(design: Design, range_v: float) -> Fault:
    return Fault(
        design.file,
        "sensor.volts_per_code",
        f"the ADC's range of {range_v:.3g} V RMS is more than 32-bit millivolts can report",
        "give the volts of one ADC code at the output",
    )


def _gains_too_large(design: Design) -> Fault:
    return Fault(
        design.file,
        "gains",
        f"proportional {float(design.kp):.4g} and integral {float(design.ki):.4g} a window "
        "overflow a 32-bit integrator in every format",
        "give smaller gains, or leave [gains] out and let them be designed",
    )


def _findings(design: Design, made: Quantised) -> Iterator[Finding]:
    spec, plan = design.spec, made.plan
    tolerance_v = float(spec.output.rated_rms_v * spec.targets.voltage_tolerance_percent) / 100
    if plan.integral == 0 and design.ki:
        yield finding(
            "integral-vanishes",
            "gains.integral_per_s",
            "the integral constant rounds to nothing in the integrator's format; raise it",
        )
    if made.dead_band_v > tolerance_v:
        yield finding(
            "dead-band",
            "targets.voltage_tolerance_percent",
            f"the dead band, {made.dead_band_v:.3g} V, exceeds the tolerance, {tolerance_v:.3g} V;"
            " widen the tolerance, or make the output's steps finer (bridge.pwm_counts)",
        )
    elif made.steady_error_v > tolerance_v:
        yield finding(
            "steady-error",
            "targets.voltage_tolerance_percent",
            f"the steady error may reach {made.steady_error_v:.3g} V (window "
            f"{design.chosen.own_error_v:.3g} V, noise {design.chosen.noise_v:.3g} V, dead band "
            f"{made.dead_band_v:.3g} V, target {made.reading_step_v / 2:.3g} V), and the tolerance "
            f"is {tolerance_v:.3g} V; widen it, or lessen the largest of these: "
            "sample faster, filter the noise, or make the output's steps finer",
        )
    if made.reading_step_v <= made.output_step_v:
        yield finding(
            "coarse-output",
            "bridge.pwm_counts",
            f"a step of the output, {made.output_step_v:.3g} V, is no finer than a step of the"
            f" reading, {made.reading_step_v:.3g} V: the output may hunt by that much; raise"
            " pwm_counts or call the drive function more often",
        )
    for coefficient in made.coefficients:
        if abs(coefficient.error) > 0.01:
            yield finding(
                "coefficient-rounding",
                f"arithmetic.word_bits ({coefficient.name})",
                f"{coefficient.name} is off by {100 * coefficient.error:+.2f} % in its integer;"
                " use 32-bit words or a shorter settling time",
            )
    if plan.target_max_mv < plan.rated_mv:
        yield finding(
            "range-below-rated",
            "sensor.volts_per_code",
            "the reading cannot reach the rated voltage; raise volts_per_code",
        )
