"""Where things are in the checkout."""

from __future__ import annotations

from pathlib import Path

TESTS = Path(__file__).parents[1]
ROOT = TESTS.parent
DOCS = ROOT / "docs"
EXAMPLES = DOCS / "examples"
SPECS = sorted(EXAMPLES.glob("*.toml"))
"""Every example spec, in order."""
RECORDS = TESTS / "data" / "comtrade"


def example(name: str) -> Path:
    """The example spec of that name."""
    return EXAMPLES / f"{name}.toml"
