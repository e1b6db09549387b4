"""A virtual board as a co-simulation unit: the circuit that closes the loop of ``simulate``."""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction

from halfcycle.base.errors import Fault, InputError
from halfcycle.cosimulate.unit import BOARD, CONFIG, Unit, base_step_s
from halfcycle.cosimulate.variables import Variable
from halfcycle.regulator.plan import Plan
from halfcycle.simulate.boards import Draw
from halfcycle.simulate.loads import linear_load
from halfcycle.simulate.parts import BoardLoad
from halfcycle.simulate.setup import MAX_DELAY_STEPS, MIN_STEPS_PER_RING, ring_period_s
from halfcycle.spec.models import Spec
from halfcycle.verify import c_interface

SUFFIX = "_board"
"""After the spec's name, in the unit's."""
MAX_KEY = 2.0**53
"""Whole numbers below pass through a double unharmed."""
LEAST = 1e-12
"""Of inductance and capacitance, henry and farad: above 0."""

ORDER = (
    "the inputs are taken as they are at its start; another load is connected if a load parameter "
    "has changed: its own current and voltage start at 0",
    "the duty is rounded to the modulator's counts",
    "bridge (its mean), filter and load move on by their exact discrete law, the duty being held",
    "at its end the sensor reads the output as it was its delay before, and the ADC the sensor",
)


def board_unit(spec: Spec, plan: Plan, drawn: Draw, file: str = "spec") -> Unit:
    """The unit of one drawn board with its own load.

    Raises InputError, naming ``file``, if no length of a step fits.
    """
    step_s, _ = base_step_s(spec, file)
    # As often as the sensor's delay needs: between two points it sees a cubic.
    steps = math.ceil(float(step_s) * MIN_STEPS_PER_RING / ring_period_s(spec))
    circuit_s = step_s / steps
    if drawn.delay_s > MAX_DELAY_STEPS * circuit_s:
        most_us = float(MAX_DELAY_STEPS * circuit_s * 1_000_000)
        problem = f"more than {most_us:.4g} us is too long for a unit whose steps are so short"
        raise InputError([Fault(file, "sensor.delay_us", problem, "state a longer PWM period")])
    return Unit(
        identifier=f"{spec.name}{SUFFIX}",
        title=(
            f"Virtual board {drawn.number}: averaged bridge, filter, load, sensor and ADC for the "
            f"regulator {spec.name}"
        ),
        spec_digest=spec.digest(),
        step_s=step_s,
        model=BOARD,
        variables=_variables(spec, drawn, circuit_s),
        texts=c_interface.harness_files("circuit.h", "circuit.c"),
        compiled=(f"{c_interface.FOLDER}/circuit.c",),
        constants=tuple(_constants(spec, plan, circuit_s, steps)),
        order=ORDER,
        generated=(CONFIG,),
    )


def _constants(
    spec: Spec, plan: Plan, circuit_s: Fraction, steps: int
) -> Iterator[tuple[str, str]]:
    yield "CIRCUIT_STEPS", str(steps)
    yield "CIRCUIT_STEP_S", repr(float(circuit_s))
    yield "VOLTS_PER_CODE", repr(float(spec.sensor.volts_per_code))
    yield "ZERO_CODE", repr(float(spec.sensor.zero_code))
    yield "ADC_MAX", repr(float(plan.adc_max))


def _variables(spec: Spec, drawn: Draw, circuit_s: Fraction) -> tuple[Variable, ...]:
    return (
        Variable("duty", "Real", "input", "duty of the bridge, -1 to 1; held inside", 0.0),
        Variable("source_v", "Real", "input", "voltage behind bus_ohm", drawn.bus_v, unit="V"),
        Variable("sensor_open", "Boolean", "input", "the sensor came off: it reads its zero"),
        *_parts(spec, drawn),
        *_load(linear_load(spec, drawn.load, drawn.power_factor)),
        *_sensor(spec, drawn, circuit_s),
        *_outputs(),
    )


def _parts(spec: Spec, drawn: Draw) -> Iterator[Variable]:
    filter_ = drawn.filter
    for name, about, value, unit, low in (
        ("inductance_h", "of the filter's choke", filter_.inductance_h, "H", LEAST),
        ("winding_ohm", "of choke and switches", filter_.winding_ohm, "Ohm", 0.0),
        ("capacitance_f", "of the filter's capacitor", filter_.capacitance_f, "F", LEAST),
        ("bus_ohm", "of the DC bus", float(spec.bridge.bus_resistance_ohm), "Ohm", 0.0),
    ):
        yield Variable(name, "Real", "fixed", about, value, low, unit=unit)
    counts = spec.bridge.pwm_counts
    yield Variable("pwm_counts", "Integer", "fixed", "of the modulator, each way", counts, 1)


def _load(load: BoardLoad) -> Iterator[Variable]:
    kinds = "0 none, 1 resistor, 2 resistor and inductance in series, 3 rectifier with a reservoir"
    yield Variable("load_kind", "Integer", "tunable", kinds, int(load.kind), 0, 3)
    for name, about, value, unit in (
        ("load_series_ohm", "resistor, or the one before the rectifier", load.series_ohm, "Ohm"),
        ("load_series_h", "inductance of kind 2", load.series_h, "H"),
        ("load_drop_v", "forward drop of the rectifier's two diodes", load.drop_v, "V"),
        ("load_reservoir_f", "capacitor behind the rectifier", load.reservoir_f, "F"),
        ("load_reservoir_ohm", "resistor across it", load.reservoir_ohm, "Ohm"),
    ):
        yield Variable(name, "Real", "tunable", about, value, 0.0, unit=unit)


def _sensor(spec: Spec, drawn: Draw, circuit_s: Fraction) -> Iterator[Variable]:
    yield Variable("sensor_gain", "Real", "tunable", "over nominal", drawn.gain, 0.0)
    yield Variable(
        "sensor_zero_codes", "Real", "tunable", "error of the zero, ADC codes", drawn.zero_codes
    )
    noise = float(spec.sensor.noise_codes_rms)
    yield Variable("noise_codes", "Real", "tunable", "noise, ADC codes RMS", noise, 0.0)
    longest = MAX_DELAY_STEPS * float(circuit_s)
    yield Variable(
        "sensor_delay_s", "Real", "fixed", "delay", drawn.delay_s, 0.0, longest, unit="s"
    )
    yield Variable(
        "noise_key",
        "Real",
        "fixed",
        "another whole number: other noise",
        float(drawn.noise_key),
        0.0,
        MAX_KEY,
    )


def _outputs() -> Iterator[Variable]:
    sensor = ("sensor_zero_codes", "noise_codes", "noise_key", "sensor_open")
    for name, about, unit, starts_from in (
        ("output_v", "at the load", "V", ()),
        ("sensed_v", "what the sensor shows, at its nominal gain, noise included", "V", sensor),
        ("choke_a", "in the filter's choke", "A", ()),
        ("load_a", "in the load", "A", ()),
        ("bus_v", "at the bridge", "V", ("source_v",)),
    ):
        yield Variable(name, "Real", "output", about, unit=unit, starts_from=starts_from)
    yield Variable(
        "adc_code", "Integer", "output", "what the ADC makes of sensed_v", starts_from=sensor
    )
