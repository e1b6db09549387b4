"""Compiling C on this machine: finding a compiler, building once, keeping what was built.

Results are kept in the user's cache under a key made of every source text, the compiler's version
and the flags. What is loaded or run is a copy in a folder of this process alone, so that nobody
can change it and the cache may lie where programs must not be run. A compiler has limits of time
and memory; one that fails is tried on a known function first, before the C is blamed.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import functools
import hashlib
import importlib.util
import json
import os
import secrets
import shlex
import shutil
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from halfcycle.base import cache, files
from halfcycle.base.cache import Cache
from halfcycle.base.errors import HalfcycleError, ToolMissingError
from halfcycle.base.text import printable, printable_lines
from halfcycle.verify import bounded
from halfcycle.verify.bounded import Limits

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

BUILDS = Cache("builds", max_entries=300)

COMPILE_LIMITS = Limits(seconds=120)
ZIG_LIMITS = Limits(seconds=600, memory_bytes=16 << 30)
"""zig builds its own libraries the first time."""
VERSION_LIMITS = Limits(seconds=120, memory_bytes=16 << 30, output_bytes=4096)
MAX_MESSAGE_LINES = 40

_PROBE = {"probe.c": "int halfcycle_probe(void);\nint halfcycle_probe(void) { return 42; }\n"}
_PROBE_ANSWER = 42
_NO_ROOM = ("No space left on device", "Disk quota exceeded")


class CompileError(HalfcycleError):
    """The compiler refused; the text holds its command and its first messages."""


class CompileLimitError(CompileError):
    """The compiler did not end in time."""


@dataclass(frozen=True, slots=True)
class Compiler:
    """A compiler that runs here: the command's words and what it says of its version."""

    command: tuple[str, ...]
    version: str

    @property
    def is_zig(self) -> bool:
        """True for ``python -m ziglang cc`` or ``c++``."""
        return "ziglang" in self.command

    @property
    def limits(self) -> Limits:
        """What a run of it may use."""
        return ZIG_LIMITS if self.is_zig else COMPILE_LIMITS

    def shown(self, arguments: Sequence[str] = ()) -> str:
        """The command line as a message shows it."""
        words = [Path(self.command[0]).name, *self.command[1:], *arguments]
        return printable(shlex.join(words))


def find(language: Language = "c99") -> Compiler:
    """The compiler for ``language``: CC or CXX of the environment, the system's, or ziglang.

    Raises ToolMissingError, naming the remedies, if there is none or the named one does not run.
    """
    plus = language.startswith("c++")
    named = os.environ.get(_variable(language), "")
    return _find(plus, named, os.environ.get("PATH", ""))


def _variable(language: Language) -> str:
    return "CXX" if language.startswith("c++") else "CC"


@functools.lru_cache(maxsize=16)
def _find(plus: bool, named: str, path: str) -> Compiler:
    del path  # Part of the key only: another PATH may hold another compiler.
    if named.strip():
        return _named("CXX" if plus else "CC", named)
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


def _named(variable: str, named: str) -> Compiler:
    """The compiler that an environment variable names."""
    try:
        words = shlex.split(named, posix=sys.platform != "win32")
    except ValueError as error:
        raise _unusable(variable, named, f"which is not a command ({error})") from None
    # From here on the compiler runs in other folders.
    words[0] = str(Path(shutil.which(words[0]) or words[0]).absolute())
    version = _version(tuple(words))
    if version is None:
        raise _unusable(variable, named, "which does not run")
    return Compiler(tuple(words), version)


def _unusable(variable: str, named: str, problem: str) -> ToolMissingError:
    return ToolMissingError(
        f"{variable} is set to {printable(named)!r}, {problem}; correct or unset it. "
        f"Otherwise: {MISSING}"
    )


def _version(words: tuple[str, ...]) -> str | None:
    try:
        ended = bounded.run([*words, "--version"], VERSION_LIMITS, environment=environment())
    except OSError as error:
        if files.is_of_the_machine(error):
            raise cache.temporary_fault(error) from None
        return None
    return ended.output.strip() if ended.status == 0 else None


def build_shared(
    contents: Mapping[str, str],
    sources: Sequence[str],
    defines: Sequence[str] = (),
    flags: Sequence[str] = ("-O2",),
) -> Path:
    """A shared library of ``sources`` (names among ``contents``: file name to text).

    A file name may have one folder before it (``folder/name.c``).
    ``defines`` are ``NAME`` or ``NAME=VALUE``. The file is this process's own, and gone when it
    ends. Raises ToolMissingError without a working compiler, CompileError if it refuses the C,
    and InputError if there is no room for the files.
    """
    suffix = {"win32": ".dll", "darwin": ".dylib"}.get(sys.platform, ".so")
    link = ["-shared"] if sys.platform == "win32" else ["-shared", "-fPIC"]
    return _build("library" + suffix, contents, sources, "c99", [*_defined(defines), *flags, *link])


def load(
    ffi: Any,
    contents: Mapping[str, str],
    sources: Sequence[str],
    defines: Sequence[str] = (),
    flags: Sequence[str] = ("-O2",),
) -> Any:
    """The shared library of ``build_shared`` as cffi's ``ffi`` opens it.

    Raises as ``build_shared`` does, and CompileError if the library cannot be loaded, for
    instance because the C lacks a function.
    """
    path = build_shared(contents, sources, defines, flags)
    try:
        return ffi.dlopen(str(path))
    except OSError as error:
        require_working(find(), "c99")
        reason = printable(str(error).replace(f"{path}: ", ""))
        raise CompileError(f"the compiled C cannot be loaded: {reason}") from None


def build_program(
    contents: Mapping[str, str],
    sources: Sequence[str],
    defines: Sequence[str] = (),
    flags: Sequence[str] = ("-O2",),
    language: Language = "c99",
) -> Path:
    """An executable of ``sources``; parameters and errors as in ``build_shared``."""
    name = "program.exe" if sys.platform == "win32" else "program"
    return _build(name, contents, sources, language, [*_defined(defines), *flags])


def strict_messages(
    contents: Mapping[str, str], sources: Sequence[str], language: Language = "c99"
) -> str:
    """What the compiler says of each source under every warning; "" if it says nothing.

    Raises ToolMissingError if there is no compiler for ``language``, and CompileLimitError if it
    does not end.
    """
    messages = []
    for source in sources:
        arguments = [*STRICT, "-O2", "-c"]
        if language.startswith("c++"):
            arguments += ["-x", "c++"]
        try:
            _build("object.o", contents, [source], language, arguments)
        except CompileLimitError:
            raise
        except CompileError as error:
            messages.append(str(error))
    return "\n".join(messages)


def preprocessed(contents: Mapping[str, str], source: str, arguments: Sequence[str]) -> str:
    """``source`` with its includes and macros worked out. Raises as ``build_shared`` does."""
    output = "preprocessed.i"
    path = _build(output, contents, [source], "c99", ["-E", *arguments])
    return path.read_text(encoding="utf-8", errors="replace")


def build_once(
    recipe: object, output: str, make: Callable[[Path], None], beside: Sequence[str] = ()
) -> Path:
    """The file ``output`` that ``make`` makes in an empty folder, or the kept copy of an earlier
    run. ``recipe``: all that the file depends on, as JSON has it. ``beside``: further files that
    come with it, if they were made and are not empty.

    Raises what ``make`` raises, and InputError if there is no room for the files.
    """
    text = json.dumps([output, recipe])
    key = hashlib.sha256(text.encode()).hexdigest()[:32]
    folder = cache.own_folder() / key
    if (folder / output).is_file():
        return folder / output
    names = (output, *beside)
    contents = [BUILDS.get(_entry(key, name, output)) for name in names]
    try:
        if None in contents:
            place = Path(tempfile.mkdtemp(prefix="building-", dir=cache.own_folder()))
            try:
                make(place)
                made = [(place / name).is_file() or name == output for name in names]
                contents = [
                    (place / name).read_bytes() if there else b""
                    for name, there in zip(names, made, strict=True)
                ]
            finally:
                shutil.rmtree(place, ignore_errors=True)
            for name, content in zip(names, contents, strict=True):
                BUILDS.put(_entry(key, name, output), content or b"")
        folder.mkdir(exist_ok=True)
        # The output last: if it is there, so is all that comes with it.
        for name, content in reversed([*zip(names, contents, strict=True)]):
            if content or name == output:
                temporary = folder / f"{secrets.token_hex(4)}.new"
                temporary.write_bytes(content or b"")
                temporary.chmod(0o700)
                temporary.replace(folder / name)
    except OSError as error:
        raise cache.temporary_fault(error, cache.own_folder().parent) from None
    return folder / output


def _entry(key: str, name: str, output: str) -> str:
    """The cache's key of one of a build's files."""
    return key if name == output else hashlib.sha256(f"{key} {name}".encode()).hexdigest()[:32]


def write_sources(folder: Path, contents: Mapping[str, str]) -> None:
    """Put the texts into ``folder``; a name may have one folder before it. Raises OSError."""
    for name, text in contents.items():
        path = folder / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")


def _defined(defines: Sequence[str]) -> list[str]:
    return [f"-D{define}" for define in defines]


def _build(
    output: str,
    contents: Mapping[str, str],
    sources: Sequence[str],
    language: Language,
    arguments: Sequence[str],
) -> Path:
    compiler = find(language)
    arguments = [f"-std={language}", *arguments]

    def make(place: Path) -> None:
        write_sources(place, contents)
        try:
            _compile(compiler, place, [*arguments, "-o", output, *sources], output)
        except CompileLimitError:
            raise
        except CompileError as error:
            if _lacks_room(str(error), contents):
                full = OSError(errno.ENOSPC, "No space left on device")
                raise cache.temporary_fault(full, place.parent) from None
            require_working(compiler, language)
            raise

    recipe = [compiler.command, compiler.version, list(sources), arguments]
    return build_once([recipe, sorted(contents.items())], output, make)


def _compile(compiler: Compiler, place: Path, arguments: list[str], output: str) -> None:
    limits = compiler.limits
    try:
        ended = bounded.run(
            [*compiler.command, *arguments], limits, folder=place, environment=environment()
        )
    except OSError as error:
        if files.is_of_the_machine(error):
            raise
        raise ToolMissingError(f"{compiler.shown()} does not run: {error.strerror}") from None
    command = compiler.shown(arguments)
    if ended.status is None:
        raise CompileLimitError(f"the compiler did not end within {limits.seconds} s: {command}")
    if ended.status:
        raise refusal(command, ended.output)
    if not (place / output).is_file():
        raise CompileError(f"the compiler wrote no file: {command}")


def refusal(command: str, output: str) -> CompileError:
    """The error that shows a compiler's command and the first lines of its messages."""
    lines = printable_lines(output).strip().splitlines()
    more = len(lines) - MAX_MESSAGE_LINES
    cut = [f"... and {more} lines more"] if more > 0 else []
    head = f"the compiler refused: {command}"
    return CompileError("\n".join([head, *lines[:MAX_MESSAGE_LINES], *cut]))


def _lacks_room(message: str, contents: Mapping[str, str]) -> bool:
    """Whether the compiler complains of a full disk, and not by quoting the C."""
    return any(
        words in message and not any(words in text for text in contents.values())
        for words in _NO_ROOM
    )


@functools.lru_cache(maxsize=16)
def require_working(compiler: Compiler, language: Language = "c99") -> None:
    """Raise ToolMissingError if the compiler cannot make a library of a known function that loads,
    InputError if that is for want of room."""
    plus = language.startswith("c++")
    output = "object.o" if plus else "library"
    kind = ["-x", "c++", "-c"] if plus else ["-shared", "-fPIC"]
    arguments = [f"-std={language}", *kind, "-o", output, *_PROBE]
    with tempfile.TemporaryDirectory(dir=cache.own_folder(), ignore_cleanup_errors=True) as folder:
        place = Path(folder)
        try:
            write_sources(place, _PROBE)
            _compile(compiler, place, arguments, output)
            works = plus or _probe_answer(place / output) == _PROBE_ANSWER
            reason = "what it makes of a C function does not work"
        except CompileError as error:
            if _lacks_room(str(error), {}):
                full = OSError(errno.ENOSPC, "No space left on device")
                raise cache.temporary_fault(full, place.parent) from None
            works, reason = False, str(error).replace("\n", ": ", 1).partition("\n")[0]
        except OSError as error:
            if files.is_of_the_machine(error):
                raise cache.temporary_fault(error, place.parent) from None
            works, reason = False, f"what it makes of a C function cannot be loaded: {error}"
    if not works:
        named = os.environ.get(_variable(language), "")
        if named.strip():
            problem = f"which is not a working compiler ({printable(reason)})"
            raise _unusable(_variable(language), named, problem)
        raise ToolMissingError(
            f"{compiler.shown()} is not a working compiler ({printable(reason)}); repair it, or "
            f"name another in the environment variable {_variable(language)}"
        )


def _probe_answer(library: Path) -> int:
    loaded = ctypes.CDLL(str(library))
    answer = loaded.halfcycle_probe()
    assert isinstance(answer, int)
    return answer


def environment() -> dict[str, str]:
    """A compiler's environment: English messages; and zig, which insists on a cache, gets one if
    the user has none."""
    result = {**os.environ, "LC_ALL": "C"}
    folder = cache.user_folder()
    home = folder.parent if folder is not None else None
    with contextlib.suppress(OSError):
        while home is not None and home != home.parent and not home.exists():
            home = home.parent
    if home is None or not os.access(home, os.W_OK | os.X_OK):
        own = str(cache.own_folder() / "zig")
        result.setdefault("ZIG_GLOBAL_CACHE_DIR", own)
        result.setdefault("ZIG_LOCAL_CACHE_DIR", own)
    return result
