"""check on C that is broken, hostile or half there: a failed check each, and the others' results.

Bugs, each told with its test: such C ended in "a fault of halfcycle itself" and took the results of
all other specs and the JUnit file with it; hung; or filled the memory.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import time
from pathlib import Path

import junitparser
import pytest

from halfcycle.base.cache import Cache
from halfcycle.base.state import State
from halfcycle.check import batch, check_cache, checks
from halfcycle.check.checks import Check
from halfcycle.verify import bounded, compiler, isolated
from support.command import CommandLine, Outcome
from support.paths import EXAMPLES, SPECS

NAMES = ("apron_cart", "peat_cabin")
FEW = ("--samples", "2000")

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="limits and FIFOs of POSIX")


@pytest.fixture
def tool(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> CommandLine:
    monkeypatch.setattr(check_cache, "ANSWERS", Cache(str(tmp_path / "kept"), 1000))
    return CommandLine(monkeypatch, capsys, "check")


@pytest.fixture
def firmware(tmp_path: Path) -> Path:
    """Two specs and the C of each in a folder of its name."""
    place = tmp_path / "firmware"
    place.mkdir()
    for name in NAMES:
        shutil.copy(EXAMPLES / f"{name}.toml", place)
        shutil.copytree(EXAMPLES / name, place / name)
    return place


def code_of(firmware: Path) -> Path:
    return firmware / NAMES[0] / f"{NAMES[0]}.c"


def one(tool: CommandLine, firmware: Path, *words: object) -> Outcome:
    return tool(firmware / f"{NAMES[0]}.toml", firmware / NAMES[0], *FEW, *words)


def failed(outcome: Outcome) -> dict[str, str]:
    return {
        check["name"]: check["detail"]
        for check in json.loads(outcome.out)["checks"]
        if check["state"] == "failed"
    }


def without_a_function(text: str) -> str:
    start = text.index(f"int16_t {NAMES[0]}_scale(")
    return text[:start] + text[text.index("\n}\n", start) + 3 :]


@pytest.mark.parametrize(
    "damage",
    [without_a_function, lambda _: "", lambda text: f"#if 0\n{text}\n#endif\n"],
    ids=["no function", "empty", "if 0"],
)
def test_c_without_its_functions_is_a_failed_check(
    tool: CommandLine, firmware: Path, tmp_path: Path, damage
) -> None:
    path = code_of(firmware)
    path.write_text(damage(path.read_text()))
    results = tmp_path / "check.xml"
    specs = [firmware / f"{name}.toml" for name in NAMES]
    words = ("--dir-of", "{dir}/{name}", *FEW, "--junit", results, "--jobs", "1")
    outcome = tool(*specs, *words, "--json")
    assert outcome.code == 1 and not outcome.err
    bad = failed(outcome)
    assert f"{NAMES[0]}_" in bad["bit-exact"] and "symbol" in bad["bit-exact"]
    assert "refused" in bad["self-test"] and f"current {path.name}" in bad
    suites = list(junitparser.JUnitXml.fromfile(str(results)))
    assert [suite.tests for suite in suites] == [10, 10]
    assert suites[0].failures == len(bad) and suites[1].failures == 0


def test_proof_of_c_without_its_functions_is_a_failed_check(
    tool: CommandLine, firmware: Path
) -> None:
    pytest.importorskip("z3")
    code_of(firmware).write_text("")
    header = code_of(firmware).with_suffix(".h")
    header.write_text(header.read_text().split("struct")[0] + "#endif\n")
    outcome = one(tool, firmware, "--prove", "--no-run", "--json")
    assert outcome.code == 1
    assert any(name.startswith("proof: ") for name in failed(outcome))


@pytest.mark.parametrize("workers", ["1", "2"])
def test_a_fault_of_the_tool_in_one_spec_leaves_the_others_theirs(
    tool: CommandLine,
    firmware: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    workers: str,
) -> None:
    if workers == "1":
        real = batch.design

        def design(job: batch.Job):
            if job.spec.name == NAMES[0]:
                raise ZeroDivisionError("planted")
            return real(job)

        monkeypatch.setattr(batch, "design", design)
    else:  # In a worker, which is killed: the C of the spec is read by nobody else.
        monkeypatch.setattr(batch, "check_one", _killed_on_the_first)
    results = tmp_path / "check.xml"
    specs = [firmware / f"{name}.toml" for name in NAMES]
    words = (*specs, "--dir-of", "{dir}/{name}", *FEW, "--junit", results, "--jobs", workers)
    outcome = tool(*words)
    assert outcome.code == 70
    assert "could not be checked" in outcome.out and "a fault of halfcycle itself" in outcome.out
    assert f"{NAMES[1]}: 10 checks passed" in outcome.out
    suites = list(junitparser.JUnitXml.fromfile(str(results)))
    assert [(suite.tests, suite.errors) for suite in suites] == [(1, 1), (10, 0)]


def _killed_on_the_first(job: batch.Job) -> batch.Result:
    if job.spec.name == NAMES[0]:
        os._exit(9)
    return batch.Result(job, tuple(Check(str(n), State.PASSED, "") for n in range(10)))


def test_an_unreadable_file_of_one_spec_leaves_the_others_theirs(
    tool: CommandLine, firmware: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = batch.read_files

    def read_files(name: str, folder: Path) -> checks.Files:
        if name == NAMES[0]:
            raise PermissionError(13, "Permission denied", str(folder / f"{name}.c"))
        return real(name, folder)

    monkeypatch.setattr(batch, "read_files", read_files)
    results = tmp_path / "check.xml"
    specs = [firmware / f"{name}.toml" for name in NAMES]
    words = ("--dir-of", "{dir}/{name}", *FEW, "--junit", results, "--jobs", "1")
    outcome = tool(*specs, *words)
    assert outcome.code == 2 and f"{NAMES[1]}: 10 checks passed" in outcome.out
    assert outcome.err.startswith("error: ") and "Permission denied" in outcome.err
    suites = list(junitparser.JUnitXml.fromfile(str(results)))
    assert [(suite.tests, suite.errors) for suite in suites] == [(1, 1), (10, 0)]


def test_an_include_of_a_fifo_does_not_hang(
    tool: CommandLine, firmware: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fifo = firmware / "fifo.h"
    os.mkfifo(fifo)
    path = code_of(firmware)
    path.write_text(f'#include "{fifo}"\n' + path.read_text())
    monkeypatch.setattr(compiler, "COMPILE_LIMITS", bounded.Limits(seconds=3))
    monkeypatch.setattr(compiler, "ZIG_LIMITS", bounded.Limits(seconds=3))
    start = time.monotonic()
    bad = failed(one(tool, firmware, "--json"))
    assert time.monotonic() - start < 30
    assert "did not end within 3 s" in bad["compiles as C99"]
    assert all("does not end" in bad[name] for name in ("bit-exact", "self-test"))


@pytest.mark.parametrize("file", ["_selftest.c", ".c"])
def test_c_that_prints_without_end_costs_no_memory(
    tool: CommandLine, firmware: Path, monkeypatch: pytest.MonkeyPatch, file: str
) -> None:
    """Bug: 3 GB of a self-test's output were held in memory; a regulator that prints wrote into
    the command's own output."""
    monkeypatch.setattr(checks, "SELF_TEST_LIMITS", bounded.Limits(seconds=2, output_bytes=0))
    monkeypatch.setattr(isolated, "PATIENCE_S", 3.0)
    path = firmware / NAMES[0] / f"{NAMES[0]}{file}"
    text = path.read_text()
    mark = "int main(void)" if file == "_selftest.c" else f"void {NAMES[0]}_reset("
    start = text.index("{", text.index(mark)) + 1
    path.write_text(
        "#include <stdio.h>\n" + text[:start] + ' for (;;) puts("spam");' + text[start:]
    )
    outcome = one(tool, firmware, "--json")
    bad = failed(outcome)  # Its output is JSON and nothing else.
    assert "did not end within 2 s" in bad["self-test"]
    assert ("did not return" in bad.get("bit-exact", "")) == (file == ".c")


def test_c_that_takes_all_memory_is_a_failed_check(
    tool: CommandLine, firmware: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        checks, "SELF_TEST_LIMITS", bounded.Limits(seconds=20, memory_bytes=64 << 20)
    )
    path = firmware / NAMES[0] / f"{NAMES[0]}_selftest.c"
    text = path.read_text()
    start = text.index("{", text.index("int main(void)")) + 1
    eat = " { char *p = malloc(1u << 30); if (!p) return 77; memset(p, 1, 1u << 30); }"
    path.write_text(
        "#include <stdlib.h>\n#include <string.h>\n" + text[:start] + eat + text[start:]
    )
    assert "(exit 77)" in failed(one(tool, firmware, "--json"))["self-test"]


def test_what_is_no_generated_file_is_not_read(tool: CommandLine, firmware: Path) -> None:
    """Bug: a file of 3 GB was read whole, and compared line by line."""
    path = code_of(firmware)
    with path.open("wb") as stream:
        stream.truncate(3 << 30)
    (path.parent / f"{NAMES[0]}.h").unlink()
    os.mkfifo(path.parent / f"{NAMES[0]}.h")
    start = time.monotonic()
    bad = failed(one(tool, firmware, "--json"))
    assert time.monotonic() - start < 20
    assert "longer than" in bad[f"current {path.name}"]
    assert "is a FIFO" in bad[f"current {NAMES[0]}.h"]
    assert "is longer than" in bad["bit-exact"] and "is a FIFO" in bad["bit-exact"]


def test_no_run_runs_nothing_and_says_so(tool: CommandLine, firmware: Path, tmp_path: Path) -> None:
    trace = tmp_path / "it ran"
    path = firmware / NAMES[0] / f"{NAMES[0]}_selftest.c"
    text = path.read_text()
    start = text.index("{", text.index("int main(void)")) + 1
    path.write_text(
        "#include <stdio.h>\n" + text[:start] + f' fopen("{trace}", "w");' + text[start:]
    )
    results = tmp_path / "check.xml"
    outcome = one(tool, firmware, "--no-run", "--json", "--junit", results)
    assert outcome.code == 1 and "not run" in outcome.err and not trace.exists()
    states = {check["name"]: check["state"] for check in json.loads(outcome.out)["checks"]}
    assert states["bit-exact"] == states["self-test"] == "skipped"
    assert states["compiles as C99"] == "passed" and states[f"current {path.name}"] == "failed"
    (suite,) = junitparser.JUnitXml.fromfile(str(results))
    assert (suite.skipped, suite.failures) == (2, 1)
    assert "skip bit-exact: " in one(tool, firmware, "--no-run").out
    assert one(tool, firmware).code == 1 and trace.exists()  # Without the option it is run.
    outcome = one(tool, firmware, "--no-run", "--scenario", "reset", "--tick", "1")
    assert outcome.code == 2 and "--no-run" in outcome.err


def test_what_was_not_run_is_not_kept_as_run(tool: CommandLine, firmware: Path) -> None:
    for words, count in ((("--no-run",), 2), ((), 0), (("--no-run",), 2)):
        rows = json.loads(one(tool, firmware, "--json", *words).out)["checks"]
        assert [row["state"] for row in rows].count("skipped") == count


def test_control_characters_of_the_c_reach_neither_terminal_nor_page(
    tool: CommandLine, firmware: Path, tmp_path: Path
) -> None:
    """Bug: an escape sequence in a checked file, or quoted by the compiler, was printed raw."""
    path = code_of(firmware)
    hostile = "\x1b]0;owned\x07\x9b2J\u202e\x00"
    path.write_text(f'#error "{hostile}"\n' + path.read_text())
    results = tmp_path / "check.xml"
    outcome = one(tool, firmware, "--junit", results)
    assert outcome.code == 1 and "\\x1b]0;owned\\x07" in outcome.out
    shown = outcome.out + outcome.err + results.read_text()
    assert all(c == "\n" or c.isprintable() for c in shown.replace("\t", " "))


def test_a_compile_error_at_a_tick_is_no_fault_of_the_tool(
    tool: CommandLine, firmware: Path
) -> None:
    code_of(firmware).write_text("#error no\n")
    outcome = one(tool, firmware, "--scenario", "reset", "--tick", "1")
    assert outcome.code == 1 and "the compiler refused" in outcome.err


def test_every_example_has_ten_checks() -> None:
    """What the counts above rest on: four files, three languages, constants, bits, self-test."""
    assert len(SPECS) >= 2 and 4 + len(checks.LANGUAGES) + 3 == 10


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        ("exit(0);", "the C crashed (exit status 0)"),
        ("abort();", "the C crashed"),
        ("for (;;) { }", "the C did not return within 8 s"),
    ],
)
def test_a_tick_of_c_that_ends_the_process_is_not_exit_0(
    tool: CommandLine, firmware: Path, monkeypatch: pytest.MonkeyPatch, edit: str, said: str
) -> None:
    """Bug: --tick ran edited C in the tool's own process: exit(0) there was a good answer."""
    monkeypatch.setattr(isolated, "PATIENCE_S", 8.0)
    path = code_of(firmware)
    text = path.read_text()
    start = text.index("{", text.index(f"void {NAMES[0]}_reset(")) + 1
    edit = f' puts("state ok"); fflush(stdout); {edit}'
    heads = "#include <stdio.h>\n#include <stdlib.h>\n"
    path.write_text(heads + text[:start] + edit + text[start:])
    outcome = one(tool, firmware, "--scenario", "reset", "--tick", "0")
    assert outcome.code == 1 and not outcome.out
    assert outcome.err.startswith(f"error: {said}") and outcome.err.count("\n") == 1
