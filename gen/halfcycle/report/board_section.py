"""The virtual boards: what they did in each case, drawn against published limits."""

from __future__ import annotations

import numpy as np

from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.base.text import counted, listed
from halfcycle.report.axis import Axis
from halfcycle.report.board_captions import before_zero, judged, lost_sensor
from halfcycle.report.board_runs import BoardRuns, CaseRun
from halfcycle.report.limit_lines import draw_limits, limit_key
from halfcycle.report.parts import (
    BESIDE,
    DASH,
    Figure,
    Table,
    asked,
    beside,
    decimal,
    exact,
    percent,
    quantity,
)
from halfcycle.report.svg_chart import Chart, key_rows
from halfcycle.simulate import allowances
from halfcycle.simulate.criteria import shows_overshoot

SPAN_V = (0.0, 150.0)
"""No drawing goes beyond these percents of rated."""
DRAWN_LIMIT_V = 50.0
"""A drawing is drawn as far as its limits down to this percent of rated."""
STEADY = "hair ink"
"""How the band of the steady error is drawn."""
END = " †"
"""Marks a time that ends with the run."""
ON_FIRST_PAGE = "overload"
"""The case that is drawn on the first page."""


def overload_figure(board_runs: BoardRuns) -> Figure | None:
    """The drawing of the overload; None if it was not run."""
    for run in board_runs.runs:
        if run.case.name == ON_FIRST_PAGE:
            return _case_figure(run, board_runs, short=True)
    return None


def overload_text(board_runs: BoardRuns) -> tuple[str, ...]:
    """What the overload is and is judged by, which its caption on the first page leaves out."""
    return tuple(
        f"{run.case.name}, drawn on the first page: {run.case.about}. Judged: {_rules(run)}."
        for run in board_runs.runs
        if run.case.name == ON_FIRST_PAGE
    )


def case_figures(board_runs: BoardRuns) -> tuple[Figure, ...]:
    """A drawing for each further case in which the output moves."""
    return tuple(
        _case_figure(run, board_runs)
        for run in board_runs.runs
        if run.case.name != ON_FIRST_PAGE and not _quiet(run)
    )


def quiet_text(board_runs: BoardRuns) -> tuple[str, ...]:
    """The cases that are not drawn, as one sentence; none if all are."""
    quiet = [run for run in board_runs.runs if run.case.name != ON_FIRST_PAGE and _quiet(run)]
    if not quiet:
        return ()
    spans = (f"{run.case.name} ({decimal(low)} to {decimal(high)} %)"
             for run in quiet for low, high in [_of_any_start(run)])  # fmt: skip
    return (
        f"Not drawn, as no board breaks a rule and every half cycle of every board stays within "
        f"{exact(100 * SETTLING_BAND)} % of rated: {', '.join(spans)}.",
    )


def _span(run: CaseRun) -> tuple[float, float]:
    """The lowest and the highest half cycle of all boards, percent of rated."""
    known = ~np.isnan(run.low)
    return float(run.low[known].min()), float(run.high[known].max())


def _of_any_start(run: CaseRun) -> tuple[float, float]:
    """The same, with half cycles of any start after the event, which the table of cases has."""
    low, high = _span(run)
    worst = run.tally.worst
    lowest, highest = worst.get("lowest_percent", (low, 0)), worst.get("highest_percent", (high, 0))
    return min(low, lowest[0]), max(high, highest[0])


def _quiet(run: CaseRun) -> bool:
    """Whether nothing is to be seen in a drawing: all boards stay where they are, and pass."""
    low, high = _of_any_start(run)
    band = 100 * SETTLING_BAND
    return not run.tally.failed and low >= 100 - band and high <= 100 + band


def _rules(run: CaseRun) -> str:
    """What a case is judged by, in words."""
    return ", ".join(judged(run, rule) for rule in run.case.rules)


def _case_figure(run: CaseRun, board_runs: BoardRuns, *, short: bool = False) -> Figure:
    """``short``: for the first page, without what :func:`overload_text` says."""
    boards = board_runs.boards
    off = allowances.steady(board_runs.setting).shown
    band = _steady_band(run, off)
    steady_ms = 1000 * (run.case.steady_s - run.case.zero_s)
    edges = run.edges.tolist()
    known = ~np.isnan(run.low)
    least, most = _span(run)
    room = 26.0 if run.case.curves else 10.0
    levels = [*_limit_levels(run), *band]
    low = max(SPAN_V[0], min(least - 4, 100.0 - room, *(level - 2 for level in levels)))
    high = min(SPAN_V[1], max(most + 4, 100.0 + room, *(level + 2 for level in levels)))
    key = [
        ("spread", f"all {counted(boards, 'board')}" if boards > 1 else "one board"),
        ("one", "nominal"),
        *([("two", f"board {run.worst_board}")] if run.worst_board != 0 else []),
        *limit_key(run),
        *([(STEADY, f"steady error allowed, ± {quantity(off, '%')}")] if band else []),
    ]
    chart = Chart(
        Axis(edges[0], edges[-1], f"time from {run.case.zero_is}, ms"),
        Axis(low, high, "RMS, % of rated"),
        height=200,
        key_rows=key_rows(key),
    )
    chart.level(100.0, "faint")
    for level in band:
        chart.line((max(edges[0], steady_ms), edges[-1]), (level, level), STEADY)
    middles = ((run.edges[:-1] + run.edges[1:]) / 2)[known].tolist()
    chart.band(middles, run.low[known].tolist(), run.high[known].tolist(), "spread")
    drawn = ""
    if run.worst_board != 0:
        chart.line(middles, run.worst[known].tolist(), "two")
        drawn = f" Board {run.worst_board}: {run.drawn_for}."
    elif run.tally.failed:
        drawn = f" The nominal board {run.drawn_for}."
    chart.line(middles, run.nominal[known].tolist(), "one")
    if edges[0] < 0:
        chart.at(0.0, "hair ink")
        if run.case.first_s < run.case.zero_s and not run.case.begins_fixed:
            chart.at(1000 * (run.case.first_s - run.case.zero_s), "hair")
    draw_limits(chart, run)
    chart.key(*key)
    verdict = _verdict(run, boards)
    alt = (
        f"Case {run.case.name}: true RMS per half cycle of {counted(boards, 'board')} over time, "
        f"from {decimal(least)} to {decimal(most)} percent of rated; {verdict}"
    )
    about = run.case.about[:1].upper() + run.case.about[1:]
    rules = f" Judged: {_rules(run)}."
    if short:
        about, rules = about.partition(", ")[0], ""
    caption = f"{about}.{drawn}{before_zero(run)}{rules}{lost_sensor(run, most)}"
    return Figure(f"{run.case.name}: {verdict}", alt, caption, chart.svg(alt))


def _steady_band(run: CaseRun, off: float) -> tuple[float, ...]:
    """The levels between which the output has to be steady, ``off`` either way, percent of rated;
    none unless a board failed by that, as they would hide what a drawing is of."""
    if not any("steady error" in failure.rules for failure in run.tally.failures):
        return ()
    rests = 100 * run.case.rests_at
    return (rests - off, rests + off)


def _limit_levels(run: CaseRun) -> list[float]:
    """Levels of the case's limits that a drawing has room for, percent of rated."""
    points = [point for curve in run.case.curves for point in (*curve.lower, *curve.upper)]
    steady = [level for curve in run.case.curves for level in curve.steady or ()]
    levels = [*(level for level, _ in points), *steady]
    return [level for level in levels if DRAWN_LIMIT_V <= level <= SPAN_V[1]]


def _verdict(run: CaseRun, boards: int) -> str:
    """How many boards keep the rules; and how many leave a published limit that a warning is of,
    as no rule asks for it."""
    bad = run.tally.failed
    if bad:
        return f"{bad} of {counted(boards, 'board')} {'fails' if bad == 1 else 'fail'}"
    left = max(run.tally.breached.values(), default=0)
    passed = f"all {boards} pass" if boards > 1 else "the board passes"
    if not left or "limits" in run.case.rules:
        return passed
    return f"{passed}, and {left} {'leaves' if left == 1 else 'leave'} a published limit"


def _allowed(board_runs: BoardRuns, run: CaseRun) -> str:
    """The slowest board's settling time, of what the case allows it."""
    if "settling" not in run.case.rules or "settling_ms" not in run.tally.worst:
        return DASH
    limit = allowances.settling(board_runs.setting, run.case).shown
    time = beside(run.tally.worst["settling_ms"][0], limit)
    return f"{time}{BESIDE}of{BESIDE}{decimal(limit)}"


def case_table(board_runs: BoardRuns) -> Table:
    """The worst of each figure, case by case."""

    def worst(run: CaseRun, figure: str, rule: str) -> str:
        judged = shows_overshoot(run.case) if rule == "overshoot" else rule in run.case.rules
        if figure not in run.tally.worst or (rule and not judged):
            return DASH
        value = run.tally.worst[figure][0]
        return percent(value) if figure.endswith("_percent") else decimal(value)

    at_most = f"at most {quantity(100 * board_runs.setting.at_rest.dc, '%')}"
    return Table(
        title="Cases",
        columns=(
            "case",
            f"failed, of {board_runs.boards}",
            "settling, ms, of allowed",
            "overshoot, %",
            "steady error, %",
            "report off, %",
            "RMS lowest, %",
            "RMS highest, %",
            "above 120 %, ms",
            "peak, %",
            "THD, %",
            "DC, % of peak",
            "most scale",
        ),
        rows=tuple(
            (
                run.case.name,
                f"{run.tally.failed}",
                _allowed(board_runs, run),
                worst(run, "overshoot_percent", "overshoot"),
                worst(run, "steady_error_percent", "steady"),
                worst(run, "report_error_percent", "steady"),
                worst(run, "lowest_percent", ""),
                worst(run, "highest_percent", ""),
                worst(run, "above_120_ms", "") + (END if run.tally.high_at_end else ""),
                worst(run, "peak_percent", ""),
                worst(run, "thd_percent", ""),
                worst(run, "dc_percent", ""),
                worst(run, "scale", ""),
            )
            for run in board_runs.runs
        ),
        numeric=tuple(range(1, 13)),
        notes=(
            "Lowest and highest RMS, and the time above 120 % of rated, are of half cycles of any "
            f"start that end after the zero of the case's drawing ({_zeros(board_runs)}). The half "
            "cycles of the drawings are those of the reference, so extremes are a little less "
            "there. Peak: the greatest size of the output itself from that zero on, as a scope has "
            "it, so with the sensor's gain error in it; 100 % is the peak of a rated sine. THD "
            "(harmonics 2 to 40) and DC are of the output at rest. DC "
            f"is of all causes: what the regulator makes of the sensor's zero ({at_most} by the "
            "design), rounding to ADC codes, to the drive's steps and to PWM counts, noise, and "
            "harmonics of a load that the sampling folds.",
            "The worst board of each figure; a dash if a case does not judge it, or has none. "
            f"{_unjudged_overshoot(board_runs)}The sensor's gain error is taken out of the judged "
            "figures, as no regulator can know it. "
            f"Settling is allowed what the targets ask for{_ramp(board_runs)}, and a half cycle "
            "for measuring; a start may take as long as the window is, too, and after an "
            "overload the drive the time that it takes to come back. "
            f"{_allowed_besides(board_runs)}",
            f"Report off: of steady windows. It fails no board; beyond {_tolerance(board_runs)} it "
            "is a warning, as it is while the drive limit holds, which is not in the table.",
            *(
                (
                    f"{END.strip()} The time is that of the run, not of the event: the output is "
                    "still above 120 % when the run ends.",
                )
                if any(run.tally.high_at_end for run in board_runs.runs)
                else ()
            ),
            *(
                ()
                if any(run.case.curves for run in board_runs.runs)
                else ("No published limit is held here: limits.envelopes in the spec lists none.",)
            ),
        ),
    )


def _zeros(board_runs: BoardRuns) -> str:
    """From where the cases count, as far as that is not the event that each of them names."""
    zeros: dict[str, list[str]] = {}
    for run in board_runs.runs:
        zeros.setdefault(run.case.zero_is, []).append(run.case.name)
    zeros.pop("the event", None)
    zeros.pop("the start", None)
    told = [f"for {listed(names)} {zero}" for zero, names in zeros.items()]
    return ", ".join(["the event", *told])


def _unjudged_overshoot(board_runs: BoardRuns) -> str:
    """Which cases show an overshoot that is not judged."""
    shown = [
        run.case.name
        for run in board_runs.runs
        if shows_overshoot(run.case) and "overshoot" not in run.case.rules
    ]
    return f"The overshoot of {listed(shown)} is not judged. " if shown else ""


def _tolerance(board_runs: BoardRuns) -> str:
    """The voltage tolerance, as the spec asks for it."""
    return asked(board_runs.setting.spec.targets.voltage_tolerance_percent, "%")


def _allowed_besides(board_runs: BoardRuns) -> str:
    """What steady error and overshoot are allowed, and what that is made of."""
    setting = board_runs.setting
    limits = {
        "Steady error": allowances.steady(setting),
        "overshoot": allowances.overshoot(setting),
    }
    told = [
        f"{name} {quantity(most.shown, most.unit)}{f' ({most.parts})' if most.parts else ''}"
        for name, most in limits.items()
    ]
    return f"{listed(told)} are allowed."


def _ramp(board_runs: BoardRuns) -> str:
    """What the target's climb adds to the time allowed."""
    ramp = board_runs.setting.spec.targets.ramp_ms
    return f", the target's own ramp of {asked(ramp, 'ms')} to rated" if ramp else ""


def failures(board_runs: BoardRuns) -> tuple[str, ...]:
    """A line for each listed board that broke a rule, and one for those of a case that are not
    listed."""
    lines = []
    for run in board_runs.runs:
        lines += [
            f"{run.case.name}, board {failure.board}: {'; '.join(failure.reasons)}"
            for failure in run.tally.failures
        ]
        if more := run.tally.failed - len(run.tally.failures):
            lines.append(f"{run.case.name}: {counted(more, 'more board')} not listed")
    return tuple(lines)


def curve_sources(board_runs: BoardRuns) -> tuple[tuple[str, str], ...]:
    """Name and source of every limit curve that is drawn."""
    curves = {curve.name: curve.source for run in board_runs.runs for curve in run.case.curves}
    return tuple(curves.items())
