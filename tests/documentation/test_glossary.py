"""The glossary has the words that the tables of design, the findings and the report use."""

from __future__ import annotations

import re

import pytest

from documentation.pages import DOCS
from halfcycle.base.findings import KINDS
from halfcycle.cli.common import LOOP_FIGURES
from support.paths import ROOT

ROWS = [
    tuple(cell.strip() for cell in line.strip("|").split("|"))
    for line in (DOCS / "glossary.md").read_text().splitlines()[6:]
]
WORDS = {
    word.strip() for head, _ in ROWS for word in re.sub(r" \(.*?\)", "", head).lower().split(",")
}

TRADE = {
    *("steady error", "at rest", "movement at rest", "output step", "reading step", "fold"),
    *("ripple", "lean", "half-cycle rms", "published limit", "gain margin", "phase margin"),
    *("ms", "lateness", "clip", "oscillator", "hunting", "corner", "scale", "per unit"),
    *("reading", "headroom", "flip", "dead band", "settled", "window", "block", "update"),
    *("drive", "drive limit", "zero", "image", "law", "board", "share of delay", "brownout"),
    *("level", "overshoot", "peak sensitivity", "gain", "target band", "average-rectified mean"),
}
"""Words that a practitioner would not use so, or not know, and where they are used is a test."""

PROGRAM = {
    *("event", "case", "finding", "digest", "golden vectors", "thd", "nyquist", "averaged loop"),
    *("latch", "stale", "self-test", "fmu"),
}
"""Words of the program's own and of measuring that the pages take as known."""

INFLECTED = {
    "hunting": "hunt",
    "settled": "settle",
    "share of delay": "share",
    "published limit": "limit",
    "average-rectified mean": "mean",
    "lateness": "late",
    "per unit": "pu",
    "movement at rest": "at rest",
    "half-cycle rms": "half-cycle",
}
"""What is searched for in place of the word."""


def used() -> str:
    """What users read besides the documentation: findings, tables, the report."""
    kinds = " ".join(f"{kind.cause} {kind.remedy}" for kind in KINDS.values())
    code = ROOT / "gen" / "halfcycle"
    files = [*(code / "report").glob("*.py"), *(code / "cli").glob("*.py")]
    files += [*code.rglob("*findings.py"), code / "regulator" / "plan.py"]
    return (kinds + " ".join(path.read_text() for path in files)).lower()


@pytest.mark.parametrize("word", sorted(TRADE))
def test_words_of_the_trade_have_an_entry_and_are_used(word: str) -> None:
    """Fourteen words of the report's first page were in no entry."""
    assert word in WORDS
    assert INFLECTED.get(word, word) in used()


def test_every_figure_of_the_design_is_explained() -> None:
    """The labels of its first table, as the tutorial shows it."""
    table = (DOCS / "tutorial.md").read_text().partition("figure  ")[2].partition("\n\n")[0]
    labels = re.findall(r"^ (\S+(?: \S+)*)  ", table, re.MULTILINE)
    assert {label for label, _, _ in LOOP_FIGURES} <= set(labels) and len(labels) > 12
    stems = WORDS | {"settling", "with the sensor", "proportional gain", "integral gain"}
    unknown = [label for label in labels if not any(word in label.lower() for word in stems)]
    assert not unknown
    text = (DOCS / "glossary.md").read_text().lower()
    assert all(stem.split()[0] in text for stem in stems - WORDS)


def test_entries_are_short_and_in_order() -> None:
    heads = [row[0].lower().replace("-", " ") for row in ROWS]
    assert heads == sorted(heads) and len(set(heads)) == len(heads)
    for row in ROWS:
        assert len(row) == 2 and row[1].count(". ") <= 1 and len(row[1]) < 300, row


@pytest.mark.parametrize("word", sorted(PROGRAM))
def test_words_that_the_pages_take_as_known_have_an_entry(word: str) -> None:
    """A reader met these twelve and found none of them."""
    assert word in WORDS
    pages = [path for path in DOCS.rglob("*.md") if path.name != "glossary.md"]
    told = "\n".join(path.read_text().lower() for path in pages)
    assert re.search(rf"\b{word}\b", told)


def test_the_glossary_is_in_alphabetical_order() -> None:
    heads = [head.lower() for head, _ in ROWS]
    assert heads == sorted(heads) and len(set(heads)) == len(heads)
