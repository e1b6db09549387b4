"""``halfcycle identify``: exit codes, JSON, what it writes, and its picture."""

from __future__ import annotations

import functools
import json
import math
import shutil
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from halfcycle.base.errors import Fault, InputError
from halfcycle.bench.identify import identify as identify_logs
from halfcycle.bench.identify_plot import picture
from halfcycle.generate.pipeline import IntegerDesign, design_integers
from halfcycle.output.schema import published_text
from halfcycle.simulate.boards import draw
from halfcycle.simulate.cases import cases
from halfcycle.simulate.run_types import Event, EventKind
from halfcycle.simulate.setup import board, timing
from halfcycle.simulate.simulate import compiled
from halfcycle.spec.load import load_spec, parse_spec
from support.bench_logs import COLUMNS, board_log
from support.command import CommandLine, Outcome
from support.paths import example
from support.virtual_boards import prepared_example

SPEC = example("peat_cabin")


@functools.cache
def designed() -> IntegerDesign:
    return design_integers(load_spec(SPEC))


def log(path: Path, gain: float = 1.2, share: float = 0.9, seed: int = 0, **changes: int) -> Path:
    """A log of a board with the gentle step; ``changes``: fields of the Plan it was not made by."""
    plan = replace(designed().quantised.plan, **changes)  # type: ignore[arg-type]
    targets = [(0, plan.rated_mv * 9 // 10), (40, plan.rated_mv)]
    path.write_text(board_log(plan, gain, share, targets, 90, 5e-4, seed).text(COLUMNS))
    return path


@pytest.fixture
def identify(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    return CommandLine(monkeypatch, capsys, "identify")


def codes(answer: Outcome) -> set[str]:
    return {entry["code"] for entry in json.loads(answer.out)["findings"]}


def test_a_good_board_is_inside(identify: CommandLine, tmp_path: Path) -> None:
    answer = identify(SPEC, log(tmp_path / "a.csv"), "--json")
    told = json.loads(answer.out)
    jsonschema.validate(told, json.loads(published_text()))
    assert answer.code == 0 and told["as_model"] is True and told["inside_corners"] is True
    assert told["rows"] == 90 and told["predicted_settling_ms"] > 0
    assert told["gain"]["low"] <= 1.2 <= told["gain"]["high"]
    assert told["delay_share"]["value"] == pytest.approx(0.9, abs=0.01)
    assert {"log-as-model", "board-inside"} <= codes(answer)


def test_the_settling_time_is_the_designs_own_at_its_corners() -> None:
    """A board at the design's strongest corner has that corner's figures."""
    from halfcycle.bench.board_loop import _plants  # noqa: PLC0415
    from halfcycle.loop.figures import analyse  # noqa: PLC0415

    design = designed().design
    row = design.plants.strongest
    ours = _plants(float(design.plants.step_gains[row]), design.plants.weights[row], design)
    ripple = design.chosen.faults.ripple_v / float(design.spec.output.rated_rms_v)
    kp, ki = float(design.kp), float(design.ki)
    figures = analyse(ours, kp, ki, design.window.update_s, ripple)
    assert figures.gain_margin_db == pytest.approx(design.loop.corners[row].gain_margin_db)
    assert figures.settling_ms == pytest.approx(design.loop.corners[row].settling_ms)


def test_a_board_outside_is_written_into_the_spec(identify: CommandLine, tmp_path: Path) -> None:
    spec = Path(shutil.copy(SPEC, tmp_path))
    high, low = log(tmp_path / "high.csv", 1.42), log(tmp_path / "low.csv", 0.95)
    answer = identify(spec, high, low, "--json")
    told = json.loads(answer.out)
    assert answer.code == 1 and told["inside_corners"] is False
    assert "board-gain-outside" in codes(answer) and spec.read_text() == SPEC.read_text()
    assert set(told["changes"]) == {"bridge.bus_max_v", "bridge.bus_min_v"}
    asked = [entry["text"] for entry in told["findings"] if entry["code"] == "board-gain-outside"]
    assert all("measure the output with a meter" in text for text in asked)
    written = identify(spec, high, low, "--write")
    assert written.code == 1 and "[spec-written]" in written.err
    comments = [line for line in SPEC.read_text().splitlines() if line.startswith("#")]
    assert all(line in spec.read_text().splitlines() for line in comments)
    bridge = load_spec(spec).bridge
    assert float(bridge.bus_max_v) == told["changes"]["bridge.bus_max_v"]
    # The gain is in proportion to the bus: the strongest corner is now this board's.
    corner = designed().design.plants.step_gains.max()
    before = float(designed().design.spec.bridge.bus_max_v)
    assert corner * float(bridge.bus_max_v) / before == pytest.approx(1.42, rel=5e-3)


def test_a_spec_was_written_before_what_failed_after_it(
    identify: CommandLine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The logs belong to the spec as it was: it is written last."""

    def full(*_: object) -> str:
        raise InputError([Fault("boards.svg", "--plot", "the disk is full", "free some space")])

    monkeypatch.setattr("halfcycle.bench.identify_plot.picture", full)
    spec = Path(shutil.copy(SPEC, tmp_path))
    high, picture = log(tmp_path / "high.csv", 1.42), tmp_path / "boards.svg"
    answer = identify(spec, high, "--write", "--plot", picture)
    assert answer.code == 2 and "the disk is full" in answer.err
    assert spec.read_bytes() == SPEC.read_bytes() and not picture.exists()


def test_another_firmware_is_a_difference(identify: CommandLine, tmp_path: Path) -> None:
    integral = designed().quantised.plan.integral * 5 // 4
    answer = identify(SPEC, log(tmp_path / "a.csv", integral=integral), "--json")
    told = json.loads(answer.out)
    jsonschema.validate(told, json.loads(published_text()))
    assert answer.code == 1 and told["as_model"]["cause"] == "gains"
    assert "log-differs" in codes(answer)


def test_a_limiter_that_acts_is_no_fault_of_board_or_firmware(
    identify: CommandLine, tmp_path: Path
) -> None:
    path, plan = tmp_path / "a.csv", designed().quantised.plan
    targets = [(0, plan.rated_mv * 9 // 10), (40, plan.rated_mv)]
    made = board_log(plan, 1.2, 0.9, targets, 90, 5e-4, limited=(42, 50))
    path.write_text(made.text(COLUMNS))
    answer = identify(SPEC, path, "--json")
    told = json.loads(answer.out)
    assert answer.code == 0 and told["as_model"] is True and told["inside_corners"] is True
    assert {"log-limiter-acted", "log-as-model", "board-inside"} <= codes(answer)
    assert told["gain"]["value"] == pytest.approx(1.2, rel=1e-3)


def test_the_delay_of_a_board_at_rest_is_not_judged(identify: CommandLine, tmp_path: Path) -> None:
    path = log(tmp_path / "a.csv")
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0], *lines[60:]]))
    answer = identify(SPEC, path, "--json")
    told = json.loads(answer.out)
    assert answer.code == 1 and told["delay_share"] is None and told["inside_corners"] is None
    assert told["gain"]["low"] <= 1.2 <= told["gain"]["high"]
    jsonschema.validate(told, json.loads(published_text()))
    assert "drive-hardly-moves" in codes(answer) and told["as_model"] is True


def test_several_boards_and_one_that_is_unlike_them(identify: CommandLine, tmp_path: Path) -> None:
    paths = [
        log(tmp_path / f"b{n}.csv", gain, seed=n)
        for n, gain in enumerate([1.18, 1.181, 1.182, 1.183, 1.179, 1.18, 1.178, 1.25])
    ]
    answer = identify(SPEC, *paths, "--json")
    told = json.loads(answer.out)
    assert answer.code == 0 and told["outliers"] == ["b7"]
    assert told["share_of_boards"] > 0.99 and told["gain"]["value"] == pytest.approx(1.18, rel=1e-3)
    assert {"boards-spread", "board-outlier"} <= codes(answer)


def test_what_is_not_written_says_why(identify: CommandLine, tmp_path: Path) -> None:
    """Bug: with --write and a board that the others left out nothing was written or said; and the
    spread of the others spoke of all boards."""
    spec = Path(shutil.copy(SPEC, tmp_path))
    paths = [log(tmp_path / f"b{n}.csv", 1.18 + 0.001 * n, seed=n) for n in range(5)]
    far = log(tmp_path / "far.csv", 1.5)
    answer = identify(spec, *paths, far, "--write", "--json")
    told = json.loads(answer.out)
    texts = {entry["code"]: entry["text"] for entry in told["findings"]}
    assert answer.code == 1 and spec.read_bytes() == SPEC.read_bytes()
    assert texts["spec-unchanged"].startswith("nothing was written: boards unlike the others (far)")
    assert "of all boards that are as 5 of these have a gain" in texts["boards-spread"]
    answer = identify(spec, paths[0], "--write", "--json")
    assert answer.code == 0 and "spec-unchanged" in codes(answer)
    other = identify(
        spec,
        log(tmp_path / "other.csv", integral=designed().quantised.plan.integral * 2),
        "--write",
        "--json",
    )
    assert other.code == 1 and "spec-unchanged" in codes(other)


def test_a_log_of_other_gains_has_no_fit_to_speak_of(identify: CommandLine, tmp_path: Path) -> None:
    """Bug: of a log with two steps "log a step too" was said, as none of its rows was used."""
    answer = identify(
        SPEC, log(tmp_path / "other.csv", integral=designed().quantised.plan.integral * 2), "--json"
    )
    assert "log-differs" in codes(answer) and "drive-hardly-moves" not in codes(answer)


def test_bad_input_is_one_message(identify: CommandLine, tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("update,target_mv,rms_mv,scale,flags\n1,2,3,x,5\n")
    answer = identify(SPEC, path)
    assert answer.code == 2 and answer.out == ""
    assert len(answer.err.splitlines()) == 1 and "line 2" in answer.err


def test_the_picture_is_the_same_each_time(identify: CommandLine, tmp_path: Path) -> None:
    path, picture = log(tmp_path / "a.csv"), tmp_path / "a.svg"
    assert identify(SPEC, path, "--plot", picture).code == 0
    first = picture.read_bytes()
    assert b"corners of the design" in first
    assert identify(SPEC, path, "--plot", picture).code == 0
    assert picture.read_bytes() == first
    assert identify(SPEC, path, "--plot", tmp_path / "a.doc").code == 2


def test_boards_of_the_true_circuit_at_the_corners_are_inside(tmp_path: Path) -> None:
    """The compiled loop around the circuit, with parts, bus, sensor and load at their ends: the
    design's corners hold them, which know nothing of these runs, and every row is the model's."""
    done = designed()
    window_s, rated = float(done.design.window.update_s), done.quantised.plan.rated_mv
    ready = prepared_example("peat_cabin")
    setting = ready.setting
    case = cases(setting)["start"]
    step_s = 40 * window_s
    events = (
        Event(0, EventKind.TARGET, rated * 9 // 10),
        Event(step_s, EventKind.TARGET, rated, fixed=True),
    )
    timed = timing(setting, case)
    run = replace(timed, steps=int(90 * window_s / timed.step_s), events=events)
    drawn = draw(setting.spec, range(200, 206), 1, setting.inside)
    boards = [board(setting, case, each) for each in drawn]
    history = compiled(ready.name, ready.texts).run(run, boards)
    paths = []
    for row, count in enumerate(history.window_count.tolist()):
        lines = ["update,target_mv,rms_mv,scale,flags"]
        for at in range(count):
            target = rated if history.window_end_s[row, at] >= step_s else rated * 9 // 10
            values = (
                history.window_reported_mv[row, at],
                history.window_scale[row, at],
                history.window_flags[row, at],
            )
            lines.append(f"{at + 1},{target},{','.join(map(str, values))}")
        paths.append(tmp_path / f"board{row}.csv")
        paths[-1].write_text("\n".join(lines) + "\n")
    found = identify_logs(done, paths, None)
    assert found.as_model and found.inside
    for each, one in zip(drawn, found.logs, strict=True):
        assert one.plant is not None and len(one.plant.levels) == 1
        # Of the bus alone; the filter adds up to 0.2 % and the samples' phase 0.1 %.
        volts = each.bus_v * each.gain / math.sqrt(2) / (rated / 1000)
        assert one.plant.gain.value == pytest.approx(volts, rel=8e-3)


def test_a_copy_of_a_log_is_no_board_of_its_own(identify: CommandLine, tmp_path: Path) -> None:
    first = log(tmp_path / "a.csv")
    copy = shutil.copy(first, tmp_path / "b.csv")
    answer = identify(SPEC, first, copy)
    assert answer.code == 2 and answer.out == ""
    assert "b.csv: rows: they are those of" in answer.err and "a.csv" in answer.err


def test_a_late_board_is_outside_by_its_fit_at_any_phase(
    identify: CommandLine, tmp_path: Path
) -> None:
    """Its own share has a wider interval, which may reach into the corners."""
    answer = identify(example("marsh_gauge"), late_log(tmp_path / "a.csv"))
    assert answer.code == 1
    assert "by the fit 0.8" in answer.err and "at any phase" in answer.err
    assert "0.1 less is 2 ms later" in " ".join(answer.out.split())


def late_log(path: Path) -> Path:
    """Of a tenth of the windows late."""
    plan = design_integers(load_spec(example("marsh_gauge"))).quantised.plan
    targets = [(0, plan.rated_mv * 9 // 10), (40, plan.rated_mv)]
    path.write_text(board_log(plan, 1.3, 0.9, targets, 80, 5e-4, 1).text())
    return path


@functools.cache
def measured_bus() -> IntegerDesign:
    text = SPEC.read_text("utf-8").replace("[filter]", BUS_SENSOR + "[filter]")
    return design_integers(parse_spec(text, "peat"))


BUS_SENSOR = """[bus_sensor]
adc_bits = 12
zero_code = 0
volts_per_code = 0.16
noise_codes_rms = 0.5
period_us = "loop"

"""


def test_the_bus_of_a_measured_one_is_in_the_scale_already(tmp_path: Path) -> None:
    """A bus that moves by a tenth, divided out by the firmware: the gain is the same all along."""
    done = measured_bus()
    plan = done.quantised.plan
    assert plan.bus is not None
    made = board_log(plan, 1.2, 0.9, [(0, plan.rated_mv * 9 // 10), (40, plan.rated_mv)], 90, 5e-4)
    lines = made.text(COLUMNS).splitlines()
    buses = ["bus", *[str(400 - at // 3) for at in range(90)]]
    path = tmp_path / "a.csv"
    path.write_text("".join(f"{line},{bus}\n" for line, bus in zip(lines, buses, strict=True)))
    (found,) = identify_logs(done, [path], None).logs
    assert found.plant is not None and len(found.plant.levels) == 1
    assert abs(found.plant.gain.value - 1.2) < 1e-3


def test_a_log_that_is_not_the_models_is_no_board(identify: CommandLine, tmp_path: Path) -> None:
    paths = [log(tmp_path / f"{n}.csv", 1.2 + n / 100, seed=n) for n in range(4)]
    plan = designed().quantised.plan
    other = log(tmp_path / "other.csv", 1.2, integral=plan.integral * 2, proportional=7)
    answer = identify(SPEC, *paths, other, "--json")
    told = json.loads(answer.out)
    assert answer.code == 1 and told["boards"][-1]["gain"] is None
    about = {entry["code"] for entry in told["findings"] if entry["key"] == "other"}
    assert about == {"log-differs"}


def test_boards_outside_are_drawn_before_those_inside(tmp_path: Path) -> None:
    gains = (1.2, 1.21, 1.19, 1.2, 1.2, 1.9)
    paths = [log(tmp_path / f"{n}.csv", gain, seed=n) for n, gain in enumerate(gains)]
    found = identify_logs(designed(), paths, None)
    assert [entry.name for entry, _ in found.fitted(4)] == ["5", "0", "1", "2"]
    assert b"4 of 6 logs drawn" in picture("peat", found, (), "svg")
