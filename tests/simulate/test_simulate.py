"""Whole runs: what the boards measured against what was designed, rules that bite, the command."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from halfcycle.base import clipped_sine
from halfcycle.base.errors import InputError
from halfcycle.cli import cli
from halfcycle.cli.simulate_tables import _or_dash
from halfcycle.output.simulate import Worst
from halfcycle.regulator.plan import FLAG_BROWNOUT, FLAG_IMPLAUSIBLE, FLAG_LIMIT
from halfcycle.simulate.boards import Draw, draw, special_places
from halfcycle.simulate.case import Case, Promise, Setting
from halfcycle.simulate.cases import cases
from halfcycle.simulate.criteria import Verdict, verdicts
from halfcycle.simulate.findings import findings, settling_allowance_ms
from halfcycle.simulate.limit_curves import LimitCurve
from halfcycle.simulate.measurements import Measured, measure
from halfcycle.simulate.names import CASES
from halfcycle.simulate.setup import board, steps_per_sample, timing
from halfcycle.simulate.simulate import PIECE, Prepared, compiled, run_piece, simulate
from halfcycle.simulate.tally import Tally
from halfcycle.spec.envelopes import ENVELOPES
from halfcycle.spec.load import load_spec
from halfcycle.spec.models import Spec
from support.paths import EXAMPLES
from support.tools import need_module
from support.virtual_boards import KEEPS_ALL, prepared_example, prepared_spec

CABIN = EXAMPLES / "peat_cabin.toml"


def prepared() -> Prepared:
    return prepared_example()


def special_boards(ready: Prepared) -> int:
    """The nominal board, the corners and the worst filters inside them."""
    return 1 + len(special_places(ready.setting.spec, ready.setting.inside))


def changed(table: str, **values: object) -> Spec:
    spec = load_spec(CABIN)
    return spec.model_copy(update={table: getattr(spec, table).model_copy(update=values)})


def measured(
    ready: Prepared, case: Case, draws: list[Draw] | None = None
) -> tuple[Setting, Measured]:
    setting = ready.setting
    draws = draws or draw(setting.spec, range(1), seed=1)
    boards = [board(setting, case, drawn) for drawn in draws]
    history = compiled(ready.name, ready.texts).run(timing(setting, case), boards)
    return setting, measure(setting, case, draws, boards, history)


def test_corners_settle_as_designed() -> None:
    """The designed settling is the worst over the corners: boards stay below it, and near it."""
    ready = prepared()
    tallies = simulate(ready, ["start", "target-step"], range(special_boards(ready)), seed=1)
    designed = ready.setting.promise.settling_ms
    assert designed is not None
    for tally in tallies:
        assert tally.failed == 0
        seen = tally.worst["settling_ms"][0]
        assert 0.9 * designed < seen <= designed + settling_allowance_ms(ready.setting)
    known = cases(ready.setting)
    assert findings(ready.setting, known, tallies, [], special_boards(ready)) == []


def partial() -> Spec:
    """A window of 13 samples that misses its half cycle by 1 %: the reading ripples by 1 %."""
    spec = changed("loop", period_us=Fraction(777), longest_window_ms=Fraction(60),
                   accept_partial_window=True, half_cycles=1)  # fmt: skip
    targets = spec.targets.model_copy(
        update={"settling_ms": Fraction(400), "voltage_tolerance_percent": Fraction(5)}
    )
    output = spec.output.model_copy(update={"dc_percent": Fraction(1)})
    return spec.model_copy(update={"targets": targets, "output": output})


def test_a_partial_window_settles_as_designed() -> None:
    """Its ripple comes off the band: boards settled in 491 ms where 384 ms were designed."""
    ready = prepared_spec(partial())
    assert ready.setting.at_rest.ripple == pytest.approx(0.0107, abs=1e-4)
    tallies = simulate(
        ready, ["start", "target-step", "overload"], range(special_boards(ready)), seed=1
    )
    assert {tally.case: tally.failures for tally in tallies if tally.failed} == {}
    known = cases(ready.setting)
    remarks = findings(ready.setting, known, tallies, [], special_boards(ready))
    assert [remark.code for remark in remarks] == ["over-voltage"]


def test_a_wide_band_is_left_in_overload_too() -> None:
    """With a tolerance of 5 % a clipped mean read 90 % of rated as in the band: no brownout."""
    about = cases(prepared_spec(partial()).setting)["overload"].about
    assert "is 87 % of rated or less" in about
    assert "is 90 % of rated or less" in cases(prepared().setting)["overload"].about


def test_a_board_that_leaves_a_chosen_limit_fails_and_the_limit_is_named() -> None:
    """The lightest load lets the output rise by some percent, which the narrow limit forbids."""
    ready = prepared()
    ship = changed("limits", envelopes=("iti-2000", "ship-class"))
    case = cases(replace(ready.setting, spec=ship))["load-off"]
    assert [curve.name for curve in case.curves] == [
        ENVELOPES[name].title for name in ship.limits.envelopes
    ]
    _, good = measured(ready, case)
    assert verdict_of(ready, case, good, "limits").failed.tolist() == [False]
    iti, narrow = case.curves[0], LimitCurve("narrow", "", upper=((100.2, 0.0),))
    bad = replace(case, curves=(iti, narrow))
    verdict = verdict_of(ready, bad, measured(ready, bad)[1], "limits")
    assert verdict.failed.tolist() == [True]
    assert verdict.reason(0).startswith("leaves narrow: half-cycle RMS from")


def verdict_of(ready: Prepared, case: Case, found: Measured, rule: str) -> Verdict:
    return next(each for each in verdicts(ready.setting, case, found) if each.rule == rule)


def test_without_limits_no_case_is_judged_by_them() -> None:
    none = replace(prepared().setting, spec=changed("limits", envelopes=()))
    for case in cases(none).values():
        assert case.curves == () and "limits" not in case.rules


def test_one_remark_names_every_limit_that_is_left_and_where() -> None:
    known = cases(prepared().setting)

    def tally(case: str, percent: float, **breached: int) -> Tally:
        return Tally(case, boards=8, breached=breached, worst={"highest_percent": (percent, 2)})

    names = ("overload", "bus-sag", "lost-in-swell", "stuck-sensor")
    some = [
        tally("overload", 140.0, A=5, B=3, C=5),
        tally("bus-sag", 150.0, A=8),  # Judged, and so not watched.
        tally("lost-in-swell", 141.0, A=4, C=4),
        tally("stuck-sensor", 101.0, A=0, B=0, C=0),
    ]
    chosen = {name: known[name] for name in names}
    (remark,) = findings(prepared().setting, chosen, some, [], 0)
    assert remark.key == "overload, lost-in-swell"
    assert remark.text.startswith(
        "5 and 4 of 8 boards leave A and C, 3 and 0 leave B, at worst 141 % of rated (board 2 in "
        "lost-in-swell); "
    )
    (remark,) = findings(prepared().setting, chosen, some[:1], [], 0)
    assert remark.key == "overload" and "at worst 140 % of rated (board 2); " in remark.text


def test_every_case_passes_on_a_good_spec() -> None:
    ready = prepared()
    tallies = simulate(ready, list(cases(ready.setting)), range(64), seed=2)
    assert len(tallies) == 18
    assert {tally.case: tally.failures for tally in tallies if tally.failed} == {}
    assert all(tally.boards == 64 for tally in tallies)


def test_a_promise_that_is_not_kept_is_found() -> None:
    """A designed figure set half as long as it is: the run has to notice."""
    ready = prepared()
    tallies = simulate(ready, ["start"], range(8), seed=1)
    known = cases(ready.setting)
    assert findings(ready.setting, known, tallies, [], 0) == []
    wrong = replace(ready.setting, promise=Promise(100.0, overshoot_percent=-1.0, start_ms=100.0))
    codes = [remark.code for remark in findings(wrong, known, tallies, [], 0)]
    assert codes == ["settling-above-design", "overshoot-above-design"]


@pytest.mark.parametrize(
    ("table", "key", "value", "case", "rule"),
    [
        ("targets", "settling_ms", Fraction(60), "start", "settling"),
        ("targets", "voltage_tolerance_percent", Fraction(1, 20), "noise", "steady error"),
        ("bridge", "bus_min_v", Fraction(200), "bus-sag", "leaves ITI"),
    ],
)
def test_rules_bite(table: str, key: str, value: Fraction, case: str, rule: str) -> None:
    """The good regulator held to a target, or in a world, that it was not made for."""
    ready = prepared()
    harsh = replace(ready, setting=replace(ready.setting, spec=changed(table, **{key: value})))
    tally = run_piece(harsh, case, range(1, 9), 1)
    assert tally.failed > 0
    assert any(rule in reason for reason in tally.failures[0].reasons)


def test_overload_is_flagged_and_misread_by_the_clipped_shape() -> None:
    """A board on which nothing is off: the mean reads the sine clipped at drive 1.2 high by the
    closed form's 1.344 % (numbers of the closed form: see test_clipped_sine)."""
    ready = prepared()
    case = cases(ready.setting)["overload"]
    exact = replace(draw(ready.setting.spec, range(1), seed=1)[0], delay_s=0.0, load=0.2)
    quiet = changed("sensor", noise_codes_rms=Fraction(0))
    ready = replace(ready, setting=replace(ready.setting, spec=quiet))
    # Over all phases, as the mean of a window moves with the phase of its samples.
    draws = [replace(exact, phase=phase) for phase in np.arange(50) / 50]
    _, measurements = measured(ready, case, draws)
    flagged, wanted = measurements.flagged, FLAG_LIMIT | FLAG_BROWNOUT
    assert ((flagged.then & wanted) == wanted).all()
    theory = clipped_sine.reading_error(1.2)
    assert theory == pytest.approx(0.01344, abs=1e-5)
    assert flagged.report_error.mean() == pytest.approx(theory, abs=1e-3)


def test_rms_reads_the_clipped_sine_true() -> None:
    """The same with measure "rms": the error vanishes but for noise and rounding."""
    ready = prepared_spec(changed("loop", measure="rms"))
    case = cases(ready.setting)["overload"]
    drawn = draw(ready.setting.spec, range(64), seed=1)
    _, measurements = measured(ready, case, [replace(each, zero_codes=0.0) for each in drawn])
    flagged = measurements.flagged
    assert ((flagged.then & FLAG_BROWNOUT) != 0).all()
    assert np.abs(flagged.report_error).max() < 2e-3
    assert abs(flagged.report_error.mean()) < 4e-4


@pytest.mark.parametrize("name", ["disconnected-sensor", "stuck-sensor", "lost-in-swell"])
def test_a_failed_sensor_is_flagged_and_leaves_no_more_drive(name: str) -> None:
    """Bug: of 256 boards 6 to 9 raised no alarm, and the output stayed high for good."""
    ready = prepared()
    case = cases(ready.setting)[name]
    _, measurements = measured(ready, case, draw(ready.setting.spec, range(64), seed=1))
    flagged = measurements.flagged
    assert ((flagged.end & FLAG_IMPLAUSIBLE) != 0).all()
    assert (flagged.rise <= 0).all()
    assert flagged.alarm_s.max() <= 3 * ready.setting.window_s + ready.setting.sample_s
    assert run_piece(ready, name, range(256), 1).failures == []


def broken_c(ready: Prepared, old: str, new: str) -> Prepared:
    old = old.replace("NAME", ready.name)
    texts = tuple((file, text.replace(old, new)) for file, text in ready.texts)
    assert texts != ready.texts
    return replace(ready, texts=texts)


def test_a_drive_that_keeps_what_the_lost_window_added_is_found() -> None:
    """The firmware with the line taken out that takes back what came since the failure."""
    kept = broken_c(prepared(), *KEEPS_ALL)
    tally = run_piece(kept, "disconnected-sensor", range(8), 1)
    assert tally.failed > 0
    assert "from where it was" in tally.failures[0].reasons[0]


def test_a_stuck_sensor_that_is_not_seen_is_found() -> None:
    blind = broken_c(prepared(), "alike = 1u;", "")
    tally = run_piece(blind, "stuck-sensor", range(64), 1)
    assert tally.failed > 0
    assert "after the sensor failed" in tally.failures[0].reasons[0]


@pytest.mark.parametrize(
    ("old", "new", "case", "reason"),
    [
        ("} else if (failed != 0u) {", "} else if (failed > 255u) {", "sensor-back", "overshoot"),
        ("if ((uint32_t)scale > enough) {", "if (enough == 0u) {", "lost-at-limit", "output left"),
        (*KEEPS_ALL, "lost-in-swell", "drive rests"),
    ],
)
def test_a_failed_sensor_that_leaves_more_is_found(
    old: str, new: str, case: str, reason: str
) -> None:
    """The firmware that answers the first reading, forgets the target, or takes nothing back."""
    tally = run_piece(broken_c(prepared(), old, new), case, range(64), 1)
    assert tally.failed > 0
    assert reason in " ".join(tally.failures[0].reasons)


def test_a_latched_failure_passes_its_cases() -> None:
    ready = prepared_spec(changed("loop", after_loss="latch"))
    names = ["lost-in-start", "lost-at-limit", "stuck-sensor", "sensor-back"]
    tallies = simulate(ready, names, range(32), seed=1)
    assert {tally.case: tally.failures for tally in tallies if tally.failed} == {}
    assert cases(ready.setting)["sensor-back"].rules == ("latched",)


def test_progress_counts_every_run() -> None:
    ready = prepared()
    told: list[tuple[int, int]] = []
    simulate(
        ready,
        ["start", "noise"],
        range(3),
        1,
        jobs=1,
        progress=lambda done, whole: told.append((done, whole)),
    )
    assert told == [(3, 6), (6, 6)]


def test_bar_on_a_terminal_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """A person waits for it with a bar; a pipe and a reader of JSON get none."""
    shown: list[str] = []

    @contextmanager
    def watched(label: str, wanted: bool = True) -> Iterator[None]:
        shown.append(f"{label} {wanted}")
        yield None

    monkeypatch.setattr("halfcycle.cli.progress.progress_bar", watched)
    args = (str(CABIN), "--case", "start", "--boards", "2")
    plain, as_json = invoke(*args), invoke(*args, "--json")
    assert shown == ["boards True", "boards False"]
    assert plain.exit_code == as_json.exit_code == 0


def test_a_case_asked_for_twice_runs_once() -> None:
    found = invoke(str(CABIN), "--case", "start", "--case", "start", "--boards", "2", "--json")
    assert [entry["boards"] for entry in json.loads(found.stdout)["cases"]] == [2]


def test_pieces_add_up() -> None:
    """Split over pieces and engines, the same boards give the same tally."""
    ready = prepared()
    whole = run_piece(ready, "start", range(40), 1)
    parts = run_piece(ready, "start", range(17), 1)
    parts.add(run_piece(ready, "start", range(17, 40), 1))
    assert parts == whole
    spread = simulate(ready, ["start", "noise"], range(40), 1, engine="threading", jobs=2)
    assert spread[0] == whole


@pytest.mark.full
def test_processes_give_what_threads_give() -> None:
    ready = prepared()
    names = ["start", "noise"]
    threads = simulate(ready, names, range(300), 1, engine="threading")
    assert simulate(ready, names, range(300), 1, engine="loky", jobs=2) == threads


def test_drive_is_held_briefly_enough() -> None:
    """The loss of a held sine, (pi f h)^2 / 6 (sinc's series), is at most 1e-5, and the fastest
    resonance inside the tolerances has 8 steps at least."""
    for path in EXAMPLES.glob("*.toml"):
        spec = load_spec(path)
        step = float(spec.loop.period_us) * 1e-6 / steps_per_sample(spec)
        assert (np.pi * float(spec.output.frequency_hz) * step) ** 2 / 6 <= 1.0001e-5
        least = 1 - float(spec.filter.inductance_tolerance_percent) / 100
        least *= 1 - float(spec.filter.capacitance_tolerance_percent) / 100
        product = float(spec.filter.inductance_uh * spec.filter.capacitance_uf) * 1e-12 * least
        assert 2 * np.pi * np.sqrt(product) / step >= 7.999


def test_absurd_parts_are_refused() -> None:
    tiny = changed("filter", inductance_uh=Fraction(1, 10), capacitance_uf=Fraction(1, 1000))
    with pytest.raises(InputError, match=r"filter\.inductance_uh.*check the units"):
        steps_per_sample(tiny)
    slow = changed("sensor", delay_us=Fraction(10000))
    assert steps_per_sample(slow) == steps_per_sample(load_spec(CABIN))
    quick = slow.model_copy(update={"filter": changed("filter", inductance_uh=Fraction(1)).filter})
    with pytest.raises(InputError, match=r"sensor\.delay_us.*microseconds"):
        steps_per_sample(quick)


def invoke(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["simulate", *arguments])


def test_command_prints_one_json_object() -> None:
    found = invoke(str(CABIN), "--case", "start", "--case", "load-on", "--boards", "5", "--json")
    assert found.exit_code == 0
    result = json.loads(found.stdout)
    assert [entry["case"] for entry in result["cases"]] == ["start", "load-on"]
    entry = result["cases"][0]
    assert entry["boards"] == 5
    assert entry["passed"] is True
    assert entry["failures"] == []
    for key in ("settling_ms", "overshoot_percent", "steady_error_percent", "true_rms_v",
                "reported_rms_v", "scale"):  # fmt: skip
        assert isinstance(entry["worst"][key], float)
    assert entry["worst"]["true_rms_v"] == pytest.approx(230, rel=0.02)
    assert entry["designed"]["settling_ms"] == prepared().setting.promise.settling_ms


def test_the_true_rms_has_the_sensor_gain_in_it_as_its_description_says() -> None:
    """It is what a meter shows; the figures beside it take the board's own gain out."""
    found = invoke(str(CABIN), "--case", "start", "--boards", "5", "--json")
    (entry,) = json.loads(found.stdout)["cases"]
    worst, board = entry["worst"], entry["worst_board"]["steady_error_percent"]
    assert entry["worst_board"]["true_rms_v"] == board
    setting = prepared().setting
    (drawn,) = draw(setting.spec, [board], 1, setting.inside)
    off = 100 * abs(worst["true_rms_v"] * drawn.gain / setting.rated_v - 1)
    assert off == pytest.approx(worst["steady_error_percent"])
    assert abs(drawn.gain - 1) > 0.001
    told = Worst.model_fields["true_rms_v"].description
    assert told is not None and "sensor gain included" in told


def test_failures_name_the_command_that_replays_them(tmp_path: Path) -> None:
    text = CABIN.read_text()
    assert "settling_ms = 250" in text
    harsh = tmp_path / "slow one.toml"
    gains = "\n[gains]\nproportional = 0\nintegral_per_s = 3\n"
    harsh.write_text(text + gains)
    found = invoke(str(harsh), "--case", "start", "--boards", "12", "--json")
    assert found.exit_code == 1
    entry = json.loads(found.stdout)["cases"][0]
    assert entry["passed"] is False
    failure = entry["failures"][-1]
    again = failure["replay"].replace("'", "")
    assert again == f"halfcycle simulate {harsh} --case start --board {failure['board']} --seed 1"
    replayed = invoke(
        str(harsh), "--case", "start", "--board", str(failure["board"]), "--seed", "1", "--json"
    )
    assert replayed.exit_code == 1
    once = json.loads(replayed.stdout)["cases"][0]
    assert once["failures"][0]["reasons"] == failure["reasons"]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--case", "lightning"], "--case: there is no 'lightning'; choose one of start"),
        (["--boards", "0"], "--boards: 0 is too small; --boards must be a whole number from 1"),
        # joblib refuses 0 by a ValueError, and a range too long by an OverflowError.
        (["--jobs", "0"], "--jobs: 0 is too small; --jobs must be a whole number of 1 or more"),
        (["--boards", "9" * 20], "--boards: 99999999999999999999 is too large; --boards must be"),
        (["--board", "9" * 20], "--board: 99999999999999999999 is too large; --board must be"),
        (["--parallel", "steam"], "--parallel: there is no 'steam'; choose one of threading"),
    ],
)
def test_bad_usage_names_key_and_remedy(arguments: list[str], says: str) -> None:
    found = invoke(str(CABIN), *arguments)
    assert isinstance(found.exception, InputError)
    assert says in str(found.exception)


def test_the_names_that_the_command_takes_are_those_of_the_cases() -> None:
    told = [list(cases(prepared_example(name).setting)) for name in ("peat_cabin", "loom_bench")]
    measured_bus = load_spec(EXAMPLES.parent / "scenarios" / "tram_shelter.toml")
    told.append(list(cases(prepared_spec(measured_bus).setting)))
    for names in told:
        assert names == [name for name in CASES if name in names]
    assert set(CASES) == {name for names in told for name in names}
    with pytest.raises(InputError, match="the nearest is threading; choose one of threading, loky"):
        simulate(prepared(), ["start"], range(2 * PIECE), 1, engine="thread", jobs=2)


@pytest.mark.full
def test_a_dask_cluster_gives_what_threads_give() -> None:
    """A local cluster of two processes, found as an existing one is: by its address."""
    need_module("distributed", "dask")
    from dask import distributed  # noqa: PLC0415 (an optional extra)

    ready = prepared()
    names = ["start", "noise"]
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None
    ) as cluster:
        import dask  # noqa: PLC0415 (an optional extra)

        with dask.config.set({"scheduler-address": cluster.scheduler_address}):
            spread = simulate(ready, names, range(300), 1, engine="dask")
    assert spread == simulate(ready, names, range(300), 1)


def test_tables_and_picture(tmp_path: Path) -> None:
    picture = tmp_path / "cases.svg"
    found = invoke(str(CABIN), "--boards", "6", "--plot", str(picture))
    assert found.exit_code == 0
    for word in ("6 virtual boards", "disconnected-sensor", "Designed: settling", "overload, limit",
                 "why a window"):  # fmt: skip
        assert word in found.stdout, word
    text = picture.read_text()
    for word in ("RMS of a half cycle, % of rated", "ITI (CBEMA) 2000", "settling, ms"):
        assert word in text, word
    again = invoke(str(CABIN), "--case", "start", "--board", "3", "--plot", str(picture))
    assert again.exit_code == 0
    assert "one board" in again.stdout
    assert "steady error" not in picture.read_text()
    wrong = invoke(str(CABIN), "--plot", str(tmp_path / "cases.doc"))
    assert isinstance(wrong.exception, InputError)
    assert not (tmp_path / "cases.doc").exists()


@pytest.mark.parametrize("columns", [60, 79, 80])
def test_names_of_cases_stay_whole(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """At 60 columns they were folded into "targe", "t-ste", "p"."""
    monkeypatch.setenv("COLUMNS", str(columns))
    ready = prepared()
    known = cases(ready.setting)
    names = ("--case", "target-step", "--case", "disconnected-sensor", "--case", "overload")
    found = invoke(str(CABIN), *names, "--boards", "2")
    lines = found.stdout.splitlines()
    assert {line.split()[0] for line in lines if line.strip()} >= set(known) & set(names)
    assert max(map(len, lines)) <= columns


@pytest.mark.parametrize(
    ("value", "shown"), [(7.6e-10, "0"), (-1e-12, "0"), (78.75, "78.75"), (None, "-")]
)
def test_what_rounding_leaves_of_a_promise_was_a_figure(value: float | None, shown: str) -> None:
    """ "Designed: overshoot 7.625e-10 %"."""
    assert _or_dash(value) == shown
