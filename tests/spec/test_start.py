"""``halfcycle start``: a first spec that is good as it stands, and never an overwritten file."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from halfcycle.spec.load import load_spec
from halfcycle.spec.schema import published_text
from halfcycle.spec.start import start_text


def start(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "halfcycle", "start", *arguments]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


def test_writes_a_good_spec(tmp_path: Path) -> None:
    done = start(tmp_path, "peat_hut", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout) == {"file": "peat_hut.toml"}
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
    done = start(tmp_path, "hut", "--out", "mine.toml")
    assert done.returncode == 2
    assert done.stderr.startswith("error: mine.toml: --out: ")
    assert done.stderr.count("\n") == 1
    assert out.read_text() == "precious"
    assert start(tmp_path, "hut", "--out", "mine.toml", "--force").returncode == 0
    assert load_spec(out).name == "hut"
    assert [path.name for path in tmp_path.iterdir()] == ["mine.toml"]


@pytest.mark.parametrize("name", ["volatile", "a*/", "../up", "", "hütte", "con"])
def test_bad_names_write_nothing(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    done = start(folder, name)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("error: start: NAME: ")
    assert done.stderr.count("\n") == 1
    assert list(tmp_path.rglob("*")) == [folder]


def test_out_may_not_be_a_folder(tmp_path: Path) -> None:
    done = start(tmp_path, "hut", "--out", ".")
    assert done.returncode == 2
    assert "folder" in done.stderr
