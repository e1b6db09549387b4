"""Files are replaced whole or left alone.

Method: a failure is injected at every system call in turn (littlefs's habit), and the folder must
then hold exactly what it held before. Expected texts of POSIX errors: errno(3), from memory.
"""

from __future__ import annotations

import errno
import multiprocessing
import os
import subprocess
import sys
from pathlib import Path

import pytest

from halfcycle.base import files
from halfcycle.base.errors import InputError

OLD = {"a.h": b"old header\n", "b.c": b"old code\n"}
NEW = {"a.h": "new header\n", "b.c": "new code\n", "c.c": "third\n"}


def contents(folder: Path) -> dict[str, bytes]:
    return {entry.name: entry.read_bytes() for entry in folder.iterdir()}


def fill(folder: Path) -> None:
    for name, data in OLD.items():
        (folder / name).write_bytes(data)


def test_writes_lf_utf8_and_says_what_changed(tmp_path: Path) -> None:
    out = tmp_path / "deep" / "er"
    assert files.write_all(out, {"a.h": "Ω\r\nx\n", "b.c": "y\n"}) == ("a.h", "b.c")
    assert contents(out) == {"a.h": b"\xce\xa9\nx\n", "b.c": b"y\n"}
    assert files.write_all(out, {"a.h": "Ω\nx\n", "b.c": "z\n"}) == ("b.c",)
    assert not files.write_atomic(out / "b.c", "z\n")
    assert files.write_atomic(out / "p.png", b"\r\n\x00") and (
        (out / "p.png").read_bytes() == b"\r\n\x00"
    )


def test_same_bytes_keep_the_time_stamp(tmp_path: Path) -> None:
    path = tmp_path / "a.h"
    files.write_atomic(path, "x\n")
    os.utime(path, ns=(1, 1))
    files.write_atomic(path, "x\n")
    assert path.stat().st_mtime_ns == 1


def test_mode_and_links_survive(tmp_path: Path) -> None:
    real = tmp_path / "real.c"
    real.write_bytes(b"old\n")
    real.chmod(0o640)
    (tmp_path / "link.c").symlink_to(real)
    files.write_atomic(tmp_path / "link.c", "new\n")
    assert (tmp_path / "link.c").is_symlink()
    assert real.read_bytes() == b"new\n"
    assert real.stat().st_mode & 0o777 == 0o640


@pytest.mark.parametrize("call", ["open", "fsync", "replace"])
def test_failure_at_every_step_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    fill(folder)
    real = getattr(os, call)
    steps = 0
    for fail_at in range(1, 20):
        count = 0

        def failing(*args: object, **kwargs: object) -> object:
            nonlocal count
            count += 1
            if count == fail_at:  # noqa: B023
                raise OSError(errno.ENOSPC, "No space left on device")
            return real(*args, **kwargs)

        with monkeypatch.context() as patch:
            patch.setattr(os, call, failing)
            try:
                files.write_all(folder, NEW)
            except InputError as error:
                assert "the disk is full; free some space" in str(error)
                assert str(error).startswith("error: ") and len(error.faults) == 1
                steps += 1
            else:
                break
        assert contents(folder) == OLD
    # Three files to write and flush; `open` also takes the lock and reads the two old ones. The
    # third is new, so that it is linked to its place instead of renamed. A failed flush of the
    # folder itself must not undo a good result, hence no more than that.
    assert steps == {"open": 6, "fsync": 3, "replace": 2}[call]
    assert contents(folder) == {name: text.encode() for name, text in NEW.items()}


def test_interrupt_between_renames_is_undone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(tmp_path)
    real, count = os.replace, 0

    def interrupted(source: Path, target: Path) -> None:
        nonlocal count
        count += 1
        if count == 2:
            raise KeyboardInterrupt
        real(source, target)

    monkeypatch.setattr(os, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        files.write_all(tmp_path, NEW)
    assert contents(tmp_path) == OLD


@pytest.mark.skipif(sys.platform == "win32", reason="no file size limits")
def test_real_write_failure_leaves_no_folder(tmp_path: Path) -> None:
    import resource  # noqa: PLC0415

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, hard))
    try:
        with pytest.raises(InputError, match="size limit"):
            files.write_all(tmp_path / "new" / "er", {"a": "x\n", "b": "y" * 5000})
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert list(tmp_path.iterdir()) == []


def test_path_faults_name_the_remedy(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    (tmp_path / "dir.c").mkdir()
    with pytest.raises(InputError, match="is in the way of the folder; name another folder"):
        files.write_all(tmp_path / "file", NEW)
    with pytest.raises(InputError, match="is a file, not a folder"):
        files.write_all(tmp_path / "file" / "sub", NEW)
    with pytest.raises(InputError, match="in the way of the file"):
        files.write_atomic(tmp_path / "dir.c", "x")
    with pytest.raises(InputError, match="too long"):
        files.write_atomic(tmp_path / ("n" * 300), "x")


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere"
)
def test_read_only_folder(tmp_path: Path) -> None:
    tmp_path.chmod(0o555)
    with pytest.raises(InputError, match="no permission"):
        files.write_all(tmp_path, NEW)


@pytest.mark.parametrize("name", ["", ".", "..", "../up", "a/b", "a\\b"])
def test_only_plain_names(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="plain file name"):
        files.write_all(tmp_path, {name: "x"})


def test_leftovers_of_a_killed_run_go(tmp_path: Path) -> None:
    (tmp_path / ".a.h.0123abcd.halfcycle-tmp").write_bytes(b"half")
    (tmp_path / ".other.halfcycle-tmp").write_bytes(b"not ours")
    files.write_all(tmp_path, {"a.h": "x\n"})
    assert sorted(contents(tmp_path)) == [".other.halfcycle-tmp", "a.h"]


def _write_many(folder: str, mark: str) -> None:
    for _ in range(15):
        files.write_all(folder, {f"f{n}": mark * 2000 for n in range(4)})


def test_two_runs_on_one_folder_do_not_mix(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    runs = [context.Process(target=_write_many, args=(str(tmp_path), mark)) for mark in "xy"]
    for run in runs:
        run.start()
    for run in runs:
        run.join(60)
        assert run.exitcode == 0
    assert len(set(contents(tmp_path).values())) == 1
    assert sorted(contents(tmp_path)) == ["f0", "f1", "f2", "f3"]


@pytest.mark.skipif(sys.platform == "win32", reason="paths there are shorter")
def test_a_folder_of_1500_parts_is_no_recursion_error(tmp_path: Path) -> None:
    deep = tmp_path.joinpath(*["a"] * 1500)
    try:
        assert files.write_atomic(deep / "f", "x")
        assert (deep / "f").read_bytes() == b"x"
    finally:
        subprocess.run(["rm", "-rf", tmp_path / "a"], check=True)  # shutil recurses too.
    with pytest.raises(InputError, match="too long"):
        files.write_atomic(tmp_path.joinpath(*["a"] * 3000, "f"), "x")
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(sys.platform == "win32", reason="a working folder cannot be removed there")
@pytest.mark.parametrize("name", ["f", "new/f"])
def test_a_removed_working_folder_is_one_clear_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Bug: FileNotFoundError, a fault of the tool."""
    gone = tmp_path / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    with pytest.raises(InputError, match="not there any more"):
        files.write_atomic(name, "x")
