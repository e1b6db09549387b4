"""The one place that writes files: replaced whole or left alone, and several of them together.

A folder is locked while it is written, so that two runs on one folder follow each other instead
of mixing. Text is written as UTF-8 with LF line ends on every system.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
import shutil
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path

from halfcycle.base.errors import Fault, InputError

_TEMPORARY = ".halfcycle-tmp"

_CAUSES: dict[int, tuple[str, str]] = {
    errno.ENOSPC: ("the disk is full", "free some space and run again"),
    errno.EDQUOT: ("the disk quota is used up", "free some space and run again"),
    errno.EFBIG: ("the file would exceed the system's size limit", "raise the limit (ulimit -f)"),
    errno.EROFS: ("the file system is read-only", "name another folder"),
    errno.EACCES: ("no permission to write here", "change the permissions or name another folder"),
    errno.EPERM: ("no permission to write here", "change the permissions or name another folder"),
    errno.ENOTDIR: ("a part of the path is a file, not a folder", "name a folder"),
    errno.EEXIST: ("a file of that name is in the way of the folder", "name another folder"),
    errno.EISDIR: ("a folder of that name is in the way of the file", "name another file"),
    errno.ENAMETOOLONG: ("the name is too long for the file system", "choose a shorter name"),
    errno.ELOOP: ("the symbolic links here lead in a circle", "name another folder"),
}


def write_atomic(path: str | Path, content: str | bytes) -> bool:
    """Write one file whole, creating its folder where needed.

    ``content``: text (stored as UTF-8, LF line ends) or bytes (stored as they are).
    Returns False where the file held exactly this already and was left alone.
    Raises InputError where the file cannot be written; what was there before is then untouched.
    """
    path = Path(path)
    return bool(write_all(path.parent, {path.name: content}))


def write_all(folder: str | Path, contents: Mapping[str, str | bytes]) -> tuple[str, ...]:
    """Write several files of one folder, all or none; returns the names that changed.

    ``contents`` maps plain file names to text or bytes (as in ``write_atomic``). Every file is
    first written beside its place and flushed to the disk, then all are renamed; where a rename
    fails, those already done are undone. Files that hold the right bytes already keep their time
    stamps, so that a build system does not rebuild for nothing.
    Raises InputError (one line per fault) where anything cannot be written.
    """
    for name in contents:
        if name in ("", ".", "..") or Path(name).name != name or "\\" in name:
            raise ValueError(f"not a plain file name: {name!r}")
    folder = Path(folder)
    created = _make_folder(folder)
    try:
        with _locked(folder):
            _remove_leftovers(folder, contents)
            return _replace_together(folder, contents)
    except BaseException:
        for made in reversed(created):
            with contextlib.suppress(OSError):
                made.rmdir()
        raise


def _fault(path: Path, error: OSError) -> InputError:
    problem, remedy = _CAUSES.get(
        error.errno or 0, (error.strerror or str(error), "make this path writable or name another")
    )
    return InputError([Fault(str(path), "write", problem, remedy)])


def _make_folder(folder: Path) -> list[Path]:
    """Create ``folder``; returns what had to be created, outermost first."""
    missing: list[Path] = []
    step = folder
    while not os.path.lexists(step):
        missing.append(step)
        step = step.parent
    missing.reverse()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        for made in reversed(missing):
            with contextlib.suppress(OSError):
                made.rmdir()
        raise _fault(folder, error) from None
    return missing


def _replace_together(folder: Path, contents: Mapping[str, str | bytes]) -> tuple[str, ...]:
    staged: dict[Path, Path] = {}
    before: dict[Path, bytes | None] = {}
    replaced: list[Path] = []
    names: list[str] = []
    place = folder
    try:
        for name, content in contents.items():
            # A symbolic link stays a link: the file that it points to is what gets replaced.
            place = Path(os.path.realpath(folder / name))
            data = content if isinstance(content, bytes) else _encode(content)
            old = place.read_bytes() if place.exists() else None
            if old == data:
                continue
            before[place] = old
            staged[place] = place.with_name(f".{place.name}.{secrets.token_hex(4)}{_TEMPORARY}")
            _write_new(staged[place], data, like=place if old is not None else None)
            names.append(name)
        for place, temporary in staged.items():
            temporary.replace(place)
            replaced.append(place)
    except BaseException as error:
        for done in reversed(replaced):
            _put_back(done, before[done])
        if isinstance(error, OSError):
            raise _fault(place, error) from None
        raise
    finally:
        for temporary in staged.values():
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
    for parent in {place.parent for place in replaced}:
        _flush_folder(parent)
    return tuple(names)


def _encode(text: str) -> bytes:
    return text.replace("\r\n", "\n").encode("utf-8")


def _write_new(path: Path, data: bytes, like: Path | None) -> None:
    """Create ``path`` with ``data`` on the disk, with the permissions of ``like``."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
    with os.fdopen(handle, "wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
    if like is not None:
        with contextlib.suppress(OSError):
            shutil.copymode(like, path)


def _put_back(place: Path, old: bytes | None) -> None:
    """Undo one rename. Best effort: the disk has just refused something else."""
    with contextlib.suppress(OSError):
        if old is None:
            place.unlink()
            return
        temporary = place.with_name(f".{place.name}.{secrets.token_hex(4)}{_TEMPORARY}")
        try:
            _write_new(temporary, old, like=place)
            temporary.replace(place)
        finally:
            temporary.unlink(missing_ok=True)


def _remove_leftovers(folder: Path, names: Mapping[str, object]) -> None:
    """Remove what a run that was killed left behind; the lock says that nobody owns it."""
    with contextlib.suppress(OSError):
        for entry in folder.iterdir():
            if entry.name.endswith(_TEMPORARY) and any(
                entry.name.startswith(f".{name}.") for name in names
            ):
                entry.unlink(missing_ok=True)


def _flush_folder(folder: Path) -> None:
    """Make the renames last through a power cut, where the system can."""
    if sys.platform == "win32":
        return
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextlib.contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Hold the folder against other runs of this tool, leaving no lock file inside it."""
    try:
        if sys.platform == "win32":
            import msvcrt  # noqa: PLC0415

            digest = hashlib.sha256(os.path.realpath(folder).encode()).hexdigest()[:16]
            handle = os.open(
                Path(tempfile.gettempdir()) / f"halfcycle-{digest}.lock", os.O_RDWR | os.O_CREAT
            )
            msvcrt.locking(handle, msvcrt.LK_LOCK, 1)
        else:
            import fcntl  # noqa: PLC0415

            handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
            # Some network file systems have no locks: then two runs at once are the user's care.
            with contextlib.suppress(OSError):
                fcntl.flock(handle, fcntl.LOCK_EX)
    except OSError as error:
        raise _fault(folder, error) from None
    try:
        yield
    finally:
        os.close(handle)
