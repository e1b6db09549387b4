"""CHANGELOG.md names this version, and says of every version what became of the generated bits."""

from __future__ import annotations

import re

import halfcycle
from support.paths import ROOT

TEXT = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
SECTIONS = dict(re.findall(r"^## (\d+\.\d+\.\d+)[^\n]*\n(.*?)(?=^## |\Z)", TEXT, re.M | re.S))


def test_the_newest_section_is_this_version() -> None:
    assert next(iter(SECTIONS)) == halfcycle.__version__


def test_versions_fall() -> None:
    numbers = [tuple(map(int, version.split("."))) for version in SECTIONS]
    assert numbers == sorted(numbers, reverse=True) and len(set(numbers)) == len(numbers)


def test_each_version_says_what_became_of_the_bits() -> None:
    for version, body in SECTIONS.items():
        assert re.search(r"^- \*\*Generated bits\*\*: \S", body, re.M), version
