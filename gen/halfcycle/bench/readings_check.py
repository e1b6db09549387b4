"""Meter readings that no sensor of the spec can have given: a wrong column, unit or file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from halfcycle.base.clipped_sine import FORM_FACTOR
from halfcycle.base.errors import Fault, InputError
from halfcycle.base.text import printable
from halfcycle.bench.meter_readings import Reading
from halfcycle.spec.models import Spec


def check_readings(spec: Spec, readings: Sequence[Reading], path: Path | str) -> None:
    """Refuse readings that say nothing, or what cannot be; ``path`` is the file they come from.

    Raises InputError with every fault at once.
    """
    file = printable(str(path))
    faults = [Fault(file, *trouble) for trouble in _impossible(spec, readings)]
    if not any(_says_something(reading) for reading in readings):
        problem = "no row has a voltage at the meter with the firmware's side, or a mean code"
        faults.append(Fault(file, "rows", problem, "take readings with the output on"))
    if faults:
        raise InputError(faults)


def _says_something(reading: Reading) -> bool:
    seen = reading.reported_v is not None or reading.rms_codes is not None
    return reading.mean_code is not None or (bool(reading.meter_v) and seen)


def _impossible(spec: Spec, readings: Sequence[Reading]) -> Iterator[tuple[str, str, str]]:
    """(line, problem, remedy) of each reading beyond what the ADC can show."""
    sensor = spec.sensor
    top = 2**sensor.adc_bits - 1
    # A square wave from rail to rail is the most; a mean is calibrated for the sine's form factor.
    farthest = max(sensor.zero_code, top - sensor.zero_code)
    max_v = FORM_FACTOR * farthest * float(sensor.volts_per_code)
    adc = f"an ADC of {sensor.adc_bits} bits"
    for reading in readings:
        line = f"line {reading.line}"
        if reading.mean_code is not None and reading.mean_code > top:
            problem = f"mean_code {reading.mean_code:g} is more than {adc} gives, {top}"
            yield line, problem, "check the columns, and sensor.adc_bits of the spec"
        if reading.rms_codes is not None and reading.rms_codes > top / 2:
            problem = (
                f"rms_codes {reading.rms_codes:g} is more than {adc} can swing about its mean, "
                f"{top / 2:g} RMS"
            )
            yield line, problem, "check the columns: RMS about the mean, not about zero"
        if reading.reported_v is not None and reading.reported_v > max_v:
            problem = (
                f"the firmware cannot report {reading.reported_v:g} V: the sensor of the spec "
                f"ends at {max_v:.4g} V RMS"
            )
            yield line, problem, "check the column's unit (reported_rms_mv for millivolts)"
