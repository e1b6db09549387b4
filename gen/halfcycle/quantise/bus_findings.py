"""What a designer should be told about the constants of a measured bus."""

from __future__ import annotations

from collections.abc import Iterator

from halfcycle.base.findings import Finding, finding
from halfcycle.quantise.bus import step_on_return
from halfcycle.regulator.bus_plan import BusPlan
from halfcycle.spec.bus_sensor import SIGMAS
from halfcycle.spec.models import Spec


def bus_step_findings(spec: Spec, bus: BusPlan) -> Iterator[Finding]:
    """A remark if a reading that is back moves the output by more than the tolerance."""
    sensor, tolerance = spec.bus_sensor, float(spec.targets.voltage_tolerance_percent)
    percent = 100 * step_on_return(bus)
    if sensor is None or percent <= tolerance:
        return
    noisy = SIGMAS * sensor.noise_codes_rms > 1
    remedy = (
        "filter the bus sensor (less bus_sensor.noise_codes_rms)"
        if noisy
        else "lower bus_sensor.volts_per_code, with more bus_sensor.adc_bits if need be"
    )
    yield finding(
        "bus-return-step",
        "bus_sensor.noise_codes_rms" if noisy else "bus_sensor.volts_per_code",
        f"a reading of the bus that is back after a loss may move the output by {percent:.3g} % "
        f"at once, as it is followed from within its {'noise' if noisy else 'code'} on, and the "
        f"tolerance is {tolerance:.3g} %; {remedy}",
    )
