"""Tables and headings of the pages are what Markdown takes for such."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest

from documentation.pages import ROOT, pages


def lines_outside_code(page: Path) -> list[str]:
    """The page's lines; those of code blocks are empty."""
    text = page.read_text(encoding="utf-8")
    return re.sub(
        r"^```.*?^```", lambda block: "\n" * block[0].count("\n"), text, flags=re.M | re.S
    ).splitlines()


@pytest.mark.parametrize("page", pages(), ids=lambda page: str(page.relative_to(ROOT)))
def test_a_row_is_one_line_and_a_heading_stands_alone(page: Path) -> None:
    """A macro's comment of two lines broke its row, and a heading followed a paragraph at once."""
    lines = lines_outside_code(page)
    broken = [line for line in lines if line.startswith("|") and not line.rstrip().endswith("|")]
    crowded = [
        line
        for before, line in itertools.pairwise(lines)
        if line.startswith("#") and before.strip()
    ]
    assert not broken + crowded
