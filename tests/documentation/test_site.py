"""The documentation as a site: it builds without a warning, asks no other machine for anything,
and has its mathematics as MathML."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pytest

from documentation.pages import DOCS

LOADS = {("link", "href"), ("a", "ping"), ("form", "action"), ("object", "data")}
"""Attributes besides src, srcset and poster that a browser fetches by itself or sends to."""
FOREIGN = re.compile(r"^\s*(?:[a-z][a-z0-9+.-]*:)?//", re.IGNORECASE)
IN_STYLES = re.compile(r"(?:url\(|@import)\s*[\"']?\s*((?:[a-z]+:)?//[^)\"']*)", re.IGNORECASE)
pytestmark = pytest.mark.full


class Fetched(HTMLParser):
    """What a page has a browser fetch: addresses, and the text of styles."""

    def __init__(self) -> None:
        super().__init__()
        self.addresses: list[str] = []
        self.styles = ""
        self.tags: dict[str, int] = {}
        self._in_style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] = self.tags.get(tag, 0) + 1
        self._in_style = tag == "style"
        for name, value in attrs:
            if name in ("src", "srcset", "poster", "xlink:href") or (tag, name) in LOADS:
                self.addresses.append(value or "")
            elif name == "style":
                self.styles += value or ""

    def handle_data(self, data: str) -> None:
        if self._in_style:
            self.styles += data


def fetched(page: str) -> Fetched:
    parser = Fetched()
    parser.feed(page)
    return parser


def foreign(page: str) -> list[str]:
    """What a page asks of another machine."""
    parser = fetched(page)
    wanted = [part for address in parser.addresses for part in address.split(",")]
    return [part for part in wanted if FOREIGN.match(part)] + IN_STYLES.findall(parser.styles)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    for package in ("sphinx", "myst_parser", "furo", "latex2mathml"):
        if importlib.util.find_spec(package) is None:
            pytest.skip(f"needs {package}: pip install -e '.[docs]'")
    out = tmp_path_factory.mktemp("site")
    # The doctrees beside it, so that nothing of an earlier build hides a warning.
    command = [sys.executable, "-m", "sphinx", "-E", "-W", "--keep-going", "-q", "-b", "html"]
    made = subprocess.run(
        [*command, "-d", str(out / "trees"), str(DOCS), str(out / "html")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert made.returncode == 0, made.stderr
    return out / "html"


def test_every_page_is_on_the_site_and_in_its_contents(site: Path) -> None:
    pages = {path.relative_to(DOCS).with_suffix(".html") for path in DOCS.rglob("*.md")}
    index = (site / "index.html").read_text()
    for page in pages:
        assert (site / page).exists()
        assert f'href="{page}"' in index or page == Path("index.html"), page


def test_no_page_asks_another_machine_for_anything(site: Path) -> None:
    for page in site.rglob("*.html"):
        assert not foreign(page.read_text()), page
    for style in site.rglob("*.css"):
        assert not IN_STYLES.findall(style.read_text()), style


@pytest.mark.parametrize(
    "asks",
    [
        '<script src="https://example.com/a.js"></script>',
        '<link rel="stylesheet" href="//example.com/a.css">',
        '<img srcset="a.png 1x, http://example.com/b.png 2x">',
        "<style>@font-face { src: url('https://example.com/f.woff2') }</style>",
        '<p style="background: url(//example.com/a.png)">x</p>',
    ],
)
def test_a_page_that_asks_is_found(asks: str) -> None:
    assert foreign(f"<html><body>{asks}</body></html>")
    assert not foreign('<a href="https://example.com">a link asks only if it is followed</a>')


def test_mathematics_needs_no_script(site: Path) -> None:
    """As many formulae as the Markdown has, each as MathML, and none that was left as it stood."""
    page = (site / "theory.html").read_text()
    text = (DOCS / "theory.md").read_text()
    blocks = len(re.findall(r"^\$\$$", text, re.MULTILINE)) // 2
    assert blocks > 20
    assert len(re.findall(r'<math[^>]*display="block"', page)) == blocks
    bare = re.sub(r"<script.*?</script>|<math.*?</math>", "", page, flags=re.DOTALL)
    assert "$" not in bare and "\\frac" not in page.replace("<annotation", "")
