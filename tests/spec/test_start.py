"""``halfcycle start``: a first spec that is good as it stands, and never an overwritten file."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from halfcycle.spec.load import load_spec
from halfcycle.spec.schema import published_text
from halfcycle.spec.start import start_text
from support.command import run_halfcycle


def test_writes_a_good_spec(tmp_path: Path) -> None:
    done = run_halfcycle("start", "peat_hut", "--json", folder=tmp_path)
    assert (done.code, done.err) == (0, "")
    assert json.loads(done.out) == {"file": "peat_hut.toml"}
    spec = load_spec(tmp_path / "peat_hut.toml")
    assert spec.name == "peat_hut"
    assert spec.defaulted() == ()  # it shows every key


def test_shows_every_key_of_the_schema() -> None:
    text = start_text("hut", "hut.toml")
    for table in json.loads(published_text())["$defs"].values():
        for key in table["properties"]:
            assert f"\n{key} = " in text or f"\n# {key} = " in text, key


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
