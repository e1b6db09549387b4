"""What a kept result depends on besides its input: this very build of the tool, and the machine."""

from __future__ import annotations

import functools
import hashlib
import platform
from importlib import metadata
from importlib.resources import files as resources
from importlib.resources.abc import Traversable

import halfcycle

_PARTS = ("halfcycle", "halfcycle.templates", "halfcycle.c_harness")
_LIBRARIES = ("cffi", "jinja2", "numpy", "scipy")
"""Libraries that what is designed or generated, or the comparison, could depend on."""


def machine() -> list[str]:
    """Processor, system, and the versions of Python and of the libraries that matter."""
    versions = [f"{name} {metadata.version(name)}" for name in _LIBRARIES]
    return [platform.machine(), platform.system(), platform.python_version(), *versions]


@functools.cache
def tool_digest() -> str:
    """Digest (hex) of every file of the installed tool: a version may have many builds."""
    whole = hashlib.sha256(halfcycle.__version__.encode())
    for part in _PARTS:
        for name, data in sorted(_contents(resources(part), part)):
            whole.update(f"{name} {len(data)}\n".encode())
            whole.update(data)
    return whole.hexdigest()


def _contents(place: Traversable, name: str) -> list[tuple[str, bytes]]:
    contents: list[tuple[str, bytes]] = []
    for entry in place.iterdir():
        inner = f"{name}/{entry.name}"
        if entry.is_dir():
            if entry.name != "__pycache__":
                contents += _contents(entry, inner)
        elif not entry.name.endswith((".pyc", ".pyo")):
            contents.append((inner, entry.read_bytes()))
    return contents
