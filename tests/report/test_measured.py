"""The report's section of measured boards: what identify finds, beside the corners."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import html5lib
import jsonschema
import pytest

from halfcycle.bench.identify import identify
from halfcycle.bench.identify_findings import changes, findings
from halfcycle.generate.pipeline import design_integers
from halfcycle.output.schema import published_text
from halfcycle.report import page
from halfcycle.report.measured_section import Measured, board_figures, board_table
from halfcycle.report.parts import decimal
from halfcycle.spec.load import load_spec
from support.bench_logs import COLUMNS, board_log
from support.command import CommandLine
from support.paths import example
from support.report_page import contents

SPEC = example("peat_cabin")
DONE = design_integers(load_spec(SPEC))
GAINS = {"north": 1.18, "east": 1.2, "<west>": 1.11}


def log(folder: Path, name: str, gain: float, **more: int) -> Path:
    plan = DONE.quantised.plan
    targets = [(0, plan.rated_mv * 9 // 10), (40, plan.rated_mv)]
    path = folder / f"{name}.csv"
    path.write_text(board_log(plan, gain, 0.9, targets, 90, 5e-4, **more).text(COLUMNS))  # type: ignore[arg-type]
    return path


def measured(*paths: Path) -> Measured:
    found = identify(DONE, paths, None)
    new = changes(DONE.design, found)
    return Measured(found, findings(DONE.design, found, new, written=False))


def rendered(of: Measured) -> str:
    text = page.render(contents(SPEC.read_text("utf-8"), measured=of))
    html5lib.HTMLParser(strict=True).parse(text)
    ET.fromstring(text.removeprefix("<!DOCTYPE html>").strip())
    assert not re.search(r"\b(nan|inf|None)\b", text)
    return text


def test_good_boards_stand_beside_the_corners(tmp_path: Path) -> None:
    good = measured(*(log(tmp_path, name, gain) for name, gain in GAINS.items()))
    text = rendered(good)
    assert good.good and "Meets its targets" in text and "&lt;west&gt;" in text
    table = board_table(DONE.design, good)
    assert [row[0] for row in table.rows[:-1]] == list(GAINS)
    for row, (gain, board) in zip(
        table.rows, zip(GAINS.values(), good.found.logs, strict=True), strict=False
    ):
        assert board.loop is not None
        assert float(str(row[3]).split()[0]) == pytest.approx(gain, rel=1e-3)
        assert row[2] == "yes" and str(row[6]) == decimal(board.loop.settling_ms)
        assert str(row[8]) == decimal(board.loop.gain_margin_db)
    assert str(table.rows[-1][6]).endswith("242")
    titles = [figure.title for figure in board_figures(good)]
    assert titles[:2] == ["Gain: all 3 inside", "Share of delay: all 3 inside"]
    assert len(titles) == 5
    assert rendered(good) == text


def test_a_board_outside_makes_the_verdict_bad(tmp_path: Path) -> None:
    bad = measured(log(tmp_path, "north", 1.18), log(tmp_path, "south", 1.42))
    text = rendered(bad)
    assert not bad.good and "Do not ship as it is: a measured board" in text
    assert "Gain: 1 of 2 outside" in text and "bridge.bus_max_v = " in text


@pytest.mark.parametrize(
    ("rows", "lacks", "figures"), [(3, "figures", 0), (None, "the share of delay", 2)]
)
def test_a_log_that_does_not_tell_all_has_a_row_that_says_so(
    rows: int | None, lacks: str, figures: int, tmp_path: Path
) -> None:
    """At rest a board shows its gain alone; in three rows it shows nothing."""
    path = log(tmp_path, "rest", 1.2)
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0], *lines[60:][:rows]]) + "\n")
    silent = measured(path)
    assert f"1 without {lacks}" in rendered(silent) and len(board_figures(silent)) == figures
    assert not silent.good


def test_without_logs_there_is_no_such_section() -> None:
    assert "Measured boards" not in page.render(contents(SPEC.read_text("utf-8")))


def test_the_command_shows_logs_and_exits_by_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "page.html"
    run = CommandLine(monkeypatch, capsys, "report", SPEC, "--out", out, "--boards", 0)
    good = log(tmp_path, "north", 1.18)
    answer = run("--log", good, "--json")
    told = json.loads(answer.out)
    jsonschema.validate(told, json.loads(published_text()))
    assert answer.code == 0 and told["logs"] == 1
    assert told["as_model"] is True and told["inside_corners"] is True
    first = out.read_text("utf-8")
    assert "--log north.csv" in first and str(tmp_path) not in first
    assert run("--log", good).code == 0 and out.read_text("utf-8") == first
    odd = run("--log", good, "--log", log(tmp_path, "south", 1.42), "--json")
    assert odd.code == 1 and json.loads(odd.out)["inside_corners"] is False
    kept = out.read_text("utf-8")
    (tmp_path / "text.csv").write_text("update,target_mv,rms_mv,scale,flags\n1,2,3,x,5\n")
    broken = run("--log", tmp_path / "text.csv")
    assert (broken.code, broken.out) == (2, "") and broken.err.count("\n") == 1
    assert out.read_text("utf-8") == kept
