"""Checks that passed, kept in the user's cache: an unchanged tree need not be checked again.

The key is the digest of everything that the checks depend on: the tool itself, the spec's values,
the files' texts, the stimulus, the compilers and the machine. Only what passed is kept, so a fault
is looked at each time; only what this user kept is believed (``halfcycle.base.cache``).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict

from halfcycle.base.cache import Cache
from halfcycle.base.errors import ToolMissingError
from halfcycle.base.state import State
from halfcycle.base.tool_digest import machine, tool_digest
from halfcycle.check.checks import Check, Stimulus
from halfcycle.prove import prove
from halfcycle.spec.models import Spec
from halfcycle.verify import compiler

ANSWERS = Cache("checks", max_entries=1000)


def key(spec: Spec, texts: Mapping[str, str], stimulus: Stimulus) -> str:
    """Digest (hex) of all that the checks of these files depend on.

    Raises ToolMissingError without a C compiler, without which nothing can be checked, and if a
    proof is asked for without what it needs.
    """
    chosen = asdict(stimulus)
    del chosen["command"]  # Shown if something failed; what failed is not kept.
    recipe = [
        tool_digest(),
        machine(),
        _compilers(),
        chosen,
        spec.canonical(),
        sorted(texts.items()),
        prove.versions() if stimulus.prove else [],
    ]
    return hashlib.sha256(json.dumps(recipe).encode()).hexdigest()


def recall(entry: str) -> tuple[Check, ...] | None:
    """The checks kept under this key, None if there are none."""
    content = ANSWERS.get(entry)
    if content is None:
        return None
    try:
        checks = tuple(
            Check(row["name"], State(row["state"]), row["detail"]) for row in json.loads(content)
        )
    except (ValueError, KeyError, TypeError):  # Of another version with the same digest.
        return None
    return checks if checks and all(check.passed for check in checks) else None


def keep(entry: str, checks: Sequence[Check]) -> None:
    """Keep the checks under this key, if every one of them passed."""
    if checks and all(check.passed for check in checks):
        ANSWERS.put(entry, json.dumps([asdict(check) for check in checks]).encode())


def _compilers() -> list[object]:
    c = compiler.find("c99")
    try:
        plus = compiler.find("c++17")
    except ToolMissingError:
        return [c.command, c.version, None]
    return [c.command, c.version, plus.command, plus.version]
