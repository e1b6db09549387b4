"""Nothing is ever half-written, as a user meets it: kills, races, full disks, read-only folders.

Method: littlefs's habit of injecting each failure at every step. ``test_files`` fails the system
calls one by one; here processes are killed at every line, and the commands themselves are run.
"""

from __future__ import annotations

import fcntl
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

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


@pytest.mark.parametrize(
    ("what", "least", "number"),
    [
        ("files", 200, "SIGKILL"),
        ("files", 200, "SIGTERM"),
        pytest.param("files", 200, "SIGINT", marks=pytest.mark.long),
        ("spec", 150, "SIGKILL"),
        pytest.param("spec", 150, "SIGHUP", marks=pytest.mark.long),
    ],
)
def test_killed_at_every_line(what: str, least: int, number: str) -> None:
    """Each file is the old one or the new one, whole; of a set, all by any signal that can be
    caught, and by SIGKILL what is mixed can be told; the next run gets through.

    Bug: an interrupt between two renames, or after the last one, left old and new files mixed.
    """
    command = [sys.executable, str(HERE / "kill_points.py"), what, str(EXAMPLE), number]
    memory = {"TMPDIR": "/dev/shm"} if os.access("/dev/shm", os.W_OK) else {}
    ran = subprocess.run(
        command, capture_output=True, text=True, check=False, env={**os.environ, **memory}
    )
    assert ran.returncode == 0, ran.stderr
    lines, mixed = map(int, ran.stdout.split())
    assert lines > least  # So many lines were tried: the trace did see the writer.
    assert (mixed > 0) == (number == "SIGKILL" and what == "files")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_stopped_at_a_rename_says_what_it_left(tmp_path: Path, number: signal.Signals) -> None:
    """Bug: "nothing was left half-written" stood above a mixture. The signal comes with the second
    rename of a real command; all four files are new then, and the message says so."""
    out = tmp_path / "out"
    assert run("generate", EXAMPLE, "--out", out, "--no-verify").returncode == 0
    spec = tmp_path / "s.toml"
    spec.write_bytes(EXAMPLE.read_bytes().replace(b"= 2048", b"= 2050"))
    code = (
        "import os, signal, sys\nfrom pathlib import Path\nfrom halfcycle.cli import main\n"
        # A shell's background ignores the first of these signals, nohup the last.
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "signal.signal(signal.SIGHUP, signal.SIG_DFL)\n"
        "real, count = Path.replace, 0\n"
        # The user's cache of designs has renames of its own.
        "def replace(self, target):\n    global count\n"
        f"    count += Path(target).parent == Path({str(out)!r})\n"
        f"    if count == 2:\n        os.kill(os.getpid(), {int(number)})\n"
        "    return real(self, target)\n"
        "Path.replace = replace\n"
        f"sys.argv = ['halfcycle', 'generate', {str(spec)!r}, '--out', {str(out)!r}, "
        "'--no-verify']\nmain()"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert ran.returncode == 128 + number, ran.stderr
    last = ran.stderr.strip().splitlines()[-1]
    assert last.startswith("stopped; written before, and whole: ")
    assert all(name in last for name in contents(out))
    digests = {re.search(rb"spec ([0-9a-f]{64})", text)[1] for text in contents(out).values()}  # type: ignore[index]
    assert len(digests) == 1 and len(contents(out)) == 4
    assert run("check", spec, out, "--no-run").returncode == 0


def test_stopped_early_says_that_nothing_was_written(tmp_path: Path) -> None:
    code = (
        "import os, sys\nfrom halfcycle.base import files\nfrom halfcycle.cli import main\n"
        "files._make_folder = lambda folder: os.kill(os.getpid(), 15)\n"
        f"sys.argv = ['halfcycle', 'start', 'hut', '--out', {str(tmp_path / 'h.toml')!r}]\nmain()"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (ran.returncode, ran.stderr) == (143, "stopped; nothing was written\n")
    assert contents(tmp_path) == {}


@pytest.mark.parametrize("at", ["before a write", "at the end"])
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_that_python_drops_still_stops(
    tmp_path: Path, number: signal.Signals, at: str
) -> None:
    """Bug: a signal that came in a weak reference's callback, as matplotlib leaves many, was shown
    as "Exception ignored in", the file was written, and the exit code said nothing of it."""
    which = "_make_folder" if at == "before a write" else "write_all"
    code = (
        "import os, signal, sys, weakref\nfrom halfcycle.base import files\n"
        "from halfcycle.cli import main\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "class Picture:\n    pass\n"
        "def called(reference):\n"
        f"    os.kill(os.getpid(), {int(number)})\n"
        "    for _ in range(100):\n        pass\n"
        f"real = files.{which}\n"
        "def dropping(*arguments):\n"
        f"    done = real(*arguments) if {at == 'at the end'} else None\n"
        "    picture = Picture()\n    reference = weakref.ref(picture, called)\n"
        "    del picture\n"
        "    return real(*arguments) if done is None else done\n"
        f"files.{which} = dropping\n"
        f"sys.argv = ['halfcycle', 'start', 'hut', '--out', {str(tmp_path / 'h.toml')!r}]\nmain()"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert ran.returncode == 128 + number, ran.stderr
    left = {"h.toml"} if at == "at the end" else set()
    said = f"written before, and whole: {tmp_path / 'h.toml'}" if left else "nothing was written"
    assert ran.stderr.splitlines()[-1] == f"stopped; {said}"
    assert "ignored" not in ran.stderr and "Traceback" not in ran.stderr
    assert contents(tmp_path).keys() == left


def test_a_killed_run_is_seen_by_check_and_mended_by_the_next(tmp_path: Path) -> None:
    """Bug: what SIGKILL left between two renames was nowhere said."""
    out = tmp_path / "out"
    words = ("generate", EXAMPLE, "--out", out, "--no-verify")
    assert run(*words).returncode == 0
    rest = out / ".peat_cabin.c.0123abcd.halfcycle-tmp"
    rest.write_text("half")
    checked = run("check", EXAMPLE, out, "--no-run")
    assert checked.returncode == 1
    assert "FAIL one run wrote all: an earlier run was killed" in checked.stdout
    assert rest.name in checked.stdout and rest.exists()
    again = run(*words)
    assert again.returncode == 0 and "note: an earlier run was killed" in again.stderr
    assert not rest.exists()
    assert run("check", EXAMPLE, out, "--no-run").returncode == 0


def test_two_starts_at_once_make_one_file(tmp_path: Path) -> None:
    """Bug: both looked, both saw nothing there, and the later one replaced the earlier one's."""
    runs = [
        subprocess.Popen(
            [*COMMAND, "start", name, "--out", str(tmp_path / "hut.toml")],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for name in ("east_hut", "west_hut", "far_hut")
    ]
    assert sorted(process.wait(60) for process in runs) == [0, 2, 2]
    assert len(contents(tmp_path)) == 1


def test_a_file_that_appears_meanwhile_is_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program's, which knows nothing of the lock."""
    real = os.link

    def late(source: Path, target: Path) -> None:
        Path(target).write_text("theirs")
        real(source, target)

    monkeypatch.setattr(os, "link", late)
    with pytest.raises(InputError, match="another program has made this file meanwhile"):
        files.write_all(tmp_path, {"a": "ours"})
    assert contents(tmp_path) == {"a": b"theirs"}


def test_a_spec_that_changes_meanwhile_is_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from halfcycle.spec import edit  # noqa: PLC0415

    spec = tmp_path / "s.toml"
    spec.write_bytes(EXAMPLE.read_bytes())
    real = edit.edit_text

    def slow(text: str, *others: Any) -> str:
        spec.write_text(text + "# The user's own editor.\n")
        return real(text, *others)

    monkeypatch.setattr(edit, "edit_text", slow)
    with pytest.raises(InputError, match="changed by another program meanwhile"):
        edit.edit_file(spec, {"sensor.zero_code": 2050})
    assert spec.read_bytes() == EXAMPLE.read_bytes() + b"# The user's own editor.\n"


def test_a_read_only_spec_is_not_replaced(tmp_path: Path) -> None:
    """Bug: a spec of mode 0444 was replaced by --write, since its folder may be written."""
    spec = tmp_path / "s.toml"
    spec.write_bytes(EXAMPLE.read_bytes())
    spec.chmod(0o444)
    ran = run("retune", spec, "--period-us", "500", "--write")
    one_line(ran, "the file is read-only; make it writable")
    assert spec.read_bytes() == EXAMPLE.read_bytes() and len(contents(tmp_path)) == 1


def test_a_folder_that_stays_locked_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "LOCK_WAIT_S", 0.1)
    holder = os.open(tmp_path, os.O_RDONLY)
    try:
        fcntl.flock(holder, fcntl.LOCK_EX)
        with pytest.raises(InputError, match="another run of halfcycle holds this folder"):
            files.write_atomic(tmp_path / "a", "x")
    finally:
        os.close(holder)
    assert files.write_atomic(tmp_path / "a", "x")


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

    real = getattr(os, call)

    def failing(*arguments: Any, **options: Any) -> Any:
        if call == "open" and not arguments[1] & os.O_CREAT:
            return real(*arguments, **options)
        raise OSError(28, "No space left on device")

    edit_file(spec, {"sensor.zero_code": 2048})  # Imports what it needs while files open.
    monkeypatch.setattr(os, call, failing)
    with pytest.raises(InputError, match="the disk is full"):
        edit_file(spec, {"sensor.zero_code": 2050})
    monkeypatch.undo()
    assert contents(tmp_path) == {"s.toml": EXAMPLE.read_bytes()}
    assert files.write_atomic(spec, b"x")  # The lock is free again.
