"""What earlier runs worked out, kept in the user's cache folder, and never believed unseen.

An entry is one file: a digest of its key and content, then the content. An entry that does not fit
its digest is dropped. Nothing is used that another user made, or could have changed. A cache that
is full, read-only, damaged or not there costs time and nothing else.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import hashlib
import os
import secrets
import shutil
import stat
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from halfcycle.base import files
from halfcycle.base.errors import Fault, InputError

_PRIVATE = 0o700
_BY_OTHERS = stat.S_IWGRP | stat.S_IWOTH
MAX_ENTRY_BYTES = 1 << 28


def user_folder() -> Path | None:
    """The user's cache folder of this tool, as the system has it (XDG_CACHE_HOME, LOCALAPPDATA,
    Library/Caches); None if the user has none."""
    import platformdirs  # noqa: PLC0415

    try:
        folder = platformdirs.user_cache_path("halfcycle", appauthor=False)
    except (OSError, RuntimeError, KeyError):
        return None
    # Without a home, "~" stays as it is.
    return folder if folder.is_absolute() else None


@dataclass(frozen=True, slots=True)
class Cache:
    """One kind of entries, in a folder of its ``name``; of these, ``max_entries`` are kept, and
    those go first that were used longest ago."""

    name: str
    max_entries: int

    def get(self, key: str) -> bytes | None:
        """The content kept under ``key``; None if there is none that can be trusted."""
        folder = self._folder()
        if folder is None:
            return None
        path = folder / key
        try:
            if not _is_own(path.lstat(), stat.S_ISREG):
                return None
            entry = files.read_regular(path, MAX_ENTRY_BYTES)
        except OSError:
            return None
        digest, _, content = entry.partition(b"\n")
        if digest != _digest(key, content):
            with contextlib.suppress(OSError):
                path.unlink()
            return None
        with contextlib.suppress(OSError):
            os.utime(path)
        return content

    def put(self, key: str, content: bytes) -> None:
        """Keep ``content`` under ``key``, if the cache can."""
        folder = self._folder(create=True)
        if folder is None or len(content) > MAX_ENTRY_BYTES:
            return
        temporary = folder / f"{key}.{secrets.token_hex(4)}{files.TEMPORARY_SUFFIX}"
        try:
            handle = os.open(
                temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o600
            )
            with os.fdopen(handle, "wb") as stream:
                stream.write(_digest(key, content) + b"\n" + content)
            temporary.replace(folder / key)
            self._prune(folder)
        except OSError:
            pass
        finally:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)

    def _folder(self, *, create: bool = False) -> Path | None:
        """The folder, if it and the one around it are this user's alone; None otherwise."""
        base = user_folder()
        if base is None:
            return None
        try:
            if create:
                base.parent.mkdir(parents=True, exist_ok=True)
            for folder in (base, base / self.name):
                if create:
                    with contextlib.suppress(FileExistsError):
                        folder.mkdir(mode=_PRIVATE)
                status = folder.lstat()
                if not _is_own(status, stat.S_ISDIR, tighten=folder):
                    return None
        except OSError:
            return None
        return base / self.name

    def _prune(self, folder: Path) -> None:
        entries = sorted(folder.iterdir(), key=lambda entry: entry.lstat().st_mtime)
        for entry in entries[: -self.max_entries]:
            if entry.is_dir() and not entry.is_symlink():
                shutil.rmtree(entry, ignore_errors=True)
            else:
                entry.unlink(missing_ok=True)


def _digest(key: str, content: bytes) -> bytes:
    return hashlib.sha256(key.encode() + b"\n" + content).hexdigest().encode()


def _is_own(
    status: os.stat_result, kind: Callable[[int], bool], tighten: Path | None = None
) -> bool:
    """Whether a file or folder is of this ``kind`` (a test of modes), belongs to this user, and
    nobody else may write it. ``tighten``: a folder whose rights are taken back from others; its
    entries are looked at one by one."""
    if not kind(status.st_mode):
        return False
    if sys.platform == "win32":
        return True
    if status.st_uid != os.geteuid():
        return False
    if status.st_mode & _BY_OTHERS:
        if tighten is None:
            return False
        tighten.chmod(_PRIVATE)
    return True


@functools.lru_cache(maxsize=1)
def own_folder() -> Path:
    """A folder of this process alone, where programs can be run; gone when the process ends.

    Raises InputError if there is no room for one.
    """
    problem: InputError | None = None
    for parent in _temporary_parents():
        try:
            folder = Path(tempfile.mkdtemp(prefix="halfcycle-", dir=parent))
        except OSError as error:
            problem = problem or temporary_fault(error, parent)
            continue
        if _may_execute(folder):
            atexit.register(shutil.rmtree, folder, ignore_errors=True)
            return folder
        shutil.rmtree(folder, ignore_errors=True)
        text = "programs must not be run in this temporary folder"
        remedy = "name another in the environment variable TMPDIR"
        problem = problem or InputError([Fault(str(folder.parent), "TMPDIR", text, remedy)])
    assert problem is not None
    raise problem


def _temporary_parents() -> Iterator[Path]:
    try:
        yield Path(tempfile.gettempdir())
    except OSError:  # It tries to write there.
        yield Path(os.environ.get("TMPDIR") or "/tmp")
    base = user_folder()
    with contextlib.suppress(OSError):
        if base is None:
            return
        with contextlib.suppress(FileExistsError):
            base.parent.mkdir(parents=True, exist_ok=True)
            base.mkdir(mode=_PRIVATE)
        if _is_own(base.lstat(), stat.S_ISDIR):
            yield base


def temporary_fault(error: OSError, folder: Path | None = None) -> InputError:
    """A temporary folder that does not take what it must, for instance because it is full."""
    fault = files.fault(folder or _temporary_name(), error).faults[0]
    remedy = f"{fault.remedy}, or name another folder in the environment variable TMPDIR"
    return InputError([Fault(fault.file, "temporary files", fault.problem, remedy)])


def _temporary_name() -> Path:
    try:
        return Path(tempfile.gettempdir())
    except OSError:
        return Path(os.environ.get("TMPDIR") or "/tmp")


def _may_execute(folder: Path) -> bool:
    """Whether the file system of ``folder`` lets programs run (it has no ``noexec``)."""
    if not hasattr(os, "statvfs"):
        return True
    try:
        return not os.statvfs(folder).f_flag & getattr(os, "ST_NOEXEC", 0)
    except OSError:
        return True
