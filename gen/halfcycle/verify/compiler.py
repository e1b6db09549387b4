"""Compiling C on this machine: finding a compiler, building once, keeping what was built.

Results are kept in the user's cache folder under a key made of every source text, the compiler's
version and the flags; an entry appears whole (by a rename) or not at all, so any number of runs
may share the folder.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import hashlib
import importlib.util
import json
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from halfcycle.base import files
from halfcycle.base.errors import InputError, ToolMissingError

Language = Literal["c99", "c11", "c++17"]

STRICT = [
    "-Wall",
    "-Wextra",
    "-Werror",
    "-Wconversion",
    "-Wsign-conversion",
    "-Wshadow",
    "-Wcast-qual",
    "-Wdouble-promotion",
    "-pedantic",
]
"""Warnings that the generated C must not raise on any compiler."""

MISSING = (
    "no C compiler was found; install one (Debian: apt install gcc, macOS: xcode-select "
    "--install) or the one on PyPI (pip install ziglang), or name yours in the "
    "environment variable CC"
)

_KEPT = 300
"""Cache entries kept; the ones used longest ago go first."""


class CompileError(Exception):
    """The compiler refused; the text holds its command and its first messages."""


@dataclass(frozen=True, slots=True)
class Compiler:
    """A compiler that runs here: the command's words and what it says of its version."""

    command: tuple[str, ...]
    version: str

    @property
    def is_zig(self) -> bool:
        """True for ``python -m ziglang cc`` or ``c++``."""
        return "ziglang" in self.command


def find(language: Language = "c99") -> Compiler:
    """The compiler for ``language``: CC or CXX of the environment, the system's, or ziglang.

    Raises ToolMissingError, naming the remedies, where there is none or the named one does not run.
    """
    plus = language.startswith("c++")
    named = os.environ.get("CXX" if plus else "CC", "")
    return _find(plus, named, os.environ.get("PATH", ""))


@functools.lru_cache(maxsize=16)
def _find(plus: bool, named: str, path: str) -> Compiler:
    del path  # Part of the key only: another PATH may hold another compiler.
    if named:
        words = tuple(shlex.split(named, posix=sys.platform != "win32"))
        version = _version(words)
        if version is None:
            raise ToolMissingError(
                f"{'CXX' if plus else 'CC'} is set to {named!r}, which does not run; correct or "
                f"unset it. Otherwise: {MISSING}"
            )
        return Compiler(words, version)
    for name in ("c++", "g++", "clang++") if plus else ("cc", "gcc", "clang"):
        full = shutil.which(name)
        version = _version((full,)) if full else None
        if full and version is not None:
            return Compiler((full,), version)
    if importlib.util.find_spec("ziglang") is not None:
        words = (sys.executable, "-m", "ziglang", "c++" if plus else "cc")
        version = _version(words)
        if version is not None:
            return Compiler(words, version)
    raise ToolMissingError(MISSING.replace("a C compiler", "a C++ compiler") if plus else MISSING)


def _version(words: tuple[str, ...]) -> str | None:
    try:
        ran = subprocess.run(
            [*words, "--version"],
            capture_output=True,
            text=True,
            errors="replace",
            timeout=120,
            check=False,
            env=_environment(),
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    return ran.stdout.strip() if ran.returncode == 0 else None


def build_shared(
    contents: Mapping[str, str],
    sources: Sequence[str],
    defines: Sequence[str] = (),
    flags: Sequence[str] = ("-O2",),
    fresh: bool = False,
) -> Path:
    """A shared library of ``sources`` (names among ``contents``: file name to text).

    A file name may have one folder before it (``folder/name.c``).
    ``defines`` are ``NAME`` or ``NAME=VALUE``. ``fresh`` drops a kept copy and builds into a
    folder of this process alone: for a copy that turned out not to load.
    Raises ToolMissingError without a compiler and CompileError where it refuses.
    """
    suffix = {"win32": ".dll", "darwin": ".dylib"}.get(sys.platform, ".so")
    link = ["-shared"] if sys.platform == "win32" else ["-shared", "-fPIC"]
    arguments = [*_defined(defines), *flags, *link]
    return _build("library" + suffix, contents, sources, "c99", arguments, fresh=fresh)


def build_program(
    contents: Mapping[str, str],
    sources: Sequence[str],
    defines: Sequence[str] = (),
    flags: Sequence[str] = ("-O2",),
    language: Language = "c99",
) -> Path:
    """An executable of ``sources``; parameters and errors as in ``build_shared``."""
    name = "program.exe" if sys.platform == "win32" else "program"
    return _build(name, contents, sources, language, [*_defined(defines), *flags], fresh=False)


def strict_messages(
    contents: Mapping[str, str], sources: Sequence[str], language: Language = "c99"
) -> str:
    """What the compiler says of each source under every warning; "" where it says nothing.

    Raises ToolMissingError where there is no compiler for ``language``.
    """
    said = []
    for source in sources:
        arguments = [*STRICT, "-O2", "-c"]
        if language.startswith("c++"):
            arguments += ["-x", "c++"]
        try:
            _build("object.o", contents, [source], language, arguments, fresh=False)
        except CompileError as error:
            said.append(str(error))
    return "\n".join(said)


def _defined(defines: Sequence[str]) -> list[str]:
    return [f"-D{define}" for define in defines]


def _build(
    output: str,
    contents: Mapping[str, str],
    sources: Sequence[str],
    language: Language,
    arguments: Sequence[str],
    *,
    fresh: bool,
) -> Path:
    compiler = find(language)
    arguments = [f"-std={language}", *arguments]
    recipe = [compiler.command, compiler.version, output, list(sources), arguments]
    text = json.dumps([recipe, sorted(contents.items())])
    key = hashlib.sha256(text.encode()).hexdigest()[:32]
    kept = cache_folder() / key
    if fresh:
        shutil.rmtree(kept, ignore_errors=True)
        kept = _own_folder() / key
    if (kept / output).is_file():
        with contextlib.suppress(OSError):
            os.utime(kept)
        return kept / output
    shutil.rmtree(kept, ignore_errors=True)  # An entry that lost its result.
    try:
        kept.parent.mkdir(parents=True, exist_ok=True)
        place = Path(tempfile.mkdtemp(prefix="building-", dir=kept.parent))
    except OSError:
        kept = _own_folder() / key
        if (kept / output).is_file():
            return kept / output
        place = Path(tempfile.mkdtemp(prefix="building-", dir=kept.parent))
    try:
        try:
            for folder in sorted({os.path.dirname(name) for name in contents}):  # noqa: PTH120
                here = [name for name in contents if os.path.dirname(name) == folder]  # noqa: PTH120
                files.write_all(place / folder, {Path(n).name: contents[n] for n in here})
        except InputError:  # A full cache disk: the temporary folder may be on another one.
            if place.parent == _own_folder():
                raise
            return _build(output, contents, sources, language, arguments[1:], fresh=True)
        _compile(compiler, place, [*arguments, "-o", output, *sources])
        with contextlib.suppress(OSError):  # Another run was quicker: its copy is as good.
            place.rename(kept)
    finally:
        shutil.rmtree(place, ignore_errors=True)
    _prune(kept)
    return kept / output


def _compile(compiler: Compiler, place: Path, arguments: list[str]) -> None:
    ran = subprocess.run(
        [*compiler.command, *arguments],
        cwd=place,
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
        env=_environment(),
    )
    if ran.returncode:
        lines = (ran.stderr or ran.stdout).strip().splitlines()
        cut = [f"... and {len(lines) - 40} lines more"] if len(lines) > 40 else []
        shown = shlex.join([Path(compiler.command[0]).name, *compiler.command[1:], *arguments])
        raise CompileError("\n".join([f"the compiler refused: {shown}", *lines[:40], *cut]))


def cache_folder() -> Path:
    """Where builds are kept: XDG_CACHE_HOME or LOCALAPPDATA where set, else the system's habit."""
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or str(Path.home() / "AppData" / "Local")
    elif os.environ.get("XDG_CACHE_HOME"):
        base = os.environ["XDG_CACHE_HOME"]
    elif sys.platform == "darwin":
        base = str(Path.home() / "Library" / "Caches")
    else:
        base = str(Path.home() / ".cache")
    return Path(base) / "halfcycle" / "builds"


@functools.lru_cache(maxsize=1)
def _own_folder() -> Path:
    """A folder of this process alone, gone when it ends: for a cache that cannot be written."""
    folder = Path(tempfile.mkdtemp(prefix="halfcycle-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def _environment() -> dict[str, str]:
    """English messages; and zig, which insists on a cache, gets one that it can write."""
    environment = {**os.environ, "LC_ALL": "C"}
    home = cache_folder()
    while not home.exists():
        home = home.parent
    if not os.access(home, os.W_OK):
        environment.setdefault("ZIG_GLOBAL_CACHE_DIR", str(_own_folder() / "zig"))
        environment.setdefault("ZIG_LOCAL_CACHE_DIR", str(_own_folder() / "zig"))
    return environment


def _prune(newest: Path) -> None:
    with contextlib.suppress(OSError):
        entries = [entry for entry in newest.parent.iterdir() if entry != newest]
        entries = [entry for entry in entries if not entry.name.startswith("building-")]
        entries.sort(key=lambda entry: entry.stat().st_mtime, reverse=True)
        for old in entries[_KEPT:]:
            shutil.rmtree(old, ignore_errors=True)
