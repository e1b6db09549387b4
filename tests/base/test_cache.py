"""A cache that is damaged, full, forged or not there: it costs time, never an answer.

Bugs: a truncated library ended every later run with SIGBUS, flipped bytes and garbage programs were
loaded, an entry that another user had forged was answered with ``ok bit-exact``.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from halfcycle.base import cache, files
from halfcycle.base.cache import Cache
from halfcycle.base.errors import InputError
from halfcycle.verify import compiler

KINDS = Cache("kinds", 3)
OTHER_USER = 12345
ADD = {"add.c": "int add(int a, int b);\nint add(int a, int b) { return a + b; }\n"}

posix = pytest.mark.skipif(sys.platform == "win32", reason="owners and modes of POSIX")
as_root = pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="gives files to another user: root"
)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where the entries of KINDS go."""
    monkeypatch.setattr(cache, "user_folder", lambda: tmp_path / "halfcycle")
    return tmp_path / "halfcycle" / "kinds"


def test_what_was_put_is_got(folder: Path) -> None:
    assert KINDS.get("a") is None and not folder.exists()
    KINDS.put("a", b"one\ntwo\n\x00")
    assert KINDS.get("a") == b"one\ntwo\n\x00" and KINDS.get("b") is None
    KINDS.put("a", b"three")
    assert KINDS.get("a") == b"three"
    if sys.platform != "win32":
        assert folder.stat().st_mode & 0o777 == 0o700


def truncated(entry: bytes) -> bytes:
    return entry[: len(entry) // 2]


def flipped(entry: bytes) -> bytes:
    return entry[:-9] + bytes([entry[-9] ^ 16]) + entry[-8:]


DAMAGES: list[Callable[[bytes], bytes]] = [truncated, flipped, lambda _: b"", lambda _: b"\x7fELF"]


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_entry_is_dropped(folder: Path, damage: Callable[[bytes], bytes]) -> None:
    KINDS.put("a", b"content" * 9)
    (folder / "a").write_bytes(damage((folder / "a").read_bytes()))
    assert KINDS.get("a") is None and not (folder / "a").exists()


def test_an_entry_under_another_key_is_no_answer(folder: Path) -> None:
    """A file that passed, renamed to the key of one that did not."""
    KINDS.put("a", b"passed")
    (folder / "a").rename(folder / "b")
    assert KINDS.get("b") is None


@posix
@as_root
@pytest.mark.parametrize("what", ["entry", "folder", "base"])
def test_what_another_user_made_is_not_believed(folder: Path, what: str) -> None:
    KINDS.put("a", b"forged")
    assert KINDS.get("a") == b"forged"
    path = {"entry": folder / "a", "folder": folder, "base": folder.parent}[what]
    os.chown(path, OTHER_USER, OTHER_USER)
    assert KINDS.get("a") is None
    if what != "entry":  # Nothing is given to that user either.
        KINDS.put("b", b"mine")
        assert not (folder / "b").exists()


@posix
def test_what_others_may_write_is_not_believed(folder: Path) -> None:
    KINDS.put("a", b"content")
    (folder / "a").chmod(0o666)
    assert KINDS.get("a") is None
    folder.chmod(0o777)
    KINDS.put("b", b"content")
    assert KINDS.get("b") == b"content" and folder.stat().st_mode & 0o777 == 0o700


@posix
def test_a_link_or_a_fifo_is_no_entry(folder: Path, tmp_path: Path) -> None:
    KINDS.put("a", b"content")
    (folder / "a").rename(tmp_path / "elsewhere")
    (folder / "a").symlink_to(tmp_path / "elsewhere")
    os.mkfifo(folder / "b")
    assert KINDS.get("a") is None and KINDS.get("b") is None


def test_the_oldest_go(folder: Path) -> None:
    for number in range(6):
        KINDS.put(f"{number}", b"")
        os.utime(folder / f"{number}", (number, number))
    assert sorted(entry.name for entry in folder.iterdir()) == ["3", "4", "5"]


def test_a_full_cache_costs_time_only(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Bug: a full cache was blamed on the C."""
    KINDS.put("a", b"content")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    KINDS.put("b", b"content")
    assert sorted(entry.name for entry in folder.iterdir()) == ["a"]


@posix
@pytest.mark.parametrize("variable", ["", "relative/path"])
def test_no_home_is_no_cache(monkeypatch: pytest.MonkeyPatch, variable: str) -> None:
    """Bug: without HOME and an entry in the list of users, a traceback."""
    monkeypatch.setattr(os.path, "expanduser", lambda path: path)  # As it is then.
    monkeypatch.setenv("XDG_CACHE_HOME", variable)
    assert cache.user_folder() is None
    KINDS.put("a", b"content")
    assert KINDS.get("a") is None


@posix
@pytest.mark.parametrize("damage", [truncated, flipped, lambda _: b"garbage"])
def test_a_damaged_build_is_built_again(
    folder: Path, damage: Callable[[bytes], bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    """In another process, as the next run is one: it would end by SIGBUS."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(folder.parents[1]))
    code = (
        "import ctypes\nfrom halfcycle.verify import compiler\n"
        f"print(ctypes.CDLL(str(compiler.build_shared({ADD!r}, ['add.c']))).add(2, 3))"
    )
    for _ in range(2):
        ran = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=False
        )
        assert (ran.returncode, ran.stdout, ran.stderr) == (0, "5\n", "")
        (entry,) = (folder.parent / "builds").iterdir()
        entry.write_bytes(damage(entry.read_bytes()))


@posix
def test_a_full_temporary_folder_is_said(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Bug: it was blamed on the C."""

    def full(*_: object, **__: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(compiler.tempfile, "mkdtemp", full)
    with pytest.raises(InputError, match=r"the disk is full; free some space.*TMPDIR"):
        compiler.build_shared({"x.c": "int x;\n"}, ["x.c"])


def test_a_compiler_that_has_no_room_is_not_blamed_on_the_c(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise compiler.CompileError("ld: final link failed: No space left on device")

    monkeypatch.setattr(compiler, "_compile", full)
    with pytest.raises(InputError, match="the disk is full"):
        compiler.build_shared({"x.c": "int x;\n"}, ["x.c"])
    monkeypatch.undo()
    quoted = {"x.c": '#error "No space left on device"\n'}
    with pytest.raises(compiler.CompileError, match="No space"):
        compiler.build_shared(quoted, ["x.c"])


@posix
@as_root
def test_programs_run_though_the_cache_is_mounted_noexec(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """With a cache folder that is there, and one that is yet to be created."""
    mount = ["mount", "-t", "tmpfs", "-o", "size=8m,noexec", "tmpfs", str(tmp_path)]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("needs the right to mount a file system")
    code = (
        "import ctypes\nfrom halfcycle.verify import compiler\n"
        f"print(ctypes.CDLL(str(compiler.build_shared({ADD!r}, ['add.c']))).add(2, 3))"
    )
    try:
        for variable in ("XDG_CACHE_HOME", "TMPDIR"):
            fresh = {"XDG_CACHE_HOME": str(tmp_path_factory.mktemp("home") / "not" / "there")}
            environment = {**os.environ, **fresh, variable: str(tmp_path)}
            for _ in range(2):
                ran = subprocess.run(
                    [sys.executable, "-c", code],
                    capture_output=True,
                    text=True,
                    env=environment,
                    check=False,
                )
                assert (ran.returncode, ran.stdout) == (0, "5\n"), ran.stderr
    finally:
        subprocess.run(["umount", str(tmp_path)], check=True)


def test_the_machine_or_the_input() -> None:
    assert files.is_of_the_machine(OSError(28, "")) and not files.is_of_the_machine(OSError(2, ""))
