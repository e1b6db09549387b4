"""A folder without any generated file is said once."""

from __future__ import annotations

from pathlib import Path

from support.command import run_halfcycle
from support.paths import EXAMPLES


def test_an_empty_folder_had_ten_lines_that_failed(tmp_path: Path) -> None:
    spec = EXAMPLES / "peat_cabin.toml"
    ran = run_halfcycle("check", str(spec), str(tmp_path))
    assert ran.code == 1
    (line,) = ran.out.splitlines()
    assert line.startswith("FAIL ") and "there is no file of peat_cabin here" in line
    assert f"--out {tmp_path}" in line
