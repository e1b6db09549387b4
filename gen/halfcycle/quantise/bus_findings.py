"""What a designer should be told about the constants of a measured bus."""

from __future__ import annotations

from collections.abc import Iterator

from halfcycle.base.findings import Finding, finding
from halfcycle.quantise.bus import step_on_return
from halfcycle.regulator.bus_plan import BusPlan
from halfcycle.spec.models import Spec


def bus_step_findings(spec: Spec, bus: BusPlan) -> Iterator[Finding]:
    """A remark if a reading that is back moves the output by more than the tolerance."""
    tolerance = float(spec.targets.voltage_tolerance_percent)
    percent = 100 * step_on_return(bus)
    if percent <= tolerance:
        return
    yield finding(
        "bus-return-step",
        "bus_sensor.noise_codes_rms",
        f"when the bus reads again after a loss the output may jump by {percent:.3g} %, as the "
        f"change back to the reading ends within its noise and a code of it; the tolerance is "
        f"{tolerance:.3g} %; filter the bus sensor, or lower bus_sensor.volts_per_code with more "
        "bus_sensor.adc_bits",
    )
