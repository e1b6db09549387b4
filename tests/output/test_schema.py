"""Every command's ``--json``, run as a user runs it, against the published schema."""

from __future__ import annotations

import json
import math
import shutil
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from halfcycle.cli import COMMANDS
from halfcycle.output.schema import OUTPUTS, published_text, schema_text
from support.command import run_halfcycle
from support.paths import EXAMPLES
from support.schemas import ACCEPT

SCHEMA = json.loads(published_text())


def validator(command: str) -> Draft202012Validator:
    return Draft202012Validator({"$ref": f"#/$defs/command.{command}", "$defs": SCHEMA["$defs"]})


def run(folder: Path, command: str, *arguments: str) -> tuple[int, dict[str, Any]]:
    """Exit code and JSON; the JSON has to fit the command's schema, and be all there is."""
    ended = run_halfcycle(command, *arguments, "--json", folder=folder)
    assert ended.code in (0, 1), ended.err
    answer = json.loads(ended.out)
    errors = sorted(map(str, validator(command).iter_errors(answer)))
    assert not errors, "\n\n".join(errors[:3])
    assert "Traceback" not in ended.err
    return ended.code, answer


def copy(folder: Path, name: str, **changes: str) -> str:
    """An example spec in ``folder``, with lines ``key = ...`` changed."""
    text = (EXAMPLES / f"{name}.toml").read_text()
    for key, value in changes.items():
        before = next(line for line in text.splitlines() if line.startswith(f"{key} ="))
        text = text.replace(before, f"{key} = {value}")
    (folder / "spec.toml").write_text(text)
    return "spec.toml"


def test_schema_is_current_and_a_schema() -> None:
    assert published_text() == schema_text(), f"accept with: {ACCEPT}"
    Draft202012Validator.check_schema(SCHEMA)


def test_every_command_has_a_schema() -> None:
    assert set(OUTPUTS) == set(COMMANDS)


def test_start(tmp_path: Path) -> None:
    told = run(tmp_path, "start", "tide_mill")[1]
    assert (told["file"], told["like"]) == ("tide_mill.toml", "230v-50hz")
    assert len(told["change_first"]) == 5


@pytest.mark.parametrize("period", ["800", "997", "50/3"])
def test_windows(tmp_path: Path, period: str) -> None:
    """A whole window, nearest misses, a fraction."""
    code, _ = run(tmp_path, "windows", "--frequency-hz", "50", "--period-us", period)
    assert code == 0


def test_retune(tmp_path: Path) -> None:
    spec = copy(tmp_path, "ferry_galley")
    code, found = run(tmp_path, "retune", spec, "--period-us", "500", "--write")
    assert (code, found["written"], found["changes"]["loop.period_us"]) == (0, True, "500")
    pinned = copy(tmp_path, "weir_pump")
    assert run(tmp_path, "retune", pinned, "--period-us", "500", "--redesign")[0] == 0


def test_simulate(tmp_path: Path) -> None:
    """A case that steps the target, one that does not, one that fails its rule."""
    spec = copy(tmp_path, "peat_cabin")
    cases = ("--case", "start", "--case", "overload")
    assert len(run(tmp_path, "simulate", spec, "--boards", "5", *cases)[1]["cases"]) == 2
    slow = copy(tmp_path, "weir_pump", settling_ms="60", ramp_ms="0")
    code, found = run(tmp_path, "simulate", slow, "--boards", "3", "--case", "start")
    assert code == 1 and found["cases"][0]["failures"]
    refused = copy(tmp_path, "peat_cabin", bus_min_v="1")
    assert run(tmp_path, "simulate", refused)[0] == 1


def test_report(tmp_path: Path) -> None:
    spec = copy(tmp_path, "peat_cabin")
    code, found = run(tmp_path, "report", spec, "--out", "page.html", "--boards", "0")
    assert (code, found["good"], found["boards"]) == (0, True, 0)
    code, found = run(tmp_path, "report", spec, "--out", "page.html", "--boards", "2")
    assert (code, found["boards"], found["runs_failed"]) == (0, 2, 0)


def test_replay(tmp_path: Path) -> None:
    rows = (f"{at / 20000},{325 * math.sin(math.pi * at / 200)}" for at in range(4000))
    (tmp_path / "wave.csv").write_text("s,V\n" + "\n".join(rows) + "\n")
    code, found = run(tmp_path, "replay", copy(tmp_path, "peat_cabin"), "wave.csv", "--model")
    assert code == 0
    assert found["windows"][0]["true_rms_v"] == pytest.approx(325 / math.sqrt(2), rel=1e-3)
    assert found["frequency_hz"] == pytest.approx(50, rel=1e-4)
    still = "s,V\n" + "".join(f"{at / 20000},0.1\n" for at in range(4000))
    (tmp_path / "still.csv").write_text(still)
    assert run(tmp_path, "replay", "spec.toml", "still.csv", "--model")[1]["thd_percent"] is None


def test_calibrate(tmp_path: Path) -> None:
    spec = copy(tmp_path, "peat_cabin")
    rows = [f"{board},{volts},{volts * 1.004}" for board in "ab" for volts in (60, 115, 180, 230)]
    (tmp_path / "bench.csv").write_text(
        "board,meter_rms_v,reported_rms_v\n" + "\n".join(rows) + "\n"
    )
    code, found = run(tmp_path, "calibrate", spec, "bench.csv")
    assert (code, len(found["boards"]), found["written"]) == (0, 2, [])
    (tmp_path / "one.csv").write_text("board,meter_rms_v,reported_rms_v\na,230,229\n")
    assert run(tmp_path, "calibrate", spec, "one.csv")[1]["zero_code"] is None


@pytest.mark.parametrize(
    "targets",
    [
        pytest.param(("cortex-m4",), marks=pytest.mark.full),
        pytest.param(("z80",), marks=pytest.mark.long),
    ],
    ids=" ".join,
)
def test_targets(tmp_path: Path, targets: tuple[str, ...]) -> None:
    spec = copy(tmp_path, "peat_cabin")
    some = [word for target in targets for word in ("--target", target)]
    code, found = run(tmp_path, "targets", spec, "--samples", "1000", *some)
    assert code == 0 and found["targets"]
    refused = copy(tmp_path, "peat_cabin", bus_min_v="1")
    assert run(tmp_path, "targets", refused)[0] == 1


@pytest.mark.parametrize("name", ["peat_cabin", "ferry_galley", "quay_kiosk", "weir_pump"])
def test_design(name: str) -> None:
    code, found = run(EXAMPLES, "design", f"{name}.toml")
    assert code == 0
    assert found["name"] == name


def test_refused_design(tmp_path: Path) -> None:
    code, found = run(tmp_path, "design", copy(tmp_path, "peat_cabin", bus_min_v="1"))
    assert (code, list(found)) == (1, ["findings"])


def test_unstable_design_has_null_figures(tmp_path: Path) -> None:
    spec = copy(tmp_path, "weir_pump", integral_per_s="200")
    code, found = run(tmp_path, "design", spec)
    assert (code, found["loop"]["settling_ms"], found["rest"]) == (1, None, None)


def test_generate_and_check(tmp_path: Path) -> None:
    spec = copy(tmp_path, "peat_cabin")
    code, made = run(tmp_path, "generate", spec, "--out", "out", "--samples", "10000")
    assert (code, made["verified"]) == (0, True)
    assert made["samples_compared"] >= 10000
    assert run(tmp_path, "check", spec, "out", "--samples", "10000")[0] == 0
    place = ("--samples", "10000", "--scenario", "load_steps", "--tick", "77")
    assert run(tmp_path, "check", spec, "out", *place)[0] == 0
    (tmp_path / "second.toml").write_text(
        (tmp_path / spec).read_text().replace("peat_cabin", "peat_cabin_2")
    )
    several = ("spec.toml", "second.toml", "out", "--samples", "10000")
    assert run(tmp_path, "check", *several)[0] == 1  # The second one's C was never made.
    shutil.rmtree(tmp_path / "out")
    (tmp_path / "out").mkdir()
    assert run(tmp_path, "check", spec, "out")[0] == 1
    refused = copy(tmp_path, "peat_cabin", bus_min_v="1")
    assert run(tmp_path, "generate", refused, "--out", "out")[0] == 1
    assert run(tmp_path, "check", refused, "out")[0] == 1
