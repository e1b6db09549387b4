"""The page that walks through the report has the report's parts, in the report's order."""

from __future__ import annotations

import re

from support.paths import DOCS, ROOT

PAGE = (DOCS / "how-to" / "read-the-report.md").read_text()


def titles() -> list[str]:
    """Of the report's parts, in the order in which they stand."""
    template = (ROOT / "templates" / "report.html.j2").read_text()
    code = (ROOT / "gen" / "halfcycle" / "report" / "page.py").read_text()
    sections = re.findall(r'Section\(\s*"\w+",\s*"([^"]+)"', code)
    own = re.findall(r"<h[23]>([^{]*?)</h[23]>", template)
    at = own.index("Derivations")
    return [*own[:at], *dict.fromkeys(sections), *own[at:]]


def test_the_walk_goes_through_every_part_of_the_report() -> None:
    walked = " and ".join(re.findall(r"^## (.*)$", PAGE, re.MULTILINE)).lower().split(" and ")
    wanted = " and ".join(t for t in titles() if "make this page" not in t).lower().split(" and ")
    assert walked == wanted
