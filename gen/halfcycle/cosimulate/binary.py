"""A unit's library for this machine, beside its sources."""

from __future__ import annotations

import sys
from collections.abc import Mapping

from halfcycle.cosimulate.unit import Unit
from halfcycle.verify import compiler

FLAGS = ("-O3", "-ffp-contract=off")
"""No fused multiply-add: the circuit then gives the same bits as ``simulate``."""
_SYSTEMS = {"linux": ("linux", ".so"), "darwin": ("darwin", ".dylib"), "win32": ("win", ".dll")}


def place(identifier: str) -> str:
    """Where the standard wants the library for this machine in a unit."""
    system, suffix = _SYSTEMS.get(sys.platform, _SYSTEMS["linux"])
    bits = 64 if sys.maxsize > 2**32 else 32
    return f"binaries/{system}{bits}/{identifier}{suffix}"


def library(unit: Unit, sources: Mapping[str, str]) -> tuple[str, bytes]:
    """Place and bytes of the library, built of the unit's C (place below the sources to text).

    It is loaded and asked before it is taken: a compiler for another machine makes a library, too.
    Raises ToolMissingError without a working compiler, compiler.CompileError if it refuses the
    code, or what it makes of it cannot be loaded.
    """
    import cffi  # noqa: PLC0415 (slow to import)

    ffi = cffi.FFI()
    ffi.cdef("const char *fmi2GetVersion(void);")
    loaded = compiler.load(ffi, sources, unit.source_files, (), FLAGS)
    try:
        version = ffi.string(loaded.fmi2GetVersion())
    except AttributeError:
        version = b""
    if version != b"2.0":
        compiler.require_working(compiler.find())
        raise compiler.CompileError("the compiled unit does not answer as FMI 2.0 requires")
    built = compiler.build_shared(sources, unit.source_files, (), FLAGS)
    return place(unit.identifier), built.read_bytes()
