"""The generated regulator as a co-simulation unit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction

from halfcycle.base.errors import Fault, InputError
from halfcycle.cosimulate.unit import CONFIG, REGULATOR, Unit, base_step_s
from halfcycle.cosimulate.variables import Variable, of_kind
from halfcycle.regulator.plan import CODE_MAX, PHASE_MAX, Plan
from halfcycle.regulator.state import fields_of
from halfcycle.regulator.turn import TURN_STATE
from halfcycle.spec.bus_sensor import codes_of
from halfcycle.spec.models import Spec
from halfcycle.verify import c_interface

ORDER = (
    "the inputs are taken as they are at its start",
    "set_target_mv, if target_mv is another than before; hold, while limiting is true",
    "an update that is due from an earlier sample",
    "at every loop period: sample, and, unless update_after_ticks puts it off, the update that it "
    "makes due",
    "the phase of the next PWM period, and the duty for it: outputs from the end of the step on, "
    "as a PWM takes its new duty with its next period",
)


BUS_STEP = "every period of the bus sensor, from the first step on: bus"


def _order(plan: Plan) -> tuple[str, ...]:
    """What a step does: the bus, if it is measured, is read before the samples."""
    return (*ORDER[:3], BUS_STEP, *ORDER[3:]) if plan.bus else ORDER


def regulator_unit(
    spec: Spec, plan: Plan, generated: Mapping[str, str], file: str = "spec"
) -> Unit:
    """The unit of a regulator; ``generated`` as ``halfcycle.generate.emit.render`` gives it.

    Raises InputError, naming ``file``, if no length of a step fits.
    """
    step_s, per_sample = base_step_s(spec, file)
    _refuse_bus_period(spec, step_s, file)
    variables = _variables(spec, plan, per_sample)
    names = c_interface.names_of(plan)
    code = {name: generated[name] for name in (f"{plan.name}.h", f"{plan.name}.c")}
    return Unit(
        identifier=plan.name,
        title=(
            f"Amplitude regulator, {float(spec.output.rated_rms_v):g} V RMS at "
            f"{float(spec.output.frequency_hz):g} Hz: the generated C"
        ),
        spec_digest=spec.digest(),
        step_s=step_s,
        model=REGULATOR,
        variables=variables,
        texts={**names, **code},
        compiled=(f"{plan.name}.c",),
        constants=tuple(_constants(spec, plan, step_s, per_sample, variables)),
        order=_order(plan),
        fields=tuple(_fields(plan)),
        generated=(CONFIG, *names, *code),
    )


def _refuse_bus_period(spec: Spec, step_s: Fraction, file: str) -> None:
    """Raise InputError if the bus is not read after whole steps."""
    steps = spec.bus_period_s / step_s
    if spec.bus_sensor is not None and steps.denominator != 1:
        problem = (
            f"the bus is read after {float(steps):.6g} steps of the co-simulation unit, which are "
            f"{float(step_s) * 1e6:g} us long"
        )
        remedy = "choose a multiple of the PWM period that divides loop.period_us"
        raise InputError([Fault(file, "bus_sensor.period_us", problem, remedy)])


def _variables(spec: Spec, plan: Plan, per_sample: int) -> tuple[Variable, ...]:
    return (*_inputs(spec, plan), *_parameters(plan, per_sample), *_outputs(plan))


def _inputs(spec: Spec, plan: Plan) -> Iterator[Variable]:
    output, bus = "voltage at the sensor, before the ADC", float(spec.bridge.bus_nominal_v)
    yield Variable("output_v", "Real", "input", output, 0.0, unit="V")
    about = "voltage of the DC bus, for bridge_v; the regulator has no bus sensor"
    if spec.bus_sensor is not None:
        about = "voltage of the DC bus, for bridge_v and at the bus sensor, before its ADC"
    yield Variable("bus_v", "Real", "input", about, bus, unit="V")
    target = "RMS voltage that is wanted, millivolts; 0 takes the drive away"
    yield Variable("target_mv", "Integer", "input", target, plan.rated_mv)
    limiting = "a current limiter acts: the drive does not rise"
    yield Variable("limiting", "Boolean", "input", limiting)
    code = "what the ADC reads, if raw"
    yield Variable("adc_code", "Integer", "input", code, spec.sensor.zero_code)
    if spec.bus_sensor is not None:
        code = "what the ADC of the bus reads, if raw"
        at_first = round(codes_of(spec, spec.bridge.bus_nominal_v)) + spec.bus_sensor.zero_code
        yield Variable("bus_code", "Integer", "input", code, at_first)
    if plan.turning is not None and plan.turning.adjustable:
        frequency = (
            "frequency of the sine, millihertz, held inside the band of the spec; 0 until it is "
            "given: rated"
        )
        yield Variable("frequency_mhz", "Integer", "input", frequency, 0, 0)


def _parameters(plan: Plan, per_sample: int) -> Iterator[Variable]:
    raw = "true: adc_code is taken in place of output_v"
    if plan.bus is not None:
        raw += ", and bus_code in place of bus_v at the bus sensor"
    yield Variable("raw", "Boolean", "fixed", raw)
    for name, about, most in (
        (
            "update_after_ticks",
            "steps from the sample that makes an update due to the update",
            plan.block_samples * per_sample,
        ),
        (
            "first_sample_tick",
            f"steps before the first sample; every {per_sample} steps one follows",
            per_sample,
        ),
    ):
        yield Variable(name, "Integer", "fixed", about, 0, 0, most)


def _outputs(plan: Plan) -> Iterator[Variable]:
    for name, about, unit in (
        ("duty", f"{plan.name}_duty, 1 is the whole bus", ""),
        ("drive", f"{plan.name}_drive, 1 is the whole bus", ""),
        ("scale", f"{plan.name}_scale, 1 is the bus at the crest", ""),
        ("bridge_v", "duty times bus_v, the mean at the bridge", "V"),
    ):
        yield Variable(name, "Real", "output", about, unit=unit, steady=True)
    for name, about in (
        ("rms_mv", f"{plan.name}_rms_mv, millivolts"),
        ("updates", "updates so far, modulo 65536"),
        ("phase", f"of duty, 0 to {PHASE_MAX} is a turn"),
    ):
        yield Variable(name, "Integer", "output", about)
    for name, _, about in plan.flags:
        yield Variable(name.lower(), "Boolean", "output", about)


def _constants(
    spec: Spec, plan: Plan, step_s: Fraction, per_sample: int, variables: tuple[Variable, ...]
) -> Iterator[tuple[str, str]]:
    yield "TICKS_PER_SAMPLE", str(per_sample)
    yield "CODES_PER_VOLT", repr(float(1 / spec.sensor.volts_per_code))
    yield "ZERO_CODE", repr(float(spec.sensor.zero_code))
    yield "ADC_MAX", repr(float(min(plan.adc_max, CODE_MAX)))
    yield "PWM_COUNTS", str(plan.pwm_counts)
    if spec.bus_sensor is not None:
        yield "TICKS_PER_BUS", str(round(spec.bus_period_s / step_s))
        yield "BUS_CODES_PER_VOLT", repr(float(1 / spec.bus_sensor.volts_per_code))
        yield "BUS_ZERO_CODE", repr(float(spec.bus_sensor.zero_code))
        yield "BUS_ADC_MAX", repr(float(2**spec.bus_sensor.adc_bits - 1))
    if plan.turning is None:
        turns = spec.output.frequency_hz * step_s
        yield "PHASE_STEP", f"UINT64_C({int(turns * 2**64) % 2**64})"
    elif plan.turning.adjustable:
        yield "ADJUSTABLE", "1"
    masks = {name.lower(): value for name, value, _ in plan.flags}
    booleans = of_kind(variables, "Boolean")
    values = ", ".join(f"{masks.get(variable.name, 0)}u" for variable in booleans)
    yield "FLAGS", f"{{{values}}}"


def _fields(plan: Plan) -> Iterator[tuple[str, str]]:
    """Place and C type of every number of the state of ``c_harness/unit_regulator.h``."""
    tables = [("regulator", fields_of(plan))]
    if plan.turning is not None:
        tables.append(("turn", TURN_STATE))
    for struct, fields in tables:
        for field in fields:
            for slot in range(field.slot_count(plan)):
                place = f"{field.name}[{slot}]" if field.indexed(plan) else field.name
                yield f"{struct}.{place}", field.c_type(plan)
    if plan.turning is None:
        yield "phase", "uint64_t"
    else:
        yield "millihertz", "int32_t"
    names: tuple[str, ...] = ("target_mv", "until_sample", "until_update")
    if plan.bus is not None:
        names += ("until_bus",)
    yield from ((name, "int32_t") for name in names)
