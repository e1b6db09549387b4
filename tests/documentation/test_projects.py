"""The example project under docs/projects: built, run, and held to what its comments promise.

The bench judges the outlets by the RMS of its own waveform: 0.5 % of 230 V is the spec's tolerance.
"""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from halfcycle.generate.pipeline import Generation, generate
from halfcycle.retune.retune import retune
from halfcycle.spec.load import load_spec
from halfcycle.verify import compiler
from support.paths import DOCS
from support.tools import need_tool

PROJECT = DOCS / "projects" / "twin_outlet"
SOURCES = ["regulation.c", "bench.c", "twin_outlet.c"]


@pytest.fixture(scope="module")
def made() -> Generation:
    return generate(load_spec(PROJECT / "twin_outlet.toml"))


@pytest.fixture(scope="module")
def texts(made: Generation) -> dict[str, str]:
    own = [*(PROJECT / "src").iterdir(), PROJECT / "host" / "bench.c"]
    return {**made.texts, **{path.name: path.read_text() for path in own}}


def bench(texts: dict[str, str]) -> subprocess.CompletedProcess[str]:
    # A library counts for the sources before it.
    program = compiler.build_program(texts, [*SOURCES, "-lm"])
    return subprocess.run([program], capture_output=True, text=True, timeout=60, check=False)


def test_both_outlets_are_held(texts: dict[str, str]) -> None:
    ran = bench(texts)
    assert ran.returncode == 0, ran.stdout
    assert ran.stdout.count("\n") == 8 and "FAIL" not in ran.stdout


@pytest.mark.parametrize("language", ["c99", "c++17"])
def test_no_warnings(texts: dict[str, str], language: compiler.Language) -> None:
    assert compiler.strict_messages(texts, ["regulation.c"], language) == ""


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ("board.adc[i]", "board.adc[0]"),
        ("twin_outlet_update(&outlets[i]);", ";"),
        ("&outlets[i], (uint16_t)", "&outlets[0], (uint16_t)"),
        ("twin_outlet_duty(", "twin_outlet_drive("),
        ("twin_outlet_set_target_mv(&outlets[outlet], rms_mv);", "(void)outlet, (void)rms_mv;"),
        ("twin_outlet_turn_next(&turn)", "(uint16_t)(twin_outlet_turn_next(&turn) / 2u)"),
    ],
)
def test_the_bench_sees_a_wiring_fault(texts: dict[str, str], good: str, bad: str) -> None:
    source = texts["regulation.c"]
    assert good in source
    ran = bench({**texts, "regulation.c": source.replace(good, bad, 1)})
    assert ran.returncode == 1 and "FAIL" in ran.stdout


def test_what_is_said_twice_agrees(texts: dict[str, str]) -> None:
    spec = load_spec(PROJECT / "twin_outlet.toml")
    for name, value in (
        ("LOOP_US", spec.loop.period_us),
        ("PWM_COUNTS", spec.bridge.pwm_counts),
        ("MAINS_HZ", spec.output.frequency_hz),
        ("PWM_HZ", 1_000_000 / (spec.bridge.pwm_period_us or 1)),
    ):
        assert f"#define BOARD_{name} {value} " in f"{texts['board.h']} ".replace("\n", " "), name


# The three ways in, with the tools themselves.


def copied(tmp_path: Path, patch: pytest.MonkeyPatch) -> Path:
    """The project elsewhere, with a halfcycle command on PATH that is this one."""
    tools = tmp_path / "bin"
    tools.mkdir()
    command = tools / "halfcycle"
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m halfcycle "$@"\n')
    command.chmod(0o755)
    patch.setenv("PATH", f"{tools}{os.pathsep}{os.environ['PATH']}")
    here = tmp_path / "project with a space"
    shutil.copytree(PROJECT, here)
    return here


def run(
    here: Path, *words: str, env: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        words,
        cwd=here,
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
        env=None if env is None else {**os.environ, **env},
    )


def good(here: Path, *words: str) -> str:
    ran = run(here, *words)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return ran.stdout + ran.stderr


def change_spec(here: Path) -> None:
    spec = here / "twin_outlet.toml"
    text = spec.read_text()
    assert "settling_ms = 250" in text
    spec.write_text(text.replace("settling_ms = 250", "settling_ms = 300"))


def edit(here: Path) -> None:
    source = here / "generated" / "twin_outlet.c"
    text = source.read_text()
    assert "flags |= " in text
    source.write_text(text.replace("flags |= ", "flags = ", 1))


@pytest.mark.full
def test_make(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make = need_tool("make")
    here = copied(tmp_path, monkeypatch)
    said = good(here, make, "check")
    assert "bit-exact: 1,000,000 samples" in said and "both at rated" in said
    header = here / "generated" / "twin_outlet.h"
    before = header.read_text()
    assert "generate" not in good(here, make)
    (here / "twin_outlet.toml").touch()
    assert "halfcycle generate" in good(here, make) and header.read_text() == before
    assert "generate" not in good(here, make)
    change_spec(here)
    assert run(here, "halfcycle", "check", "twin_outlet.toml", "generated").returncode == 1
    said = good(here, make)
    assert "halfcycle generate" in said and "host/bench.c" in said and header.read_text() != before
    edit(here)
    ran = run(here, make, "check")
    assert ran.returncode != 0 and "edited by hand" in ran.stdout


@pytest.mark.full
def test_cmake(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cmake, ctest = need_tool("cmake"), need_tool("ctest")
    here = copied(tmp_path, monkeypatch)
    good(here, cmake, "-S", ".", "-B", "build")
    assert "Generating the regulator" in good(here, cmake, "--build", "build")
    said = good(here, ctest, "--test-dir", "build")
    assert re.search(r"100% tests passed.* out of 3", said)
    assert "Generating" not in good(here, cmake, "--build", "build")
    header = here / "generated" / "twin_outlet.h"
    before = header.read_text()
    change_spec(here)
    said = good(here, cmake, "--build", "build")
    assert "Generating the regulator" in said and "regulation.c" in said
    assert header.read_text() != before
    assert "Generating" not in good(here, cmake, "--build", "build")
    good(here, ctest, "--test-dir", "build")
    edit(here)
    good(here, cmake, "--build", "build")
    ran = run(here, ctest, "--test-dir", "build")
    assert ran.returncode != 0 and "regulator_is_current" in ran.stdout.split("FAILED")[-1]


IDENTITY = {
    key: value
    for role in ("AUTHOR", "COMMITTER")
    for key, value in ((f"GIT_{role}_NAME", "test"), (f"GIT_{role}_EMAIL", "test@example.com"))
}


@pytest.mark.full
@pytest.mark.parametrize("way", ["plain", "pre-commit"])
def test_hook(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str) -> None:
    git = need_tool("git")
    here = copied(tmp_path, monkeypatch)
    for key, value in {**IDENTITY, "PRE_COMMIT_HOME": str(tmp_path / "hooks")}.items():
        monkeypatch.setenv(key, value)
    for key in [key for key in os.environ if key.startswith("GIT_") and key not in IDENTITY]:
        monkeypatch.delenv(key)  # A hook that runs these tests sets some.
    good(here, git, "init", "-q")
    if way == "plain":
        good(here, git, "config", "core.hooksPath", "hooks")
    elif importlib.util.find_spec("pre_commit") is not None:
        good(here, sys.executable, "-m", "pre_commit", "install")
    else:
        good(here, need_tool("pre-commit"), "install")
    good(here, "halfcycle", "generate", "twin_outlet.toml", "--out", "generated", "--no-verify")
    good(here, git, "add", ".")
    good(here, git, "commit", "-q", "-m", "Add the regulator")

    change_spec(here)
    good(here, git, "add", "twin_outlet.toml")
    ran = run(here, git, "commit", "-q", "-m", "Another settling time")
    assert ran.returncode != 0 and "stale" in ran.stdout + ran.stderr
    # What counts is what is staged, so generating alone does not make the commit good.
    good(here, "halfcycle", "generate", "twin_outlet.toml", "--out", "generated", "--no-verify")
    if way == "plain":
        assert run(here, git, "commit", "-q", "-m", "Another settling time").returncode != 0
    good(here, git, "add", ".")
    good(here, git, "commit", "-q", "-m", "Another settling time")
    edit(here)
    good(here, git, "add", ".")
    ran = run(here, git, "commit", "-q", "-m", "A quick fix")
    assert ran.returncode != 0 and "edited by hand" in ran.stdout + ran.stderr
    assert good(here, git, "log", "--oneline").count("\n") == 2


def test_retuning_the_project_keeps_it_working(texts: dict[str, str]) -> None:
    """The day after: the timer goes to 400 us, the spec and board.h follow, the bench agrees."""
    from fractions import Fraction  # noqa: PLC0415

    from halfcycle.spec.load import parse_spec  # noqa: PLC0415

    done = retune((PROJECT / "twin_outlet.toml").read_text(), {"loop.period_us": Fraction(400)})
    assert done.good
    made = generate(parse_spec(done.text, "twin_outlet.toml"))
    board = texts["board.h"].replace("BOARD_LOOP_US 800", "BOARD_LOOP_US 400")
    assert board != texts["board.h"]
    ran = bench({**texts, **made.texts, "board.h": board})
    assert ran.returncode == 0, ran.stdout
    # The old timer with the new spec is wrong, and shows.
    assert bench({**texts, **made.texts}).returncode == 1
