"""What ``halfcycle simulate`` prints of its runs agrees with the page and with itself."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from halfcycle.cli import simulate_tables as show
from halfcycle.simulate.allowances import settling_limit_s
from halfcycle.simulate.cases import cases
from halfcycle.simulate.reading_error import CAUSES, reading_errors
from halfcycle.simulate.simulate import Prepared
from halfcycle.simulate.tally import Failure, Tally
from support.virtual_boards import prepared_example, run_cases

NAMES = ("start", "target-down", "lost-in-swell", "lost-at-limit")
BOARDS = 12


@pytest.fixture(scope="module")
def ready() -> Prepared:
    return prepared_example("marsh_gauge")


@pytest.fixture(scope="module")
def tallies(ready: Prepared) -> list[Tally]:
    return run_cases(ready, range(BOARDS), NAMES)[0]


def printed(capsys: pytest.CaptureFixture[str]) -> str:
    return " ".join(capsys.readouterr().out.split())


def test_the_settling_stood_without_what_the_case_allows(
    ready: Prepared, tallies: list[Tally], capsys: pytest.CaptureFixture[str]
) -> None:
    known = cases(ready.setting)
    show.show_cases(ready, known, tallies)
    text = printed(capsys)
    limit = 1000 * settling_limit_s(ready.setting, known["start"])
    settled = tallies[0].worst["settling_ms"][0]
    assert settled < limit
    assert f"{settled:.0f}" == f"{limit:.0f}" and f"start 0 {settled:.1f} of {limit:.0f} " in text


def test_an_output_that_stays_high_was_said_to_have_been_so_for_the_length_of_the_run(
    ready: Prepared, tallies: list[Tally], capsys: pytest.CaptureFixture[str]
) -> None:
    show.show_cases(ready, cases(ready.setting), tallies)
    text = printed(capsys)
    (high,) = (tally for tally in tallies if tally.case == "lost-at-limit")
    assert 0 < high.high_at_end <= BOARDS
    assert re.search(r"lost-at-limit [\d.]+ ms \(to the end of the run, on \d+ board", text)
    assert not tallies[0].high_at_end and "start 0 ms" not in text
    assert "0.000 %" not in text and "less than 0.001 %" in text


def test_a_long_time_was_printed_with_an_exponent(
    ready: Prepared, capsys: pytest.CaptureFixture[str]
) -> None:
    tally = Tally("lost-in-swell", boards=2, high_at_end=1)
    tally.worst["above_120_ms"] = (1383.4, 1)
    show.show_cases(ready, cases(ready.setting), [tally])
    text = printed(capsys)
    assert "1383 ms (to the end of the run, on 1 board)" in text and "e+" not in text


def test_the_parts_of_a_reading_error_lacked_one(
    ready: Prepared, tallies: list[Tally], capsys: pytest.CaptureFixture[str]
) -> None:
    errors = reading_errors(ready, tallies, 1)
    show.show_reporting(ready, errors)
    text = printed(capsys)
    assert all(cause in text for cause in CAUSES)
    rows = re.findall(r"(?:start|target-down)((?: [+-]?\d+\.\d{3}){7})", text)
    assert len(rows) == 2
    for row in rows:
        off, *parts = map(float, row.split())
        assert off == pytest.approx(sum(parts), abs=0.0035) and len(parts) == len(CAUSES)


def test_the_greatest_part_of_a_reading_error_was_left_out_first(
    ready: Prepared,
    tallies: list[Tally],
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Bug: on a narrow terminal the shape was the first to go, and the others did not add up."""
    monkeypatch.setenv("COLUMNS", "50")
    quiet = dict.fromkeys(CAUSES, 0.0)
    for great in CAUSES:
        some = [replace(e, **{**quiet, great: 0.02}) for e in reading_errors(ready, tallies, 1)]
        show.show_reporting(ready, some)
        kept, _, left_out = capsys.readouterr().out.partition("Left out at this width")
        assert great in kept.partition("Worst window")[0] and f"{great} %" not in left_out
        assert left_out


def test_failures_that_are_alike_took_two_lines_for_each_board(
    capsys: pytest.CaptureFixture[str],
) -> None:
    def failed(case: str, count: int) -> Tally:
        failures = [Failure(7 + at, (f"overshoot {20 - at} %",), ("overshoot",)) for at in range(9)]
        return Tally(case, boards=100, failed=count, failures=failures)

    other = Tally("load-on", boards=100, failed=1, failures=[Failure(3, ("slow",), ("settling",))])
    again = show.RunAgain(Path("gauge.toml"), 5)
    show.show_failures([failed("start", 60), failed("target-step", 9), other], again)
    assert capsys.readouterr().out.splitlines() == [
        "Fails: overshoot",
        "  start, board 7: overshoot 20 % (likewise 8, 9, 10, 11 and more)",
        "  target-step, board 7: overshoot 20 % (likewise 8, 9, 10, 11 and more)",
        "  again: halfcycle simulate gauge.toml --case start --board 7 --seed 5",
        "Fails: settling",
        "  load-on, board 3: slow",
        "  again: halfcycle simulate gauge.toml --case load-on --board 3 --seed 5",
    ]
