"""Contradictions between the keys of a spec: each is a fault with the key to change.

A spec that is consistent but cannot be met at some corner of its tolerances is no fault here:
the designer finds that, with the corner that stops it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from halfcycle.base.clipped_sine import rms as clipped_rms
from halfcycle.spec.kinds import brief

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

Clash = tuple[str, str, str]
"""(dotted key, problem, remedy)"""

LEAST_SAMPLES_PER_HALF_CYCLE = 4
MOST_SAMPLES_PER_WINDOW = 65535
"""The generated C counts the samples of a window in 16 bits."""


def clashes(spec: Spec, *, partial: bool = False) -> Iterator[Clash]:
    """Yield every contradiction of ``spec``.

    ``partial``: the Spec lacks the attributes that were faulty; a check that misses one is
    skipped, so that the user sees the others in the same run.
    """
    for check in CHECKS:
        try:
            yield from check(spec)
        except AttributeError:
            if not partial:
                raise


def half_cycle_s(spec: Spec) -> Fraction:
    """Duration of a half cycle in seconds."""
    return 1 / (2 * spec.output.frequency_hz)


def bus_order(spec: Spec) -> Iterator[Clash]:
    """The bus: lowest, nominal and highest in this order."""
    bridge = spec.bridge
    if bridge.bus_min_v > bridge.bus_max_v:
        yield (
            "bridge.bus_min_v",
            f"{brief(bridge.bus_min_v)} V is above bus_max_v, {brief(bridge.bus_max_v)} V",
            "swap them or correct one",
        )
    elif not bridge.bus_min_v <= bridge.bus_nominal_v <= bridge.bus_max_v:
        yield (
            "bridge.bus_nominal_v",
            f"{brief(bridge.bus_nominal_v)} V is outside bus_min_v to bus_max_v, "
            f"{brief(bridge.bus_min_v)} to {brief(bridge.bus_max_v)} V",
            "correct the one that is wrong",
        )


def bus_reach(spec: Spec) -> Iterator[Clash]:
    """The nominal bus gives the rated voltage at the drive limit, without any load."""
    bus, limit = spec.bridge.bus_nominal_v, spec.bridge.scale_max
    reach = float(bus) * clipped_rms(float(limit))
    rated = float(spec.output.rated_rms_v)
    if reach < rated:
        need = rated / clipped_rms(float(limit))
        more = "" if limit >= Fraction(6, 5) else ", or raise bridge.scale_max (up to 1.2)"
        yield (
            "bridge.bus_nominal_v",
            f"{brief(bus)} V at the drive limit {brief(limit)} gives at most {reach:.1f} V RMS, "
            f"and output.rated_rms_v is {brief(spec.output.rated_rms_v)} V",
            f"the bus must be at least {_up(need):g} V{more}",
        )


def zero_inside(spec: Spec) -> Iterator[Clash]:
    """The zero code is a code of the ADC."""
    sensor = spec.sensor
    top = 2**sensor.adc_bits - 1
    if sensor.zero_code >= top:
        yield (
            "sensor.zero_code",
            f"{sensor.zero_code} leaves no room below the greatest code of "
            f"{sensor.adc_bits} bits, {top}",
            f"an output that swings both ways has its zero near {2 ** (sensor.adc_bits - 1)}",
        )


def sensor_range(spec: Spec) -> Iterator[Clash]:
    """The rated peak with gain and zero at their worst stays inside the ADC, both ways.

    Compared as squares, so that the root of two stays exact.
    """
    sensor, rated = spec.sensor, spec.output.rated_rms_v
    top = 2**sensor.adc_bits - 1
    side, room = min(("below", sensor.zero_code), ("above", top - sensor.zero_code), key=_second)
    if room <= 0:
        return  # zero_inside has said so
    free = room - sensor.zero_tolerance_codes
    if free <= 0:
        yield (
            "sensor.zero_tolerance_codes",
            f"{brief(sensor.zero_tolerance_codes)} codes of zero error use up all {room} codes "
            f"{side} zero_code",
            f"state a smaller tolerance or move zero_code towards {2 ** (sensor.adc_bits - 1)}",
        )
        return
    worst = rated * (1 + sensor.gain_tolerance_percent / 100)
    if 2 * worst**2 > (free * sensor.volts_per_code) ** 2:
        need = math.sqrt(2) * float(worst) / float(free)
        yield (
            "sensor.volts_per_code",
            f"the {room} codes {side} zero_code reach {float(free * sensor.volts_per_code):.4g} V "
            f"with the zero at its worst, and the rated peak with the gain at its worst is "
            f"{math.sqrt(2) * float(worst):.4g} V",
            f"it must be at least {_up(need):g} V per code, or the zero nearer mid-scale",
        )


def window_room(spec: Spec) -> Iterator[Clash]:
    """The longest window holds a half cycle."""
    half = half_cycle_s(spec)
    longest = spec.loop.longest_window_ms / 1000
    if longest < half:
        yield (
            "loop.longest_window_ms",
            f"{brief(longest * 1000)} ms is shorter than one half cycle, {brief(half * 1000)} ms",
            "allow at least one half cycle, better several",
        )


def insisted_count(spec: Spec) -> Iterator[Clash]:
    """The half cycles that the user insists on fit the longest window and the sample counter."""
    count = spec.loop.half_cycles
    if isinstance(count, str):
        return
    window = count * half_cycle_s(spec)
    longest = spec.loop.longest_window_ms / 1000
    period = spec.loop.period_us / 1000000
    if window > longest:
        fit = math.floor(longest / half_cycle_s(spec))
        yield (
            "loop.half_cycles",
            f"{count} half cycles last {brief(window * 1000)} ms, longer than "
            f"longest_window_ms, {brief(longest * 1000)} ms",
            f"ask for {max(fit, 1)} or fewer, or allow a longer window",
        )
    elif window / period > MOST_SAMPLES_PER_WINDOW:
        yield (
            "loop.half_cycles",
            f"{count} half cycles take {float(window / period):.0f} samples, more than "
            f"{MOST_SAMPLES_PER_WINDOW}",
            "ask for fewer, or a longer loop.period_us",
        )


def sampling(spec: Spec) -> Iterator[Clash]:
    """Enough samples in a half cycle to measure it, and no more than the counter holds."""
    half, period = half_cycle_s(spec), spec.loop.period_us / 1000000
    samples = half / period
    if samples < LEAST_SAMPLES_PER_HALF_CYCLE:
        yield (
            "loop.period_us",
            f"{brief(spec.loop.period_us)} us gives {float(samples):.3g} samples in a half cycle, "
            f"fewer than {LEAST_SAMPLES_PER_HALF_CYCLE}",
            f"{brief(half * 1000000 / LEAST_SAMPLES_PER_HALF_CYCLE)} us or less; "
            "10 samples and more are usual",
        )
    elif samples > MOST_SAMPLES_PER_WINDOW:
        yield (
            "loop.period_us",
            f"{brief(spec.loop.period_us)} us gives {float(samples):.0f} samples in a half cycle, "
            f"more than {MOST_SAMPLES_PER_WINDOW}",
            f"it must be at least {_up(float(half * 1000000) / MOST_SAMPLES_PER_WINDOW):g} us",
        )


def settling_room(spec: Spec) -> Iterator[Clash]:
    """No loop settles in less than the half cycle that it must measure first."""
    half = half_cycle_s(spec)
    settling = spec.targets.settling_ms / 1000
    if settling < half:
        yield (
            "targets.settling_ms",
            f"{brief(settling * 1000)} ms is shorter than one half cycle, {brief(half * 1000)} ms",
            "allow several windows; eight of them are a comfortable target",
        )


def frequency_band(spec: Spec) -> Iterator[Clash]:
    """A deviation of a tenth of the frequency is no mains any more."""
    frequency, tolerance = spec.output.frequency_hz, spec.output.frequency_tolerance_hz
    if tolerance > frequency / 10:
        yield (
            "output.frequency_tolerance_hz",
            f"{brief(tolerance)} Hz is more than a tenth of frequency_hz, {brief(frequency)} Hz",
            "state the deviation in Hz, not the band's limits",
        )


def delay_room(spec: Spec) -> Iterator[Clash]:
    """A sensor that lags by a half cycle measures nothing that the model describes."""
    half = half_cycle_s(spec)
    if spec.sensor.delay_us / 1000000 >= half:
        yield (
            "sensor.delay_us",
            f"{brief(spec.sensor.delay_us)} us is a half cycle or more "
            f"({brief(half * 1000000)} us)",
            "state the sensor's delay in microseconds",
        )


CHECKS: tuple[Callable[[Spec], Iterator[Clash]], ...] = (
    frequency_band,
    sampling,
    window_room,
    insisted_count,
    zero_inside,
    sensor_range,
    delay_room,
    bus_order,
    bus_reach,
    settling_room,
)


def _second(pair: tuple[str, int]) -> int:
    return pair[1]


def _up(value: float) -> float:
    """Round up to four digits, so that the figure in a remedy is enough."""
    step = 10.0 ** (math.floor(math.log10(value)) - 3)
    return float(f"{math.ceil(value / step) * step:.4g}")
