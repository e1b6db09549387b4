"""The first console of the README is what a reader types and sees: whole, and not too wide."""

from __future__ import annotations

from documentation.pages import blocks
from support.paths import ROOT


def test_the_first_console_is_typed_as_it_stands_and_shown_whole() -> None:
    """It was cut by sed and cut, so that no reader saw the same by a command of theirs."""
    first = next(b for b in blocks((ROOT / "README.md").read_text()) if b.kind == "session")
    lines = first.text.splitlines()
    commands = [line for line in lines if line.startswith("$ ")]
    assert commands and len(lines) <= 12 and max(map(len, lines)) <= 100
    assert not any("|" in line or "sed " in line or "cut " in line for line in commands)
