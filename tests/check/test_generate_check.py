"""generate and check as a user meets them: files, exit codes, messages, JSON, JUnit.

Exit codes and JSON keys: the project's own agreement (0 good, 1 differs, 2 bad input). JUnit: the
de facto schema, read back with junitparser's own reader.
"""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import junitparser
import pytest

from halfcycle import cli
from halfcycle.base.cache import Cache
from halfcycle.check import check_cache
from halfcycle.generate import emit, pipeline
from halfcycle.generate.pipeline import Generation
from halfcycle.spec.load import load_spec
from halfcycle.verify import compare, compiler, isolated
from support.paths import example

SPEC = example("apron_cart")
FEW = ("--samples", "20000")


@dataclass
class Ran:
    code: int
    out: str
    err: str


class Tool:
    """Runs the command line in this process, as ``main`` would."""

    def __init__(self, patch: pytest.MonkeyPatch, capture: pytest.CaptureFixture[str]) -> None:
        self.patch, self.capture = patch, capture

    def __call__(self, *words: object) -> Ran:
        self.patch.setattr(sys, "argv", ["halfcycle", *map(str, words)])
        self.capture.readouterr()
        code = 0
        try:
            cli.main()
        except SystemExit as stop:
            code = int(stop.code or 0)
        said = self.capture.readouterr()
        return Ran(code, said.out, said.err)


@pytest.fixture
def tool(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Tool:
    # No answer of an earlier run.
    monkeypatch.setattr(check_cache, "ANSWERS", Cache(str(tmp_path / "kept"), 1000))
    return Tool(monkeypatch, capsys)


@pytest.fixture(scope="module")
def made() -> Generation:
    return pipeline.generate(load_spec(SPEC))


@pytest.fixture
def folder(tmp_path: Path, made: Generation) -> Iterator[Path]:
    out = tmp_path / "out"
    out.mkdir()
    for name, text in made.texts.items():
        (out / name).write_bytes(text.encode())
    yield out


def names(made: Generation) -> list[str]:
    return [made.plan.name + end for end in (".h", ".c", "_vectors.h", "_selftest.c")]


def replace(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def test_generate_then_check(tool: Tool, tmp_path: Path, made: Generation) -> None:
    out = tmp_path / "fresh" / "out"
    ran = tool("generate", SPEC, "--out", out, *FEW, "--json")
    assert ran.code == 0
    answer = json.loads(ran.out)
    assert [Path(path).name for path in answer["files"]] == names(made)
    assert answer["verified"] is True and answer["samples_compared"] >= 20000
    assert all((out / name).read_bytes() == made.texts[name].encode() for name in names(made))

    ran = tool("check", SPEC, out, *FEW, "--json")
    assert ran.code == 0
    checks = json.loads(ran.out)["checks"]
    assert len(checks) == 4 + 3 + 3 and all(check["passed"] for check in checks)
    assert {"name", "passed", "state", "detail"} == set(checks[0])


def test_no_verify_needs_no_compiler(
    tool: Tool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(compiler.importlib.util, "find_spec", lambda _: None)
    ran = tool("generate", SPEC, "--out", tmp_path / "out")
    assert ran.code == 2 and not (tmp_path / "out").exists()
    last = ran.err.strip().splitlines()[-1]
    assert last.startswith("error: no C compiler") and "--no-verify" in last
    assert "apt install gcc" in last and "pip install ziglang" in last
    ran = tool("generate", SPEC, "--out", tmp_path / "out", "--no-verify", "--json")
    assert ran.code == 0
    answer = json.loads(ran.out)
    assert (answer["verified"], answer["samples_compared"]) == (False, 0)
    assert len(list((tmp_path / "out").iterdir())) == 4
    assert tool("check", SPEC, tmp_path / "out").code == 2


def test_mismatch_writes_nothing(
    tool: Tool, tmp_path: Path, made: Generation, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = made.plan.name + ".c"
    broken = {**made.texts, name: made.texts[name].replace("flags |= ", "flags = ")}
    assert broken != dict(made.texts)
    monkeypatch.setattr(emit, "render", lambda *_: broken)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))  # It must not be kept.
    ran = tool("generate", SPEC, "--out", tmp_path / "out", *FEW, "--json")
    assert ran.code == 1 and json.loads(ran.out)["files"] == []
    assert not (tmp_path / "out").exists()
    assert "the model has" in ran.err and "--tick" in ran.err and "nothing was written" in ran.err

    # The replay commands that it names do work, and show the same place.
    lines = [line.split()[1:] for line in ran.err.splitlines() if line.startswith("  halfcycle")]
    assert tool(*lines[0]).code == 0
    again = tool(*lines[1])
    assert again.code == 1 and "differs" in again.out
    assert tool(*lines[1][:3], "--scenario", "reset", "--tick", "0").code == 0


def test_refused_design_writes_nothing(tool: Tool, tmp_path: Path) -> None:
    spec = tmp_path / "spec.toml"
    spec.write_text(re.sub(r"bus_min_v = \S+", "bus_min_v = 1", SPEC.read_text()))
    ran = tool("generate", spec, "--out", tmp_path / "out", "--json")
    assert ran.code == 1 and not (tmp_path / "out").exists()
    answer = json.loads(ran.out)
    assert answer["files"] == [] and answer["verified"] is False
    assert any(finding["level"] == "error" for finding in answer["findings"])
    assert "error: bridge." in ran.err
    (tmp_path / "out").mkdir()
    ran = tool("check", spec, tmp_path / "out", "--json")
    assert ran.code == 1
    assert [check["name"] for check in json.loads(ran.out)["checks"]] == ["design"]


def test_hand_edit_is_kept_unless_forced(tool: Tool, folder: Path, made: Generation) -> None:
    path = folder / names(made)[1]
    replace(path, "s->lean = 0;", "s->lean = 0; /* mine */")
    edited = path.read_bytes()
    ran = tool("generate", SPEC, "--out", folder, *FEW)
    assert ran.code == 2 and "edited by hand" in ran.err and "--force" in ran.err
    assert path.read_bytes() == edited
    assert tool("generate", SPEC, "--out", folder, *FEW, "--force").code == 0
    assert path.read_bytes() == made.texts[path.name].encode()


def test_stale_file_is_replaced_without_force(tool: Tool, folder: Path, made: Generation) -> None:
    path = folder / names(made)[1]
    path.write_text(emit.sign(made.texts[path.name].replace("s->lean = 0;", "s->lean = 0 ;")))
    ran = tool("check", SPEC, folder, *FEW)
    assert ran.code == 1 and "stale" in ran.out and "edited by hand" not in ran.out
    assert tool("generate", SPEC, "--out", folder, *FEW).code == 0
    assert tool("check", SPEC, folder, *FEW).code == 0


def failed(ran: Ran) -> dict[str, str]:
    return {
        check["name"]: check["detail"]
        for check in json.loads(ran.out)["checks"]
        if not check["passed"]
    }


def test_check_names_each_kind_of_difference(tool: Tool, folder: Path, made: Generation) -> None:
    h, c, vectors, _ = names(made)
    replace(folder / c, "flags |= ", "flags = ")
    (folder / vectors).unlink()
    (folder / h).write_text((folder / h).read_text().replace("spec ", "spec 0", 1))
    found = failed(tool("check", SPEC, folder, *FEW, "--json"))
    assert found[f"current {c}"].startswith("edited by hand")
    assert "\n-" in found[f"current {c}"] and "\n+" in found[f"current {c}"]
    assert found[f"current {vectors}"].startswith("missing")
    assert f"halfcycle check {SPEC} {folder} --seed 1" in found["bit-exact"]
    assert "is missing" in found["self-test"]
    assert f"current {names(made)[3]}" not in found


def test_vectors_that_lie_fail_the_self_test(tool: Tool, folder: Path, made: Generation) -> None:
    path = folder / names(made)[2]
    lines = path.read_text().splitlines(keepends=True)
    row = next(n for n, line in enumerate(lines) if line.startswith("    { "))
    last = lines[row].rstrip().rstrip("},").rsplit(", ", 1)
    lines[row] = f"{last[0]}, 31999 }},\n"
    path.write_text("".join(lines))
    found = failed(tool("check", SPEC, folder, *FEW, "--json"))
    assert set(found) == {f"current {path.name}", "self-test"}
    assert "do not agree" in found["self-test"]


def test_warning_is_an_error(tool: Tool, folder: Path, made: Generation) -> None:
    replace(folder / names(made)[1], "int complete = 0;", "int complete = 0; int spare;")
    found = failed(tool("check", SPEC, folder, *FEW, "--json"))
    assert {f"compiles as {x}" for x in ("C99", "C11", "C++17")} < set(found)
    assert "spare" in found["compiles as C99"] and "bit-exact" not in found


def test_code_that_crashes_costs_a_message_only(tool: Tool, folder: Path, made: Generation) -> None:
    replace(
        folder / names(made)[1], "int complete = 0;", "int complete = 0; *(volatile int *)0 = 1;"
    )
    found = failed(tool("check", SPEC, folder, *FEW, "--json"))
    assert "the C crashed" in found["bit-exact"]


def test_code_that_never_returns_is_ended(made: Generation) -> None:
    name = made.plan.name + ".c"
    hung = made.texts[name].replace("int complete = 0;", "int complete = 0; for (;;) { }")
    with pytest.raises(isolated.ProcessLostError, match="did not return"):
        isolated.verify_apart(
            made.plan, {**made.texts, name: hung}, samples=1000, seed=1, patience_s=3
        )


def test_apart_gives_the_same_answer(made: Generation) -> None:
    given = {"samples": 20000, "seed": 4}
    assert isolated.verify_apart(made.plan, made.texts, **given) == compare.verify(  # type: ignore[arg-type]
        made.plan,
        made.texts,
        **given,  # type: ignore[arg-type]
    )


def test_line_ends_of_a_windows_checkout_do_not_matter(
    tool: Tool, folder: Path, made: Generation
) -> None:
    for name in names(made):
        path = folder / name
        path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    assert tool("check", SPEC, folder, *FEW).code == 0


def test_junit(tool: Tool, folder: Path, tmp_path: Path, made: Generation) -> None:
    replace(folder / names(made)[1], "flags |= ", "flags = \x07")
    file = tmp_path / "report" / "check.xml"
    assert tool("check", SPEC, folder, *FEW, "--junit", file).code == 1
    suites = list(junitparser.JUnitXml.fromfile(str(file)))
    assert len(suites) == 1 and suites[0].tests == 10
    bad = {case.name for case in suites[0] if case.result}
    assert f"current {names(made)[1]}" in bad and f"current {names(made)[0]}" not in bad
    assert suites[0].failures == len(bad)


def test_check_leaves_the_folder_alone(tool: Tool, folder: Path) -> None:
    before = {path.name: (path.stat().st_mtime_ns, path.read_bytes()) for path in folder.iterdir()}
    os.chmod(folder, 0o555)  # noqa: PTH101
    try:
        assert tool("check", SPEC, folder, *FEW).code == 0
    finally:
        os.chmod(folder, 0o755)  # noqa: PTH101
    assert before == {
        path.name: (path.stat().st_mtime_ns, path.read_bytes()) for path in folder.iterdir()
    }


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--tick", "3"], "--tick: given without --scenario"),
        (["--scenario", "no_such"], "no_such"),
        (["--samples", "0"], "--samples"),
        (["--seed", "-1"], "--seed"),
        (["--scenario", "rails", "--tick", "99999999"], "beyond the scenario's end"),
    ],
)
def test_bad_options(tool: Tool, folder: Path, words: list[str], said: str) -> None:
    ran = tool("check", SPEC, folder, *words)
    assert ran.code == 2 and said in ran.err and not ran.out


def test_no_such_folder(tool: Tool, tmp_path: Path) -> None:
    ran = tool("check", SPEC, tmp_path / "none")
    assert ran.code == 2 and "there is no such folder" in ran.err
    (tmp_path / "file").write_text("")
    ran = tool("generate", SPEC, "--out", tmp_path / "file", "--no-verify")
    assert ran.code == 2 and "in the way of the folder" in ran.err
