"""``--write`` and a spec that its user edits while the command computes."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest

from support.command import CommandLine
from support.paths import example

BASE = example("peat_cabin").read_text("utf-8")
EDITED = BASE + "# The user's own editor.\n"


@pytest.mark.parametrize("command", ["retune", "calibrate"])
def test_an_edit_made_while_it_computes_is_not_overwritten(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    command: str,
) -> None:
    """Bug: the file was read anew when the answer was there, and the edit lost its sense."""
    spec, readings = tmp_path / "s.toml", tmp_path / "bench.csv"
    spec.write_text(BASE, "utf-8")
    rows = "".join(f"a,{volts},{1.05 * volts:.2f}\n" for volts in (60, 115, 180, 230))
    readings.write_text(f"board,meter_rms_v,reported_rms_v\n{rows}")
    place = {"retune": "halfcycle.retune.retune", "calibrate": "halfcycle.bench.calibrate"}
    module = importlib.import_module(place[command])
    real = getattr(module, command)

    def slow(*arguments: object, **options: object) -> object:
        spec.write_text(EDITED, "utf-8")
        return real(*arguments, **options)

    monkeypatch.setattr(module, command, slow)
    words = {"retune": ("--period-us", "400"), "calibrate": (readings,)}
    tool = CommandLine(monkeypatch, capsys, command)
    ran = tool(spec, *words[command], "--write")
    assert ran.code == 2 and "changed by another program meanwhile" in ran.err
    assert spec.read_text("utf-8") == EDITED
    monkeypatch.undo()
    ran = CommandLine(monkeypatch, capsys, command)(spec, *words[command], "--write")
    assert spec.read_text("utf-8") not in (BASE, EDITED)  # Unchanged meanwhile, it is written.
