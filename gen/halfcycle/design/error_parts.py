"""What a steady error is made of, the largest part first, each with its own remedy."""

from __future__ import annotations

import math
from dataclasses import dataclass

from halfcycle.design.types import Design, Trial
from halfcycle.spec.models import Spec


@dataclass(frozen=True, slots=True)
class ErrorPart:
    """One part of the steady error. ``volts``: RMS at the output, either way."""

    name: str
    volts: float
    remedy: str

    def __str__(self) -> str:
        return f"{self.name} {self.volts:.3g} V"


@dataclass(frozen=True, slots=True)
class WithSensor:
    """The steady error with all that the sensor brings, which the tolerance leaves out: bounds,
    volts RMS at the output, either way. ``zero_v``: the steady part of its zero's error, as far as
    the zero is not tracked; ``gain_v``: by its gain; ``total_v``: with the rest."""

    zero_v: float
    gain_v: float
    total_v: float


def with_sensor(spec: Spec, trial: Trial, steady_error_v: float) -> WithSensor:
    """``steady_error_v``, that of the regulator alone, with the sensor's zero and gain.

    The loop holds the reading, (1 - g) times the output for a sensor that reads low by its gain
    tolerance g: what is off by e as read is off by e/(1 - g) at the output, and rated itself by
    g/(1 - g). A sensor that reads high leaves less.
    """
    rated = float(spec.output.rated_rms_v)
    low = float(spec.sensor.gain_tolerance_percent) / 100
    zero_v = trial.faults.zero_v / (1 - low)
    total_v = (steady_error_v + trial.faults.zero_v + low * rated) / (1 - low)
    return WithSensor(zero_v, total_v - zero_v - steady_error_v, total_v)


def window_parts(design: Design) -> tuple[ErrorPart, ...]:
    """The parts of the window's own error: sampling, frequency, flipping zero."""
    trial, rms = design.chosen, design.spec.loop.measure == "rms"
    sampling = trial.faults.sampling_v
    if not trial.window.within_clock and not trial.window.shaped:
        sample = "change loop.period_us for a whole window"
    elif rms:
        sample = "sample faster (a shorter loop.period_us)"
    else:
        sample = 'sample faster (a shorter loop.period_us), or use measure = "rms"'
    clock = "clock the loop from the source that is followed (then this is 0)"
    if not rms:
        clock += ', use measure = "rms"'
    parts = (
        ErrorPart("sampling", sampling, sample),
        ErrorPart(
            "frequency",
            max(0.0, trial.faults.spread_v - sampling),
            f"{clock} or narrow output.frequency_tolerance_hz",
        ),
        ErrorPart("flipping zero", trial.hunting_v, flip_remedy(design)),
    )
    return largest_first(parts)


def noise_part(design: Design) -> ErrorPart:
    """The converter's noise and rounding, three standard deviations."""
    if of_the_bus(design.chosen):
        return ErrorPart("noise of the bus", design.chosen.noise_v, "filter the bus sensor")
    noise_v, rounding = design.chosen.noise_v, rounding_v(design)
    # Rounding that is most of it by itself (in squares), or too much by itself.
    coarse = rounding > noise_v / math.sqrt(2) or rounding > design.chosen.tolerance_v
    remedy = (
        "lower sensor.volts_per_code or raise sensor.adc_bits"
        if coarse
        else "filter the sensor, or allow more settling time"
    )
    return ErrorPart("noise", noise_v, remedy)


def of_the_bus(trial: Trial) -> bool:
    """Whether most of the noise, in squares, is that of a measured bus."""
    return trial.bus_noise_v > trial.noise_v / math.sqrt(2)


def rounding_v(design: Design) -> float:
    """What rounding to the converter's codes alone moves the output by, at least: three standard
    deviations, volts RMS, if every sample is rounded differently."""
    noise = float(design.spec.sensor.noise_codes_rms)
    return 1 / math.sqrt(1 + 12 * noise * noise) * design.chosen.noise_v


def largest_first(parts: tuple[ErrorPart, ...]) -> tuple[ErrorPart, ...]:
    """The same parts by their size."""
    return tuple(sorted(parts, key=lambda part: -part.volts))


def double_of(design: Design) -> Trial | None:
    """The trial of twice the chosen window, None if it was not tried."""
    samples = 2 * design.window.samples
    return next((trial for trial in design.trials if trial.window.samples == samples), None)


def flip_remedy(design: Design) -> str:
    """What to do about the zero of an odd window."""
    double = double_of(design)
    if double is None:
        return "trim the zero, or raise loop.longest_window_ms to allow twice the window"
    even = f"half_cycles = {double.window.half_cycles}"
    if double.meets and double.loop.settling_ms is not None:
        return f"{even} cancels it and settles in {double.loop.settling_ms:.6g} ms"
    return (
        f"trim the zero, or allow more settling time: {even} cancels it but does not meet the "
        "targets"
    )
