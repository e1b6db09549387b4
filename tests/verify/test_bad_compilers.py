"""Compilers that are none: the environment is told, not the C, and not a fault of the tool."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from halfcycle.base.errors import ToolMissingError
from halfcycle.verify import compiler
from support.command import run_halfcycle
from support.paths import EXAMPLES, example

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="scripts of POSIX")
NAME = "peat_cabin"
GOOD = {"x.c": "int x(void);\nint x(void) { return 1; }\n"}


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


def script(path: Path, text: str) -> str:
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(0o755)
    return str(path)


GARBAGE = """case "$*" in *--version*) echo 1; exit 0;; esac
while [ $# -gt 1 ]; do [ "$1" = -o ] && echo garbage > "$2"; shift; done"""
BROKEN = 'case "$*" in *--version*) echo 1; exit 0;; esac\necho I am broken >&2; exit 1'


@pytest.mark.parametrize(
    ("name", "problem"),
    [
        ("/bin/true", "not a working compiler (the compiler wrote no file"),
        ("garbage", "not a working compiler (what it makes of a C function cannot be loaded"),
        ("broken", "I am broken"),
        ('gcc "-O2', "which is not a command (No closing quotation)"),
        ("none-such", "which does not run"),
        ("/", "which does not run"),
    ],
)
def test_a_bad_compiler_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, problem: str
) -> None:
    """Bugs: "a fault of halfcycle itself" (/bin/true, quotes), or the C was blamed."""
    words = {
        "garbage": script(tmp_path / "garbage", GARBAGE),
        "broken": script(tmp_path / "broken", BROKEN),
    }
    monkeypatch.setenv("CC", words.get(name, name))
    with pytest.raises(ToolMissingError) as caught:
        compiler.load(_Ffi(), GOOD, ["x.c"])
    message = str(caught.value)
    assert message.startswith("CC is set to ") and problem in message, message
    assert "correct or unset it" in message and "\n" not in message


class _Ffi:
    """Opens libraries as cffi does, as far as an error goes."""

    def dlopen(self, path: str) -> object:
        raise OSError(f"{path}: invalid ELF header")


def test_check_with_a_bad_compiler_is_one_line_and_2(tmp_path: Path) -> None:
    folder = EXAMPLES / NAME
    for text in (GARBAGE, BROKEN):
        cc = script(tmp_path / "cc", text)
        outcome = run_halfcycle("check", example(NAME), folder, "--no-cache", CC=cc, CXX=cc)
        assert (outcome.code, outcome.out) == (2, ""), outcome
        assert outcome.err.startswith("error: CC is set to") and outcome.err.count("\n") == 1


def test_a_compiler_beside_the_command_works_in_other_folders(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bug: CC=./cc was found, and then not, since it runs where the C is."""
    script(tmp_path / "cc", f'exec {compiler.find().command[0]} "$@"')
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("CC", "./cc")
    assert compiler.build_shared(GOOD, ["x.c"]).is_file()


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="becomes another user")
@pytest.mark.parametrize("cache", ["", "unsearchable"])
def test_without_a_home_or_with_a_closed_cache_it_works(tmp_path: Path, cache: str) -> None:
    """Bugs: no HOME and no entry in the list of users was a traceback; a cache path that may not
    be searched was "no C compiler"."""
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o700)
    code = (
        "import os, sys\nfrom halfcycle.verify import compiler, harness\nimport cffi\n"
        # What is imported later is imported here: the installation may be root's alone.
        "import ctypes, platformdirs, platformdirs.unix\n"
        "os.setgroups([]); os.setgid(12345); os.setuid(12345)\nos.environ.pop('HOME', None)\n"
        f"os.environ['XDG_CACHE_HOME'] = {str(locked / 'in') if cache else ''!r}\n"
        f"path = compiler.build_shared({GOOD!r}, ['x.c'])\n"
        "print(ctypes.CDLL(str(path)).x())"
    )
    import subprocess  # noqa: PLC0415

    ran = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd="/", check=False
    )
    assert (ran.returncode, ran.stdout) == (0, "1\n"), ran.stderr
