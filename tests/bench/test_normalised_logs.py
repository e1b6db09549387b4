"""Logs of a board under the normalised law: as the model, inside the corners, and not."""

from __future__ import annotations

import functools
import json
from dataclasses import replace
from pathlib import Path

import pytest

from halfcycle.generate.pipeline import IntegerDesign, design_integers
from halfcycle.spec.load import load_spec
from support.bench_logs import COLUMNS, board_log
from support.command import CommandLine
from support.paths import example

SPEC = example("marsh_gauge")


@functools.cache
def designed() -> IntegerDesign:
    return design_integers(load_spec(SPEC))


def log(path: Path, gain: float, columns: int = len(COLUMNS), **changes: int) -> Path:
    """A log of a board with the gentle step; ``changes``: fields of the Plan it was not made by."""
    plan = replace(designed().quantised.plan, **changes)  # type: ignore[arg-type]
    targets = [(0, plan.rated_mv * 9 // 10), (40, plan.rated_mv)]
    text = board_log(plan, gain, 1.0, targets, 90, 5e-4).text(COLUMNS[:columns])
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def identify(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    return CommandLine(monkeypatch, capsys, "identify")


@pytest.mark.parametrize("columns", [5, len(COLUMNS)])
def test_its_rows_are_the_models_and_its_gain_is_found(
    identify: CommandLine, tmp_path: Path, columns: int
) -> None:
    """Whatever the board's gain, which the law's own loop does not feel."""
    settles = []
    for gain in (1.15, 1.7):
        told = json.loads(identify(SPEC, log(tmp_path / "a.csv", gain, columns), "--json").out)
        assert told["as_model"] is True and told["inside_corners"] is True
        assert told["gain"]["low"] <= gain <= told["gain"]["high"]
        settles.append(told["predicted_settling_ms"])
    assert 0 < max(settles) <= 1.5 * min(settles)


def test_other_gains_are_a_difference(identify: CommandLine, tmp_path: Path) -> None:
    integral = designed().quantised.plan.integral * 5 // 4
    answer = identify(SPEC, log(tmp_path / "a.csv", 1.4, integral=integral), "--json")
    assert answer.code == 1
    assert json.loads(answer.out)["as_model"] is not True


def test_a_board_beyond_the_bus_is_outside(identify: CommandLine, tmp_path: Path) -> None:
    answer = identify(SPEC, log(tmp_path / "a.csv", 2.1), "--json")
    assert answer.code == 1 and json.loads(answer.out)["inside_corners"] is False
