"""Checks that passed, kept in the user's cache folder: an unchanged tree need not be checked again.

The key is the digest of everything that the checks depend on: the tool itself, the spec's values,
the files' texts, the stimulus, the compilers and the machine. Only what passed is kept, so a fault
is looked at each time. A cache that cannot be read or written costs time and nothing else.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from importlib import metadata
from importlib.resources import files as resources
from importlib.resources.abc import Traversable
from pathlib import Path

import halfcycle
from halfcycle.base import files
from halfcycle.base.errors import InputError, ToolMissingError
from halfcycle.check.checks import Check, Stimulus
from halfcycle.prove import prove
from halfcycle.spec.models import Spec
from halfcycle.verify import compiler

_PARTS = ("halfcycle", "halfcycle.templates", "halfcycle.c_harness")
_LIBRARIES = ("cffi", "jinja2", "numpy", "scipy")
"""Libraries that what is generated, or the comparison, could depend on."""
_KEPT = 1000
"""Entries kept; the ones used longest ago go first."""


def key(spec: Spec, found: Mapping[str, str], stimulus: Stimulus) -> str:
    """Digest (hex) of all that the checks of these files depend on.

    Raises ToolMissingError without a C compiler, without which nothing can be checked, and where a
    proof is asked for without its extra.
    """
    chosen = asdict(stimulus)
    del chosen["command"]  # Shown where something failed; what failed is not kept.
    recipe = [
        _tool_digest(),
        _machine(),
        _compilers(),
        chosen,
        spec.canonical(),
        sorted(found.items()),
        prove.versions() if stimulus.prove else [],
    ]
    return hashlib.sha256(json.dumps(recipe).encode()).hexdigest()


def recall(entry: str) -> tuple[Check, ...] | None:
    """The checks kept under this key, None where there are none."""
    path = folder() / f"{entry}.json"
    try:
        rows = json.loads(path.read_text(encoding="utf-8"))
        checks = tuple(Check(row["name"], row["passed"], row["detail"]) for row in rows)
    except (OSError, ValueError, KeyError, TypeError):
        return None
    if not checks or not all(check.passed is True for check in checks):
        return None
    with contextlib.suppress(OSError):
        path.touch()
    return checks


def keep(entry: str, checks: Sequence[Check]) -> None:
    """Keep the checks under this key, if every one of them passed."""
    if not all(check.passed for check in checks):
        return
    text = json.dumps([asdict(check) for check in checks])
    with contextlib.suppress(InputError, OSError):
        files.write_atomic(folder() / f"{entry}.json", text)
        _prune()


def folder() -> Path:
    """Where the answers are kept, beside the builds."""
    return compiler.cache_folder().with_name("checks")


def _prune() -> None:
    entries = sorted(folder().glob("*.json"), key=lambda path: path.stat().st_mtime)
    for old in entries[:-_KEPT]:
        old.unlink(missing_ok=True)


def _compilers() -> list[object]:
    c = compiler.find("c99")
    try:
        plus = compiler.find("c++17")
    except ToolMissingError:
        return [c.command, c.version, None]
    return [c.command, c.version, plus.command, plus.version]


def _machine() -> list[str]:
    versions = [f"{name} {metadata.version(name)}" for name in _LIBRARIES]
    return [platform.machine(), platform.system(), platform.python_version(), *versions]


@functools.cache
def _tool_digest() -> str:
    """Digest of every file of the installed tool: a version may have many builds."""
    whole = hashlib.sha256(halfcycle.__version__.encode())
    for part in _PARTS:
        for name, data in sorted(_contents(resources(part), part)):
            whole.update(f"{name} {len(data)}\n".encode())
            whole.update(data)
    return whole.hexdigest()


def _contents(place: Traversable, name: str) -> list[tuple[str, bytes]]:
    found: list[tuple[str, bytes]] = []
    for entry in place.iterdir():
        inner = f"{name}/{entry.name}"
        if entry.is_dir():
            if entry.name != "__pycache__":
                found += _contents(entry, inner)
        elif not entry.name.endswith((".pyc", ".pyo")):
            found.append((inner, entry.read_bytes()))
    return found
