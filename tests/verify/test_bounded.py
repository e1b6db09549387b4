"""Programs that nobody vouches for keep to their limits."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import pytest

from halfcycle.verify import bounded
from halfcycle.verify.bounded import Limits

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="limits of POSIX")


def shell(text: str, limits: Limits, folder: Path | None = None) -> bounded.Ended:
    return bounded.run(["/bin/sh", "-c", text], limits, folder=folder)


def test_status_and_output() -> None:
    ended = shell("echo out; echo err >&2; exit 3", Limits(seconds=20))
    assert ended == bounded.Ended(3, "out\nerr\n")
    assert shell("kill -9 $$", Limits(seconds=20)).status == -9


def test_it_reads_nothing() -> None:
    assert bounded.run(["/bin/cat"], Limits(seconds=20)) == bounded.Ended(0, "")


def test_it_ends_with_all_that_it_started(tmp_path: Path) -> None:
    start = time.monotonic()
    shell("(sleep 1; echo late > late) & sleep 60", Limits(seconds=1), tmp_path)
    assert shell("(sleep 1; echo late > late) & exit 0", Limits(seconds=9), tmp_path).status == 0
    assert time.monotonic() - start < 20
    time.sleep(1.5)
    assert list(tmp_path.iterdir()) == []


def test_output_beyond_the_bound_is_discarded() -> None:
    ended = shell("yes", Limits(seconds=1, output_bytes=1000))
    assert ended.status is None and len(ended.output) == 1000


def test_memory_and_files_are_limited(tmp_path: Path) -> None:
    eat = [sys.executable, "-c", "bytearray(1 << 30)"]
    assert "MemoryError" in bounded.run(eat, Limits(20, memory_bytes=256 << 20)).output
    shell("yes > big", Limits(seconds=20, file_bytes=1 << 16), tmp_path)
    assert (tmp_path / "big").stat().st_size == 1 << 16


def test_what_is_no_program_is_not_taken_for_a_script(tmp_path: Path) -> None:
    path = tmp_path / "program"
    path.write_text(f"echo ran > {tmp_path}/trace\n")
    path.chmod(0o755)
    with pytest.raises(OSError, match="Exec format error"):
        bounded.run([str(path)], Limits(seconds=20))
    assert not (tmp_path / "trace").exists()
    with pytest.raises(FileNotFoundError):
        bounded.run([str(tmp_path / "none")], Limits(seconds=20))


def test_a_lower_limit_of_the_caller_stays() -> None:
    import resource  # noqa: PLC0415

    code = "import resource; print(resource.getrlimit(resource.RLIMIT_CORE))"
    assert bounded.run([sys.executable, "-c", code], Limits(seconds=20)).output == "(0, 0)\n"
    assert resource.getrlimit(resource.RLIMIT_AS)[0] != Limits(seconds=1).memory_bytes
    assert os.getpid()  # This process has no limit from it.
