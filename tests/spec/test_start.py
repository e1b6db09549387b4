"""``halfcycle start``: a first spec that is good as it stands, and never an overwritten file."""

from __future__ import annotations

import json
import math
from fractions import Fraction
from pathlib import Path

import pytest

from halfcycle.cosimulate.unit import base_step_s
from halfcycle.generate.pipeline import design_integers
from halfcycle.spec.edit import edit_text
from halfcycle.spec.envelopes import DEFAULT, ENVELOPES
from halfcycle.spec.load import load_spec, parse_spec
from halfcycle.spec.schema import published_text
from halfcycle.spec.start import start_text
from halfcycle.spec.unit_kinds import CHANGE_FIRST, DEFAULT_KIND, KINDS
from support.command import run_halfcycle
from support.effort import the_rest_long


def test_writes_a_good_spec(tmp_path: Path) -> None:
    done = run_halfcycle("start", "peat_hut", "--json", folder=tmp_path)
    assert (done.code, done.err) == (0, "")
    result = json.loads(done.out)
    assert (result["file"], result["like"]) == ("peat_hut.toml", DEFAULT_KIND)
    assert result["change_first"] == list(CHANGE_FIRST)
    spec = load_spec(tmp_path / "peat_hut.toml")
    assert spec.name == "peat_hut"
    assert spec.defaulted() == ()  # it shows every key


@pytest.mark.parametrize("kind", KINDS)
def test_shows_every_key_of_the_schema(kind: str) -> None:
    text = start_text("hut", "hut.toml", kind)
    assert parse_spec(text, "hut.toml").name == "hut"
    for table in json.loads(published_text())["$defs"].values():
        for key in table["properties"]:
            assert f"\n{key} = " in text or f"\n# {key} = " in text, key


@pytest.mark.parametrize("kind", KINDS)
def test_says_at_the_top_which_keys_to_change(kind: str) -> None:
    head, spec = start_text("hut", "hut.toml", kind).split('name = "hut"', 1)
    assert KINDS[kind].about in head
    assert len(CHANGE_FIRST) == 5
    for key in CHANGE_FIRST:
        table, name = key.split(".")
        assert f"#   {key} " in head
        assert f"\n{name} = " in spec.split(f"[{table}]")[1].split("\n[")[0]


def test_kinds_are_the_units_that_they_are_named_for() -> None:
    """115 V and 400 Hz: the rated output of aircraft supplies (MIL-STD-704, from memory)."""
    rated = {
        kind: (spec.output.rated_rms_v, spec.output.frequency_hz)
        for kind in KINDS
        for spec in [parse_spec(start_text("hut", "x", kind), "x")]
    }
    assert rated["120v-60hz"] == (120, 60)
    assert rated["230v-50hz"] == (230, 50)
    assert rated["115v-400hz"] == (115, 400)
    bus = parse_spec(start_text("hut", "x", "battery-bus"), "x").bridge
    assert bus.bus_max_v / bus.bus_min_v > 1.3  # lead-acid, discharged to charging: common practice


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_designs_without_an_error(kind: str) -> None:
    done = design_integers(parse_spec(start_text("hut", "x", kind), "x"))
    assert done.good, done.findings


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_asks_for_its_duty_often_enough(kind: str) -> None:
    """A duty that is held for a loop period makes another loop of it, with distortion that no
    sample shows. A held drive loses (pi f h)^2 / 6 of the sine (the series of sinc)."""
    spec = parse_spec(start_text("hut", "x", kind), "x")
    assert spec.bridge.pwm_period_us is not None
    step_s, count = base_step_s(spec)
    assert step_s * 1_000_000 == spec.bridge.pwm_period_us and count >= 4
    assert (math.pi * float(spec.output.frequency_hz * step_s)) ** 2 / 6 < 2e-4


@pytest.mark.parametrize("kind", the_rest_long(KINDS, ["120v-60hz"], pytest.mark.full))
def test_every_kind_generates_and_passes_on_virtual_boards(kind: str, tmp_path: Path) -> None:
    assert run_halfcycle("start", "hut", "--like", kind, folder=tmp_path).code == 0
    made = run_halfcycle("generate", "hut.toml", "--out", "src", "--json", folder=tmp_path)
    assert made.code == 0, made.err
    assert json.loads(made.out)["verified"] is True
    ran = run_halfcycle("simulate", "hut.toml", "--boards", "128", "--json", folder=tmp_path)
    assert ran.code == 0, ran.err
    assert all(case["passed"] for case in json.loads(ran.out)["cases"])


@pytest.mark.parametrize(
    "kind", the_rest_long(KINDS, ["120v-60hz", "battery-bus"], pytest.mark.full)
)
@pytest.mark.parametrize("factor", [Fraction(2, 3), Fraction(3, 2)])
def test_the_five_keys_of_another_unit_design_too(kind: str, factor: Fraction) -> None:
    """A choke and a load that differ by half, a capacitor that keeps the filter's resonance."""
    text = start_text("hut", "x", kind)
    spec = parse_spec(text, "x")
    values = {
        "filter.inductance_uh": spec.filter.inductance_uh * factor,
        "filter.capacitance_uf": spec.filter.capacitance_uf / factor,
        "load.rated_va": spec.load.rated_va / factor,
        "sensor.volts_per_code": spec.sensor.volts_per_code * Fraction(11, 10),
    }
    assert set(values) < set(CHANGE_FIRST)
    assert design_integers(parse_spec(edit_text(text, values), "x")).good


@pytest.mark.parametrize(
    ("wrong", "near"), [("120V-60Hz ", "120v-60hz"), ("battery", "battery-bus"), ("\x1b[1m", "")]
)
def test_an_unknown_kind_names_the_nearest_and_writes_nothing(
    tmp_path: Path, wrong: str, near: str
) -> None:
    done = run_halfcycle("start", "hut", "--like", wrong, folder=tmp_path)
    assert (done.code, done.out) == (2, "")
    assert done.err.startswith("error: start: --like: ")
    assert done.err.count("\n") == 1 and "\x1b" not in done.err
    assert f"the nearest is {near}" in done.err
    assert all(kind in done.err for kind in KINDS)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("wrong", "near"),
    [
        ("48v", "battery-bus"),
        ("48", "battery-bus"),
        ("24V-60hz", "battery-bus"),
        ("240 V", "230v-50hz"),
        ("110", "115v-400hz"),
        ("60hz", "120v-60hz"),
        ("400hz", "115v-400hz"),
        ("0v", "230v-50hz"),
    ],
)
def test_volts_name_the_kind_that_has_about_as_many(tmp_path: Path, wrong: str, near: str) -> None:
    """ "48v" was told that 230v-50hz is the nearest, which has the same letter; the kind of a 48 V
    battery is called battery-bus."""
    done = run_halfcycle("start", "hut", "--like", wrong, folder=tmp_path)
    assert done.code == 2 and f"the nearest is {near};" in done.err


def test_help_lists_the_kinds() -> None:
    shown = "".join(run_halfcycle("start", "--help").out.split())
    assert all(kind in shown for kind in KINDS)


def test_never_overwrites_unasked(tmp_path: Path) -> None:
    out = tmp_path / "mine.toml"
    out.write_text("precious")
    done = run_halfcycle("start", "hut", "--out", "mine.toml", folder=tmp_path)
    assert done.code == 2
    assert done.err.startswith("error: mine.toml: --out: ")
    assert done.err.count("\n") == 1
    assert out.read_text() == "precious"
    assert run_halfcycle("start", "hut", "--out", "mine.toml", "--force", folder=tmp_path).code == 0
    assert load_spec(out).name == "hut"
    assert [path.name for path in tmp_path.iterdir()] == ["mine.toml"]


@pytest.mark.parametrize("name", ["volatile", "a*/", "../up", "", "hütte", "con"])
def test_bad_names_write_nothing(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    done = run_halfcycle("start", name, folder=folder)
    assert done.code == 2
    assert done.out == ""
    assert done.err.startswith("error: start: NAME: ")
    assert done.err.count("\n") == 1
    assert list(tmp_path.rglob("*")) == [folder]


def test_out_may_not_be_a_folder(tmp_path: Path) -> None:
    done = run_halfcycle("start", "hut", "--out", ".", folder=tmp_path)
    assert done.code == 2
    assert "folder" in done.err


@pytest.mark.parametrize("kind", KINDS)
def test_names_every_published_limit(kind: str) -> None:
    text = start_text("hut", "hut.toml", kind)
    assert all(name in text for name in ENVELOPES)
    assert parse_spec(text, "hut.toml").limits.envelopes == DEFAULT
