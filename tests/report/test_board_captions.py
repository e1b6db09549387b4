"""What the page says of the virtual boards is what they did."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from halfcycle.generate.emit import render as render_c
from halfcycle.report import board_section, loop_section, summary_section
from halfcycle.report.board_name import board_name
from halfcycle.report.board_runs import (
    BoardRuns,
    CaseRun,
    _board_to_draw,
    closest,
    run_boards,
)
from halfcycle.report.parts import Contents, Table
from halfcycle.simulate.boards import draw
from halfcycle.simulate.limit_curves import LimitCurve
from halfcycle.simulate.tally import Failure
from support.paths import example
from support.report_page import contents

BOARDS = 12


@pytest.fixture(scope="module")
def whole() -> Contents:
    bare = contents(example("marsh_gauge").read_text(encoding="utf-8"))
    made = bare.integer_design
    texts = render_c(made.design, made.quantised)
    return replace(bare, boards=run_boards(made, texts, BOARDS, seed=1))


@pytest.fixture(scope="module")
def runs(whole: Contents) -> BoardRuns:
    assert whole.boards is not None
    return whole.boards


def of(runs: BoardRuns, name: str) -> CaseRun:
    (run,) = (run for run in runs.runs if run.case.name == name)
    return run


def caption(runs: BoardRuns, name: str) -> str:
    figures = [board_section.overload_figure(runs), *board_section.case_figures(runs)]
    (text,) = (each.caption for each in figures if each and each.title.startswith(f"{name}:"))
    return text


def cell(table: Table, name: str, column: str) -> str:
    (row,) = (row for row in table.rows if row[0] == name)
    return str(row[table.columns.index(column)])


def test_an_output_that_stays_above_its_level_was_said_to_come_back(runs: BoardRuns) -> None:
    run, told = of(runs, "lost-at-limit"), caption(runs, "lost-at-limit")
    assert float(run.high[~np.isnan(run.high)][-1]) > 120 and run.tally.high_at_end
    assert "stays above 120 % to the end of the run" in told
    assert "until the firmware sees" not in told and "no more output than before" not in told
    assert f"or than {100 * run.case.held_most:.0f} % of rated" in told
    table = board_section.case_table(runs)
    assert cell(table, "lost-at-limit", "above 120 %, ms").endswith("†")
    assert any("that of the run, not of the event" in note for note in table.notes)
    back = caption(runs, "disconnected-sensor")
    assert "until the firmware sees" in back and "to the end" not in back.replace("at the end", "")
    assert not cell(table, "disconnected-sensor", "above 120 %, ms").endswith("†")


def test_the_lowest_of_the_table_and_of_the_drawing_had_other_zeros(runs: BoardRuns) -> None:
    """The overload was drawn from its beginning, and the table counts from its end."""
    run, told = of(runs, "overload"), caption(runs, "overload")
    assert "Zero is the end of the overload" in told
    lowest = run.tally.worst["lowest_percent"][0]
    known = ~np.isnan(run.low)
    after, before = known & (run.edges[:-1] >= 0), known & (run.edges[1:] <= 0)
    # Any start goes below the half cycles of the reference by what one of these changes at most.
    assert run.low[before].min() < lowest - 5
    assert lowest - 1 <= run.low[after].min()
    assert re.search(rf"before it \({run.low[before].min():.3g} to ", told)
    assert "for overload the end of the overload" in board_section.case_table(runs).notes[0]
    swell = of(runs, "lost-in-swell")
    assert swell.case.zero_is == "the loss of the sensor"
    assert swell.case.zero_s == swell.case.event_s


def test_the_overshoot_of_a_step_down_was_in_the_terminal_alone(runs: BoardRuns) -> None:
    table = board_section.case_table(runs)
    run = of(runs, "target-down")
    shown = cell(table, "target-down", "overshoot, %")
    assert float(shown) == pytest.approx(run.tally.worst["overshoot_percent"][0], rel=0.01)
    unjudged = replace(run, case=replace(run.case, rules=("settling", "steady", "dc")))
    others = tuple(each for each in runs.runs if each is not run)
    table = board_section.case_table(replace(runs, runs=(*others, unjudged)))
    assert cell(table, "target-down", "overshoot, %") == shown
    assert any("The overshoot of target-down is not judged." in note for note in table.notes)


def test_the_worst_board_of_the_first_page_was_a_number_alone(
    whole: Contents, runs: BoardRuns
) -> None:
    named = loop_section.corners(whole.integer_design)
    worst = closest(runs)
    assert worst is not None
    (row,) = (row for row in summary_section.rows(whole, named) if row.name.startswith("worst b"))
    (drawn,) = draw(runs.setting.spec, [worst.board], runs.seed, runs.setting.inside)
    assert f"board {worst.board} (bus {drawn.bus_v:g} V, L " in row.got
    assert f"sensor {100 * (drawn.gain - 1):+.0f} %) in {worst.case}: " in row.got
    assert board_name(runs, 0, named, "start") == ("nominal, load rated", "")
    # Some corner of all tolerances is one of the loop's worst corners, and bears its letter.
    letters = {board_name(runs, number, named, "start")[1] for number in range(1, 97)}
    for letter in letters - {""}:
        assert letter in named.letters.values()
    assert letters - {""}


def test_the_overload_drew_the_slowest_board_not_the_highest(runs: BoardRuns) -> None:
    tally = of(runs, "overload").tally
    assert tally.worst["above_120_ms"][0] > 0
    assert _board_to_draw(tally) == (tally.worst["highest_percent"][1], "the highest")


def test_a_failing_case_drew_the_first_board_that_failed_even_if_it_was_the_nominal(
    runs: BoardRuns,
) -> None:
    tally = of(runs, "start").tally
    slowest = tally.worst["settling_ms"][1]
    failures = [Failure(number, ("",), ("settling",)) for number in sorted({0, slowest})]
    failing = replace(tally, failed=len(failures), failures=failures)
    assert _board_to_draw(failing) == (slowest, "failed, the slowest")


def test_the_axis_hid_a_limit(runs: BoardRuns) -> None:
    """Levels of a limit from 50 to 150 % lie on the axis."""
    curve = LimitCurve("a limit", "here", lower=((60.0, 0.1),), upper=((140.0, 0.1), (500.0, 0.0)))
    run = next(each for each in runs.runs if board_section._span(each)[0] > 90)
    limited = replace(run, case=replace(run.case, curves=(curve,)))
    assert board_section._limit_levels(limited) == [60.0, 140.0]
    svg = board_section._case_figure(limited, runs).svg
    ticks = {float(tick) for tick in re.findall(r">(\d+)</text>", svg)}
    assert {60.0, 140.0} <= ticks


def test_the_table_of_cases_had_no_instantaneous_peak(runs: BoardRuns) -> None:
    table = board_section.case_table(runs)
    for run in runs.runs:
        percent = float(cell(table, run.case.name, "peak, %"))
        volts = run.tally.worst["peak_v"][0]
        rated_v = float(runs.setting.spec.output.rated_rms_v)
        assert volts / (2**0.5 * rated_v) == pytest.approx(percent / 100, rel=0.01)
        assert volts > rated_v * run.tally.worst["highest_percent"][0] / 100


def test_the_letter_of_a_worst_board_ignored_its_load(whole: Contents, runs: BoardRuns) -> None:
    named = loop_section.corners(whole.integer_design)
    labels = {letter: label for label, letter in named.letters.items()}
    seen = 0
    for number in range(1, 97):
        words, letter = board_name(runs, number, named, "start")
        (load,) = (part for part in words.split(", ") if part.startswith("load "))
        if letter:
            seen += 1
            assert load in labels[letter].split(", ")
    assert seen
    assert ", load a rectifier of " in board_name(runs, 1, named, "non-linear")[0]


def _failing_steady(run: CaseRun) -> CaseRun:
    failure = Failure(0, ("steady error 1.62 %, allowed 0.5 %",), ("steady error",))
    return replace(run, tally=replace(run.tally, failed=1, failures=[failure]))


def test_the_band_of_a_failing_steady_error_was_not_drawn(runs: BoardRuns) -> None:
    run = of(runs, "non-linear")
    drawn = board_section._case_figure(_failing_steady(run), runs).svg
    assert "steady error allowed, ±" in drawn
    assert drawn.count('class="hair ink"') == 2 + 1 + before(run)
    assert "steady error allowed" not in board_section._case_figure(run, runs).svg


def before(run: CaseRun) -> int:
    """Lines of the event, in the same style."""
    return int(run.edges[0] < 0)


def test_the_dc_of_a_failing_board_was_no_worst_board(runs: BoardRuns) -> None:
    """Eight boards failed by their DC, and the worst board of the page was one that passed."""
    run = of(runs, "noise")
    failure = Failure(7, ("the drive is back",), ("latched",))
    failing = replace(run, tally=replace(run.tally, failed=1, failures=[failure]))
    others = tuple(each for each in runs.runs if each is not run)
    worst = closest(replace(runs, runs=(*others, failing)))
    assert worst is not None and worst.board == 7 and worst.share > 1
    assert worst.what == "the drive is back"


def test_allowances_differed_unexplained(runs: BoardRuns) -> None:
    """The limit of the page, of a failure and of the table have one figure, and say its parts."""
    worst = closest(runs)
    assert worst is not None
    assert re.search(r", allowed [\d.]+ (ms|%)", worst.what)
    notes = " ".join(board_section.case_table(runs).notes)
    assert "are allowed." in notes and "It fails no board" in notes
    assert "asked for" in notes and "of steady tolerance" in notes
