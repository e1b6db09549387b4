"""The generated regulator as a co-simulation unit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction

from halfcycle.cosimulate.unit import CONFIG, Unit, base_step_s
from halfcycle.cosimulate.variables import Variable, of_kind
from halfcycle.regulator.plan import CODE_MAX, FLAGS, PHASE_MAX, Plan
from halfcycle.regulator.state import fields_of
from halfcycle.regulator.turn import TURN_STATE
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


def regulator_unit(
    spec: Spec, plan: Plan, generated: Mapping[str, str], file: str = "spec"
) -> Unit:
    """The unit of a regulator; ``generated`` as ``halfcycle.generate.emit.render`` gives it.

    Raises InputError, naming ``file``, if no length of a step fits.
    """
    step_s, per_sample = base_step_s(spec, file)
    turning = plan.turning is not None
    variables = _variables(spec, plan, per_sample)
    names = c_interface.names_header(plan.name, turning=turning)
    code = {name: generated[name] for name in (f"{plan.name}.h", f"{plan.name}.c")}
    return Unit(
        identifier=plan.name,
        title=(
            f"Amplitude regulator, {float(spec.output.rated_rms_v):g} V RMS at "
            f"{float(spec.output.frequency_hz):g} Hz: the generated C"
        ),
        spec_digest=spec.digest(),
        step_s=step_s,
        model="unit_regulator",
        variables=variables,
        texts={**names, **code},
        compiled=(f"{plan.name}.c",),
        constants=tuple(_constants(spec, plan, step_s, per_sample, variables)),
        order=ORDER,
        fields=tuple(_fields(plan)),
        generated=(CONFIG, *names, *code),
    )


def _variables(spec: Spec, plan: Plan, per_sample: int) -> tuple[Variable, ...]:
    rated = plan.rated_mv
    inputs = [
        Variable(
            "output_v", "Real", "input", "voltage at the sensor, before the ADC", 0.0, unit="V"
        ),
        Variable(
            "bus_v",
            "Real",
            "input",
            "voltage of the DC bus, for bridge_v; the regulator has no bus sensor",
            float(spec.bridge.bus_nominal_v),
            unit="V",
        ),
        Variable(
            "target_mv",
            "Integer",
            "input",
            "RMS voltage that is wanted, millivolts; 0 takes the drive away",
            rated,
        ),
        Variable("limiting", "Boolean", "input", "a current limiter acts: the drive does not rise"),
        Variable(
            "adc_code", "Integer", "input", "what the ADC reads, if raw", spec.sensor.zero_code
        ),
    ]
    if plan.turning is not None and plan.turning.adjustable:
        inputs.append(
            Variable(
                "frequency_mhz",
                "Integer",
                "input",
                "frequency of the sine, millihertz, inside the band of the spec; 0 until it is "
                "given: rated",
                0,
                0,
            )
        )
    parameters = [
        Variable("raw", "Boolean", "fixed", "true: adc_code is taken in place of output_v"),
        Variable(
            "update_after_ticks",
            "Integer",
            "fixed",
            "steps from the sample that makes an update due to the update",
            0,
            0,
            plan.block_samples * per_sample,
        ),
        Variable(
            "first_sample_tick",
            "Integer",
            "fixed",
            f"steps before the first sample; every {per_sample} steps one follows",
            0,
            0,
            per_sample,
        ),
    ]
    outputs = [
        Variable("duty", "Real", "output", "NAME_duty, 1 is the whole bus", steady=True),
        Variable("drive", "Real", "output", "NAME_drive, 1 is the whole bus", steady=True),
        Variable("scale", "Real", "output", "NAME_scale, 1 is the bus at the crest", steady=True),
        Variable(
            "bridge_v",
            "Real",
            "output",
            "duty times bus_v, the bridge's mean",
            unit="V",
            steady=True,
        ),
        Variable("rms_mv", "Integer", "output", "NAME_rms_mv, millivolts"),
        Variable("updates", "Integer", "output", "updates so far, modulo 65536"),
        Variable("phase", "Integer", "output", f"of duty, 0 to {PHASE_MAX} is a turn"),
        *(Variable(name.lower(), "Boolean", "output", meaning) for name, _, meaning in FLAGS),
    ]
    return (*inputs, *parameters, *outputs)


def _constants(
    spec: Spec, plan: Plan, step_s: Fraction, per_sample: int, variables: tuple[Variable, ...]
) -> Iterator[tuple[str, str]]:
    yield "TICKS_PER_SAMPLE", str(per_sample)
    yield "CODES_PER_VOLT", repr(float(1 / spec.sensor.volts_per_code))
    yield "ZERO_CODE", repr(float(spec.sensor.zero_code))
    yield "ADC_MAX", repr(float(min(plan.adc_max, CODE_MAX)))
    yield "PWM_COUNTS", str(plan.pwm_counts)
    if plan.turning is None:
        turns = spec.output.frequency_hz * step_s
        yield "PHASE_STEP", f"UINT64_C({int(turns * 2**64) % 2**64})"
    elif plan.turning.adjustable:
        yield "ADJUSTABLE", "1"
    masks = {name.lower(): value for name, value, _ in FLAGS}
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
    yield from ((name, "int32_t") for name in ("target_mv", "until_sample", "until_update"))
