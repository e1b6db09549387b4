"""A recorded waveform through the measuring code: what the firmware would have reported.

The capture is taken at the loop's instants, turned into ADC codes by the spec's sensor, and fed to
the compiled C (or to the reference model, which is the same arithmetic). The sensor's delay only
moves the windows in time and is left out; its noise is not added, the capture has its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfcycle.base.clipped_sine import FORM_FACTOR
from halfcycle.base.errors import Fault, InputError
from halfcycle.base.findings import Finding
from halfcycle.bench.capture import Capture
from halfcycle.bench.capture_types import Floats
from halfcycle.bench.resample import Resampling, at_instants, choose
from halfcycle.bench.waveform import Waveform, analyse, true_rms
from halfcycle.generate import emit
from halfcycle.generate.pipeline import IntegerDesign
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.trace import RECORD, trace
from halfcycle.spec.models import Spec
from halfcycle.verify.harness import Harness

Engine = Callable[[NDArray[np.uint16]], Floats]
"""From whole windows of codes, first to last of a stretch, to the volts reported after each."""

TICKS = 65536
"""Samples run at a time, at most (one window where that is longer)."""


@dataclass(frozen=True, slots=True)
class Replay:
    """What was reported against what was true, one entry per window in the arrays."""

    measured_by: str
    """"compiled C" or "model"."""
    start_s: Floats
    true_rms_v: Floats
    reported_rms_v: Floats
    mean_based_v: Floats
    """What a mean-based reading of the same codes is, in real numbers."""
    rms_based_v: Floats
    """What an RMS reading of the same codes is, in real numbers."""
    waveform: Waveform | None
    resampling: Resampling
    clipped_samples: int
    """Samples beyond the ADC's range."""
    findings: tuple[Finding, ...]
    """The capture's own remarks; ``replay_advice.advise`` adds what they say of the design."""


def replay(made: IntegerDesign, capture: Capture, file: str, use_model: bool = False) -> Replay:
    """Run ``capture`` (named ``file`` in messages) through the measuring code of ``made``.

    Raises InputError where no stretch of it is as long as a window; ToolMissingError and
    compiler.CompileError as ``harness.Harness`` does, unless ``use_model``.
    """
    spec, plan, window = made.design.spec, made.quantised.plan, made.design.window
    frequency = float(spec.output.frequency_hz)
    resampling = choose(capture, frequency)
    waveform = analyse(capture, frequency)
    period, length = float(window.period_s), float(window.duration_s)
    start: Callable[[], Engine] = _model(plan) if use_model else _compiled(made)
    parts: list[tuple[Floats, ...]] = []
    clipped = 0
    for stretch in capture.stretches:
        windows = _count(capture, stretch, period, length)
        if not windows:
            continue
        engine = start()
        per_run = max(1, TICKS // window.samples)
        for first in range(0, windows, per_run):
            count = min(per_run, windows - first)
            order = np.arange(first, first + count, dtype=np.float64)
            begins = np.asarray(capture.time_s[stretch[0]] + length * order, dtype=np.float64)
            within = period * np.arange(window.samples)
            instants = np.minimum(
                (begins[:, None] + within).ravel(), capture.time_s[stretch[1] - 1]
            )
            volts = at_instants(capture, stretch, instants, resampling)
            codes, beyond = _codes(spec, volts)
            clipped += beyond
            magnitude = np.abs(codes.astype(np.float64) - spec.sensor.zero_code)
            magnitude = magnitude.reshape(count, -1) * float(spec.sensor.volts_per_code)
            mean_based: Floats = magnitude.mean(axis=1) * (FORM_FACTOR / _centre(made))
            rms_based: Floats = np.sqrt(np.mean(magnitude**2, axis=1))
            parts.append((begins, engine(codes), mean_based, rms_based))
    if not parts:
        raise InputError([_too_short(capture, file, length)])
    begins, reported, by_mean, by_rms = (np.concatenate(part) for part in zip(*parts, strict=True))
    return Replay(
        measured_by="model" if use_model else "compiled C",
        start_s=begins,
        true_rms_v=true_rms(capture, begins, begins + length),
        reported_rms_v=reported,
        mean_based_v=by_mean,
        rms_based_v=by_rms,
        waveform=waveform,
        resampling=resampling,
        clipped_samples=clipped,
        findings=capture.remarks,
    )


def _centre(made: IntegerDesign) -> float:
    """The fixed bias of sampling that the C takes out of a mean."""
    return made.design.reading_centre if made.design.spec.loop.measure == "mean" else 1.0


def _count(capture: Capture, stretch: tuple[int, int], period: float, length: float) -> int:
    """Whole windows whose last instant is not later than the last sample."""
    lasts = float(capture.time_s[stretch[1] - 1] - capture.time_s[stretch[0]])
    return int((lasts + min(period, capture.step_s)) / length + 1e-6)


def _codes(spec: Spec, volts: Floats) -> tuple[NDArray[np.uint16], int]:
    """ADC codes of volts at the output, to nearest, and how many were beyond the range."""
    sensor = spec.sensor
    exact = np.floor(sensor.zero_code + volts / float(sensor.volts_per_code) + 0.5)
    top = 2**sensor.adc_bits - 1
    beyond = int(np.count_nonzero((exact < 0) | (exact > top)))
    return np.clip(exact, 0, top).astype(np.uint16), beyond


def _compiled(made: IntegerDesign) -> Callable[[], Engine]:
    plan = made.quantised.plan
    harness = Harness(plan, emit.render(made.design, made.quantised))

    def run(codes: NDArray[np.uint16]) -> Floats:
        record = harness.run(np.ascontiguousarray(codes))
        return record[RECORD.index("rms_mv"), plan.samples - 1 :: plan.samples] / 1000

    def start() -> Engine:
        harness.reset()
        return run

    return start


def _model(plan: Plan) -> Callable[[], Engine]:
    def start() -> Engine:
        regulator = Regulator(plan)

        def run(codes: NDArray[np.uint16]) -> Floats:
            record = trace(regulator, codes)
            return record[RECORD.index("rms_mv"), plan.samples - 1 :: plan.samples] / 1000

        return run

    return start


def _too_short(capture: Capture, file: str, length: float) -> Fault:
    longest = max(capture.end_s(s) - float(capture.time_s[s[0]]) for s in capture.stretches)
    return Fault(
        file,
        "time",
        f"the longest stretch without a gap is {longest * 1000:.6g} ms, shorter than the window, "
        f"{length * 1000:.6g} ms",
        "record longer, or check the unit of the time column",
    )
