"""check with several specs: folders by a pattern, in parallel, and kept answers that are never
stale. Exit codes and what is shown: the project's own agreement."""

from __future__ import annotations

import json
import shutil
import stat
import sys
from pathlib import Path

import junitparser
import pytest

from halfcycle import cli
from halfcycle.base.cache import Cache
from halfcycle.base.errors import InputError
from halfcycle.base.state import State
from halfcycle.check import batch, check_cache
from halfcycle.check.batch import Job, check_all, folder_of
from halfcycle.check.checks import Check, Stimulus
from halfcycle.spec.load import load_spec
from support.paths import EXAMPLES

NAMES = ("apron_cart", "peat_cabin")
FEW = ("--samples", "3000")
TICK = ("--scenario", "reset", "--tick", "1")


@pytest.fixture
def firmware(tmp_path: Path) -> Path:
    """A firmware project with two specs and the C of each in a folder of its name."""
    place = tmp_path / "firmware"
    place.mkdir()
    for name in NAMES:
        shutil.copy(EXAMPLES / f"{name}.toml", place)
        shutil.copytree(EXAMPLES / name, place / name)
    return place


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(check_cache, "ANSWERS", Cache(str(tmp_path / "kept"), 1000))
    return tmp_path / "kept"


class Ran:
    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err


@pytest.fixture
def tool(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], kept: Path):
    del kept

    def run(*words: object) -> Ran:
        monkeypatch.setattr(sys, "argv", ["halfcycle", "check", *map(str, words)])
        capsys.readouterr()
        code = 0
        try:
            cli.main()
        except SystemExit as stop:
            code = int(stop.code or 0)
        said = capsys.readouterr()
        return Ran(code, said.out, said.err)

    return run


def specs(firmware: Path) -> list[Path]:
    return sorted(firmware.glob("*.toml"))


def jobs(firmware: Path) -> list[Job]:
    return [
        Job(path, load_spec(path), firmware / path.stem, Stimulus(samples=3000))
        for path in specs(firmware)
    ]


def test_many_specs_by_a_pattern(tool, firmware: Path, tmp_path: Path) -> None:
    junit = tmp_path / "check.xml"
    words = (*specs(firmware), "--dir-of", "{dir}/{name}", *FEW)
    ran = tool(*words, "--junit", junit)
    assert ran.code == 0
    assert [line.split(":")[-1] for line in ran.out.splitlines()] == [" 10 checks passed"] * 2
    suites = list(junitparser.JUnitXml.fromfile(str(junit)))
    assert [suite.name for suite in suites] == [f"halfcycle check {name}" for name in NAMES]
    assert all(suite.tests == 10 and suite.failures == 0 for suite in suites)

    answer = json.loads(tool(*words, "--json").out)
    assert len(answer["checks"]) == 20 and all(one["passed"] for one in answer["checks"])
    assert [one["name"] for one in answer["specs"]] == list(NAMES)
    assert all(one["kept"] and one["passed"] for one in answer["specs"])


def test_one_folder_for_all(tool, firmware: Path, tmp_path: Path) -> None:
    shared = tmp_path / "generated"
    shared.mkdir()
    for name in NAMES:
        shutil.copytree(firmware / name, shared, dirs_exist_ok=True)
    assert tool(*specs(firmware), shared, *FEW).code == 0


@pytest.mark.parametrize("workers", ["1", "2"])
def test_a_fault_in_one_is_shown_and_does_not_stop_the_other(
    tool, firmware: Path, workers: str
) -> None:
    """In a worker process too: this C crashes, and is run in a process of its own there."""
    path = firmware / "apron_cart" / "apron_cart.c"
    text = path.read_text()
    assert "int complete = 0;" in text
    path.write_text(
        text.replace("int complete = 0;", "int complete = 0; *(volatile int *)0 = 1;", 1)
    )
    words = (*specs(firmware), "--dir-of", "{dir}/{stem}", *FEW, "--jobs", workers)
    for _ in range(2):  # What failed is not kept.
        ran = tool(*words)
        assert ran.code == 1
        assert "apron_cart: 3 of 10 checks failed" in ran.out and "the C crashed" in ran.out
        assert "edited by hand" in ran.out and "peat_cabin: 10 checks passed" in ran.out


def test_an_edit_that_changes_no_bit_is_no_crash_in_a_worker(tool, firmware: Path) -> None:
    """Bug: a worker could not start the process in which edited C is run, and said that the C had
    crashed; the test above could not tell."""
    for name in NAMES:
        with (firmware / name / f"{name}.c").open("a") as file:
            file.write("/* harmless */\n")
    ran = tool(*specs(firmware), "--dir-of", "{dir}/{stem}", *FEW, "--jobs", "2")
    assert ran.code == 1 and ran.out.count("1 of 10 checks failed") == 2
    assert ran.out.count("edited by hand") == 2 and "crashed" not in ran.out


def test_faults_of_all_specs_at_once(tool, firmware: Path) -> None:
    for path in specs(firmware):
        path.write_text(path.read_text().replace("adc_bits = 12", "adc_bits = 50"))
    ran = tool(*specs(firmware), "--dir-of", "{dir}/{name}")
    assert ran.code == 2 and not ran.out
    lines = ran.err.splitlines()
    assert len(lines) >= 2 and all(line.startswith("error: ") for line in lines)
    assert all(any(name in line for line in lines) for name in NAMES)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["{apron_cart}"], "--dir-of"),
        (["{apron_cart}", "{peat_cabin}"], "there is no such folder"),
        (["{apron_cart}", "--dir-of", "{dir}/{nmae}"], "{nmae} stands for nothing"),
        (["{apron_cart}", "--dir-of", "{dir}/none"], "there is no such folder"),
        (
            [*("{apron_cart}", "{peat_cabin}", "--dir-of", "{dir}/{name}"), *TICK],
            "more than one spec",
        ),
        (["{apron_cart}", "{apron_cart}", "--dir-of", "{dir}/{name}"], "its files are those of"),
    ],
)
def test_bad_usage(tool, firmware: Path, words: list[str], said: str) -> None:
    files = {f"{{{path.stem}}}": str(path) for path in specs(firmware)}
    ran = tool(*(files.get(word, word) for word in words))
    assert ran.code == 2 and said in ran.err and not ran.out


def test_folder_of() -> None:
    file = Path("fw") / "east.toml"
    assert folder_of("{dir}/{name}", file, "east_room") == Path("fw") / "east_room"
    assert folder_of("out/{stem}", file, "east_room") == Path("out") / "east"
    assert folder_of("{dir}", Path("east.toml"), "x") == Path()
    with pytest.raises(InputError, match="folder pattern"):
        folder_of("{home}", file, "x")


def test_an_unchanged_tree_is_not_checked_again(
    firmware: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = check_all(jobs(firmware), workers=1)
    assert [result.kept for result in first] == [False, False]
    assert len(list(kept.iterdir())) == 2

    def unwanted(*_: object) -> None:
        raise AssertionError("checked again")

    # The time stamps of a fresh checkout, and comments of the spec, do not matter.
    for path in firmware.rglob("*.c"):
        path.touch()
    spec = specs(firmware)[0]
    spec.write_text("# A new remark.\n" + spec.read_text())
    with monkeypatch.context() as patch:
        patch.setattr(batch, "check_one", unwanted)
        again = check_all(jobs(firmware), workers=1)
    assert [result.kept for result in again] == [True, True]
    assert [result.checks for result in again] == [result.checks for result in first]
    fresh = check_all(jobs(firmware), use_kept=False, workers=1)
    assert [result.kept for result in fresh] == [False, False]
    assert [result.checks for result in fresh] == [result.checks for result in first]


def test_whatever_the_answer_depends_on_makes_it_a_new_one(
    firmware: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = jobs(firmware)[0]
    found = batch.read(job).texts
    entry = check_cache.key(job.spec, found, job.stimulus)
    name = next(iter(found))
    other_spec = job.spec.model_copy(update={"name": "apron_cart_b"})
    others = [
        check_cache.key(other_spec, found, job.stimulus),
        check_cache.key(job.spec, {**found, name: found[name] + " "}, job.stimulus),
        check_cache.key(job.spec, {k: v for k, v in found.items() if k != name}, job.stimulus),
        check_cache.key(job.spec, found, Stimulus(samples=3001)),
        check_cache.key(job.spec, found, Stimulus(samples=3000, seed=2)),
    ]
    monkeypatch.setattr(check_cache, "tool_digest", lambda: "another build")
    others.append(check_cache.key(job.spec, found, job.stimulus))
    monkeypatch.undo()
    monkeypatch.setattr(check_cache, "_compilers", lambda: ["cc", "another version"])
    others.append(check_cache.key(job.spec, found, job.stimulus))
    assert len({entry, *others}) == 1 + len(others)


def test_only_what_passed_is_kept(kept: Path) -> None:
    good, bad = Check("a", State.PASSED, "good"), Check("b", State.FAILED, "bad")
    check_cache.keep("0" * 64, [good, bad])
    assert check_cache.recall("0" * 64) is None and not kept.exists()
    check_cache.keep("0" * 64, [good])
    assert check_cache.recall("0" * 64) == (good,)


@pytest.mark.parametrize(
    "content",
    [
        *("", "[]", "[{}]", "{", '"x"', "null", "\0"),
        '[{"name": "a", "state": "failed", "detail": ""}]',
        '[{"name": "a", "state": "fine", "detail": ""}]',
    ],
)
def test_an_entry_of_another_form_is_no_answer(kept: Path, content: str) -> None:
    check_cache.ANSWERS.put("f", content.encode())
    assert check_cache.ANSWERS.get("f") == content.encode()
    assert check_cache.recall("f") is None


def test_without_a_cache_it_works_all_the_same(
    firmware: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cache folder that cannot be: a file is in its way. Nothing of the project is written."""
    (tmp_path / "file").write_text("")
    monkeypatch.setattr(check_cache, "ANSWERS", Cache(str(tmp_path / "file" / "kept"), 1000))
    before = {path: path.stat() for path in firmware.rglob("*")}
    for path in firmware.rglob("*"):
        path.chmod(path.stat().st_mode & ~(stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH))
    try:
        results = check_all(jobs(firmware)[:1], workers=1)
    finally:
        for path, was in before.items():
            path.chmod(was.st_mode)
    assert results[0].passed and not results[0].kept
    assert {path: path.stat().st_mtime_ns for path in firmware.rglob("*")} == {
        path: was.st_mtime_ns for path, was in before.items()
    }


def test_answers_are_kept_beside_the_builds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setattr(sys, "platform", "linux")
    check_cache.keep("a", [Check("a", State.PASSED, "")])
    assert (tmp_path / "halfcycle" / "checks" / "a").is_file()
    assert check_cache.recall("a") == (Check("a", State.PASSED, ""),)


def test_files_that_change_before_their_check_are_not_remembered_as_passed(
    firmware: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bug: the key was of one reading of the folder, the answer of a later one."""
    (job,) = jobs(firmware)[:1]
    path = job.folder / f"{job.spec.name}.c"
    good = path.read_text()
    bad = good + "/* Edited. */\n"
    path.write_text(bad)
    real = batch.check_one

    def after_an_undo(*arguments: object) -> batch.Result:
        path.write_text(good)
        return real(*arguments)  # type: ignore[arg-type]

    with monkeypatch.context() as patch:
        patch.setattr(batch, "check_one", after_an_undo)
        assert check_all([job])[0].passed
    path.write_text(bad)
    (again,) = check_all([job])
    assert not again.kept and not again.passed
    path.write_text(good)
    assert check_all([job])[0].kept  # What was checked is remembered.
