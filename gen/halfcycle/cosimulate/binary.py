"""A unit's library for this machine, beside its sources."""

from __future__ import annotations

import sys

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


def library(unit: Unit, guid: str) -> tuple[str, bytes]:
    """Place and bytes of the library, built of the C of the unit with this GUID.

    Raises ToolMissingError without a compiler, compiler.CompileError if it refuses the code.
    """
    built = compiler.build_shared(unit.c_texts(guid), unit.source_files, (), FLAGS)
    return place(unit.identifier), built.read_bytes()
