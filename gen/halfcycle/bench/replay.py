"""A recorded waveform through the measuring code: what the firmware would have reported.

The capture is taken at the loop's instants, turned into ADC codes by the spec's sensor, and fed to
the compiled C (or to the reference model, which is the same arithmetic). The sensor's delay only
moves the windows in time and is left out; its noise is not added, the capture has its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from halfcycle.base.clipped_sine import FORM_FACTOR
from halfcycle.base.errors import Fault, InputError
from halfcycle.base.findings import Finding
from halfcycle.bench.capture import Capture
from halfcycle.bench.capture_types import Floats
from halfcycle.bench.resample import Resampling, at_instants, choose
from halfcycle.bench.waveform import Waveform, analyse, likely_unit, true_rms
from halfcycle.generate.pipeline import IntegerDesign
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.trace import record_names, trace
from halfcycle.spec.models import Spec
from halfcycle.verify.harness import Harness
from halfcycle.windows.sample_weights import sample_weights
from halfcycle.windows.search import Window

Engine = Callable[[NDArray[np.uint16]], Floats]
"""From the codes of whole PI steps, first to last of a stretch, to the volts reported after each
one."""

MAX_RESAMPLED = 20_000_000
"""Samples of the loop that one run takes, some ten seconds' work: as many as a capture may have."""
MIN_POINTS_PER_CYCLE = 2
"""Below this no waveform of that frequency can be told (the sampling theorem)."""
TICKS = 65536
"""Samples run at a time, at most (one window if that is longer)."""


@dataclass(frozen=True, slots=True)
class Replay:
    """What was reported against what was true: one entry in the arrays for each PI step, with the
    window that it read."""

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
    """The capture's own remarks; ``replay_findings.advise`` adds what they say of the design."""


def replay(
    integer_design: IntegerDesign, capture: Capture, file: str, use_model: bool = False
) -> Replay:
    """Run ``capture`` (named ``file`` in messages) through the measuring code of a design.

    Raises InputError if no stretch of it is as long as a window, or if its time cannot be right or
    is too long; ToolMissingError and compiler.CompileError as ``harness.Harness`` does, unless
    ``use_model``.
    """
    design = integer_design.design
    spec, plan, window = design.spec, integer_design.quantised.plan, design.window
    frequency = float(spec.output.frequency_hz)
    _check_time(capture, file, window, frequency)
    resampling = choose(capture, frequency)
    start: Callable[[], Engine] = _model(plan) if use_model else _compiled(integer_design)
    parts: list[tuple[Floats, ...]] = []
    clipped = 0
    for stretch in capture.stretches:
        engine = start()
        # A window that moves shares samples with those before it.
        shared = np.zeros(0, dtype=np.uint16)
        for begins, volts in _steps(capture, stretch, window, resampling):
            codes, beyond = _codes(spec, volts)
            clipped += beyond
            reported = engine(codes)
            known = np.concatenate([shared, codes])
            shared = known[max(0, len(known) - window.samples + window.update_samples) :]
            # Until a window is full, nothing is read.
            whole = begins >= capture.time_s[stretch[0]] - float(window.period_s) / 2
            if whole.any():
                rows = sliding_window_view(known, window.samples)[:: window.update_samples]
                exact = _exact_readings(integer_design, rows)
                parts.append((begins[whole], reported[whole], *exact))
    begins, reported, by_mean, by_rms = (np.concatenate(part) for part in zip(*parts, strict=True))
    return Replay(
        measured_by="model" if use_model else "compiled C",
        start_s=begins,
        true_rms_v=_true_rms(capture, begins, window),
        reported_rms_v=reported,
        mean_based_v=by_mean,
        rms_based_v=by_rms,
        waveform=analyse(capture, frequency),
        resampling=resampling,
        clipped_samples=clipped,
        findings=capture.remarks,
    )


def _true_rms(capture: Capture, begins: Floats, window: Window) -> Floats:
    """Of the waveform over each window; if its weights differ, over the nearest whole number of
    half cycles up to its end, as the RMS of a part of a half cycle says nothing."""
    ends = begins + float(window.duration_s)
    if not window.shaped:
        return true_rms(capture, begins, ends)
    whole_s = window.half_cycles / (2 * float(window.frequency_hz))
    return true_rms(capture, np.maximum(ends - whole_s, float(capture.time_s[0])), ends)


def _steps(
    capture: Capture, stretch: tuple[int, int], window: Window, resampling: Resampling
) -> Iterator[tuple[Floats, Floats]]:
    """The PI steps of a stretch, several at a time: where the window of each begins (before the
    stretch if it does not fill yet), and the volts at the samples since the step before."""
    period, length = float(window.period_s), float(window.update_s)
    steps = _count(capture, stretch, window) + window.updates - 1
    per_run = max(1, TICKS // window.update_samples)
    within = period * np.arange(window.update_samples)
    for first in range(0, steps, per_run):
        order = np.arange(first, min(first + per_run, steps), dtype=np.float64)
        news = np.asarray(capture.time_s[stretch[0]] + length * order, dtype=np.float64)
        instants = np.minimum((news[:, None] + within).ravel(), capture.time_s[stretch[1] - 1])
        begins = news - (float(window.duration_s) - length)
        yield begins, at_instants(capture, stretch, instants, resampling)


def _exact_readings(
    integer_design: IntegerDesign, codes: NDArray[np.uint16]
) -> tuple[Floats, Floats]:
    """What a mean-based and an RMS reading of each row of codes are, in real numbers, volts."""
    spec = integer_design.design.spec
    magnitude = np.abs(codes.astype(np.float64) - spec.sensor.zero_code)
    magnitude *= float(spec.sensor.volts_per_code)
    weights = sample_weights(integer_design.design.window)
    mean_based = magnitude @ weights * (FORM_FACTOR / _centre(integer_design))
    return mean_based, np.sqrt(magnitude**2 @ weights)


def _centre(integer_design: IntegerDesign) -> float:
    """The fixed bias of sampling that the C takes out of a mean."""
    design = integer_design.design
    return design.reading_centre if design.spec.loop.measure == "mean" else 1.0


def _count(capture: Capture, stretch: tuple[int, int], window: Window) -> int:
    """Whole windows, one for each PI step, whose last instant is not later than the last sample."""
    lasts = float(capture.time_s[stretch[1] - 1] - capture.time_s[stretch[0]])
    usable = lasts + min(float(window.period_s), capture.step_s)
    if not window.moving:
        return int(usable / float(window.duration_s) + 1e-6)
    rest = usable - float(window.duration_s)
    return int(rest / float(window.update_s) + 1e-6) + 1 if rest > -1e-9 else 0


def _codes(spec: Spec, volts: Floats) -> tuple[NDArray[np.uint16], int]:
    """ADC codes of volts at the output, to nearest, and how many were beyond the range."""
    sensor = spec.sensor
    exact = np.floor(sensor.zero_code + volts / float(sensor.volts_per_code) + 0.5)
    top = 2**sensor.adc_bits - 1
    beyond = int(np.count_nonzero((exact < 0) | (exact > top)))
    return np.clip(exact, 0, top).astype(np.uint16), beyond


def _compiled(integer_design: IntegerDesign) -> Callable[[], Engine]:
    plan = integer_design.quantised.plan
    harness = Harness(plan, integer_design.texts())
    reported = record_names(plan).index("rms_mv")
    step = plan.block_samples * plan.update_blocks

    def run(codes: NDArray[np.uint16]) -> Floats:
        record = harness.run(np.ascontiguousarray(codes))
        return record[reported, step - 1 :: step] / 1000

    def start() -> Engine:
        harness.reset()
        harness.set_target_mv(plan.rated_mv)
        return run

    return start


def _model(plan: Plan) -> Callable[[], Engine]:
    reported = record_names(plan).index("rms_mv")
    step = plan.block_samples * plan.update_blocks

    def start() -> Engine:
        regulator = Regulator(plan)
        regulator.set_target_mv(plan.rated_mv)

        def run(codes: NDArray[np.uint16]) -> Floats:
            record = trace(regulator, codes)
            return record[reported, step - 1 :: step] / 1000

        return run

    return start


def _check_time(capture: Capture, file: str, window: Window, frequency_hz: float) -> None:
    """Refuse a capture whose time is no time of such a waveform, too short, or without end."""
    per_cycle = 1 / (frequency_hz * capture.step_s)
    windows = sum(_count(capture, stretch, window) for stretch in capture.stretches)
    length_ms = 1000 * float(window.duration_s)
    unit = likely_unit(capture, frequency_hz)
    remedy = "or check the unit of the time column"
    if unit is not None:
        problem = f"taken as seconds, it holds no waveform near {frequency_hz:g} Hz"
        fault = Fault(
            file, "time", problem, f"is it in {unit}? then title its column so: Time ({unit})"
        )
    elif per_cycle < MIN_POINTS_PER_CYCLE:
        problem = (
            f"a step of {capture.step_s:.4g} s gives {per_cycle:.2g} samples in a cycle of "
            f"{frequency_hz:g} Hz"
        )
        fault = Fault(file, "time", problem, f"record faster, {remedy}")
    elif not windows:
        longest = max(capture.end_s(s) - float(capture.time_s[s[0]]) for s in capture.stretches)
        problem = (
            f"the longest stretch without a gap is {longest * 1000:.6g} ms, shorter than the "
            f"window, {length_ms:.6g} ms"
        )
        fault = Fault(file, "time", problem, f"record longer, {remedy}")
    elif windows * window.update_samples > MAX_RESAMPLED:
        problem = (
            f"{windows * float(window.update_s):.4g} s take "
            f"{windows * window.update_samples:.3g} samples of "
            f"the loop, more than {MAX_RESAMPLED}"
        )
        max_s = MAX_RESAMPLED * float(window.period_s)
        fault = Fault(file, "section", problem, f"choose one of up to {max_s:.4g} s, {remedy}")
    else:
        return
    raise InputError([fault])
