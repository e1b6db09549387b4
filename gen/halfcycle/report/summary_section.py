"""The summary: what a colleague needs to judge the design in a minute."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from halfcycle.base.findings import KINDS, Finding, Group, grouped
from halfcycle.base.text import counted
from halfcycle.bench.identify import is_inside
from halfcycle.loop.moving_figures import MovingFigures
from halfcycle.loop.targets import LoopTargets
from halfcycle.report.board_runs import BoardRuns, closest
from halfcycle.report.loop_section import FIGURES
from halfcycle.report.measured_section import Measured
from halfcycle.report.parts import Contents, Corners, Level, decimal, quantity
from halfcycle.report.window_section import length_text, window_name

LEVELS: tuple[tuple[Level, str], ...] = (
    ("error", "Errors"),
    ("warning", "Warnings"),
    ("note", "Notes"),
)


@dataclass(frozen=True, slots=True)
class Row:
    """One figure: what was asked for (may be empty), what there is, at which corner, and whether
    it is kept (None: nothing was asked). ``further``: whether it can wait for the appendix; a
    figure that is not kept never does."""

    name: str
    asked: str
    got: str
    where: str = ""
    kept: bool | None = None
    further: bool = False

    @property
    def first(self) -> bool:
        """Whether it stands on the first page."""
        return not self.further or self.kept is False


def rows(contents: Contents, named: Corners) -> tuple[Row, ...]:
    """The summary's figures."""
    return (
        *_window_rows(contents),
        *_loop_rows(contents, named),
        *_number_rows(contents, named),
        *_board_rows(contents.boards),
        *_measured_rows(contents.measured),
    )


def _window_rows(contents: Contents) -> Iterator[Row]:
    design = contents.integer_design.design
    spec, window, trial = design.spec, design.window, design.chosen
    measure = "average-rectified mean" if spec.loop.measure == "mean" else "true RMS"
    yield Row(
        "window",
        f"≤ {quantity(float(spec.loop.longest_window_ms), 'ms')}",
        f"{window_name(window)}, {length_text(window)}, {measure}",
        kept=window.duration_ms <= float(spec.loop.longest_window_ms),
    )
    yield Row(
        "DC that the regulator makes, of the rated peak",
        f"≤ {quantity(trial.dc_limit_percent, '%')}",
        quantity(trial.output.dc_percent, "%", 2) if trial.loop.stable else "unstable",
        kept=trial.little_dc,
    )
    if design.law is not None:
        yield Row(
            "law",
            spec.loop.law,
            f"normalised; the drive counts as {decimal(float(design.law.floor))} times the target "
            "or more",
            further=True,
        )
    given = "given" if spec.gains is not None else "designed"
    per = "per update" if window.moving else "per window"
    yield Row(
        "proportional gain",
        given if spec.gains is not None else "",
        f"{decimal(design.gains.proportional)} {design.gain_unit}; {per} "
        f"{decimal(float(design.kp))}"
        if design.kp or spec.gains is not None
        else "none: integral action alone",
        further=True,
    )
    yield Row(
        "integral gain",
        given if spec.gains is not None else "",
        f"{decimal(design.gains.integral_per_s)} {design.gain_unit} and s; {per} "
        f"{decimal(design.gains.integral_per_window)}",
        further=True,
    )


def _loop_rows(contents: Contents, named: Corners) -> Iterator[Row]:
    design = contents.integer_design.design
    loop, targets = design.loop, LoopTargets.of(design.spec)
    kept_at = {
        "settling_ms": targets.settles(loop),
        "overshoot_percent": targets.held(loop),
        "peak_sensitivity": targets.robust(loop),
    }
    for key, name, unit in FIGURES[:5]:
        value, kept = getattr(loop, key), kept_at.get(key)
        limit = None if kept is None else getattr(targets, key)
        if limit is not None and math.isinf(limit):
            limit = None
        got = quantity(value, unit) if value is not None else "undefined"
        if not loop.stable:
            got = "unstable"
        yield Row(
            name,
            "" if limit is None else f"≤ {quantity(limit, unit)}",
            got,
            named.letter(loop.worst.get(key)),
            kept,
        )
    if isinstance(loop, MovingFigures):
        yield Row(
            "half cycles above 120 % after an overload that held the output at 90 %",
            "",
            f"{quantity(loop.release_ms, 'ms')}, the highest "
            f"{quantity(loop.release_peak_percent, '%')}",
        )


def _number_rows(contents: Contents, named: Corners) -> Iterator[Row]:
    integer_design = contents.integer_design
    design, numbers = integer_design.design, integer_design.quantised
    trial, tolerance = design.chosen, design.chosen.tolerance_v
    yield Row(
        "steady error, the sensor's zero and gain apart",
        f"± {quantity(tolerance, 'V', 3)}",
        f"± {quantity(numbers.steady_error_v, 'V', 3)}",
        kept=numbers.steady_error_v <= tolerance,
    )
    for name, volts in (
        ("of it: the window", trial.own_error_v),
        ("of it: noise, three standard deviations", trial.noise_v),
        ("of it: the integers", numbers.integer_error_v),
    ):
        yield Row(name, "", f"± {quantity(volts, 'V', 3)}")
    yield Row(
        "dead band",
        f"± {quantity(tolerance, 'V', 3)}",
        f"± {quantity(numbers.dead_band_v, 'V', 3)}",
        kept=numbers.dead_band_v <= tolerance,
        further=True,
    )
    yield Row(
        "one step of the output, against one of the reading",
        f"< {quantity(numbers.reading_step_v, 'V', 3)}",
        quantity(numbers.output_step_v, "V", 3),
        kept=numbers.output_step_v < numbers.reading_step_v,
        further=True,
    )
    if numbers.rest is not None:
        yield Row(
            "movement at rest on any board, peak to peak, noise apart",
            f"≤ {quantity(2 * tolerance, 'V', 3)}",
            f"≤ {quantity(numbers.rest.bound_v, 'V', 3)}; seen "
            f"{quantity(numbers.rest.hunting_v, 'V', 3)}",
            named.letter(numbers.rest.corner) if numbers.rest.hunting_v else "",
            kept=numbers.rest.bound_v <= 2 * tolerance,
            further=True,
        )
    plants = design.chosen.hardest_plants
    scale, limit = (
        float(plants.scale_for_rated[plants.hardest]),
        float(design.spec.bridge.scale_max),
    )
    label = plants.corners[plants.hardest].label
    yield Row(
        "greatest scale that rated needs",
        f"≤ {decimal(limit)}",
        decimal(scale, 3) if scale < 1e6 else "none is enough",
        named.letter(label),
        kept=scale <= limit,
        further=True,
    )
    full = min(signal.headroom_bits for signal in numbers.plan.signals)
    yield Row(
        "least headroom of an integer", "≥ 0 bits", f"{full} bits", kept=full >= 0, further=True
    )


def _board_rows(board_runs: BoardRuns | None) -> Iterator[Row]:
    if board_runs is None:
        yield Row("virtual boards", "", "not run")
        return
    cases, total = len(board_runs.runs), board_runs.boards * len(board_runs.runs)
    yield Row(
        "virtual boards",
        "no rule broken",
        f"{board_runs.boards} boards, {cases} cases: "
        + (f"{board_runs.failed} of {total} runs fail" if board_runs.failed else "none fails"),
        kept=board_runs.failed == 0,
    )
    worst = closest(board_runs)
    if worst is not None:
        yield Row(
            "worst board",
            "",
            f"board {worst.board} in {worst.case}: {worst.what}",
            kept=worst.share <= 1,
        )


def _measured_rows(measured: Measured | None) -> Iterator[Row]:
    if measured is None:
        return
    found = measured.found
    outside = sum(
        log.plant is not None and is_inside(log.plant, found.corners) is False for log in found.logs
    )
    unlike = sum(log.checked.first is not None for log in found.logs)
    silent = sum(log.plant is None for log in found.logs)
    partial = sum(log.plant is not None and log.plant.share is None for log in found.logs)
    told = [
        counted(len(found.logs), "log"),
        f"{unlike} unlike the model" if unlike else "as the model",
        f"{outside} outside" if outside else "none outside",
        *([f"{silent} without figures"] if silent else []),
        *([f"{partial} without the share of delay"] if partial else []),
    ]
    yield Row("measured boards", "inside the corners", ", ".join(told), kept=measured.good)


def all_findings(contents: Contents) -> tuple[Finding, ...]:
    """What the design, the boards' runs and the measured boards have to say."""
    return (
        contents.integer_design.findings
        + (contents.boards.findings if contents.boards else ())
        + (contents.measured.findings if contents.measured else ())
    )


def by_level(findings: tuple[Finding, ...]) -> tuple[tuple[str, str, tuple[Group, ...]], ...]:
    """(level, heading with their number, findings) for each level that has any, the worst first."""
    levels = (
        (level, heading, tuple(f for f in findings if f.level == level))
        for level, heading in LEVELS
    )
    return tuple(
        (level, f"{heading} ({len(entries)})", grouped(entries))
        for level, heading, entries in levels
        if entries
    )


def verdict(contents: Contents) -> tuple[bool, str]:
    """Whether the design may be used, and the sentence that says so, of what was judged."""
    errors = sum(finding.level == "error" for finding in contents.integer_design.findings)
    if errors:
        stand = "stands" if errors == 1 else "stand"
        return False, f"Do not ship: {counted(errors, 'error')} {stand} against it."
    boards = contents.boards
    if boards is not None and boards.failed:
        runs = boards.boards * len(boards.runs)
        return False, f"Do not ship as it is: {boards.failed} of {runs} virtual runs broke a rule."
    if contents.measured is not None and not contents.measured.good:
        return False, "Do not ship as it is: a measured board is not what the design relies on."
    if not contents.good:
        return False, "Do not ship: the C differs from the model on a processor."
    corners = counted(len(contents.integer_design.design.loop.corners), "corner")
    tried = (
        "; no virtual board was run"
        if boards is None
        else f" and on {counted(boards.boards, 'virtual board')}"
    )
    return True, f"Meets its targets at all {corners}{tried}.{_warned(all_findings(contents))}"


def _warned(findings: tuple[Finding, ...]) -> str:
    """How many warnings stand beside the verdict, and what they ask for."""
    warnings = [finding for finding in findings if finding.level == "warning"]
    if not warnings:
        return ""
    # What may harm the load first.
    first = next((each for each in warnings if each.code == "over-voltage"), warnings[0])
    remedy = KINDS[first.code].remedy
    others = len(warnings) - sum(each.code == first.code for each in warnings)
    among = f" (and {others} more, below)" if others else ""
    return f" {counted(len(warnings), 'warning')}{among}: {remedy[:1].lower()}{remedy[1:]}"
