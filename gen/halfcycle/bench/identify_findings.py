"""What an identification says: rows, board and corners, and which keys of the spec would change."""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from halfcycle.base.findings import Finding, finding
from halfcycle.base.text import counted
from halfcycle.bench.calibrate import COVERAGE, FEW, Estimate, plus_minus, text_of
from halfcycle.bench.identify import BoardLog, Identification
from halfcycle.bench.plant_fit import MOVED, NoFit

if TYPE_CHECKING:
    from halfcycle.design.types import Design
    from halfcycle.spec.models import Value

BUS_GAIN = "bus_sensor.gain_tolerance_percent"
BUS_MIN, BUS_MAX, WITHIN = "bridge.bus_min_v", "bridge.bus_max_v", "loop.update_within_us"
RECIPE = "log a step of the target too, from 90 % to 100 % of rated, some settling times about it"
MORE = "log several such steps, from 90 % to 100 % of rated and back, in one log"
METER = (
    "first measure the output with a meter beside rms_mv: a sensor that reads wrong changes the "
    "gain of a log as the bus does, and is calibrated, not stated as a bus"
)
"""A log's readings are the sensor's own: sensor gain and bus cannot be told apart by them."""
NO_KEY = (
    "no key of the spec allows for that; look at the filter's parts, and at when the drive takes "
    "the scale"
)


ALL_BUT_FEW = 99.99
"""Percent of the boards beyond which none is claimed."""


def changes(design: Design, found: Identification) -> dict[str, Value]:
    """The keys, and their values, with which every board measured would be inside the corners;
    none if that is so already, or if no key says it. Boards that are unlike the others decide
    nothing."""
    spec, ranges, window = design.spec, found.corners, design.window
    if not found.as_model:
        return {}
    plants = [log.plant for log in found.logs if log.plant and log.name not in found.outliers]
    gains = [level.gain for plant in plants for level in plant.levels]
    new: dict[str, Value] = {}
    above = [gain.value for gain in gains if ranges.gain.above(gain)]
    below = [gain.value for gain in gains if ranges.gain.below(gain)]
    if spec.bus_sensor is not None and (above or below):
        tolerance = float(spec.bus_sensor.gain_tolerance_percent) / 100
        most = max(above, default=ranges.gain.high) / ranges.gain.high * (1 + tolerance) - 1
        least = 1 - min(below, default=ranges.gain.low) / ranges.gain.low * (1 - tolerance)
        new[BUS_GAIN] = _digits(100 * max(most, least), up=True)
        above, below = [], []
    if above:
        most = max(above) / ranges.gain.high
        new[BUS_MAX] = _digits(float(spec.bridge.bus_max_v) * most, up=True)
    if below:
        least = min(below) / ranges.gain.low
        new[BUS_MIN] = _digits(float(spec.bridge.bus_min_v) * least, up=False)
    shares = [plant.share for plant in plants if plant.share is not None]
    if any(ranges.share.below(share) for share in shares):
        # The latest that these logs leave open: at once a board has the corners' highest share.
        us, period = 1_000_000 * window.update_s, spec.loop.period_us
        least = min(share.low for share in shares)
        wanted = Fraction(ranges.share.high - least) * us
        new[WITHIN] = min(math.ceil(wanted / period) * period, us)
    return new


def findings(
    design: Design, found: Identification, new: dict[str, Value], *, written: bool
) -> tuple[Finding, ...]:
    """One finding per thing to know or to do. ``new``: what ``changes`` gives, ``written`` or
    not."""
    several = len(found.logs) > 1
    remarks = [
        entry
        for log in found.logs
        for entry in (*_rows(log), *_board(design, found, log, new, written))
    ]
    if several:
        remarks += _together(found)
    return tuple(remarks)


def spec_written() -> Finding:
    """That the logs are not those of the spec that was just written."""
    text = (
        "the logs belong to the spec as it was before, and were judged by it: design and generate "
        "again, and log the new firmware before you identify again"
    )
    return finding("spec-written", "spec", text)


def spec_unchanged(found: Identification) -> Finding:
    """Why there was nothing to write."""
    if not found.as_model:
        why = "the rows are not the model's: no key of the spec follows from them"
    elif found.outliers:
        why = (
            f"boards unlike the others ({', '.join(found.outliers)}) do not count; to allow for "
            "such a board give its log alone"
        )
    else:
        why = "these logs would change no key of the spec"
    return finding("spec-unchanged", "spec", f"nothing was written: {why}")


def _rows(log: BoardLog) -> Iterator[Finding]:
    checked, key = log.checked, log.name
    if checked.first is not None and checked.cause is not None:
        text = (
            f"line {checked.first.line} (update {checked.first.update}) is not what the model "
            f"makes of the rows before: {checked.cause.text}; {checked.differing} of "
            f"{checked.compared} rows differ"
        )
        yield finding("log-differs", key, text)
    else:
        how = "bit for bit" if checked.exact else "within what scale and reading leave open"
        text = f"all {checked.compared} rows that follow another are the model's, {how}"
        yield finding("log-as-model", key, text)
    if checked.missed:
        text = f"{_rows_say(checked.missed)} MISSED: updates come too late for their blocks"
        yield finding("log-blocks-missed", key, text)
    if checked.held:
        text = f"{_rows_say(checked.held)} HELD: checked like all others, and left out of the fit"
        yield finding("log-limiter-acted", key, text)
    if checked.gaps:
        text = f"{counted(checked.gaps, 'gap')}; the check begins afresh after each"
        yield finding("log-gaps", key, text)
    if log.remarks.bad_lines:
        text = f"{counted(log.remarks.bad_lines, 'line')} with a wrong check byte left out"
        yield finding("log-bad-lines", key, text)
    if log.remarks.unended:
        text = f"line {log.remarks.unended} has no line end, so that it may be cut; it is left out"
        yield finding("log-cut", key, text)
    if log.remarks.unused:
        names = ", ".join(log.remarks.unused[:5])
        yield finding("log-column-unused", key, f"columns that are not used: {names}")


def _rows_say(count: int) -> str:
    return f"{counted(count, 'row')} {'says' if count == 1 else 'say'}"


def _board(
    design: Design, found: Identification, log: BoardLog, new: dict[str, Value], written: bool
) -> Iterator[Finding]:
    key = log.name
    if isinstance(log.fit, NoFit):
        if log.checked.foreign:
            return  # That its rows are not the model's is said already.
        recipe = MORE if log.fit.moved >= MOVED else RECIPE
        yield finding("drive-hardly-moves", key, f"{log.fit.reason}; {recipe}")
        return
    plant, ranges = log.fit, found.corners
    outside = [level.gain for level in plant.levels if not ranges.gain.may_hold(level.gain)]
    for gain in outside:
        text = (
            f"gain {_measured(gain, 5)}, the design relies on {ranges.gain.low:.5g} to "
            f"{ranges.gain.high:.5g}; {METER}{_advice(new, (BUS_MIN, BUS_MAX, BUS_GAIN), written)}"
        )
        yield finding("board-gain-outside", key, text)
    if plant.share is None:
        recipe = MORE if plant.moved >= MOVED else RECIPE
        known = "" if outside else f"; the gain, {text_of(plant.gain, 5)}, is inside the corners"
        yield finding("drive-hardly-moves", key, f"{plant.doubt}{known}; {recipe}")
    elif not ranges.share.may_hold(plant.share):
        advice = _advice(new, (WITHIN,), written)
        if not advice and found.as_model:
            advice = f"; {NO_KEY}"
        elif advice:
            advice += ", the latest that the logs leave open: measure that time, and state it"
            if design.window.blocks == 1 and design.spec.loop.update_within_us == "auto":
                advice += '; "auto" is at once for a plain window'
        scatter, phase = plant.share.uncertainty, plant.share.systematic
        text = (
            f"by the fit {plant.share.value:.4g} {plus_minus(scatter, 2)} of a change acts in the "
            f"first update's time (the board's own share {plus_minus(scatter + phase, 2)}, as the "
            f"sine's phase is open); what the design relies on gives {ranges.share.low:.4g} to "
            f"{ranges.share.high:.4g} at any phase{advice}"
        )
        yield finding("board-delay-outside", key, text)
    elif not outside:
        text = (
            f"gain {_measured(plant.gain, 5)} and share of delay {_measured(plant.share, 3)} are "
            f"inside the corners, {ranges.gain.low:.4g} to {ranges.gain.high:.4g} and "
            f"{ranges.share.low:.3g} to {ranges.share.high:.3g}"
        )
        yield finding("board-inside", key, text)
    if len(plant.levels) > 1:
        steps = ", ".join(
            f"{level.gain.value:.5g} from update {level.update}" for level in plant.levels
        )
        yield finding("board-gain-steps", key, f"the gain has {len(plant.levels)} levels: {steps}")
    yield from _loop(design, log)


def _loop(design: Design, log: BoardLog) -> Iterator[Finding]:
    loop = log.loop
    if loop is None:
        return
    if not loop.stable:
        yield finding("board-loop-unstable", log.name, "the loop is unstable with this board")
        return
    goal = design.settling_goal_ms
    if loop.slower_than(goal):
        time = "not at all" if loop.settling_ms is None else f"in {loop.settling_ms:.4g} ms"
        text = f"this board settles {time} by the design's model, {goal:.4g} ms are asked for"
        yield finding("board-loop-slow", log.name, text)


def _together(found: Identification) -> Iterator[Finding]:
    for name in found.outliers:
        text = f"{name} has a gain far off that of the others: left out of the spread"
        yield finding("board-outlier", name, text)
    if found.gain is None or found.gain_reach is None or found.share_of_boards is None:
        return
    if found.gain_reach >= found.gain.value:
        text = f"{found.gain.readings} boards do not tell the spread of the gain: measure more"
        yield finding("boards-spread", "boards", text, "warning")
        return
    # A bound below 1 never reads as all boards.
    share = min(100 * found.share_of_boards, ALL_BUT_FEW)
    of = f" that are as {len(found.logs) - len(found.outliers)} of these" if found.outliers else ""
    text = (
        f"{100 * COVERAGE:g} % of all boards{of} have a gain of {found.gain.value:.5g} "
        f"{plus_minus(found.gain_reach, 3)} (95 % confidence, normal spread); at least "
        f"{share:.4g} % of all have one inside the corners"
    )
    enough = found.share_of_boards >= COVERAGE
    if found.gain.readings <= FEW:
        text += f"; {found.gain.readings} boards show little of the spread: measure more"
    elif not enough:
        text += "; measure more boards, or state wider tolerances"
    yield finding("boards-spread", "boards", text, "note" if enough else "warning")


def _advice(new: dict[str, Value], keys: tuple[str, ...], written: bool) -> str:
    values = [f"{key} = {float(new[key]):g}" for key in keys if key in new]
    if not values:
        return ""
    verb = "the spec now says" if written else "to rely on this board it would have to say"
    return f"; {verb} {', '.join(values)}"


def _measured(estimate: Estimate, digits: int) -> str:
    """A value with its half width, and how much of that is systematic."""
    return f"{text_of(estimate, digits)} ({estimate.systematic:.2g} of that systematic)"


def _digits(value: float, *, up: bool) -> Fraction:
    """Four digits, rounded away from the middle."""
    step = Fraction(10) ** (math.floor(math.log10(value)) - 3)
    count = Fraction(value) / step
    return (math.ceil(count) if up else math.floor(count)) * step
