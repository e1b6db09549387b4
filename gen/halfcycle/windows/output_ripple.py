"""What a reading's ripple does to the output within a cycle: DC, second and third harmonic.

A reading that ripples moves the scale of the sine within the cycle. At f (an error of the sensor's
zero, as far as the window answers at f) that makes DC and a second harmonic of equal size; at 2f (a
frequency that is off, or what rest the weights have there) a third harmonic, besides a change of
the fundamental that the loop takes back.

The scale is a staircase, one step an update of period t. Its lines lie at v + n/t, of a share
|sinc((v + n/t) t)| each; multiplied by the sine, a line at frequency w makes |w - f| and w + f,
half of it each. Lines that fall on the same harmonic are added up, whatever their phase: a bound.

The loop acts on a ripple at v as |Kp + Ki / (1 - e^(-j 2 pi v t))|, Kp and Ki per update. Updates
in step with the ripple see it as a constant; that is no ripple and makes none of these.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Literal

from halfcycle.windows import reading_errors
from halfcycle.windows.harmonic_errors import greatest_answer
from halfcycle.windows.search import Window
from halfcycle.windows.zero_tracking import HOLD, zero_left_codes, zero_tracking

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

SQUARE = 4 / math.pi
"""The fundamental of a wave within -1 and 1 is at most that of a square wave."""


@dataclass(frozen=True, slots=True)
class Ripple:
    """Amplitudes of a reading's ripple, as a share of a rated reading: bounds over every phase."""

    at_f: float
    """From the zero offset."""
    at_2f: float
    """From the frequency's deviation and the window's own rest."""


@dataclass(frozen=True, slots=True)
class OutputRipple:
    """What the regulator's own ripple adds to the output: bounds, percent of the rated peak."""

    dc_percent: float
    second_percent: float
    third_percent: float

    def dc_v(self, rated_rms_v: float) -> float:
        """DC, volts."""
        return self.dc_percent / 100 * rated_rms_v * math.sqrt(2)

    def second_v(self, rated_rms_v: float) -> float:
        """Second harmonic, volts RMS."""
        return self.second_percent / 100 * rated_rms_v

    def third_v(self, rated_rms_v: float) -> float:
        """Third harmonic, volts RMS."""
        return self.third_percent / 100 * rated_rms_v


def reading_ripple(
    window: Window, measure: Literal["mean", "rms"], offset: float, deviation_hz: Fraction
) -> Ripple:
    """Ripple of the window's reading.

    Args:
        window: of any kind.
        measure: what is read.
        offset: greatest zero offset, fraction of the peak, from 0 to below 1.
        deviation_hz: greatest deviation of the frequency.
    """
    flips = reading_errors.alternation(window, offset, measure)
    if measure == "mean":
        low, high = reading_errors.mean_error(window, 0.0, deviation_hz)
        return Ripple(SQUARE * flips, SQUARE * (high - low) / 2)
    # The root's odd part bends upward, so that its fundamental is below its crest.
    return Ripple(flips, _of_root(greatest_answer(window, 2, deviation_hz)))


def _of_root(answer: float) -> float:
    """Greatest amplitude at 2f of sqrt(1 - answer cos): its crest bounds it likewise."""
    answer = min(1.0, answer)
    return (math.sqrt(1 + answer) - math.sqrt(1 - answer)) / 2


def loop_action(window: Window, multiple: int, ki: float, kp: float) -> float:
    """Amplitude of the scale's steps per amplitude of a reading that ripples at ``multiple`` f.

    ``ki``, ``kp``: scale per per-unit error, per update. 0 if updates are in step with the ripple.
    """
    turns = multiple * window.frequency_hz * window.update_s
    if turns.denominator == 1:
        return 0.0
    lag = cmath.exp(-2j * math.pi * float(turns % 1))
    return abs(kp + ki / (1 - lag))


def per_action(window: Window, multiple: int, harmonic: int) -> float:
    """Amplitude of the drive's ``harmonic`` (0: DC) per amplitude of the scale's steps, when
    the reading ripples at ``multiple`` f. Lines at other places make no harmonic."""
    f, t = window.frequency_hz, window.update_s
    total = 0.0
    for target in {abs(harmonic - 1), harmonic + 1}:
        for line in {Fraction(target), Fraction(-target)}:
            # A line at v + n/t lies at this multiple of f for a whole n.
            if ((line - multiple) * f * t).denominator == 1:
                total += _sinc(float(line * f * t)) / 2
    return total


def _sinc(turns: float) -> float:
    return abs(math.sin(math.pi * turns) / (math.pi * turns)) if turns else 1.0


def output_ripple(
    window: Window, ripple: Ripple, *, ki: float, kp: float, gain: float = 1.0, grows: bool = True
) -> OutputRipple:
    """Bounds of what the reading's ripple makes at the output.

    DC and second harmonic are measured in turn and come back to the loop by W(f): by the small gain
    of that way round they are at most 1/(1 - gain) as great; infinite if it is 1 or more.

    Args:
        window: of any kind.
        ripple: `reading_ripple`.
        ki, kp: scale per per-unit error, per update.
        gain: greatest per-unit output per unit of scale, of the fundamental, DC and harmonics
            alike (their ratio is the filter's: near 1 well below its resonance).
        grows: whether what comes back is not in ``ripple`` yet.
    """
    first = gain * loop_action(window, 1, ki, kp)
    second = gain * loop_action(window, 2, ki, kp)
    dc, double = (first * per_action(window, 1, harmonic) for harmonic in (0, 2))
    back = come_back(window, ki=ki, kp=kp, gain=gain) if grows else 0.0
    at_f = ripple.at_f / (1 - back) if back < 1 else math.inf if ripple.at_f else 0.0
    return OutputRipple(
        dc_percent=100 * dc * at_f if dc else 0.0,
        second_percent=100 * double * at_f if double else 0.0,
        third_percent=100 * second * per_action(window, 2, 3) * ripple.at_2f,
    )


def output_ripple_of(
    spec: Spec, window: Window, *, ki: float, kp: float, gain: float = 1.0
) -> OutputRipple:
    """`output_ripple` of the spec's sensor and frequency tolerance."""
    tracking = zero_tracking(spec, window)
    back = come_back(window, ki=ki, kp=kp, gain=gain)
    offset = zero_offset(spec, window)
    if tracking is not None and not tracking.settles(back):
        offset, tracking = _of_peak(spec, float(spec.sensor.zero_tolerance_codes)), None
    ripple = reading_ripple(
        window, spec.loop.measure, min(0.99, offset), spec.output.frequency_tolerance_hz
    )
    if tracking is None or not tracking.helps:
        return output_ripple(window, ripple, ki=ki, kp=kp, gain=gain)
    # What is tracked is the error that the sensor sees, with what comes back: it does not grow. But
    # a code may then be too coarse, and two of them take turns, on either side.
    more = 1.0
    if back:
        swing = 1 / (1 - back) - HOLD if back < 1 else math.inf
        more = max(1.0, (swing + tracking.left_codes - HOLD) / tracking.left_codes)
    seen = replace(ripple, at_f=more * ripple.at_f)
    return output_ripple(window, seen, ki=ki, kp=kp, gain=gain, grows=False)


def come_back(window: Window, *, ki: float, kp: float, gain: float) -> float:
    """Share of a zero's error that comes back to the loop as DC and second harmonic that are
    measured in turn: a bound, 0 and up."""
    first = gain * loop_action(window, 1, ki, kp)
    dc, double = (first * per_action(window, 1, harmonic) for harmonic in (0, 2))
    # A DC of x of the peak ripples the reading by 2 |W(f)| x, a second harmonic by |W(f)| x.
    answer = greatest_answer(window, 1, Fraction(0))
    return 2 * answer * dc + answer * double


def before_converged(spec: Spec, window: Window, *, ki: float, kp: float, gain: float) -> float:
    """DC at the output, percent of the rated peak, before the zero is tracked: a bound."""
    deviation = spec.output.frequency_tolerance_hz
    offset = min(0.99, _of_peak(spec, float(spec.sensor.zero_tolerance_codes)))
    ripple = reading_ripple(window, spec.loop.measure, offset, deviation)
    return output_ripple(window, ripple, ki=ki, kp=kp, gain=gain).dc_percent


def zero_offset(spec: Spec, window: Window) -> float:
    """Greatest error of the sensor's zero that the loop sees at rest, fraction of the rated peak,
    below 1."""
    return min(0.99, _of_peak(spec, zero_left_codes(spec, window)))


def _of_peak(spec: Spec, codes: float) -> float:
    volts = codes * float(spec.sensor.volts_per_code)
    return volts / (float(spec.output.rated_rms_v) * math.sqrt(2))
