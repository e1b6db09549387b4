"""Runs the console blocks of a page as its reader would, each session in a folder of its own."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import stat
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from documentation.pages import DOCS, Block, blocks
from halfcycle.base import cache

LONGEST_S = 600
KEPT = ("designs", "builds")
"""Parts of the cache that show nowhere but in the time taken."""
TOLERANCE = 0.01
"""Share by which a number may differ from the one shown: other machines round otherwise."""

_NUMBER = re.compile(r"(?<![\w.])[+-]?\d+(?:[.,]\d+)*(?:e[+-]?\d+)?(?![\w])")


@dataclass(frozen=True, slots=True)
class Ran:
    """A console block that was run: the commands with what they print now."""

    block: Block
    shown: str
    now: str
    problem: str

    @property
    def loose(self) -> bool:
        """Whether the page says that the rest depends on the machine."""
        return "loose" in self.block.words


def run_page(text: str, scratch: Path, *, full: bool) -> list[Ran]:
    """Run every marked block of a page in ``scratch``; those marked full only if ``full``."""
    environment = reader(scratch)
    ran = []
    for block in blocks(text):
        folder = scratch / block.words[0]
        if not folder.exists():
            folder.mkdir()
            if block.words[0] in {"examples", "scenarios"}:
                for spec in (DOCS / block.words[0]).glob("*.toml"):
                    shutil.copy(spec, folder)
        if block.kind == "write":
            path = folder / block.words[1]
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(block.text)
        elif block.kind == "set":
            _set(folder / block.words[1], block.text)
        elif full or "full" not in block.words:
            ran.append(_run(block, folder, environment))
    keep(scratch)
    return ran


def _run(block: Block, folder: Path, environment: dict[str, str]) -> Ran:
    now, problem = "", ""
    expected = int(block.option("exit") or 0)
    commands = re.findall(r"^\$ ((?:.*\\\n)*.*)\n", block.text, re.MULTILINE)
    for number, command in enumerate(commands, start=1):
        done = shell(command, folder, environment)
        now += f"$ {command}\n{tidy(done.stdout)}"
        wanted = expected if number == len(commands) else 0
        if done.returncode != wanted or "Traceback" in done.stdout:
            problem = f"exit code {done.returncode}, not {wanted}, of: {command}\n{done.stdout}"
    return Ran(block, block.text, now, problem)


def shell(
    command: str, folder: Path, environment: dict[str, str]
) -> subprocess.CompletedProcess[str]:
    """Run one command of a page; both streams come as one, as on a terminal."""
    return subprocess.run(
        ["bash", "-c", f"set -o pipefail; {{ {command}\n}} 2>&1"],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=LONGEST_S,
    )


def tidy(output: str) -> str:
    """Output as a page shows it: no trailing blanks, no blank lines at its ends."""
    lines = [line.rstrip() for line in output.splitlines()]
    text = "\n".join(lines).strip("\n")
    return text + "\n" if text else ""


def difference(shown: str, now: str, *, loose: bool = False) -> str:
    """What of a console block is no longer so, "" for nothing. Words must be equal; numbers may
    differ by TOLERANCE, and the blanks between them by any amount. ``loose``: only the command, the
    title and the headings, as other machines have other tools."""
    old, new = shown.splitlines(), now.splitlines()
    if loose:
        old, new = ([line for line in lines if line.strip()][:3] for lines in (old, new))
    for before, after in zip(old, new, strict=False):
        if not _alike(before, after):
            return f"shown: {before}\nnow:   {after}"
    if len(old) != len(new):
        return f"{len(old)} lines are shown, {len(new)} come now:\n{now}"
    return ""


def _alike(before: str, after: str) -> bool:
    words = [re.sub(r"[\s─]+", " ", _NUMBER.sub("#", line)) for line in (before, after)]
    if words[0] != words[1]:
        return False
    old, new = (
        [float(n.replace(",", "")) for n in _NUMBER.findall(line)] for line in (before, after)
    )
    return all(abs(a - b) <= TOLERANCE * max(abs(a), abs(b)) for a, b in zip(old, new, strict=True))


def _set(path: Path, text: str) -> None:
    """Put each line ``key = value`` of ``text`` in the place of the spec's line for that key."""
    spec = path.read_text()
    for line in filter(None, text.splitlines()):
        key = line.split("=")[0].strip()
        spec, count = re.subn(rf"^{key} *=.*$", lambda _, new=line: new, spec, flags=re.MULTILINE)
        assert count == 1, f"{path.name} has {count} lines for {key}"
    path.write_text(spec)


def reader(scratch: Path) -> dict[str, str]:
    """A new reader's environment: 80 columns, no colour, ``halfcycle`` and a C compiler on the
    path, no check kept from before. Kept designs and builds, which show nowhere, save time."""
    folder = scratch / ".bin"
    folder.mkdir()
    _shim(folder / "halfcycle", "-m halfcycle")
    if shutil.which("cc") is None:
        _shim(folder / "cc", "-m ziglang cc")
    own, kept = scratch / ".cache" / "halfcycle", cache.user_folder()
    for part in KEPT:
        if kept is not None and (kept / part).is_dir():
            own.mkdir(parents=True, exist_ok=True)
            # What another run drops meanwhile is left out; all else has been copied then.
            with contextlib.suppress(shutil.Error):
                shutil.copytree(kept / part, own / part, ignore_dangling_symlinks=True)
    return {
        **os.environ,
        "PATH": f"{folder}{os.pathsep}{os.environ['PATH']}",
        "XDG_CACHE_HOME": str(scratch / ".cache"),
        "COLUMNS": "80",
        "NO_COLOR": "1",
        "TERM": "dumb",
        "PYTHONUNBUFFERED": "1",
        "PYTHONIOENCODING": "utf-8",
    }


def keep(scratch: Path) -> None:
    """Put what a reader's commands designed and built where the next page's reader has it from."""
    kept = cache.user_folder()
    for part in KEPT:
        new = scratch / ".cache" / "halfcycle" / part
        if kept is None or not new.is_dir():
            continue
        for folder in (kept, kept / part):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        for entry in new.iterdir():
            if not (kept / part / entry.name).exists():
                # Whole at once: other tests read there.
                beside = kept / part / f"{entry.name}.{os.getpid()}"
                shutil.copy2(entry, beside)
                beside.replace(kept / part / entry.name)


def _shim(path: Path, arguments: str) -> None:
    path.write_text(f'#!/bin/sh\nexec "{sys.executable}" {arguments} "$@"\n')
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
