"""The one policy for names that reach C: the spec's ``name`` prefixes every generated name.

C's own reservations of whole prefixes (``is...``, ``to...``, ``str...``, C99 7.26) are not refused:
no standard name ends as the generated ones do, and "tower" is a fair name for a supply.
"""

from __future__ import annotations

import re

SIGNIFICANT_CHARACTERS = 31
"""Initial characters of an external name that every C99 compiler tells apart (C99 5.2.4.1)."""

EXTERNAL_SUFFIXES = (
    "_reset",
    "_set_target_mv",
    "_sample",
    "_hold",
    "_update",
    "_read",
    "_clear",
    "_rms_mv",
    "_scale",
    "_flags",
    "_drive",
    "_duty",
    "_state",
    "_reading",
    "_selftest",
    "_vectors",
)
"""What the generated C appends to the name (macros have 63 characters, so they set no limit)."""

TURN_SUFFIXES = ("_turn", "_turn_reset", "_turn_next", "_turn_set_millihertz")
"""The oscillator's. The last may be cut at its end: by then it is no other's."""

MAX_LENGTH = SIGNIFICANT_CHARACTERS - max(map(len, EXTERNAL_SUFFIXES))


def _words(table: str) -> frozenset[str]:
    return frozenset(table.split())


_IDENTIFIER = re.compile(r"[A-Za-z][A-Za-z0-9_]*", re.ASCII)

# From memory of the standards' keyword lists: C89 to C23, then C++98 to C++20, then contextual.
_KEYWORDS = _words(
    """
    auto break case char const continue default do double else enum extern float for goto if int
    long register return short signed sizeof static struct switch typedef union unsigned void
    volatile while inline restrict alignas alignof bool constexpr false nullptr static_assert
    thread_local true typeof typeof_unqual asm fortran near far interrupt
    and and_eq bitand bitor catch char8_t char16_t char32_t class co_await co_return co_yield
    compl concept consteval constinit const_cast decltype delete dynamic_cast explicit export
    friend mutable namespace new noexcept not not_eq operator or or_eq private protected public
    reinterpret_cast requires static_cast template this throw try typeid typename using virtual
    wchar_t xor xor_eq final override import module
    """
)

# NAME.h must not hide a standard header on the include path (C99 to C23), nor one that stdint.h
# includes itself (glibc, newlib, Microsoft's C; all from memory).
_HEADERS = _words(
    """
    assert complex ctype errno fenv float inttypes iso646 limits locale math setjmp signal
    stdalign stdarg stdatomic stdbit stdbool stdckdint stddef stdint stdio stdlib stdnoreturn
    string tgmath threads time uchar wchar wctype memory strings unistd
    features newlib corecrt vcruntime sal
    """
)

# Names with a meaning of their own in C programs, matched without regard to case.
_STANDARD = frozenset({"main", "null", "eof", "offsetof", "stdin", "stdout", "stderr", "std"})
_STANDARD_PATTERNS = (
    re.compile(r"u?int(_least|_fast|max|ptr)?[0-9]*(_t|_max|_min|_c|_width)?", re.IGNORECASE),
    re.compile(r"(size|ssize|ptrdiff|sig_atomic|wchar|wint)(_t|_max|_min)", re.IGNORECASE),
    re.compile(r"(u?char|schar|u?shrt|u?long|u?llong|u?int)_(bit|max|min)", re.IGNORECASE),
)

# Windows keeps these for devices, whatever the case and the extension (Microsoft's "Naming
# Files, Paths, and Namespaces", from memory).
_DEVICES = re.compile(r"con|prn|aux|nul|com[0-9]|lpt[0-9]", re.IGNORECASE)

# What the harness that runs the generated C (c_harness) calls its own: NAME.h of hc_circuit would
# have the include guard of circuit.h there.
_HARNESS = re.compile(r"hc(_.*)?", re.IGNORECASE)

TURN_ENDING = "_turn"
"""The reset of gauge_turn would be that of gauge's oscillator."""

FILE_ENDINGS = ("_selftest", "_vectors")
"""What names a generated file beside NAME.c and NAME.h: gauge and gauge_selftest in one folder
would both have a gauge_selftest.c."""


class BadNameError(ValueError):
    """A name that must not reach C or the file system, with the reason and the way out."""

    def __init__(self, problem: str, remedy: str) -> None:
        self.problem = problem
        self.remedy = remedy
        super().__init__(f"{problem}; {remedy}")


def check_name(name: str) -> str:
    """Return ``name`` unchanged where it may prefix C names and name files.

    A good name is 1 to ``MAX_LENGTH`` ASCII letters, digits and single underscores, begins with a
    letter, ends neither in an underscore nor as a generated file does, and has no meaning of its
    own.

    Raises:
        BadNameError: with the problem and the remedy.
    """
    rename = 'choose another, such as "gauge_hut"'
    if not name:
        raise BadNameError("the name is empty", 'give one, such as "gauge_hut"')
    shown = ascii(name if len(name) <= 40 else name[:37] + "...").strip("'\"")
    if not _IDENTIFIER.fullmatch(name):
        raise BadNameError(
            f'"{shown}" is not a C identifier',
            "use ASCII letters, digits and underscores, a letter first",
        )
    if len(name) > MAX_LENGTH:
        raise BadNameError(
            f'"{shown}" has {len(name)} characters, more than {MAX_LENGTH}',
            f"shorten it: with its longest suffix it must fit the {SIGNIFICANT_CHARACTERS} "
            "characters that every C compiler tells apart",
        )
    if "__" in name or name.endswith("_"):
        raise BadNameError(
            f'"{shown}" makes names with a double underscore, which C++ reserves',
            "use single underscores between letters or digits",
        )
    _check_word(name, rename)
    return name


def _check_word(name: str, rename: str) -> None:
    folded = name.lower()
    if folded in _KEYWORDS:
        raise BadNameError(f'"{name}" is a keyword of C or C++', rename)
    if folded in _STANDARD or any(p.fullmatch(name) for p in _STANDARD_PATTERNS):
        raise BadNameError(f'"{name}" has a meaning of its own in C', rename)
    if folded in _HEADERS:
        raise BadNameError(f'"{name}.h" would hide a standard header', rename)
    if _DEVICES.fullmatch(name):
        raise BadNameError(f'"{name}" is a device on Windows and cannot name a file', rename)
    if _HARNESS.fullmatch(name):
        raise BadNameError(f'"{name}" is what the test harness calls its own', rename)
    if folded.endswith(TURN_ENDING):
        raise BadNameError(
            f'"{name}" would share calls with the oscillator of "{name[: -len(TURN_ENDING)]}"',
            rename,
        )
    for ending in FILE_ENDINGS:
        if folded.endswith(ending):
            stem = name[: -len(ending)]
            raise BadNameError(
                f'"{name}" ends as a generated file of "{stem}" does and would overwrite it', rename
            )
