"""Rows, lines and pages that are read without what stands beside them."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from halfcycle.cli import cli
from halfcycle.report import board_section, page
from halfcycle.report.board_runs import run_boards
from halfcycle.report.summary_section import verdict
from support.paths import EXAMPLES
from support.report_page import contents


@pytest.fixture(scope="module")
def text() -> str:
    return page.render(contents((EXAMPLES / "weir_pump.toml").read_text(encoding="utf-8")))


def test_the_page_had_no_link_past_its_contents(text: str) -> None:
    """Bug: the keyboard went through a dozen links first."""
    tree = ET.fromstring(text.removeprefix("<!DOCTYPE html>").strip())
    body = tree.find(".//{*}body")
    assert body is not None
    first = body[0]
    assert first.get("class") == "skip" and first.get("href") == "#summary"
    assert 'id="summary"' in text


def test_a_row_of_movement_says_of_what_it_is_if_it_stands_alone(text: str) -> None:
    """Bug: "the same on any board", lifted to the first page, followed the steady error."""
    assert "the same on any board" not in text
    assert "bound of the movement at rest on any board" in text


def test_boards_that_broke_a_rule_and_are_not_listed_are_counted() -> None:
    """Bug: 20 of 256 were listed without a word of the others."""
    whole = contents((EXAMPLES / "weir_pump.toml").read_text(encoding="utf-8"))
    made = whole.integer_design
    boards = run_boards(made, made.texts(), 4, seed=1)
    run = boards.runs[0]
    failed = replace(run, tally=replace(run.tally, failed=run.tally.failed + 3))
    lines = board_section.failures(replace(boards, runs=(failed, *boards.runs[1:])))
    assert f"{run.case.name}: 3 more boards not listed" in lines


def test_the_terminal_said_nothing_of_why_report_exits_1(tmp_path: Path) -> None:
    """Bug: the file's name and warnings, and exit code 1."""
    spec = (EXAMPLES / "apron_cart.toml").read_text(encoding="utf-8")
    spec = re.sub(r"(?ms)^\[gains\].*?(?=^\[|\Z)", "", spec)
    file = tmp_path / "loose.toml"
    file.write_text(f"{spec}\n[gains]\nproportional = 0.9\nintegral_per_s = 500\n", "utf-8")
    done = CliRunner().invoke(cli, ["report", str(file), "--out", str(tmp_path / "loose.html")])
    assert done.exit_code == 1
    good, sentence = verdict(contents(file.read_text(encoding="utf-8")), ())
    assert not good and done.stderr.startswith(f"{sentence}\n") and "Do not ship" in sentence


def test_no_limits_are_said_to_be_kept_that_are_not(tmp_path: Path) -> None:
    """Bug: "of the windows that keep these limits" stood above a window that keeps none."""
    spec = (EXAMPLES / "weir_pump.toml").read_text(encoding="utf-8")
    spec = re.sub(r"(?m)^voltage_tolerance_percent = .*$", "voltage_tolerance_percent = 0.01", spec)
    file = tmp_path / "tight.toml"
    file.write_text(spec, encoding="utf-8")
    done = CliRunner().invoke(cli, ["design", str(file)])
    words = " ".join(done.stdout.split())
    assert done.exit_code != 0 and "[steady-error]" in done.stderr
    assert "No window that was tried keeps all of them" in words
    assert "Of the windows that keep these limits" not in words
