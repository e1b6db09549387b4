"""The signal table: the range of every integer of the generated C, derived from the Plan.

The initial ranges are the ADC's and the state's bounds; every other range follows by interval
arithmetic over the very expressions of the C. A range that did not fit its word would be a bug of
the quantiser: ``signal_table`` refuses it.
"""

from __future__ import annotations

from halfcycle.quantise import formats
from halfcycle.quantise.bus_signals import bus_signals
from halfcycle.quantise.interval import Interval
from halfcycle.quantise.law_format import law_ranges
from halfcycle.regulator import arithmetic
from halfcycle.regulator.plan import DRIVE_FULL, SCALE_BITS, Normalising, Plan, Signal


def q_format(signed: bool, bits: int, fraction: int) -> str:
    """Q notation as used here: sQm.n / uQm.n, the sign not counted in m."""
    whole = bits - fraction - (1 if signed else 0)
    return f"{'s' if signed else 'u'}Q{whole}.{fraction}"


class _Table:
    def __init__(self) -> None:
        self.rows: list[Signal] = []

    def add(
        self,
        name: str,
        interval: Interval,
        bits: int,
        per_lsb: float,
        unit: str,
        *,
        signed: bool = False,
        fraction: int = 0,
    ) -> None:
        headroom = interval.headroom(bits, signed)
        if headroom < 0:
            raise OverflowError(f"{name}: {interval} does not fit {bits} bits")
        self.rows.append(
            Signal(
                name=name,
                format=q_format(signed, bits, fraction),
                bits=bits,
                signed=signed,
                lowest=interval.low,
                highest=interval.high,
                headroom_bits=headroom,
                per_lsb=per_lsb,
                unit=unit,
            )
        )


def error_range(plan: Plan) -> Interval:
    """What target minus reading can be."""
    return Interval(0, plan.target_max) - Interval(0, plan.reading_max)


def signal_table(plan: Plan, reading_step_v: float, code_v: float) -> tuple[Signal, ...]:
    """Every signal of the C with its derived range.

    ``reading_step_v``: volts RMS a reading count; ``code_v``: volts an ADC code. Raises
    OverflowError where a range does not fit its word.
    """
    table = _Table()
    _measuring(table, plan, reading_step_v, code_v)
    _regulating(table, plan, reading_step_v)
    bus_signals(table.add, plan)
    _driving(table, plan)
    return tuple(table.rows)


def _measuring(table: _Table, plan: Plan, reading_step_v: float, code_v: float) -> None:
    magnitude = Interval(0, plan.magnitude_max)
    table.add("code", Interval(0, plan.adc_max), 16, code_v, "V")
    table.add("magnitude", magnitude, 16, code_v, "V")
    table.add("count", Interval(0, plan.block_samples), 16, 1, "samples")
    term = magnitude
    if plan.measure == "rms":
        term = magnitude * magnitude
        table.add("square", term, 32, code_v**2, "V^2")
    block = term * Interval(0, plan.block_samples)
    total = block * Interval(0, sum(plan.block_weights))
    unit, per = ("V^2", code_v**2) if plan.measure == "rms" else ("V", code_v)
    if plan.blockwise:
        table.add("block_sum", block, 48 if plan.block_high else 32, per, unit)
    table.add("sum", total, 48 if plan.sum_high else 32, per, unit)
    if plan.measure == "rms":
        root_of = total.map(lambda value: value >> plan.reading_shift)
        table.add("root_argument", root_of, 32, per * 2.0**plan.reading_shift, unit)
    else:
        rounding = arithmetic.half(plan.reading_shift)
        rounded = total + Interval(rounding, rounding)
        table.add("sum_rounded", rounded, 48 if plan.sum_high else 32, per, unit)
    lean = Interval(-plan.lean_max, plan.lean_max)
    table.add("lean", lean, 32, per * 2.0**plan.lean_shift, unit, signed=True)
    _zero(table, plan, code_v, per)
    word = 32 if plan.wide else 16
    table.add("reading", Interval(0, plan.reading_max), word, reading_step_v, "V RMS", signed=True)
    reported = Interval(0, plan.reading_max).map(
        lambda value: arithmetic.scale_by(value, plan.millivolt_gain, plan.millivolt_shift)
    )
    table.add("rms_mv", reported, 32, 0.001, "V RMS", signed=True)


def _zero(table: _Table, plan: Plan, code_v: float, sum_unit: float) -> None:
    """The tracked zero. ``sum_unit``: what one last place of a sum is worth, in ``unit`` of it."""
    tracking = plan.tracking
    if tracking is None:
        return
    unit = "V^2" if plan.measure == "rms" else "V"
    clamp, limit = tracking.clamp, tracking.limit
    table.add("zero", Interval(plan.zero_code - clamp, plan.zero_code + clamp), 16, code_v, "V")
    lean = Interval(-plan.zero_lean_max, plan.zero_lean_max)
    per = sum_unit * 2.0**tracking.shift
    table.add("zero_lean", lean, 32, per, unit, signed=True)
    per_code = Interval(0, plan.lean_per_code_max)
    if plan.measure == "rms":
        product = Interval(0, plan.reading_max * tracking.slope)
        rounding = arithmetic.half(tracking.slope_shift)
        table.add(
            "per_code_product",
            product + Interval(rounding, rounding),
            32,
            per * 2.0**-tracking.slope_shift,
            unit,
            fraction=tracking.slope_shift,
        )
    table.add("per_code", per_code, 32, per, unit, signed=True)
    part = Interval(-tracking.hold, tracking.hold)
    code_part = code_v * 2.0**-tracking.bits
    table.add("zero_part", part, 32, code_part, "V", signed=True, fraction=tracking.bits)
    known = per_code * part
    rounding = arithmetic.half(tracking.bits)
    guarded = known + Interval(-rounding, rounding)
    table.add(
        "known_product",
        guarded,
        32,
        per * 2.0**-tracking.bits,
        unit,
        signed=True,
        fraction=tracking.bits,
    )
    rounded = known.map(lambda v: arithmetic.round_shift_signed(v, tracking.bits))
    beyond = lean - rounded
    rounding = arithmetic.half(tracking.step_shift)
    table.add("unknown_lean", beyond + Interval(-rounding, rounding), 32, per, unit, signed=True)
    step = beyond.map(lambda v: arithmetic.round_shift_signed(v, tracking.step_shift))
    sum_of = Interval(-limit, limit) + part + step
    table.add("zero_moved", sum_of, 32, code_part, "V", signed=True, fraction=tracking.bits)


def _regulating(table: _Table, plan: Plan, reading_step_v: float) -> None:
    word = 32 if plan.wide else 16
    error = error_range(plan)
    table.add("target", Interval(0, plan.target_max), word, reading_step_v, "V RMS", signed=True)
    if plan.ramped:
        ramp = Interval(0, plan.target_max << plan.ramp_bits)
        # 0: it waits for a sensor that failed, and while a limiter acts.
        climb = ramp + Interval(0, plan.ramp_step)
        per = reading_step_v * 2.0**-plan.ramp_bits
        table.add("ramp", ramp, 32, per, "V RMS", signed=True, fraction=plan.ramp_bits)
        table.add("climb", climb, 32, per, "V RMS", signed=True, fraction=plan.ramp_bits)
    table.add("error", error, error_bits(plan), reading_step_v, "V RMS", signed=True)
    if plan.law is None:
        _plain_step(table, plan, error)
    else:
        _normalised_step(table, plan, plan.law)
    rounding = arithmetic.half(plan.scale_shift)
    table.add(
        "drive_rounded",
        Interval(0, plan.drive_max) + Interval(rounding, rounding),
        32,
        2.0**-plan.drive_bits,
        "scale",
        fraction=plan.drive_bits,
    )
    table.add(
        "scale",
        Interval(0, plan.scale_top),
        16,
        2.0**-SCALE_BITS,
        "scale",
        signed=True,
        fraction=SCALE_BITS,
    )


def _plain_step(table: _Table, plan: Plan, error: Interval) -> None:
    shifts = (plan.proportional_shift, plan.integral_shift)
    ranges = formats.pi_ranges(plan.proportional, plan.integral, error, plan.drive_max, shifts)
    for name, interval in ranges.items():
        extra = {"push_product": shifts[0], "step_product": shifts[1]}.get(name, 0)
        fraction = plan.drive_bits + extra
        rounding = arithmetic.half(extra)
        guarded = interval + Interval(-rounding, rounding) if extra else interval
        table.add(name, guarded, 32, 2.0**-fraction, "scale", signed=True, fraction=fraction)


def _normalised_step(table: _Table, plan: Plan, law: Normalising) -> None:
    ranges = law_ranges(plan)
    inverse = Interval(0, law.inverse_max)
    per = 2.0**-law.inverse_shift
    table.add("inverse", inverse, 16, per, "1/count", fraction=min(16, law.inverse_shift))
    table.add("multiple", ranges["multiple"], 32, per, "of 1", fraction=law.inverse_shift)
    table.add("share_product", ranges["share_product"], 32, per, "of target")
    share = law.share_bits
    changing = ("change",) if plan.has_proportional else ()
    for name in ("share", *changing):
        table.add(name, ranges[name], 32, 2.0**-share, "of target", signed=True, fraction=share)
    action = law.action_bits + plan.integral_shift
    rounding = arithmetic.half(plan.integral_shift)
    guarded = ranges["action"] + Interval(-rounding, rounding)
    table.add("action", guarded, 32, 2.0**-action, "of drive", signed=True, fraction=action)
    part = law.action_bits
    table.add("part", ranges["part"], 32, 2.0**-part, "of drive", fraction=part)
    drive, scale = plan.drive_bits, 2.0**-plan.drive_bits
    integral = Interval(0, plan.drive_max)
    table.add("integral", integral, 32, scale, "scale", signed=True, fraction=drive)
    for name in ("lowest", "size"):
        table.add(name, ranges[name], 32, scale, "scale", fraction=drive)
    fraction = drive + law.action_bits - law.split
    table.add("scaled", ranges["scaled"], 32, 2.0**-fraction, "scale", fraction=fraction)
    table.add("drive", ranges["drive"], 32, scale, "scale", signed=True, fraction=drive)


def _driving(table: _Table, plan: Plan) -> None:
    sine = Interval(0, max(plan.table))
    rise = Interval(0, max(b - a for a, b in zip(plan.table, plan.table[1:], strict=False)))
    along = 14 - plan.table_bits
    rounding = arithmetic.half(along)
    table.add("sine", sine, 16, 1 / DRIVE_FULL, "of crest", fraction=15)
    table.add(
        "rise_product",
        rise * Interval(0, 1 << along) + Interval(rounding, rounding),
        32,
        2.0**-along / DRIVE_FULL,
        "of crest",
        fraction=15 + along,
    )
    # Both factors are doubled.
    level = sine * Interval(0, plan.scale_max) * Interval(4, 4) + Interval(1 << 15, 1 << 15)
    per = 2.0 ** -(SCALE_BITS + 2) / DRIVE_FULL
    table.add("wide", level, 32, per, "of bus", fraction=17 + SCALE_BITS)
    table.add(
        "level",
        Interval(-DRIVE_FULL, DRIVE_FULL),
        16,
        1 / DRIVE_FULL,
        "of bus",
        signed=True,
        fraction=15,
    )
    counts = Interval(-plan.pwm_counts, plan.pwm_counts)
    table.add("duty", counts, 16, 1.0, "counts", signed=True, fraction=0)


def error_bits(plan: Plan) -> int:
    """Word of the error: 16 bits where its range fits, else 32."""
    return 16 if error_range(plan).headroom(16, signed=True) >= 0 else 32
