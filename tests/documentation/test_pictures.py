"""The committed pictures are what the code draws, and say what they show."""

from __future__ import annotations

import re

import pytest

from documentation.pages import pages
from documentation.pictures import ACCEPT, FIGURES, PICTURES, draw

_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e-?\d+)?")
SLACK = 0.6
"""Points (1/72 inch): another version of the plotting library or its fonts may shift things."""


def differs(before: str, after: str) -> str:
    """What of a picture is not as committed; positions may differ by SLACK."""
    old, new = (_NUMBER.sub("#", text) for text in (before, after))
    if re.sub(r"[0-9a-f#]{6,}|(?<=id=\")[^\"]*|(?<=url\(#)[^)]*|(?<=href=\"#)[^\"]*", "", old) != (
        re.sub(r"[0-9a-f#]{6,}|(?<=id=\")[^\"]*|(?<=url\(#)[^)]*|(?<=href=\"#)[^\"]*", "", new)
    ):
        return "other elements or words"
    moved = [abs(float(a) - float(b)) for a, b in zip(_points(before), _points(after), strict=True)]
    return "" if max(moved) <= SLACK else f"something moved by {max(moved):.1f} points"


def _points(text: str) -> list[str]:
    return _NUMBER.findall(" ".join(re.findall(r" d=\"([^\"]*)\"", text)))


@pytest.mark.parametrize("name", FIGURES)
def test_pictures_are_current(name: str) -> None:
    committed = (PICTURES / name).read_text()
    found = differs(committed, draw(name))
    assert not found, f"{found}; accept with: {ACCEPT}"


def test_a_moved_curve_is_found() -> None:
    text = (PICTURES / "window.svg").read_text()
    x = re.search(r" d=\"M (\d+\.\d+) ", text)
    assert x is not None
    assert "moved" in differs(text, text.replace(x[1], str(float(x[1]) + 2), 1))
    assert "words" in differs(text, text.replace("mean", "median"))
    assert not differs(text, text)


def test_pictures_hold_no_clock_and_are_used() -> None:
    assert {path.name for path in PICTURES.iterdir()} == set(FIGURES)
    everything = "".join(page.read_text() for page in pages())
    for name in FIGURES:
        text = (PICTURES / name).read_text()
        assert not re.search(r"20\d\d-\d\d-\d\d|<dc:date>", text)
        assert re.search(rf"!\[[^\]]{{15,}}\]\([^)]*{name}\)", everything), f"{name}: alt text"
