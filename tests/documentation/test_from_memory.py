"""What nobody looked up is told in one place; no figure of the outside checks is of that kind."""

from __future__ import annotations

import re

from documentation.pages import DOCS
from oracles import outside_checks
from support.paths import ROOT


def test_values_from_memory_stand_in_one_list() -> None:
    """Three places of the theory and six rows of the checks had a source from memory."""
    listed = (DOCS / "checks.md").read_text().partition("\n## From memory\n")
    assert listed[2].count("\n- ") >= 1
    for page in (ROOT / "README.md", *DOCS.rglob("*.md")):
        text = listed[0] if page.name == "checks.md" else page.read_text()
        linked = re.sub(r"\[[^\]]*\]\([^)]*#from-memory\)[^.]*\.", "", text)
        assert "from memory" not in linked, page.name


def test_no_outside_check_rests_on_memory() -> None:
    for topic in outside_checks.TOPICS.values():
        assert all("from memory" not in check.source for check in topic())
