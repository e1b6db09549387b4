"""Contradictions between the keys of a spec: each is a fault with the key to change.

A spec that is consistent but cannot be met at some corner of its tolerances is no fault here:
the designer finds that, with the corner that stops it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from halfcycle.base.clipped_sine import rms as clipped_rms
from halfcycle.spec.bounds import MAX_DRIVE_LIMIT
from halfcycle.spec.bus_sensor import clashes_of_bus_sensor
from halfcycle.spec.envelopes import ENVELOPES
from halfcycle.spec.kinds import brief

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

Clash = tuple[str, str, str]
"""(dotted key, problem, remedy)"""

MIN_SAMPLES_PER_HALF_CYCLE = 4
MAX_SAMPLES_PER_WINDOW = 65535
"""The generated C counts the samples of a window in 16 bits."""

MIN_SHAPED_SAMPLES = 3
"""Samples carry half as many conditions, rounded up: the sum, and the zero at twice the frequency
that every shaped window has."""
MAX_UPDATES = 64
"""The most that ``loop.updates_per_window`` takes."""


Rule = Callable[["Spec"], Iterator[Clash]]


@dataclass(frozen=True, slots=True)
class CrossCheck:
    """A rule between keys. ``keys``: the dotted keys that it reads, and no others."""

    keys: tuple[str, ...]
    rule: Rule

    def __call__(self, spec: Spec) -> Iterator[Clash]:
        """Yield what the rule has against ``spec``, which must have all its keys."""
        return self.rule(spec)

    def applies(self, spec: Spec) -> bool:
        """Whether ``spec``, which may lack what was faulty in the file, has every key."""
        return all(_has(spec, key) for key in self.keys)


def reads(*keys: str) -> Callable[[Rule], CrossCheck]:
    """Declare the keys that a rule reads."""
    return lambda rule: CrossCheck(keys, rule)


def clashes(spec: Spec, *, partial: bool = False) -> Iterator[Clash]:
    """Yield every contradiction of ``spec``.

    ``partial``: the Spec lacks the attributes that were faulty; a check that reads one of them is
    left out, so that the user sees the others in the same run.
    """
    for check in CHECKS:
        if not partial or check.applies(spec):
            yield from check(spec)


def _has(spec: Spec, key: str) -> bool:
    """Whether ``spec`` has a value at this dotted key."""
    value: object = spec
    for name in key.split("."):
        if not hasattr(value, name):
            return False
        value = getattr(value, name)
    return True


def half_cycle_s(spec: Spec) -> Fraction:
    """Duration of a half cycle in seconds."""
    return 1 / (2 * spec.output.frequency_hz)


def _samples_of(spec: Spec, half_cycles: int) -> Fraction:
    """Samples that so many half cycles take; not always a whole number."""
    return half_cycles * half_cycle_s(spec) * 1_000_000 / spec.loop.period_us


@reads("bridge.bus_min_v", "bridge.bus_nominal_v", "bridge.bus_max_v")
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


@reads("bridge.bus_nominal_v", "bridge.scale_max", "output.rated_rms_v")
def bus_reach(spec: Spec) -> Iterator[Clash]:
    """The nominal bus gives the rated voltage at the drive limit, without any load."""
    bus, limit = spec.bridge.bus_nominal_v, spec.bridge.scale_max
    reach = float(bus) * clipped_rms(float(limit))
    rated = float(spec.output.rated_rms_v)
    if reach < rated:
        need = rated / clipped_rms(float(limit))
        further = f", or raise bridge.scale_max (up to {MAX_DRIVE_LIMIT})"
        more = "" if limit >= Fraction(MAX_DRIVE_LIMIT) else further
        yield (
            "bridge.bus_nominal_v",
            f"{brief(bus)} V at the drive limit {brief(limit)} gives at most {reach:.1f} V RMS, "
            f"and output.rated_rms_v is {brief(spec.output.rated_rms_v)} V",
            f"the bus must be at least {_up(need):g} V{more}",
        )


@reads("sensor.adc_bits", "sensor.zero_code")
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


@reads(
    "sensor.adc_bits",
    "sensor.zero_code",
    "sensor.zero_tolerance_codes",
    "sensor.gain_tolerance_percent",
    "sensor.volts_per_code",
    "output.rated_rms_v",
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


@reads("output.frequency_hz", "loop.longest_window_ms")
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


@reads("output.frequency_hz", "loop.half_cycles", "loop.longest_window_ms", "loop.period_us")
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
    elif window / period > MAX_SAMPLES_PER_WINDOW:
        yield (
            "loop.half_cycles",
            f"{count} half cycles take {float(window / period):.0f} samples, more than "
            f"{MAX_SAMPLES_PER_WINDOW}",
            "ask for fewer, or a longer loop.period_us",
        )


@reads(
    "loop.samples",
    "loop.half_cycles",
    "loop.weighting",
    "loop.longest_window_ms",
    "loop.period_us",
    "output.frequency_hz",
)
def insisted_samples(spec: Spec) -> Iterator[Clash]:
    """The samples that the user insists on fit the longest window, the half cycles that are
    insisted on too, and the conditions of a shaped window."""
    loop = spec.loop
    samples, count = loop.samples, loop.half_cycles
    if not isinstance(samples, int):
        return
    length_ms = samples * loop.period_us / 1000
    if length_ms > loop.longest_window_ms:
        yield (
            "loop.samples",
            f"{samples} samples last {brief(length_ms)} ms, longer than longest_window_ms, "
            f"{brief(loop.longest_window_ms)} ms",
            f"ask for {max(2, math.floor(1000 * loop.longest_window_ms / loop.period_us))} or "
            "fewer, or allow a longer window",
        )
    if loop.weighting == "shaped" and samples < MIN_SHAPED_SAMPLES:
        yield (
            "loop.samples",
            f"{samples} samples are too few for weights: the sum and the zero at twice the "
            f"frequency are two conditions, and they need {MIN_SHAPED_SAMPLES}",
            f"ask for {MIN_SHAPED_SAMPLES} or more, better one half cycle and more",
        )
    elif isinstance(count, int) and samples != round(_samples_of(spec, count)):
        yield (
            "loop.samples",
            f"{samples} is not the length of {count} half cycles, "
            f"{float(_samples_of(spec, count)):.6g} samples",
            f"ask for {max(2, round(_samples_of(spec, count)))}, or leave one of samples and "
            'half_cycles on "auto"',
        )


@reads("loop.samples", "loop.updates_per_window")
def updates_divide(spec: Spec) -> Iterator[Clash]:
    """Updates are evenly spaced, so they divide the samples."""
    samples, updates = spec.loop.samples, spec.loop.updates_per_window
    if isinstance(samples, int) and isinstance(updates, int) and samples % updates:
        parts = [n for n in range(1, min(samples, MAX_UPDATES) + 1) if samples % n == 0]
        below = max(n for n in parts if n < updates)
        above = min((n for n in parts if n > updates), default=None)
        near = f"{below}" if above is None else f"{below} or {above}"
        fewer, more = samples // updates * updates, -(-samples // updates) * updates
        lengths = f"{fewer} or {more}" if fewer >= updates else f"{more}"
        yield (
            "loop.updates_per_window",
            f"{updates} updates do not divide {samples} samples evenly",
            f"the nearest that do: {near}; or samples = {lengths}",
        )


@reads(
    "loop.update_within_us",
    "loop.updates_per_window",
    "loop.samples",
    "loop.half_cycles",
    "loop.longest_window_ms",
    "loop.period_us",
    "output.frequency_hz",
)
def update_room(spec: Spec) -> Iterator[Clash]:
    """An update is done before the next one is due, in the longest window that may be chosen."""
    loop = spec.loop
    if not isinstance(loop.update_within_us, Fraction):
        return
    longest_us = 1000 * loop.longest_window_ms
    if isinstance(loop.samples, int):
        longest_us = loop.samples * loop.period_us
    elif isinstance(loop.half_cycles, int):
        longest_us = loop.half_cycles * half_cycle_s(spec) * 1_000_000
    updates = loop.updates_per_window if isinstance(loop.updates_per_window, int) else 1
    apart_us = longest_us / updates
    if loop.update_within_us > apart_us:
        yield (
            "loop.update_within_us",
            f"{brief(loop.update_within_us)} us is longer than the {brief(apart_us)} us from one "
            "update to the next",
            f"state {brief(apart_us)} us or less"
            + (", or ask for fewer updates_per_window" if updates > 1 else ""),
        )


@reads("loop.law", "loop.weighting", "loop.updates_per_window", "bus_sensor")
def law_of_windows(spec: Spec) -> Iterator[Clash]:
    """The normalised law steps once a plain window, and the bus is in its loop."""
    loop = spec.loop
    if loop.law != "normalised":
        return
    if loop.weighting == "shaped":
        yield (
            "loop.law",
            'the normalised law regulates plain windows, and weighting is "shaped"',
            'ask for law = "plain", or for weighting = "flat" or "auto"',
        )
    if spec.bus_sensor is not None:
        yield (
            "loop.law",
            "the normalised law takes the bus out of the loop's gain, and so does [bus_sensor]",
            'ask for law = "plain" or "auto", or leave [bus_sensor] out',
        )
    if isinstance(loop.updates_per_window, int) and loop.updates_per_window > 1:
        yield (
            "loop.law",
            f"the normalised law steps once a window, and {loop.updates_per_window} "
            "updates_per_window are asked for",
            'ask for law = "plain", or for updates_per_window = 1 or "auto"',
        )


@reads("output.frequency_hz", "loop.period_us")
def sampling(spec: Spec) -> Iterator[Clash]:
    """Enough samples in a half cycle to measure it, and no more than the counter holds."""
    half, period = half_cycle_s(spec), spec.loop.period_us / 1000000
    samples = half / period
    if samples < MIN_SAMPLES_PER_HALF_CYCLE:
        yield (
            "loop.period_us",
            f"{brief(spec.loop.period_us)} us gives {float(samples):.3g} samples in a half cycle, "
            f"fewer than {MIN_SAMPLES_PER_HALF_CYCLE}",
            f"{brief(half * 1000000 / MIN_SAMPLES_PER_HALF_CYCLE)} us or less; "
            "10 samples and more are usual",
        )
    elif samples > MAX_SAMPLES_PER_WINDOW:
        yield (
            "loop.period_us",
            f"{brief(spec.loop.period_us)} us gives {float(samples):.0f} samples in a half cycle, "
            f"more than {MAX_SAMPLES_PER_WINDOW}",
            f"it must be at least {_up(float(half * 1000000) / MAX_SAMPLES_PER_WINDOW):g} us",
        )


@reads("bridge.pwm_period_us", "loop.period_us")
def pwm_rate(spec: Spec) -> Iterator[Clash]:
    """The bridge switches at least as often as the loop samples."""
    pwm, loop = spec.bridge.pwm_period_us, spec.loop.period_us
    if pwm is not None and pwm > loop:
        yield (
            "bridge.pwm_period_us",
            f"{brief(pwm)} us is longer than the loop period, {brief(loop)} us",
            "state the time from one call of NAME_duty (or NAME_drive) to the next; without the "
            "key the C has no oscillator",
        )


@reads("output.frequency_hz", "targets.settling_ms")
def settling_room(spec: Spec) -> Iterator[Clash]:
    """No loop settles in less than the half cycle that it must measure first."""
    half = half_cycle_s(spec)
    if not isinstance(spec.targets.settling_ms, Fraction):
        return
    settling = spec.targets.settling_ms / 1000
    if settling < half:
        yield (
            "targets.settling_ms",
            f"{brief(settling * 1000)} ms is shorter than one half cycle, {brief(half * 1000)} ms",
            'allow several windows, eight of them are a comfortable target; or ask for "fastest"',
        )


@reads("output.frequency_hz", "output.frequency_tolerance_hz")
def frequency_band(spec: Spec) -> Iterator[Clash]:
    """A deviation of more than a tenth of the frequency is not of a mains."""
    frequency, tolerance = spec.output.frequency_hz, spec.output.frequency_tolerance_hz
    if tolerance > frequency / 10:
        yield (
            "output.frequency_tolerance_hz",
            f"{brief(tolerance)} Hz is more than a tenth of frequency_hz, {brief(frequency)} Hz",
            "state the deviation in Hz, not the band's limits",
        )


@reads("output.frequency_hz", "sensor.delay_us")
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


bus_sensor = reads(
    "bus_sensor",
    "bus_sensor.adc_bits",
    "bus_sensor.zero_code",
    "bus_sensor.volts_per_code",
    "bus_sensor.gain_tolerance_percent",
    "bus_sensor.noise_codes_rms",
    "bus_sensor.period_us",
    "bus_sensor.delay_us",
    "bridge.bus_min_v",
    "bridge.bus_nominal_v",
    "bridge.bus_max_v",
    "bridge.scale_max",
    "loop.period_us",
    "output.frequency_hz",
)(clashes_of_bus_sensor)
"""The bus sensor reads all of the bus, and soon enough."""


@reads("limits.envelopes", "output.frequency_hz", "output.rated_rms_v")
def envelopes_apply(spec: Spec) -> Iterator[Clash]:
    """An envelope that is for one frequency or one voltage is asked of no other output."""
    rated, hertz = spec.output.rated_rms_v, spec.output.frequency_hz
    for envelope in (ENVELOPES[name] for name in spec.limits.envelopes):
        only = envelope.frequency_hz
        if only is not None and hertz != only:
            fit = [each.name for each in ENVELOPES.values() if each.frequency_hz in (None, hertz)]
            yield (
                "limits.envelopes",
                f"{envelope.name} is for {only} Hz, and output.frequency_hz is {brief(hertz)}",
                f"leave it out; for any frequency: {', '.join(fit)}",
            )
        elif envelope.volts and envelope.steady is not None:
            low, high = envelope.steady
            if not low <= rated <= high:
                yield (
                    "limits.envelopes",
                    f"{envelope.name} holds the output between {low:g} and {high:g} V, and "
                    f"output.rated_rms_v is {brief(rated)}",
                    "leave it out, or correct the rated voltage",
                )


CHECKS: tuple[CrossCheck, ...] = (
    frequency_band,
    sampling,
    window_room,
    insisted_count,
    insisted_samples,
    updates_divide,
    update_room,
    law_of_windows,
    zero_inside,
    sensor_range,
    delay_room,
    bus_order,
    bus_reach,
    pwm_rate,
    bus_sensor,
    settling_room,
    envelopes_apply,
)


def _second(pair: tuple[str, int]) -> int:
    return pair[1]


def _up(value: float) -> float:
    """Round up to four digits, so that the figure in a remedy is enough."""
    step = 10.0 ** (math.floor(math.log10(value)) - 3)
    return float(f"{math.ceil(value / step) * step:.4g}")
