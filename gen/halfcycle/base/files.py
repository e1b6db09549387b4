"""The one place that writes files: replaced whole or left alone, and several of them together.

A folder is locked while it is written, so that two runs on one folder follow each other instead
of mixing. A set of files is all old or all new: signals wait until the last rename. Only what no
program can catch (SIGKILL, a power cut) can leave some old and some new; then temporary files stay
behind, which ``leftovers`` finds. Text is written as UTF-8 with LF line ends on every system.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import io
import os
import secrets
import shutil
import stat
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from halfcycle.base import signals
from halfcycle.base.errors import Fault, InputError
from halfcycle.base.text import printable

TEMPORARY_SUFFIX = ".halfcycle-tmp"
LOCK_WAIT_S = 60.0
"""How long a run waits for another one that holds its folder."""
MAX_SET_BYTES = 1 << 26
"""A file that is replaced together with others is held in memory, to be put back."""

_CAUSES: dict[int, tuple[str, str]] = {
    errno.ENOSPC: ("the disk is full", "free some space and run again"),
    errno.EDQUOT: ("the disk quota is used up", "free some space and run again"),
    errno.EFBIG: ("the file would exceed the system's size limit", "raise the limit (ulimit -f)"),
    errno.EROFS: ("the file system is read-only", "name another folder"),
    errno.EACCES: ("no permission to write here", "change the permissions or name another folder"),
    errno.EPERM: ("no permission to write here", "change the permissions or name another folder"),
    errno.ENOENT: ("a folder of this path is not there any more", "name one that is"),
    errno.ENOTDIR: ("a part of the path is a file, not a folder", "name a folder"),
    errno.EEXIST: ("a file of that name is in the way of the folder", "name another folder"),
    errno.EISDIR: ("a folder of that name is in the way of the file", "name another file"),
    errno.ENAMETOOLONG: ("the name is too long for the file system", "choose a shorter name"),
    errno.ELOOP: ("the symbolic links here lead in a circle", "name another folder"),
    errno.EMFILE: ("too many files are open", "raise the limit (ulimit -n)"),
    errno.ENFILE: ("too many files are open on this system", "close some programs"),
    errno.EIO: ("the disk reports an error", "check the disk"),
    errno.ENXIO: ("the device does not take it", "name a file"),
    errno.ENOMEM: ("the memory is used up", "close some programs"),
}
"""What an operating system's error means to the user, and what to do."""


class NotRegularError(OSError):
    """A path that is not a regular file; the text says what it is."""


class TooLongError(OSError):
    """A file longer than its reader takes."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a file goes: ``path`` with its links followed, and ``status`` of what is there now
    (None: nothing)."""

    path: Path
    status: os.stat_result | None


Permit = Callable[[str, Place], None]
"""Told a file's name and its place before anything is written; raises InputError to forbid it."""


@dataclass(frozen=True, slots=True)
class Beside:
    """A file of another folder that is written together with a set of files; fields as
    ``write_atomic`` has them."""

    path: Path
    content: str | bytes
    permit: Permit


_written: list[Path] = []


def written() -> tuple[Path, ...]:
    """The files that this process has written so far, each of them whole."""
    return tuple(_written)


def write_atomic(path: str | Path, content: str | bytes, permit: Permit | None = None) -> bool:
    """Write one file whole, creating its folder if needed.

    ``content``: text (stored as UTF-8, LF line ends) or bytes (stored as they are).
    ``permit`` as in ``write_all``.
    Returns False if the file held exactly this already and was left alone.
    Raises InputError if the file cannot be written; what was there before is then untouched.
    """
    path = Path(path)
    return bool(write_all(path.parent, {path.name: content}, permit))


def write_all(
    folder: str | Path,
    contents: Mapping[str, str | bytes],
    permit: Permit | None = None,
    beside: Beside | None = None,
) -> tuple[str, ...]:
    """Write several files of one folder, and one ``beside`` them, all or none; returns the names
    that changed, of the last its path.

    ``contents`` maps plain file names to text or bytes (as in ``write_atomic``). ``permit`` is
    asked for each place while the folder is locked. Every file is first written beside its place
    and flushed to the disk, then all are renamed; if a rename fails, those already done are
    undone, and signals wait until the last one. A place where nothing was must still be empty
    when its file is renamed to it. Files that hold the right bytes already keep their time stamps,
    so that a build system does not rebuild for nothing.
    Raises InputError (one line per fault) if anything cannot be written.
    """
    for name in contents:
        if name in ("", ".", "..") or Path(name).name != name or "\\" in name:
            raise ValueError(f"not a plain file name: {name!r}")
    signals.look()
    folder = Path(folder)
    every, permits, folders = dict(contents), dict.fromkeys(contents, permit), [folder]
    if beside is not None:
        path = str(beside.path.absolute())  # Under any folder it is itself.
        every[path], permits[path] = beside.content, beside.permit
        folders.append(beside.path.parent)

    def permitted(name: str, place: Place) -> None:
        asked = permits[name]
        if asked is not None:
            asked(Path(name).name, place)

    created: list[Path] = []
    try:
        for step in folders:
            created += _make_folder(step)
        with contextlib.ExitStack() as locks:
            # In one order, so that two runs do not wait for each other.
            for step in sorted({Path(os.path.realpath(step)) for step in folders}):
                locks.enter_context(_locked(step))
            _remove_leftovers(folder, every)
            return _replace_together(folder, every, permitted)
    except FileNotFoundError as error:  # The working folder was removed.
        raise fault(folder, error) from None
    except BaseException:
        for parent in reversed(created):
            with contextlib.suppress(OSError):
                parent.rmdir()
        raise


def leftovers(folder: str | Path, names: Iterable[str]) -> tuple[Path, ...]:
    """Temporary files that a killed run left beside the files of these ``names``.

    If there are any, some of the files may be old and others new. Not while a run is writing there:
    ask inside ``reading``.
    """
    starts: dict[Path, list[str]] = {}
    for name in names:  # A link's file is written beside what the link points to.
        path = Path(os.path.realpath(Path(folder) / name))
        starts.setdefault(path.parent, []).append(f".{path.name}.")
    rest: list[Path] = []
    for parent, beginnings in starts.items():
        with contextlib.suppress(OSError):
            rest += [
                entry
                for entry in parent.iterdir()
                if entry.name.endswith(TEMPORARY_SUFFIX)
                and entry.name.startswith(tuple(beginnings))
            ]
    return tuple(sorted(rest))


@contextlib.contextmanager
def reading(folder: str | Path) -> Iterator[None]:
    """Hold ``folder`` against writers of this tool, so that a set of files is read all old or all
    new. Goes on without after a while, and on systems that have no such locks."""
    with contextlib.ExitStack() as stack:
        with contextlib.suppress(InputError):
            stack.enter_context(_locked(Path(folder), shared=True))
        yield


def open_regular(path: str | Path) -> io.BufferedReader:
    """A regular file, open for reading bytes. Never waits for a FIFO or a device.

    Raises OSError: NotRegularError for what is not a regular file, or what the system says.
    """
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    handle = os.open(path, flags)
    try:
        mode = os.fstat(handle).st_mode
        if not stat.S_ISREG(mode):
            raise NotRegularError(errno.EINVAL, f"is {kind_of(mode)}", str(path))
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def read_regular(path: str | Path, max_bytes: int) -> bytes:
    """The bytes of a regular file, at most ``max_bytes``.

    Never waits for a FIFO or a device. Raises OSError: NotRegularError for what is no regular
    file, TooLongError for a longer one, or what the system says.
    """
    with open_regular(path) as stream:
        data = stream.read(max_bytes + 1)
    if len(data) > max_bytes:
        raise TooLongError(errno.EFBIG, f"longer than {max_bytes} bytes", str(path))
    return data


def read_ends(path: str | Path, size: int) -> bytes:
    """The first and the last ``size`` bytes of a regular file. Raises OSError as ``read_regular``
    does."""
    with open_regular(path) as stream:
        head = stream.read(size)
        stream.seek(max(len(head), os.fstat(stream.fileno()).st_size - size))
        return head + stream.read(size)


def kind_of(mode: int) -> str:
    """What a file's mode says that it is: "a folder", "a FIFO" ..."""
    kinds: tuple[tuple[Callable[[int], bool], str], ...] = (
        (stat.S_ISREG, "a regular file"),
        (stat.S_ISDIR, "a folder"),
        (stat.S_ISFIFO, "a FIFO"),
        (stat.S_ISCHR, "a device"),
        (stat.S_ISBLK, "a device"),
        (stat.S_ISSOCK, "a socket"),
    )
    return next((text for test, text in kinds if test(mode)), "no regular file")


def fault(path: str | Path, error: OSError, key: str = "write") -> InputError:
    """What the system's ``error`` at ``path`` means to the user."""
    problem, remedy = _CAUSES.get(
        error.errno or 0, (error.strerror or str(error), "make this path writable or name another")
    )
    return InputError([Fault(printable(str(path)), key, problem, remedy)])


def is_of_the_machine(error: OSError) -> bool:
    """Whether ``error`` tells of a full disk, memory and the like, which no input is to blame
    for."""
    return error.errno in (
        *(errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS),
        *(errno.EMFILE, errno.ENFILE, errno.EIO, errno.ENOMEM),
    )


def _make_folder(folder: Path) -> list[Path]:
    """Create ``folder``; returns what had to be created, outermost first."""
    missing: list[Path] = []
    step = folder
    while not os.path.lexists(step):
        missing.append(step)
        step = step.parent
    missing.reverse()
    made: list[Path] = []
    try:
        for step in missing:  # One by one: pathlib's own way recurses once for each part.
            try:
                step.mkdir()
            except FileExistsError:  # Made by another program meanwhile, or "..".
                if not step.is_dir():
                    raise
            else:
                made.append(step)
        if not folder.is_dir():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(folder))
    except OSError as error:
        for parent in reversed(made):
            with contextlib.suppress(OSError):
                parent.rmdir()
        raise fault(folder, error) from None
    return made


@dataclass(frozen=True, slots=True)
class _Change:
    """A file on its way: ``temporary`` is to become ``place``."""

    place: Place
    temporary: Path
    before: bytes | None
    """What the place holds, to be put back if a later rename fails."""


def _replace_together(
    folder: Path, contents: Mapping[str, str | bytes], permit: Permit | None
) -> tuple[str, ...]:
    staged: dict[str, _Change] = {}
    path = folder
    try:
        places = _places(folder, contents, permit)
        for name, content in contents.items():
            path = places[name].path
            data = content if isinstance(content, bytes) else _encode(content)
            before = _content(places[name], len(data), whole=len(contents) > 1)
            if before == data:
                continue
            _refuse_read_only(places[name])
            temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}{TEMPORARY_SUFFIX}")
            staged[name] = _Change(places[name], temporary, before)
            _write_new(temporary, data, like=path if places[name].status else None)
        parents = {change.place.path.parent for change in staged.values()}
        for parent in parents:
            _flush_folder(parent)  # So that no power cut loses a file that is still to be renamed.
        signals.look()
        with signals.deferred():
            path = _rename_all(list(staged.values()))
        for parent in parents:
            _flush_folder(parent)
    except OSError as error:
        raise fault(error.filename2 or path, error) from None
    finally:
        with signals.deferred():
            for change in staged.values():
                with contextlib.suppress(OSError):
                    change.temporary.unlink(missing_ok=True)
    return tuple(staged)


def _places(
    folder: Path, contents: Mapping[str, str | bytes], permit: Permit | None
) -> dict[str, Place]:
    """Where each file goes. A symbolic link stays a link: what it points to is replaced."""
    places: dict[str, Place] = {}
    faults: list[Fault] = []
    for name in contents:
        path = Path(os.path.realpath(folder / name))
        try:
            place = Place(path, path.stat())
        except FileNotFoundError:
            place = Place(path, None)
        try:
            if place.status is not None and not stat.S_ISREG(place.status.st_mode):
                raise InputError([_not_regular(folder / name, place.status.st_mode)])
            if any(path == other.path for other in places.values()):
                problem = "two of the files to write are links to this one"
                raise InputError([Fault(printable(str(path)), "write", problem, "remove a link")])
            if permit is not None:
                permit(name, place)
        except InputError as error:
            faults += error.faults
        places[name] = place
    if faults:
        raise InputError(faults)
    return places


def _not_regular(path: Path, mode: int) -> Fault:
    if stat.S_ISDIR(mode):
        return Fault(printable(str(path)), "write", *_CAUSES[errno.EISDIR])
    problem = f"{kind_of(mode)} is in the way of the file"
    return Fault(printable(str(path)), "write", problem, "name another file")


def _content(place: Place, size: int, *, whole: bool) -> bytes | None:
    """What ``place`` holds, None if nothing; not read if it is longer than ``size``, the new
    content's, unless the ``whole`` is wanted."""
    if place.status is None or (place.status.st_size != size and not whole):
        return None
    try:
        return read_regular(place.path, max(size, MAX_SET_BYTES))
    except TooLongError:
        problem = "too long to be one of these files"
        remedy = "move it away, and run again"
        raise InputError([Fault(printable(str(place.path)), "write", problem, remedy)]) from None


def _refuse_read_only(place: Place) -> None:
    """A file that was made read-only is not replaced, not even by root."""
    if place.status is None:
        return
    if not place.status.st_mode & 0o222 or not os.access(place.path, os.W_OK):
        problem = "the file is read-only"
        remedy = "make it writable, or name another"
        raise InputError([Fault(printable(str(place.path)), "write", problem, remedy)])


def _rename_all(changes: list[_Change]) -> Path:
    """Rename every temporary file to its place, or undo what was done; returns the last place."""
    done: list[_Change] = []
    try:
        for change in changes:
            if change.place.status is None:
                _create(change.temporary, change.place.path)
            else:
                change.temporary.replace(change.place.path)
            done.append(change)
    except BaseException:
        for change in reversed(done):
            _put_back(change)
        raise
    _written.extend(change.place.path for change in changes)
    return changes[-1].place.path if changes else Path()


def _create(temporary: Path, path: Path) -> None:
    """Give a file its place, which must be empty still."""
    try:
        os.link(temporary, path)
    except FileExistsError:
        problem = "another program has made this file meanwhile"
        remedy = "look at it, and run again"
        raise InputError([Fault(printable(str(path)), "write", problem, remedy)]) from None
    except (OSError, NotImplementedError):  # A file system without hard links.
        temporary.replace(path)


def _put_back(change: _Change) -> None:
    """Undo one rename. Best effort: the disk has just refused something else."""
    path = change.place.path
    with contextlib.suppress(OSError):
        if change.before is None:
            path.unlink()
            return
        temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}{TEMPORARY_SUFFIX}")
        try:
            _write_new(temporary, change.before, like=path)
            temporary.replace(path)
        finally:
            temporary.unlink(missing_ok=True)


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


def _remove_leftovers(folder: Path, names: Iterable[str]) -> None:
    """Remove what a run that was killed left behind; the lock says that nobody owns it."""
    for path in leftovers(folder, names):
        with contextlib.suppress(OSError):
            path.unlink()


def _flush_folder(folder: Path) -> None:
    """Make the renames last through a power cut, if the system can."""
    if sys.platform == "win32":
        return
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextlib.contextmanager
def _locked(folder: Path, *, shared: bool = False) -> Iterator[None]:
    """Hold the folder against other runs of this tool, leaving no lock file inside it.

    ``shared``: together with other readers. Raises InputError if another run holds it for long.
    """
    try:
        handle = _lock_handle(folder)
    except OSError as error:
        raise fault(folder, error) from None
    try:
        deadline = time.monotonic() + LOCK_WAIT_S
        while not _lock(handle, shared):
            if time.monotonic() > deadline:
                problem = "another run of halfcycle holds this folder"
                remedy = "wait until it has ended, or end it"
                raise InputError([Fault(printable(str(folder)), "write", problem, remedy)])
            time.sleep(0.02)
        yield
    finally:
        os.close(handle)


def _lock_handle(folder: Path) -> int:
    if sys.platform == "win32":
        digest = hashlib.sha256(os.path.realpath(folder).encode()).hexdigest()[:16]
        name = f"halfcycle-{digest}.lock"
        return os.open(Path(tempfile.gettempdir()) / name, os.O_RDWR | os.O_CREAT)
    return os.open(folder, os.O_RDONLY | os.O_DIRECTORY)


def _lock(handle: int, shared: bool) -> bool:
    """Whether the lock was free. True too if the file system has no locks, as some network ones:
    then two runs at once are the user's care."""
    try:
        if sys.platform == "win32":
            import msvcrt  # noqa: PLC0415

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl  # noqa: PLC0415

            kind = fcntl.LOCK_SH if shared else fcntl.LOCK_EX
            fcntl.flock(handle, kind | fcntl.LOCK_NB)
    except OSError as error:
        return error.errno not in (errno.EAGAIN, errno.EACCES, errno.EDEADLK)
    return True
