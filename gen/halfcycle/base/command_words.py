"""The options of the command line that messages name, each written once: here and in ``cli``."""

from __future__ import annotations

FORCE = "--force"
"""Replaces what would not be replaced unasked."""


def replay(*, seed: int, samples: int, scenario: str, tick: int) -> str:
    """Options of ``halfcycle check SPEC DIR`` that show one place of a comparison again."""
    return f"--seed {seed} --samples {samples} --scenario {scenario} --tick {tick}"
