"""Nothing is ever half-written, as a user meets it: kills, races, full disks, read-only folders.

Method: littlefs's habit of injecting each failure at every step. ``test_files`` fails the system
calls one by one; here processes are killed at every line, and the commands themselves are run.
"""

from __future__ import annotations

import os
import re
import resource
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from halfcycle.base import files
from halfcycle.base.errors import InputError
from support.paths import example

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals and limits of POSIX")

HERE = Path(__file__).parent
EXAMPLE = example("peat_cabin")
ROOT = hasattr(os, "geteuid") and os.geteuid() == 0
COMMAND = [sys.executable, "-m", "halfcycle"]


def run(
    *words: object, prefix: Sequence[str] = (), before: Callable[[], None] | None = None
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*prefix, *COMMAND, *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=before,
    )


def one_line(ran: subprocess.CompletedProcess[str], *parts: str) -> None:
    """Bad input's exit code, and one line that names the file, the cause and the remedy."""
    assert ran.returncode == 2, ran.stderr
    lines = [line for line in ran.stderr.splitlines() if not line.startswith(("note", "warning"))]
    assert len(lines) == 1 and lines[0].startswith("error: "), ran.stderr
    assert all(part in lines[0] for part in parts), lines[0]


def contents(folder: Path) -> dict[str, bytes]:
    return {entry.name: entry.read_bytes() for entry in folder.iterdir()}


@pytest.mark.parametrize(("what", "least"), [("files", 100), ("spec", 50)])
def test_killed_at_every_line(what: str, least: int) -> None:
    """Each file is the old one or the new one, whole; the next run gets through."""
    command = [sys.executable, str(HERE / "kill_points.py"), what, str(EXAMPLE)]
    ran = subprocess.run(command, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    assert int(ran.stdout) > least  # So many lines were tried: the trace did see the writer.


def test_two_runs_on_one_folder_do_not_mix(tmp_path: Path) -> None:
    """Two specs of one name into one folder, at once: all four files are of the same spec."""
    specs = [tmp_path / "a.toml", tmp_path / "b.toml"]
    specs[0].write_bytes(EXAMPLE.read_bytes())
    specs[1].write_bytes(EXAMPLE.read_bytes().replace(b"= 2048", b"= 2050"))
    out = tmp_path / "out"
    runs = [
        subprocess.Popen(
            [*COMMAND, "generate", str(spec), "--out", str(out), "--no-verify"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        for spec in (*specs, *specs)
    ]
    for one in runs:
        assert one.wait(120) == 0, one.stderr and one.stderr.read()
    texts = [entry.read_text() for entry in out.iterdir()]
    assert len(texts) == 4
    assert len({re.search(r"spec ([0-9a-f]{64})", text)[1] for text in texts}) == 1  # type: ignore[index]


@pytest.fixture
def small_disk() -> Iterator[Path]:
    """A file system of 16 kB."""
    with tempfile.TemporaryDirectory() as folder:
        mounted = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=16k", "tmpfs", folder],
            capture_output=True,
            check=False,
        )
        if mounted.returncode:
            pytest.skip("needs the right to mount a file system")
        try:
            yield Path(folder)
        finally:
            subprocess.run(["umount", folder], check=True)


def test_a_really_full_disk(small_disk: Path) -> None:
    ran = run("generate", EXAMPLE, "--out", small_disk / "out", "--no-verify")
    one_line(ran, "the disk is full", "free some space")
    assert contents(small_disk) == {}
    spec = small_disk / "s.toml"
    spec.write_bytes(EXAMPLE.read_bytes())
    room = os.statvfs(small_disk)
    (small_disk / "fill").write_bytes(b"x" * room.f_bavail * room.f_frsize)
    bench = small_disk.parent / f"{small_disk.name}.csv"
    bench.write_text("meter,reported\n230,228.9\n230,228.91\n230,228.89\n")
    try:
        one_line(run("calibrate", spec, bench, "--write"), "the disk is full")
    finally:
        bench.unlink()
    assert spec.read_bytes() == EXAMPLE.read_bytes()
    assert sorted(contents(small_disk)) == ["fill", "s.toml"]


def limit(size: int) -> Callable[[], None]:
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


def test_a_size_limit(tmp_path: Path) -> None:
    out = tmp_path / "out"
    made = run("generate", EXAMPLE, "--out", out, "--no-verify")
    assert made.returncode == 0
    before = contents(out)
    spec = tmp_path / "s.toml"
    spec.write_bytes(EXAMPLE.read_bytes().replace(b"= 2048", b"= 2050"))
    words = ("generate", spec, "--out", out, "--no-verify")
    one_line(run(*words, before=limit(5000)), "size limit")
    assert contents(out) == before
    new = ("start", "hut", "--out", tmp_path / "new" / "hut.toml")
    one_line(run(*new, before=limit(100)), "size limit")
    assert not (tmp_path / "new").exists()


@pytest.fixture
def locked() -> Iterator[Path]:
    """A folder with a spec in it, where this user may not write."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "s.toml").write_bytes(EXAMPLE.read_bytes())
        (folder / "bench.csv").write_text("meter,reported\n230,228.9\n230,228.91\n230,228.89\n")
        folder.chmod(0o555)
        yield folder
        folder.chmod(0o755)


def test_a_read_only_folder(locked: Path) -> None:
    prefix: list[str] = []
    if ROOT:  # Root may write anywhere, but for the capability to.
        setpriv = shutil.which("setpriv")
        if setpriv is None:
            pytest.skip("run as another user than root, or with setpriv (util-linux)")
        prefix = [setpriv, "--bounding-set=-dac_override,-dac_read_search"]
    before = contents(locked)
    spec = locked / "s.toml"
    out = ("generate", spec, "--out", locked / "out", "--no-verify")
    one_line(run(*out, prefix=prefix), "no permission to write here", "change the permissions")
    write = ("calibrate", spec, locked / "bench.csv", "--write")
    one_line(run(*write, prefix=prefix), "no permission to write here")
    one_line(run("start", "hut", "--out", locked / "h.toml", prefix=prefix), "no permission")
    assert run("calibrate", spec, locked / "bench.csv", prefix=prefix).returncode == 0
    assert contents(locked) == before


@pytest.mark.parametrize("call", ["replace", "fsync", "open"])
def test_an_edit_that_fails_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    from halfcycle.spec.edit import edit_file  # noqa: PLC0415

    spec = tmp_path / "s.toml"
    spec.write_bytes(EXAMPLE.read_bytes())

    def failing(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    edit_file(spec, {"sensor.zero_code": 2048})  # Imports what it needs while files open.
    monkeypatch.setattr(os, call, failing)
    with pytest.raises(InputError, match="the disk is full"):
        edit_file(spec, {"sensor.zero_code": 2050})
    monkeypatch.undo()
    assert contents(tmp_path) == {"s.toml": EXAMPLE.read_bytes()}
    assert files.write_atomic(spec, b"x")  # The lock is free again.
