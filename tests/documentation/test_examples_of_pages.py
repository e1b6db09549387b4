"""An example of a finding that a page's console shows too says the same figures."""

from __future__ import annotations

import re

from documentation.finding_examples import examples
from support.paths import ROOT


def test_the_board_inside_has_the_share_of_the_page() -> None:
    """The example said 0.079 where the console of the page, run anew, says 0.17."""
    page = (ROOT / "docs" / "how-to" / "identify-a-board.md").read_text(encoding="utf-8")
    share = r"share of delay ([\d.]+) (?:±|\+-) ?([\d.]+) \(([\d.]+) of that"
    (shown,) = {match for line in page.splitlines() if line.startswith("note: board1: gain")
                for match in re.findall(share, line)}  # fmt: skip
    assert re.findall(share, examples()["board-inside"]) == [shown]
