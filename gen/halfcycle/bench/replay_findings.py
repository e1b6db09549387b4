"""What a replay says about the design: mean or RMS, the window, the zero, the range."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

import numpy as np

from halfcycle.base.clipped_sine import FORM_FACTOR
from halfcycle.base.exact import signed
from halfcycle.base.findings import Finding, finding
from halfcycle.base.text import counted
from halfcycle.bench.replay import Replay
from halfcycle.generate.pipeline import IntegerDesign
from halfcycle.windows.reading_errors import mean_error, rms_error

FEW_POINTS = 20
"""Captured points per cycle below which the capture itself is too coarse to judge by."""
MIN_LEVEL = 0.05
"""Windows below this share of the rated voltage are not judged in percent."""


def advise(result: Replay, integer_design: IntegerDesign) -> Replay:
    """``result`` with what it says of the design, after its own findings."""
    findings = (
        *result.findings,
        *_capture(result, integer_design),
        *_measure(result, integer_design),
        *_window(result, integer_design),
        *_zero(result, integer_design),
        *_range(result, integer_design),
    )
    return replace(result, findings=findings)


def _capture(result: Replay, integer_design: IntegerDesign) -> Iterator[Finding]:
    points = result.resampling.points_per_cycle
    if points < FEW_POINTS:
        text = f"only {points:.3g} samples a cycle; record faster to judge the reading by it"
        yield finding("few-captured-points", "capture step", text)
    rated = float(integer_design.design.spec.output.rated_rms_v)
    middle = float(np.median(result.true_rms_v))
    if not 0.5 * rated <= middle <= 1.5 * rated:
        text = (
            f"{middle:.4g} V RMS in the middle window, and the rated voltage is {rated:.4g} V; "
            "check the channel, the unit and the probe's ratio"
        )
        yield finding("capture-level", "capture level", text)


def _measure(result: Replay, integer_design: IntegerDesign) -> Iterator[Finding]:
    spec = integer_design.design.spec
    tolerance = spec.tolerance_v
    judged = result.true_rms_v >= MIN_LEVEL * float(spec.output.rated_rms_v)
    if not judged.any():
        text = "no window has enough voltage to judge the reading by; check the channel"
        yield finding("nothing-to-judge", "loop.measure", text)
        return
    by_mean, by_rms = (
        float(np.abs(reading - result.true_rms_v)[judged].max())
        for reading in (result.mean_based_v, result.rms_based_v)
    )
    own, other = (by_mean, by_rms) if spec.loop.measure == "mean" else (by_rms, by_mean)
    name = "the mean" if spec.loop.measure == "mean" else "RMS"
    shape = ""
    if result.waveform is not None:
        factor = result.waveform.form_factor
        shape = (
            f" (form factor {factor:.4f}, a sine's is {FORM_FACTOR:.4f}: a mean reads "
            f"{signed(100 * (FORM_FACTOR / factor - 1), 2)} %)"
        )
    if own <= tolerance:
        text = f"{name} is off by {own:.3g} V at most{shape}, inside the tolerance; keep it"
        yield finding("measure-agrees", "loop.measure", text)
    elif other < own / 2:
        better = "rms" if spec.loop.measure == "mean" else "mean"
        text = (
            f"{name} is off by {own:.3g} V at most{shape}, the tolerance is {tolerance:.3g} V; "
            f'measure = "{better}" would be off by {other:.3g} V: change it'
        )
        yield finding("measure-other-better", "loop.measure", text)
    else:
        text = (
            f"{name} is off by {own:.3g} V at most{shape}, the tolerance is {tolerance:.3g} V, and "
            f"the other reading by {other:.3g} V: look at the window, the zero and the capture"
        )
        yield finding("measure-off", "loop.measure", text)


def _window(result: Replay, integer_design: IntegerDesign) -> Iterator[Finding]:
    spec, window = integer_design.design.spec, integer_design.design.window
    rated = float(spec.output.rated_rms_v)
    tolerance = spec.tolerance_v
    if result.waveform is None:
        text = "no whole cycle was found, so frequency and zero are unknown; record longer"
        yield finding("no-whole-cycle", "output.frequency_hz", text)
        return
    nominal, allowed = spec.output.frequency_hz, spec.output.frequency_tolerance_hz
    measured = result.waveform.frequency_hz
    deviation = Fraction(abs(measured - float(nominal))).limit_denominator(10**6)
    if deviation >= nominal:
        text = f"{measured:.6g} Hz, and the spec says {float(nominal):.6g} Hz: correct the spec"
        yield finding("frequency-differs", "output.frequency_hz", text)
        return
    bound = mean_error if spec.loop.measure == "mean" else rms_error
    best, worst = (
        rated * max(map(abs, bound(window, deviation_hz=off))) for off in (Fraction(0), deviation)
    )
    cost = worst - best
    text = (
        f"{measured:.6g} Hz is {float(deviation):.3g} Hz off the nominal frequency: the window of "
        f"{counted(window.half_cycles)} is then wrong by up to {worst:.3g} V instead of "
        f"{best:.3g} V"
    )
    if deviation > allowed and cost > tolerance / 10:
        remedy = "correct frequency_hz, or state frequency_tolerance_hz so that the design heeds it"
        yield finding("frequency-off-record", "output.frequency_hz", f"{text}; {remedy}")
    readings = result.reported_rms_v
    if window.odd and window.kind == "plain" and len(readings) >= 4:
        # Every second one against the mean of its neighbours, so that a slow change drops out.
        beside = (readings[:-2:2] + readings[2::2]) / 2
        flip = float(np.abs((readings[1:-1:2] - beside).mean()) / 2)
        if flip > tolerance / 10:
            text = (
                f"an odd count: the reading flips by +-{flip:.3g} V from window to window with "
                "the zero offset; take an even half_cycles or correct the zero"
            )
            yield finding("record-flips", "loop.half_cycles", text)


def _zero(result: Replay, integer_design: IntegerDesign) -> Iterator[Finding]:
    if result.waveform is None:
        return
    sensor = integer_design.design.spec.sensor
    zero_v = result.waveform.zero_v
    codes = zero_v / float(sensor.volts_per_code)
    text = f"the waveform's mean is {signed(zero_v, 3)} V, {signed(codes, 2)} codes"
    if abs(codes) > sensor.zero_tolerance_codes:
        text += (
            f", beyond the zero tolerance of {float(sensor.zero_tolerance_codes):g}: if the "
            "recorder has no offset of its own, look for DC at the output, or calibrate the zero"
        )
        yield finding("zero-recorded-beyond", "sensor.zero_code", text)
    else:
        yield finding(
            "zero-recorded-inside",
            "sensor.zero_code",
            f"{text}, inside the zero tolerance; keep it",
        )


def _range(result: Replay, integer_design: IntegerDesign) -> Iterator[Finding]:
    if result.clipped_samples:
        text = (
            f"{result.clipped_samples} samples are beyond the ADC's range and are read as its "
            "ends; raise volts_per_code (a wider range of the sensor)"
        )
        yield finding("adc-range-exceeded", "sensor.volts_per_code", text)
