"""What a designer should be told about a Design, each remark with what to do about it."""

from __future__ import annotations

import math
from collections.abc import Iterator

from halfcycle.base import clipped_sine
from halfcycle.base.errors import InputError, RefusedError
from halfcycle.base.exact import text
from halfcycle.base.findings import Finding, Level, any_error, finding
from halfcycle.base.text import counted, signed_ppm
from halfcycle.design import drive_rate
from halfcycle.design.error_parts import (
    double_of,
    flip_remedy,
    of_the_bus,
    rounding_v,
    window_parts,
)
from halfcycle.design.harmonics import (
    TRUE,
    clipped_rms_error,
    rectifier_harmonics,
    shorter_periods,
    with_loop,
)
from halfcycle.design.late_update import output_keeps
from halfcycle.design.law import law_findings
from halfcycle.design.measured_bus import bus_findings
from halfcycle.design.reach import reach
from halfcycle.design.trial import try_window
from halfcycle.design.types import Design
from halfcycle.loop.moving_figures import MovingFigures
from halfcycle.loop.moving_search import MIN_GAIN_MARGIN
from halfcycle.loop.targets import LoopTargets
from halfcycle.loop.true_settling import StepSettling
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import allowed_windows
from halfcycle.windows.output_ripple import before_converged, come_back
from halfcycle.windows.zero_tracking import zero_tracking
from halfcycle.windows.zeros import zeros_finding

SAME_SHARE = 0.02
"""Settling times that differ by a smaller share are the same."""
CLEARLY_LESS = 0.9
"""Share of the chosen window's error below which another window's is told."""
SHOWN_PERCENT = 0.001
"""DC and harmonics of the regulator's own making below this are not told."""


def findings(design: Design) -> Iterator[Finding]:
    """Remarks on a Design, errors first as far as each topic goes."""
    remarks = list(_of_window_and_loop(design))
    yield from remarks
    if not any_error(remarks):
        # Of a design that misses its targets nothing is said about when they hold.
        yield from _latency(design)
    yield from _dearer(design)
    yield from drive_rate.findings(design.spec)
    yield from law_findings(design.spec, design.chosen, design.other_law)


def _of_window_and_loop(design: Design) -> Iterator[Finding]:
    """What is said of a design whenever its update is done."""
    yield from reach(design.spec, design.chosen.hardest_plants, design.window)
    yield from _given_gains(design)
    yield from bus_findings(design)
    yield from _window(design)
    if design.window.shaped:
        yield zeros_finding(design.spec, design.window)
    yield from _drift(design)
    yield from _offset(design)
    yield from _output_ripple(design)
    yield from _zero(design)
    yield from _noise(design)
    yield from _clipping(design)
    yield from _harmonics(design)


def _given_gains(design: Design) -> Iterator[Finding]:
    spec, loop = design.spec, design.loop
    if spec.gains is None:
        return
    if not loop.stable:
        yield finding(
            "loop-unstable",
            "gains",
            f"the loop is unstable at {loop.worst['slowest_pole']}; lower the gains, or leave "
            "[gains] out and let them be designed",
        )
        return
    targets, settling, over = LoopTargets.of(spec), loop.settling_ms, loop.overshoot_percent
    if not targets.settles(loop):
        shown = "more than can be followed" if settling is None else f"{settling:.6g} ms"
        yield finding(
            "given-settling",
            "gains.integral_per_s",
            f"settling takes {shown} at {loop.worst['settling_ms']}, and "
            f"{targets.settling_ms:.6g} ms are asked for; change the gains or the target",
        )
    if over is not None and not targets.held(loop):
        yield finding(
            "given-overshoot",
            "gains.proportional",
            f"overshoot is {over:.3g} % at {loop.worst['overshoot_percent']}, and "
            f"{text(spec.targets.overshoot_percent)} % are asked for; change the gains or the "
            "target",
        )
    if loop.peak_sensitivity is not None and not targets.robust(loop):
        yield finding(
            "sensitivity-high",
            "gains",
            f"peak sensitivity is {loop.peak_sensitivity:.3g} at "
            f"{loop.worst['peak_sensitivity']}; keep it below {targets.peak_sensitivity:g} with "
            "lower gains",
        )


def _window(design: Design) -> Iterator[Finding]:
    spec, window, trial = design.spec, design.window, design.chosen
    spread = trial.faults.spread_v
    if window.within_clock and not window.whole:
        yield finding(
            "nearly-whole-window",
            "loop.period_us",
            f"the window misses its {counted(window.half_cycles)} by "
            f"{signed_ppm(window.mismatch_ppm)}, less than a clock's error, and counts as whole; "
            "no need to act",
        )
    elif not window.whole and not window.shaped:
        yield finding(
            "partial-window",
            "loop.accept_partial_window",
            f"the window misses its {counted(window.half_cycles)} by "
            f"{signed_ppm(window.mismatch_ppm)}; the reading moves by +-{spread:.3g} V with the "
            "phase; change loop.period_us for a whole window",
        )
    if not trial.accurate:
        largest, *others = window_parts(design)
        rest = ", ".join(str(part) for part in others if part.volts > 0)
        yield finding(
            "window-error",
            "targets.voltage_tolerance_percent",
            f"the window's own error, +-{trial.own_error_v:.3g} V at the output, exceeds the "
            f"tolerance of {trial.tolerance_v:.3g} V; the largest part is {largest}"
            f"{f' ({rest})' if rest else ''}: {largest.remedy}{_better_window(design)}; or widen "
            "the tolerance",
            "error" if spread > trial.tolerance_v else "warning",
        )
    mean, sampling = spec.loop.measure == "mean", trial.faults.sampling_v
    if (window.within_clock or window.shaped) and mean and sampling > trial.tolerance_v / 4:
        yield finding(
            "few-points",
            "loop.period_us",
            f"so few distinct points of the half cycle ({window.distinct_points}) leave the mean "
            f'off by up to +-{sampling:.3g} V; sample faster, or use measure = "rms"',
        )
    if trial.faults.fixed:
        kind = "a fixed bias set by the filter's and the sensor's lag; nothing to do"
    elif window.within_clock and not window.whole:
        kind = "a ripple as slow as the window's mismatch; no need to act"
    elif window.whole:
        kind = (
            "a ripple, as the output follows a source of its own frequency; "
            "a clock in step with that source makes it a fixed bias"
        )
    elif window.shaped:
        kind = "a ripple, by what the weights let through; no need to act"
    else:
        kind = "a ripple, as the window is not whole; a whole window makes it a fixed bias"
    # From a quarter of the tolerance on the findings above and the frequency's say it.
    if 0 < spread <= trial.tolerance_v / 4:
        yield finding(
            "sampling-error", "loop.period_us", f"the sampling error of +-{spread:.3g} V is {kind}"
        )


def _better_window(design: Design) -> str:
    """What to say of the window tried that has the least error of its own, if that is clearly less
    than the chosen one's and the tolerance."""
    chosen = design.chosen
    best = min(design.trials, key=lambda trial: trial.own_error_v)
    if best.own_error_v > min(CLEARLY_LESS * chosen.own_error_v, chosen.tolerance_v):
        return ""
    lacks = "" if best.on_target else ", but does not meet the targets: allow more settling time"
    return f"; {counted(best.window.half_cycles)} would leave +-{best.own_error_v:.3g} V{lacks}"


def _drift(design: Design) -> Iterator[Finding]:
    spec, trial = design.spec, design.chosen
    drift = trial.faults.spread_v - trial.faults.sampling_v
    if drift <= trial.tolerance_v / 4:
        return
    other = 'use measure = "rms", ' if spec.loop.measure == "mean" else ""
    yield finding(
        "frequency-drift",
        "output.frequency_tolerance_hz",
        f"a frequency off by {text(spec.output.frequency_tolerance_hz)} Hz leaves the reading "
        f"uncertain by +-{drift:.3g} V more; clock the loop from the source that is followed (then "
        f"this is 0), {other}or narrow it",
    )


def _offset(design: Design) -> Iterator[Finding]:
    trial = design.chosen
    before, after = trial.faults.alternation_v, trial.hunting_v
    # Any other kind of window has the zero's ripple within the cycle: see _output_ripple.
    if before == 0 or trial.window.kind != "plain":
        return
    text_ = (
        f"{counted(trial.window.half_cycles)}, an odd count: a zero error of "
        f"{text(design.spec.sensor.zero_tolerance_codes)} codes flips the reading by "
        f"+-{before:.3g} V from window to window, +-{after:.3g} V at the output"
    )
    double = double_of(design)
    kept = ""
    if design.spec.loop.half_cycles == "auto" and not trial.flips and double and double.on_target:
        kept = "the shorter window is kept, as it sees a load step sooner; "
    yield finding(
        "odd-window",
        "sensor.zero_tolerance_codes",
        f"{text_}; {kept}{flip_remedy(design)}",
        "warning" if trial.flips else "note",
    )


def _output_ripple(design: Design) -> Iterator[Finding]:
    """What the reading's ripple makes of the output: DC, second and third harmonic."""
    spec, output = design.spec, design.chosen.output
    rated_v = float(spec.output.rated_rms_v)
    parts = []
    if not math.isfinite(output.dc_percent):
        return  # The loop is unstable, which has its own finding.
    if output.dc_percent >= SHOWN_PERCENT:
        dc_v = output.dc_v(rated_v)
        codes = dc_v / float(spec.sensor.volts_per_code)
        parts.append(
            f"at most {output.dc_percent:.2g} % of DC ({dc_v:.2g} V, {codes:.2g} codes) and "
            f"{output.second_percent:.2g} % of second harmonic by the sensor's zero"
        )
    if output.third_percent >= SHOWN_PERCENT:
        parts.append(
            f"at most {output.third_percent:.2g} % of third harmonic "
            f"({output.third_v(rated_v):.2g} V RMS) by the reading's ripple at twice the frequency"
        )
    if not parts:
        return
    then = "no need to act"
    if not design.chosen.little_dc:
        then = (
            f"{text(spec.output.dc_percent)} % of DC are allowed: trim the zero, or take a window "
            "with a zero at the frequency"
        )
    yield finding(
        "output-ripple",
        "output.dc_percent",
        f"the regulator itself makes {' and '.join(parts)}; {then}",
        "note" if design.chosen.little_dc else "warning",
    )


def _zero(design: Design) -> Iterator[Finding]:
    """What tracking the zero leaves, and what it is like before it has converged."""
    spec, trial = design.spec, design.chosen
    tracking = zero_tracking(spec, trial.window)
    if tracking is None:
        return
    key, before, left = "sensor.track_zero", tracking.before_codes, tracking.left_codes
    gain = design.loop_gain
    ki, kp = float(trial.ki), float(trial.kp)
    if not tracking.settles(come_back(trial.window, ki=ki, kp=kp, gain=gain)):
        yield finding(
            "zero-untrackable",
            key,
            f"the zero's error of {before:g} codes makes the reading ripple by "
            f"+-{tracking.ripple_v:.3g} V: too near the band of +-{tracking.band_v:.3g} V for the "
            "output to count as settled, which it must before the zero is tracked",
        )
        return
    if not tracking.helps:
        yield finding(
            "zero-untrackable",
            key,
            f"tracking would leave up to {left:.3g} codes of the zero's error ("
            f"{tracking.sine_codes:.3g} by the sine over the frequency's tolerance, "
            f"{tracking.noise_codes:.3g} by noise), not less than the {before:g} codes without it",
        )
        return
    dc_percent = before_converged(spec, trial.window, ki=ki, kp=kp, gain=gain)
    made = f"up to {dc_percent:.2g} % of DC" if math.isfinite(dc_percent) else "DC"
    yield finding(
        "zero-tracked",
        key,
        f"tracking reduces the zero's error from {before:g} codes to {left:.2g}, in steps of "
        f"{1000 * tracking.step_s:.4g} ms while the output is settled. After a start with the "
        f"whole error this takes up to {tracking.converges_s:.2g} s at rated (time constant "
        f"{tracking.time_constant_s:.2g} s at most); until then the regulator makes {made}, "
        f"afterwards {trial.output.dc_percent:.2g} %",
    )


def _dearer(design: Design) -> Iterator[Finding]:
    """What the next kind of window would buy."""
    other, chosen = design.dearer, design.chosen
    if other is None:
        return
    window = other.window
    more = f"{window.updates} updates per window" if window.moving else "one update per window"
    yield finding(
        "dearer-window",
        "targets.settling_ms",
        f"a {window.kind} window ({window.duration_ms:.4g} ms, {window.blocks} blocks, {more}) "
        f"would settle in {other.loop.settling_ms:.4g} ms instead of "
        f"{chosen.loop.settling_ms:.4g} ms; ask for less time, or for the fastest, to have it",
    )


def _noise(design: Design) -> Iterator[Finding]:
    trial = design.chosen
    at_output = trial.noise_v
    if at_output <= trial.tolerance_v / 4:
        return
    level: Level = "error" if at_output > trial.tolerance_v else "warning"
    if of_the_bus(trial):
        yield finding(
            "adc-noise",
            "bus_sensor.noise_codes_rms",
            f"noise and rounding, of the bus readings most of all, move the output by "
            f"+-{at_output:.3g} V (three standard deviations), and the tolerance is "
            f"{trial.tolerance_v:.3g} V; filter the bus sensor, or give it finer codes",
            level,
        )
        return
    if rounding_v(design) > trial.tolerance_v:
        sensor = design.spec.sensor
        crest = math.sqrt(2) * float(design.spec.output.rated_rms_v / sensor.volts_per_code)
        yield finding(
            "adc-noise",
            "sensor.volts_per_code",
            f"the converter cannot resolve the output: its crest is {crest:.3g} codes, whose "
            f"rounding alone moves the output by +-{rounding_v(design):.3g} V (three standard "
            f"deviations), and the tolerance is {trial.tolerance_v:.3g} V; lower volts_per_code "
            "(more of the converter's range), or raise adc_bits",
            level,
        )
        return
    double = math.sqrt(2)
    yield finding(
        "adc-noise",
        "sensor.noise_codes_rms",
        f"noise and rounding of the ADC move the output by +-{at_output:.3g} V (three standard "
        f"deviations), and the tolerance is {trial.tolerance_v:.3g} V; filter the sensor, allow "
        f"more settling time, or take twice the window for {at_output / double:.3g} V",
        level,
    )


def _clipping(design: Design) -> Iterator[Finding]:
    spec = design.spec
    limit = float(spec.bridge.scale_max)
    if limit <= 1:
        return
    error = clipped_sine.reading_error(limit)
    rated = float(spec.output.rated_rms_v)
    if spec.loop.measure == "mean":
        worse = error * rated > design.chosen.tolerance_v
        yield finding(
            "clipped-mean",
            "loop.measure",
            f"at the drive limit {limit:g} the clipped sine has "
            f"{100 * clipped_sine.thd(limit):.3g} % distortion and the mean reads "
            f"{100 * error:.3g} % high ({error * rated:.3g} V)"
            + (
                '; use measure = "rms" for a true reading in overload'
                if worse
                else "; no need to act"
            ),
            "warning" if worse else "note",
        )
    else:
        off = clipped_rms_error(design.window, limit)
        yield finding(
            "clipped-rms",
            "bridge.scale_max",
            f"at the drive limit {limit:g} the clipped sine has "
            f"{100 * clipped_sine.thd(limit):.3g} % distortion; "
            + (
                "the RMS reading stays true"
                if off <= TRUE
                else f"the RMS reading is off by up to {100 * off:.2g} %, as the sampling folds "
                "the harmonics; sample faster if it must be true in overload"
            ),
        )


def _harmonics(design: Design) -> Iterator[Finding]:
    spec, chosen = design.spec, design.chosen
    estimate = rectifier_harmonics(spec, design.window)
    tolerance_v, steady_v = chosen.tolerance_v, chosen.steady_error_v
    whole_v = estimate.error_v + steady_v
    # What is off without any harmonics has findings of its own.
    if not steady_v <= tolerance_v < whole_v or estimate.error_v <= tolerance_v / 100:
        return
    causes = []
    if estimate.folded_v >= estimate.error_v / 10:
        points = float(2 / design.window.half_cycles_per_sample)
        causes.append(
            f"+-{estimate.folded_v:.3g} V by harmonics that {points:.4g} samples a cycle fold onto "
            f"the sine (most of it by harmonic {estimate.harmonic}, assumed at "
            f"{estimate.harmonic_percent:.2g} % of the output)"
        )
    if estimate.shape_v >= estimate.error_v / 10:
        causes.append(f"+-{estimate.shape_v:.3g} V as the mean takes the wave for a sine")
    kept = _kept_by(design)
    yield finding(
        "harmonics-fold",
        "loop.period_us",
        f"expect boards with a rectifier at rated load to miss the tolerance of {tolerance_v:.3g} "
        f"V: their output may be off by about +-{whole_v:.3g} V, +-{steady_v:.3g} V of it with any "
        f"load (the integers apart), {' and '.join(causes)}"
        f"{' (these two add up as squares do)' if len(causes) > 1 else ''}; "
        + (
            f"by the same estimate {kept} keeps it"
            if kept
            else "no shorter loop period that was tried and no other measure keeps it: change the "
            "filter, allow a wider tolerance, or keep such loads off"
        ),
    )


def _kept_by(design: Design) -> str | None:
    """The least change of loop period or measure that keeps the tolerance with a rectifier."""
    spec = design.spec
    own_us, own = spec.loop.period_us, str(spec.loop.measure)
    other = "rms" if own == "mean" else "mean"
    shorter = shorter_periods(spec)
    tried = [(period, own) for period in shorter]
    tried += [(period, other) for period in (own_us, *shorter)]
    for period, measure in tried:
        if _keeps(design, with_loop(spec, period_us=period, measure=measure)):
            shown = text(period) if period.denominator == 1 else f'"{period}"'
            changes = [f"loop.period_us = {shown}"] if period != own_us else []
            changes += [f'loop.measure = "{measure}"'] if measure == other else []
            return " with ".join(changes)
    return None


def _keeps(design: Design, changed: Spec) -> bool:
    """Whether a rectifier leaves a design of ``changed`` inside the tolerance, by the estimate."""
    try:
        windows = allowed_windows(changed, design.file)
    except (InputError, RefusedError):
        return False
    for window in windows[:2]:
        error_v = rectifier_harmonics(changed, window).error_v
        if error_v > design.chosen.tolerance_v:
            continue
        trial = try_window(changed, window, design.file)
        # The integers are not made here: their share is about the same.
        steady_v = trial.steady_error_v + design.chosen.integer_error_v
        if trial.on_target and error_v + steady_v <= trial.tolerance_v:
            return True
    return False


def _latency(design: Design) -> Iterator[Finding]:
    late, window = design.late, design.window
    if late.stable_periods is None or late.target_periods is None:
        return
    if isinstance(design.loop, MovingFigures):
        yield _latency_of_blocks(design, design.loop)
        return
    advice = "give the update a priority that allows it"
    if late.target_periods == 0:
        held = (
            "the targets hold only if the update is done within 0 loop periods of the window's "
            "last sample, which leaves it no time"
        )
        advice = "allow a longer targets.settling_ms, or shorten loop.period_us"
    elif late.target_periods >= window.samples:
        held = "the targets hold even if the update is only just done when the next window ends"
    else:
        plural = "" if late.target_periods == 1 else "s"
        period_ms = float(design.spec.loop.period_us) / 1000
        held = (
            f"the targets hold if the update is done within {late.target_periods} loop "
            f"period{plural} ({late.target_periods * period_ms:.4g} ms) of the window's last sample"
        )
    stable = (
        "any update before the next window's end leaves the loop stable"
        if late.stable_periods >= window.samples
        else f"done within {late.stable_periods} it leaves the loop stable"
    )
    yield finding(
        "latest-update",
        "loop.period_us",
        f"{held}; {stable}; {advice}",
        "warning" if late.target_periods == 0 else "note",
    )


def _in_time(design: Design, loop: MovingFigures, between: StepSettling) -> bool:
    """Whether updates between at once and the latest keep what is asked for; if the fastest is,
    what the loop has."""
    limit_ms = design.spec.settling_limit_ms
    allowed_ms = (loop.settling_ms or 0.0) if limit_ms is None else float(limit_ms)
    return output_keeps(design.spec, between, (1 + SAME_SHARE) * allowed_ms)


def _missed_between(design: Design, loop: MovingFigures) -> Iterator[str]:
    """What updates between at once and the latest do not keep."""
    between = design.late.between
    if between is not None and not _in_time(design, loop, between):
        settles = (
            "does not settle in time"
            if between.settling_ms is None
            else f"settles in {between.settling_ms:.4g} ms"
        )
        yield (
            f"{between.board} {settles}, with an overshoot of at most "
            f"{between.overshoot_percent:.3g} %"
        )
    gain, board = design.late.margin_between or (math.inf, "")
    if design.chosen.on_target and gain < MIN_GAIN_MARGIN - 1e-6:
        yield (
            f"{board} has a gain margin of {20 * math.log10(gain):.3g} dB, "
            f"and {20 * math.log10(MIN_GAIN_MARGIN):.3g} dB are required"
        )


def _latency_of_blocks(design: Design, loop: MovingFigures) -> Finding:
    """The same of a window of blocks, whose loop is judged with its updates at once and as late as
    the spec allows."""
    next_us = float(1_000_000 * design.window.update_s)
    missed = list(_missed_between(design, loop))
    if missed:
        return finding(
            "late-between",
            "loop.update_within_us",
            f"the targets hold with every update at once and with every update "
            f"{loop.lateness_us:.6g} us after its block's last sample, but not in between, as the "
            f"filter rings: there {' and '.join(missed)}; let the drive take the scale at a fixed "
            "time after the block, such as at the next sample, or change the loop period",
        )
    stable = "any update before that leaves the loop stable"
    if loop.latest_update_ms is not None and 1000 * loop.latest_update_ms < next_us:
        stable = f"done within {1000 * loop.latest_update_ms:.4g} us it leaves the loop stable"
    return finding(
        "latest-update",
        "loop.update_within_us",
        f"the targets hold if every update is done within {loop.lateness_us:.6g} us of its block's "
        f"last sample, of the {next_us:.6g} us until the next update is due; {stable}; give the "
        "update a priority that allows it",
        "note",
    )
