"""From a Design's real numbers to the Plan's integers, with every range derived.

Each shift and word follows from an interval, never from a sample of values. What cannot be held in
the words asked for, or is too coarse for the tolerance, comes back as a finding.
``halfcycle.quantise.quantise`` picks the reading's resolution.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction

from halfcycle.base.errors import Fault, InputError
from halfcycle.design.types import Design
from halfcycle.quantise import formats, law_format, resolution, signals
from halfcycle.quantise.bus import bus_plan
from halfcycle.quantise.findings import findings
from halfcycle.quantise.interval import Interval
from halfcycle.quantise.lean import span_blocks, stuck_from_v
from halfcycle.quantise.quantised import Coefficient, Quantised
from halfcycle.quantise.turning import error_ppm, turning
from halfcycle.quantise.zero import tracking_plan, zero_clamp
from halfcycle.regulator import arithmetic
from halfcycle.regulator.plan import SCALE_BITS, SCALE_ONE, Plan, duty_crest

TARGET_RANGE = Fraction(11, 10)
"""Greatest target over the rated voltage that the C accepts."""
NEAR_ZERO = Fraction(1, 20)
"""A reading below this share of rated is near zero (more if the sensor's zero is worse)."""


@dataclass(frozen=True, slots=True)
class _Reading:
    """How a window's sum becomes a reading. ``total_max``: greatest sum, each block's weighed;
    ``greatest``: greatest reading; ``step_v``: greatest step of the output, volts RMS."""

    magnitude_max: int
    total_max: int
    shift: int
    wide: bool
    greatest: int
    counts_per_volt: Fraction
    step_v: float


@dataclass(frozen=True, slots=True)
class _Conversions:
    """Millivolts to reading counts and back, as gain and right shift each."""

    target_max_mv: int
    target: tuple[int, int]
    target_max: int
    millivolt: tuple[int, int]


def fixed_point(design: Design, coarser: int = 0) -> Quantised:
    """The Plan of a Design, its reading ``coarser`` bits coarser than the finest that is sensible.

    Findings of level "error" mean that it must not ship. Raises InputError if given gains are too
    large for any format, the window's sum for 48 bits, or the sensor's range or one count of the
    reading for 32-bit millivolts.
    """
    reading = _reading(design, coarser)
    counts = reading.counts_per_volt
    rated_counts = counts * design.spec.output.rated_rms_v
    plan = _plan(design, reading, rated_counts)
    code_v = float(design.spec.sensor.volts_per_code)
    plan = replace(plan, signals=signals.signal_table(plan, float(1 / counts), code_v))
    integer_error = float((stalled_error(plan) + 1) / counts)
    chosen = design.chosen
    quantised = Quantised(
        plan=plan,
        coefficients=_coefficients(design, plan, rated_counts),
        counts_per_volt=float(counts),
        reading_step_v=float(1 / counts),
        output_step_v=reading.step_v,
        dead_band_v=float((stalled_error(plan) + Fraction(1, 2)) / counts),
        integer_error_v=integer_error,
        steady_error_v=chosen.own_error_v + chosen.noise_v + integer_error,
        table_error=resolution.table_error(plan.table_bits),
        duty_error=resolution.duty_error(plan),
        turn_error_ppm=float(error_ppm(design.spec, plan.turning)) if plan.turning else None,
        findings=(),
    )
    return replace(quantised, findings=tuple(findings(design, quantised)))


def integer_error_v(design: Design) -> float:
    """What the finest integers add to a design's steady error, volts RMS either way: the dead band
    and half a count of the target. ``inf`` if its gains or its sums fit no format."""
    try:
        return fixed_point(design).integer_error_v
    except InputError:
        return math.inf


def _reading(design: Design, coarser: int) -> _Reading:
    spec, window = design.spec, design.window
    measure = spec.loop.measure
    adc_max = (1 << spec.sensor.adc_bits) - 1
    magnitude_max = max(spec.sensor.zero_code, adc_max - spec.sensor.zero_code)
    magnitude_max += zero_clamp(design)
    term_max = magnitude_max**2 if measure == "rms" else magnitude_max
    total_max = window.block_samples * sum(window.block_weights) * term_max
    centre = resolution.reading_centre(design)
    output_step_v = resolution.output_step_v(spec, window, design.greatest_gain)
    bits = 2 if measure == "rms" else 1
    least = resolution.least_shift(spec, window, centre, output_step_v) + bits * coarser
    shift, wide = formats.reading_shift(measure, total_max, least, spec.arithmetic.word_bits)
    if total_max + arithmetic.half(shift) > formats.UINT48_MAX:
        raise InputError([_sum_too_large(design, total_max)])
    return _Reading(
        magnitude_max=magnitude_max,
        total_max=total_max,
        shift=shift,
        wide=wide,
        greatest=formats.reading_max(measure, total_max, shift),
        counts_per_volt=resolution.counts_per_volt(spec, window, centre, shift),
        step_v=output_step_v,
    )


def _conversions(design: Design, reading: _Reading) -> _Conversions:
    counts = reading.counts_per_volt
    if reading.greatest / counts * 1000 > formats.INT32.high:
        raise InputError([_range_too_large(design, float(reading.greatest / counts))])
    rated_v = design.spec.output.rated_rms_v
    target_max_mv = min(int(1000 * rated_v * TARGET_RANGE), int(1000 * reading.greatest / counts))
    target = formats.conversion(counts / 1000, target_max_mv)
    try:
        millivolt = formats.conversion(1000 / counts, reading.greatest)
    except ValueError:
        raise InputError([_count_too_coarse(design, float(1 / counts))]) from None
    return _Conversions(
        target_max_mv=target_max_mv,
        target=target,
        target_max=arithmetic.scale_by(target_max_mv, *target),
        millivolt=millivolt,
    )


def _plan(design: Design, reading: _Reading, rated_counts: Fraction) -> Plan:
    """Every integer but the signal table."""
    spec, window = design.spec, design.window
    word_bits = spec.arithmetic.word_bits
    rated_v = spec.output.rated_rms_v
    conversions = _conversions(design, reading)
    target_max = conversions.target_max
    rated_mv = round(1000 * rated_v)
    scale_max = math.floor(spec.bridge.scale_max * SCALE_ONE)
    bus = bus_plan(design)
    scale_top = bus.scale_top if bus else scale_max
    error = Interval(-reading.greatest, target_max)
    loop = formats.loop_format(
        design.kp / rated_counts, design.ki / rated_counts, error, scale_top, word_bits
    )
    if loop is None and design.law is None:
        raise InputError([_gains_too_large(design)])
    loop = loop or formats.LoopFormat(SCALE_BITS, 0, 0, 0, 0)
    near_zero_v = _near_zero_v(design)
    hold = math.ceil(4 * SCALE_ONE * near_zero_v / rated_v / Fraction(design.least_gain))
    ramp_step, ramp_bits = 0, 0
    if spec.targets.ramp_ms:
        updates = spec.targets.ramp_ms / 1000 / window.update_s
        ramp_step, ramp_bits = formats.ramp_format(rated_counts / updates, target_max)
    pwm_counts = spec.bridge.pwm_counts
    table_bits = resolution.table_bits(pwm_counts)
    per_count = SCALE_ONE / Fraction(design.least_gain) / rated_counts
    enough_gain, enough_shift = formats.conversion(per_count, target_max)
    plan = Plan(
        name=spec.name,
        measure=spec.loop.measure,
        word_bits=word_bits,
        samples=window.samples,
        half_cycles=window.half_cycles,
        block_weights=window.block_weights,
        update_blocks=window.blocks // window.updates,
        adc_max=(1 << spec.sensor.adc_bits) - 1,
        zero_code=spec.sensor.zero_code,
        magnitude_max=reading.magnitude_max,
        sum_high=reading.total_max > formats.UINT32_MAX,
        reading_shift=reading.shift,
        reading_max=reading.greatest,
        wide=reading.wide or target_max > formats.NARROW_MAX,
        target_max_mv=conversions.target_max_mv,
        rated_mv=rated_mv,
        target_gain=conversions.target[0],
        target_shift=conversions.target[1],
        target_max=target_max,
        target_rated=arithmetic.scale_by(
            min(rated_mv, conversions.target_max_mv), *conversions.target
        ),
        millivolt_gain=conversions.millivolt[0],
        millivolt_shift=conversions.millivolt[1],
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
        hold_reading=math.ceil(reading.counts_per_volt * near_zero_v),
        enough_gain=enough_gain,
        enough_shift=enough_shift,
        span_blocks=span_blocks(spec, window),
        table_bits=table_bits,
        table=resolution.drive_table(table_bits),
        pwm_counts=pwm_counts,
        duty_table=resolution.drive_table(table_bits, duty_crest(pwm_counts)),
        signals=(),
        latched=spec.loop.after_loss == "latch",
        turning=turning(spec),
        bus=bus,
    )
    if design.law is not None:
        normalised = law_format.with_law(plan, design.kp, design.ki, design.law.floor, rated_counts)
        if normalised is None:
            raise InputError([_gains_too_large(design)])
        plan = normalised
    return tracking_plan(design, plan)


def stalled_error(plan: Plan) -> int:
    """Greatest error, in reading counts, that leaves the integrator as it is.

    Rounding to nearest, ties away: the step is 0 where |Ki e| < half a last place.
    """
    if plan.law is not None:
        return law_format.stalled_error(plan)
    if plan.integral == 0:
        return plan.reading_max
    return max(0, (arithmetic.half(plan.integral_shift) - 1) // abs(plan.integral))


def quantised_gains(plan: Plan, rated_counts: Fraction) -> tuple[Fraction, Fraction]:
    """(Kp, Ki) as the integers have them: scale per per-unit error, and that a PI step."""
    if plan.law is not None:
        return law_format.law_gains(plan)
    kp = Fraction(plan.proportional, 1 << (plan.drive_bits + plan.proportional_shift))
    ki = Fraction(plan.integral, 1 << (plan.drive_bits + plan.integral_shift))
    return kp * rated_counts, ki * rated_counts


def pole_shift(design: Design, quantised: Quantised) -> float:
    """Greatest move of the slowest closed-loop pole, over the corners, by the coefficients'
    rounding: a length in the z plane."""
    import numpy as np  # noqa: PLC0415

    from halfcycle.loop.step_response import spectral_radius  # noqa: PLC0415

    taps = design.plants.taps
    rated_counts = Fraction(quantised.counts_per_volt) * design.spec.output.rated_rms_v
    kp, ki = quantised_gains(quantised.plan, rated_counts)
    wanted = spectral_radius(taps, float(design.kp), float(design.ki))
    got = spectral_radius(taps, float(kp), float(ki))
    return float(np.abs(got - wanted).max())


def _near_zero_v(design: Design) -> Fraction:
    """Reading below which a driven output is implausible, volts RMS.

    Twice what the sensor's zero and noise alone can read as, at least NEAR_ZERO of rated, and the
    least from which on a sensor that is stuck can be told from a healthy one, if there is one
    (else ``findings`` refuses).
    """
    sensor, rated_v = design.spec.sensor, design.spec.output.rated_rms_v
    zero = sensor.zero_tolerance_codes + zero_clamp(design)  # wherever it is taken to be
    floor_v = sensor.volts_per_code * (zero + sensor.noise_codes_rms)
    least_v = max(NEAR_ZERO * rated_v, 2 * floor_v)
    stuck_v = stuck_from_v(design.spec, design.window)
    return max(least_v, stuck_v) if stuck_v is not None else least_v


def _coefficients(design: Design, plan: Plan, rated_counts: Fraction) -> tuple[Coefficient, ...]:
    kp, ki = quantised_gains(plan, rated_counts)
    counts = rated_counts / design.spec.output.rated_rms_v
    step = "update" if design.window.moving else "window"
    per = design.gain_unit
    rows = [
        Coefficient("integral", float(design.ki), float(ki), f"{per} and {step}"),
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
        rows.insert(0, Coefficient("proportional", float(design.kp), float(kp), per))
    if design.law is not None and plan.law is not None:
        floor = float(design.law.floor)
        got = plan.law.floor * float(rated_counts) / 2**plan.drive_bits
        rows.append(Coefficient("floor", floor, got, "scale per pu"))
    if plan.ramped:
        updates = design.spec.targets.ramp_ms / 1000 / design.window.update_s
        got = plan.ramp_step / 2**plan.ramp_bits
        rows.append(
            Coefficient("ramp_step", float(rated_counts / updates), got, f"counts per {step}")
        )
    return tuple(rows)


def _range_too_large(design: Design, range_v: float) -> Fault:
    return Fault(
        design.file,
        "sensor.volts_per_code",
        f"the ADC's range of {range_v:.3g} V RMS is more than 32-bit millivolts can report",
        "give the volts of one ADC code at the output",
    )


def _count_too_coarse(design: Design, count_v: float) -> Fault:
    return Fault(
        design.file,
        "sensor.volts_per_code",
        f"a count of the reading is {count_v:.3g} V RMS, more than the factor to millivolts holds",
        "give the volts of one ADC code at the output, or make the output's steps finer with more "
        "bridge.pwm_counts",
    )


def _sum_too_large(design: Design, total_max: int) -> Fault:
    window = design.window
    return Fault(
        design.file,
        "loop.samples",
        f"the weighted sum of {window.samples} samples may reach {total_max:.3g}, more than 48 bits"
        f" hold ({formats.UINT48_MAX:.3g})",
        f"use at most {window.samples * formats.UINT48_MAX // total_max} samples, "
        'loop.weighting = "flat", or a lower sensor.adc_bits',
    )


def _gains_too_large(design: Design) -> Fault:
    return Fault(
        design.file,
        "gains",
        f"proportional {float(design.kp):.4g} and integral {float(design.ki):.4g} "
        f"{'an update' if design.window.moving else 'a window'} "
        "overflow a 32-bit integrator in every format",
        "give smaller gains, or leave [gains] out and let them be designed",
    )
