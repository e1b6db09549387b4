"""A shared library of C, built or taken from the cache, loaded through cffi."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from halfcycle.verify import compiler


def load(
    declarations: str,
    contents: Mapping[str, str],
    sources: Sequence[str],
    flags: Sequence[str] = ("-O2",),
) -> tuple[Any, Any]:
    """cffi's FFI with ``declarations``, and the library of ``sources``.

    ``contents``, ``sources`` and ``flags`` as in ``compiler.build_shared``. Raises ToolMissingError
    without a compiler and compiler.CompileError if it refuses the code.
    """
    import cffi  # noqa: PLC0415 (slow to import)

    ffi = cffi.FFI()
    ffi.cdef(declarations)
    return ffi, compiler.load(ffi, contents, sources, (), flags)
