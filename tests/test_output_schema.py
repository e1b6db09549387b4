"""Every command's ``--json``, run as a user runs it, against the published schema."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from halfcycle.cli import COMMANDS
from halfcycle.output_models import OUTPUTS
from halfcycle.output_schema import ACCEPT, published_text, schema_text

EXAMPLES = Path(__file__).parent.parent / "docs" / "examples"
SCHEMA = json.loads(published_text())


def validator(command: str) -> Draft202012Validator:
    return Draft202012Validator({"$ref": f"#/$defs/command.{command}", "$defs": SCHEMA["$defs"]})


def run(folder: Path, command: str, *arguments: str) -> tuple[int, dict[str, Any]]:
    """Exit code and JSON; the JSON has to fit the command's schema, and be all there is."""
    done = subprocess.run(
        [sys.executable, "-m", "halfcycle", command, *arguments, "--json"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode in (0, 1), done.stderr
    found = json.loads(done.stdout)
    errors = sorted(map(str, validator(command).iter_errors(found)))
    assert not errors, "\n\n".join(errors[:3])
    assert "Traceback" not in done.stderr
    return done.returncode, found


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


def test_the_schema_is_of_commands_that_exist() -> None:
    assert set(OUTPUTS) <= set(COMMANDS)


def test_start(tmp_path: Path) -> None:
    assert run(tmp_path, "start", "tide_mill")[1] == {"file": "tide_mill.toml"}


@pytest.mark.parametrize("period", ["800", "997", "50/3"])
def test_windows(tmp_path: Path, period: str) -> None:
    """A whole window, nearest misses, a fraction."""
    code, _ = run(tmp_path, "windows", "--frequency-hz", "50", "--period-us", period)
    assert code == 0


@pytest.mark.parametrize("name", ["peat_cabin", "ferry_galley", "quay_kiosk", "weir_pump"])
def test_design(name: str) -> None:
    code, found = run(EXAMPLES, "design", f"{name}.toml")
    assert code == 0
    assert found["name"] == name


def test_refused_design(tmp_path: Path) -> None:
    code, found = run(tmp_path, "design", copy(tmp_path, "peat_cabin", settling_ms="30"))
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
    shutil.rmtree(tmp_path / "out")
    (tmp_path / "out").mkdir()
    assert run(tmp_path, "check", spec, "out")[0] == 1
    refused = copy(tmp_path, "peat_cabin", settling_ms="30")
    assert run(tmp_path, "generate", refused, "--out", "out")[0] == 1
    assert run(tmp_path, "check", refused, "out")[0] == 1
