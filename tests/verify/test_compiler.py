"""Finding a compiler, building, keeping: each against the compiler's own behaviour."""

from __future__ import annotations

import ctypes
import multiprocessing
import os
import subprocess
import sys
from pathlib import Path

import pytest

from halfcycle.base.cache import Cache
from halfcycle.base.errors import ToolMissingError
from halfcycle.verify import compiler

ADD = {
    "add.h": "int add(int a, int b);\n",
    "add.c": '#include "add.h"\nint add(int a, int b) { return a + b + PLUS; }\n',
}


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return tmp_path / "cache" / "halfcycle" / "builds"


def test_build_and_reuse(own_cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = compiler.build_shared(ADD, ["add.c"], ["PLUS=5"])
    assert len(list(own_cache.iterdir())) == 1
    assert ctypes.CDLL(str(path)).add(2, 3) == 10
    other = compiler.build_shared(ADD, ["add.c"], ["PLUS=6"])
    assert other != path and ctypes.CDLL(str(other)).add(2, 3) == 11
    changed = {**ADD, "add.h": ADD["add.h"] + "/* */\n"}
    assert compiler.build_shared(changed, ["add.c"], ["PLUS=5"]) != path
    assert len(list(own_cache.iterdir())) == 3

    def compile_again(*_: object) -> None:
        raise AssertionError("compiled although it was kept")

    monkeypatch.setattr(compiler, "_compile", compile_again)
    assert compiler.build_shared(ADD, ["add.c"], ["PLUS=5"]) == path
    path.unlink()  # As in another process: the cache has it still.
    assert ctypes.CDLL(str(compiler.build_shared(ADD, ["add.c"], ["PLUS=5"]))).add(2, 3) == 10


def test_unusable_cache_falls_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_bytes(b"")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    path = compiler.build_shared(ADD, ["add.c"], ["PLUS=7"])
    assert ctypes.CDLL(str(path)).add(0, 0) == 7
    assert not path.is_relative_to(tmp_path)


def test_refusal_shows_the_compilers_words() -> None:
    with pytest.raises(compiler.CompileError, match=r"the compiler refused: .*\n(.*\n)*.*PLUS"):
        compiler.build_shared(ADD, ["add.c"])


@pytest.mark.parametrize("language", ["c99", "c11", "c++17"])
def test_strict_sees_narrowing_and_passes_clean_code(language: compiler.Language) -> None:
    # -Wconversion warns of an implicit long to short: gcc manual, "Warning Options", from memory.
    head = "short narrow(long a);\nshort narrow(long a) "
    good = {"x.c": head + "{ return (short)(a & 0x7f); }\n"}
    bad = {"x.c": head + "{ return a; }\n"}
    assert compiler.strict_messages(good, ["x.c"], language) == ""
    said = compiler.strict_messages(bad, ["x.c"], language)
    assert "x.c" in said and "conversion" in said


def test_program_runs() -> None:
    path = compiler.build_program(
        {"m.c": "#include <stdio.h>\nint main(void) { puts(WHAT); return 3; }\n"},
        ["m.c"],
        ['WHAT="it ran"'],
    )
    ran = subprocess.run([path], capture_output=True, text=True, check=False)
    assert (ran.returncode, ran.stdout) == (3, "it ran\n")


def test_named_compiler(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CC", "no-such-compiler -m32")
    with pytest.raises(ToolMissingError, match="no-such-compiler -m32"):
        compiler.find()
    monkeypatch.setenv("CC", f"{sys.executable} -m ziglang cc")
    assert compiler.find().is_zig and "clang" in compiler.find().version


def test_no_compiler_names_both_remedies(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert compiler.find().is_zig  # the one from PyPI
    monkeypatch.setattr(compiler.importlib.util, "find_spec", lambda _: None)
    monkeypatch.setenv("PATH", str(tmp_path / "other"))
    with pytest.raises(ToolMissingError) as caught:
        compiler.find()
    assert "apt install gcc" in str(caught.value)
    assert "pip install ziglang" in str(caught.value)


@pytest.mark.full
def test_zig_builds_what_the_system_compiler_builds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CC", f"{sys.executable} -m ziglang cc")
    monkeypatch.setenv("CXX", f"{sys.executable} -m ziglang c++")
    path = compiler.build_shared(ADD, ["add.c"], ["PLUS=5"])
    assert ctypes.CDLL(str(path)).add(2, 3) == 10
    good = {"x.c": "int f(void);\nint f(void) { return 1; }\n"}
    assert compiler.strict_messages(good, ["x.c"], "c++17") == ""


def _build_one(cache: str, answers: multiprocessing.SimpleQueue[int]) -> None:
    os.environ["XDG_CACHE_HOME"] = cache
    path = compiler.build_shared(ADD, ["add.c"], ["PLUS=9"])
    answers.put(ctypes.CDLL(str(path)).add(0, 0))


def test_two_runs_at_once_share_one_entry(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    answers: multiprocessing.SimpleQueue[int] = context.SimpleQueue()
    runs = [
        context.Process(target=_build_one, args=(str(tmp_path / "c"), answers)) for _ in range(2)
    ]
    for run in runs:
        run.start()
    assert {answers.get() for _ in runs} == {9}
    for run in runs:
        run.join(60)
    assert len(list((tmp_path / "c" / "halfcycle" / "builds").iterdir())) == 1


def test_old_entries_go(own_cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compiler, "BUILDS", Cache("builds", 2))
    paths = [compiler.build_shared(ADD, ["add.c"], [f"PLUS={n}"]) for n in range(4)]
    assert paths[-1].exists() and len(list(own_cache.iterdir())) == 2
