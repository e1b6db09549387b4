"""The summary: what a colleague needs to judge the design in a minute."""

from __future__ import annotations

from collections.abc import Iterator

from halfcycle.base.findings import KINDS, Finding, Group, grouped
from halfcycle.base.text import counted, listed
from halfcycle.bench.identify import is_inside
from halfcycle.design.types import Trial
from halfcycle.quantise.quantised import Rest
from halfcycle.quantise.rest_findings import moved_v
from halfcycle.report.board_name import board_name
from halfcycle.report.board_runs import BoardRuns, closest
from halfcycle.report.figure_rows import (
    Row,
    dc_row,
    gain_rows,
    loop_rows,
    scale_row,
    sensor_text,
)
from halfcycle.report.measured_section import Measured
from halfcycle.report.parts import Contents, Corners, Level, asked, beside, exact, quantity, volts
from halfcycle.report.window_section import length_text, window_name

LEVELS: tuple[tuple[Level, str], ...] = (
    ("error", "Errors"),
    ("warning", "Warnings"),
    ("note", "Notes"),
)


BETWEEN = "late-between"
"""Targets that hold at both ends of the time for an update, and not between them."""


def rows(contents: Contents, named: Corners) -> tuple[Row, ...]:
    """The summary's figures, those that targets are asked of first."""
    design = contents.integer_design.design
    return (
        *loop_rows(design.spec, design.loop, named),
        *_number_rows(contents, named),
        *_window_rows(contents),
        *_board_rows(contents.boards, named),
        *_measured_rows(contents.measured),
    )


def _window_rows(contents: Contents) -> Iterator[Row]:
    design = contents.integer_design.design
    spec, window = design.spec, design.window
    measure = "average-rectified mean" if spec.loop.measure == "mean" else "true RMS"
    yield dc_row(design.chosen)
    yield Row(
        "window",
        f"≤ {asked(spec.loop.longest_window_ms, 'ms')}",
        f"{window_name(window)}, {length_text(window)}, {measure}",
        kept=window.duration_ms <= float(spec.loop.longest_window_ms),
    )
    if design.law is not None:
        yield Row(
            "law",
            spec.loop.law,
            f"normalised; the drive counts as {exact(design.law.floor)} times the target or more",
            further=True,
        )
    yield from gain_rows(spec, design.chosen)


def _number_rows(contents: Contents, named: Corners) -> Iterator[Row]:
    integer_design = contents.integer_design
    design, numbers = integer_design.design, integer_design.quantised
    trial, tolerance = design.chosen, design.chosen.tolerance_v
    yield Row(
        "steady error, the sensor's zero and gain apart",
        f"± {asked(tolerance, 'V')}",
        f"± {beside(numbers.steady_error_v, tolerance, 'V')}: window "
        f"{volts(trial.own_error_v)}, noise at the output (three standard deviations) "
        f"{volts(trial.noise_v)}, integers {volts(numbers.integer_error_v)}; "
        f"{sensor_text(design.spec, trial, numbers.steady_error_v)}"
        if trial.loop.stable
        else "unstable",
        kept=trial.loop.stable and numbers.steady_error_v <= tolerance,
    )
    yield Row(
        "dead band",
        f"± {asked(tolerance, 'V')}",
        f"± {beside(numbers.dead_band_v, tolerance, 'V')}",
        kept=numbers.dead_band_v <= tolerance,
        further=True,
    )
    yield Row(
        "one step of the output, against one of the reading",
        f"< {quantity(numbers.reading_step_v, 'V')}",
        beside(numbers.output_step_v, numbers.reading_step_v, "V"),
        kept=numbers.output_step_v < numbers.reading_step_v,
        further=True,
    )
    if numbers.rest is not None:
        yield from _rest_rows(numbers.rest, design.chosen, named)
    yield scale_row(design.spec, design.chosen.hardest_plants, named)
    full = min(signal.headroom_bits for signal in numbers.plan.signals)
    yield Row(
        "least headroom of an integer",
        "≥ 0 bits",
        counted(full, "bit"),
        kept=full >= 0,
        further=True,
    )


def _rest_rows(rest: Rest, trial: Trial, named: Corners) -> Iterator[Row]:
    """Movement at rest beside what the findings no-rest and rest-unproven judge it by."""
    tolerance, corner = trial.tolerance_v, named.letter(rest.corner) if rest.hunting_v else ""
    apart = "noise and the flipping zero apart" if trial.hunting_v else "noise apart"
    seen_v, bound_v = moved_v(rest.hunting_v, trial), moved_v(rest.bound_v, trial)
    yield Row(
        f"movement at rest at the corners that were run, peak to peak, {apart}",
        f"≤ {asked(tolerance, 'V')}",
        beside(seen_v, tolerance, "V"),
        corner,
        kept=seen_v <= tolerance,
        further=True,
    )
    proven = bound_v <= 2 * tolerance
    yield Row(
        f"bound of the movement at rest on any board, peak to peak, {apart}",
        f"≤ {asked(2 * tolerance, 'V')}",
        f"≤ {beside(bound_v, 2 * tolerance, 'V')}" + ("" if proven else ": not proven"),
        # A bound that is above proves nothing broken.
        kept=True if proven else None,
        further=proven,
    )


def _board_rows(board_runs: BoardRuns | None, named: Corners) -> Iterator[Row]:
    if board_runs is None:
        yield Row("virtual boards", "", "not run")
        return
    cases, total = len(board_runs.runs), board_runs.boards * len(board_runs.runs)
    yield Row(
        "virtual boards",
        "none fails",
        f"{counted(board_runs.boards, 'board')}, {counted(cases, 'case')}: "
        + (
            f"{board_runs.failed} of {counted(total, 'run')} failed"
            if board_runs.failed
            else "none fails"
        ),
        kept=board_runs.failed == 0,
    )
    worst = closest(board_runs)
    if worst is not None:
        parts, letter = board_name(board_runs, worst.board, named, worst.case)
        yield Row(
            "worst board",
            "",
            f"board {worst.board} ({parts}) in {worst.case}: {worst.what}",
            letter,
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
    """(level, heading with their number, findings) for each level that has any, the worst first.
    Findings with one advice stand together, and count as one."""
    levels = (
        (level, heading, grouped(f for f in findings if f.level == level))
        for level, heading in LEVELS
    )
    return tuple(
        (level, f"{heading} ({len(entries)})", entries)
        for level, heading, entries in levels
        if entries
    )


def verdict(contents: Contents, findings: tuple[Finding, ...]) -> tuple[bool, str]:
    """Whether the design may be used, and the sentence that says so, of what was judged;
    ``findings``: all there are."""
    errors = sum(finding.level == "error" for finding in contents.integer_design.findings)
    if errors:
        return False, f"Do not ship: the design has {counted(errors, 'error')}."
    boards = contents.boards
    if boards is not None and boards.failed:
        runs = counted(boards.boards * len(boards.runs), "virtual run")
        cases = listed([run.case.name for run in boards.runs if run.tally.failed])
        return False, f"Do not ship as it is: {boards.failed} of {runs} broke a rule, in {cases}."
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
    if any(finding.code == "too-few-boards" for finding in findings):
        tried += ", too few to reach every corner"
    between = any(finding.code == BETWEEN for finding in findings)
    when = ", if every update is done at once or every one at the latest" if between else ""
    return True, f"Meets its targets at all {corners}{when}{tried}.{_warned(findings)}"


def _warned(findings: tuple[Finding, ...]) -> str:
    """How many warnings stand below, and what the gravest asks for."""
    warnings = grouped(finding for finding in findings if finding.level == "warning")
    if not warnings:
        return ""
    # A target that is missed first, then what may harm the load.
    codes = (BETWEEN, "over-voltage")
    grave = [each for code in codes for each in warnings if each.code == code]
    first = (grave or warnings)[0]
    remedy = KINDS[first.code].remedy
    order = "first " if len(warnings) > 1 else ""
    return f" {counted(len(warnings), 'warning')}: {order}{remedy[:1].lower()}{remedy[1:]}"
