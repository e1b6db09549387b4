"""The report in a real browser: nothing asked for, nothing cut off, everything readable.

Contrast: WCAG 2.2, success criteria 1.4.3 (text 4.5 to 1, large text 3 to 1) and 1.4.11 (lines that
carry meaning 3 to 1), with its formula for relative luminance. Reflow down to 320 px: 1.4.10.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from halfcycle.base.findings import finding
from halfcycle.generate.emit import render as render_c
from halfcycle.report import page
from halfcycle.report.board_runs import run_boards
from support.browser import Browser, browser
from support.effort import the_rest_long
from support.paths import example
from support.report_page import BOARDS, contents
from support.tools import need_tool

pytestmark = pytest.mark.full

LINES = ("one", "two", "limit", "frame", "all", "faint")
"""Classes of lines that carry meaning; the grid and the shading only help."""

CONTRASTS = """
(() => {
  const parse = text => (text.match(/[\\d.]+/g) || []).map(Number);
  const light = rgb => {
    const [r, g, b] = rgb.map(v => v / 255)
      .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ratio = (a, b) => {
    const [x, y] = [light(a), light(b)].sort((p, q) => q - p);
    return (x + 0.05) / (y + 0.05);
  };
  const ground = element => {
    for (let e = element; e; e = e.parentElement) {
      const c = parse(getComputedStyle(e).backgroundColor);
      if (c.length === 3 || c[3] > 0) return c.slice(0, 3);
    }
    throw new Error("no ground");
  };
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const node = walk.currentNode, e = node.parentElement;
    if (!node.data.trim()) continue;
    const style = getComputedStyle(e), svg = e.namespaceURI.endsWith("svg");
    if (style.opacity !== "1") throw new Error("translucent text");
    const size = parseFloat(style.fontSize), bold = +style.fontWeight >= 700;
    const large = !svg && (size >= 24 || (bold && size >= 18.66));
    const value = ratio(parse(svg ? style.fill : style.color).slice(0, 3), ground(e));
    found.push([value, large ? 3 : 4.5, node.data.trim().slice(0, 40)]);
  }
  for (const e of document.querySelectorAll("svg path, svg circle, svg rect")) {
    const style = getComputedStyle(e), names = [...e.classList];
    if (!names.some(n => NAMES.includes(n.replace("-dot", "")))) continue;
    const drawn = [style.stroke, style.fill].filter(paint => paint !== "none");
    const best = Math.max(...drawn.map(paint => ratio(parse(paint).slice(0, 3), ground(e))));
    found.push([best, 3, names.join(" ")]);
  }
  return found;
})()
"""

CUT_OFF = """
[...document.querySelectorAll("svg.art")].flatMap(art => {
  const box = art.viewBox.baseVal;
  return [...art.querySelectorAll("text")].flatMap(text => {
    let b = text.getBBox();
    if (text.hasAttribute("transform"))  // turned by a quarter about its middle
      b = {x: b.x + (b.width - b.height) / 2, y: b.y + (b.height - b.width) / 2,
           width: b.height, height: b.width};
    const inside = b.x >= -0.5 && b.y >= -0.5 && b.x + b.width <= box.width + 0.5
      && b.y + b.height <= box.height + 0.5;
    return inside ? [] : [art.getAttribute("aria-label").slice(0, 40) + ": " + text.textContent];
  });
})
"""

OVERLAPS = """
[...document.querySelectorAll("svg.art")].flatMap(art => {
  const texts = [...art.querySelectorAll("text:not([transform])")].map(t => [t, t.getBBox()]);
  return texts.flatMap(([t, a], i) => texts.slice(i + 1).flatMap(([u, b]) => {
    const x = Math.min(a.x + a.width, b.x + b.width) - Math.max(a.x, b.x);
    const y = Math.min(a.y + a.height, b.y + b.height) - Math.max(a.y, b.y);
    return x > 1 && y > 3 ? [t.textContent + " / " + u.textContent] : [];
  }));
})
"""

WIDE = """
[...document.querySelectorAll("body *")].filter(e => {
  const b = e.getBoundingClientRect();
  return b.width && !e.closest(".formula, svg, thead")
    && (b.left < -0.5 || b.right > document.documentElement.clientWidth + 0.5);
}).map(e => e.tagName + "." + e.className + ": " + e.textContent.slice(0, 40))
"""


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    with browser(need_tool("chromium")) as page_:
        yield page_


REPORTS = the_rest_long(("apron_cart", "ferry_galley", "moor_signal"), ["ferry_galley"])


@pytest.fixture(scope="module", params=REPORTS)
def report(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    text = example(request.param).read_text(encoding="utf-8")
    bare = contents(text)
    texts = render_c(bare.integer_design.design, bare.integer_design.quantised)
    bare = contents(text, boards=run_boards(bare.integer_design, texts, BOARDS, seed=1))
    path = tmp_path_factory.mktemp("report") / "page.html"
    path.write_text(page.render(bare), encoding="utf-8")
    return path


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [320, 360, 801, 930, 1200])
def test_silent_and_whole_at_any_width(
    chromium: Browser, report: Path, width: int, dark: bool
) -> None:
    chromium.open(report, width=width, dark=dark)
    assert chromium.evaluate("document.documentElement.scrollWidth") <= width
    assert chromium.evaluate(WIDE) == []
    assert chromium.evaluate(CUT_OFF) == []
    assert chromium.evaluate(OVERLAPS) == []
    asked = [
        event["params"]["request"]["url"]
        for event in chromium.events
        if event["method"] == "Network.requestWillBeSent"
    ]
    assert asked == [report.resolve().as_uri()]
    said = {"Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded"}
    assert [event for event in chromium.events if event["method"] in said] == []


def test_these_checks_see_faults(chromium: Browser, report: Path) -> None:
    """Each check above and below on a page that is spoilt on purpose."""
    chromium.open(report, width=360)
    spoil = "document.head.insertAdjacentHTML('beforeend', '<style>%s</style>')"
    chromium.evaluate(spoil % "svg.art { font-size: 22px; } .note { color: #999; }")
    assert chromium.evaluate(CUT_OFF) and chromium.evaluate(OVERLAPS)
    found = chromium.evaluate(CONTRASTS.replace("NAMES", str(list(LINES))))
    assert any(row[0] < row[1] for row in found)
    chromium.evaluate(spoil % "table { min-width: 500px; } :root { --one: #ddd; }")
    assert chromium.evaluate(WIDE)
    assert chromium.evaluate("document.documentElement.scrollWidth") > 360
    found = chromium.evaluate(CONTRASTS.replace("NAMES", str(list(LINES))))
    assert any(row[0] < row[1] and "one" in row[2] for row in found)
    chromium.evaluate("fetch('https://example.invalid/').catch(() => 0)")
    chromium.evaluate("console.error('x')")
    methods = [event["method"] for event in chromium.events]
    assert "Runtime.consoleAPICalled" in methods
    # The page's own policy stops the request before it leaves.
    assert any("Content Security Policy" in str(event) for event in chromium.events)


@pytest.mark.parametrize("dark", [False, True])
def test_contrast(chromium: Browser, report: Path, dark: bool) -> None:
    chromium.open(report, width=1200, dark=dark)
    found = chromium.evaluate(CONTRASTS.replace("NAMES", str(list(LINES))))
    assert len(found) > 500
    assert [row for row in found if row[0] < row[1]] == []
    # The scheme is followed: body text is dark on light, or light on dark.
    colour = chromium.evaluate("getComputedStyle(document.body).color")
    assert (sum(map(int, re.findall(r"\d+", colour))) > 384) == dark


def test_figures_have_names_for_those_who_do_not_see(chromium: Browser, report: Path) -> None:
    """As the browser hands them to assistive software."""
    chromium.open(report, width=1200)
    chromium.call("Accessibility.enable")
    nodes = chromium.call("Accessibility.getFullAXTree")["nodes"]
    images = [n for n in nodes if n.get("role", {}).get("value") in ("image", "img")]
    assert len(images) >= chromium.evaluate("document.querySelectorAll('svg.art').length")
    assert all(n.get("name", {}).get("value") for n in images)
    roles = [n.get("role", {}).get("value") for n in nodes]
    assert roles.count("MathMLMath") >= 15


def test_no_formula_is_wider_than_its_column(chromium: Browser, report: Path) -> None:
    """Bug: eight had to be scrolled sideways on a telephone. Lines break before their signs."""
    chromium.open(report, width=360)
    wide = """[...document.querySelectorAll(".formula")].filter(e => e.scrollWidth > e.clientWidth)
        .map(e => e.textContent)"""
    assert chromium.evaluate("document.querySelectorAll('.formula').length") >= 15
    assert chromium.evaluate(wide) == []
    chromium.evaluate("document.querySelectorAll('.formula')[0].style.whiteSpace = 'nowrap'")
    chromium.evaluate("document.querySelectorAll('.formula')[0].style.width = '2rem'")
    assert len(chromium.evaluate(wide)) == 1


LONG = (
    "the reported RMS is off by +0.607 % on board 132: +0.23 % by harmonics and ringing that the "
    "sampling folds, +0.18 % by the wave's shape, as a mean is read as the RMS of a sine, +0.12 % "
    "by the sensor's zero; sample faster, or damp the filter's ringing"
)


@pytest.fixture(scope="module")
def crowded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a design with two published limits, a ramp, and five warnings: with more boards
    than these few the example has four."""
    text = example("ferry_galley").read_text(encoding="utf-8")
    bare = contents(text)
    texts = render_c(bare.integer_design.design, bare.integer_design.quantised)
    runs = run_boards(bare.integer_design, texts, BOARDS, seed=1)
    more = (
        finding("report-folded", "non-linear: loop.period_us", LONG),
        finding("few-points", "loop.period_us", LONG.replace("; sample", ", sample"), "warning"),
    )
    page_ = page.render(contents(text, boards=replace(runs, findings=(*runs.findings, *more))))
    assert "Warnings (5)" in page_
    path = tmp_path_factory.mktemp("crowded") / "page.html"
    path.write_text(page_, encoding="utf-8")
    return path


@pytest.mark.parametrize("sheet_mm", [(210.0, 297.0), (215.9, 279.4)])
def test_what_decides_prints_on_one_sheet(
    chromium: Browser, crowded: Path, sheet_mm: tuple[float, float]
) -> None:
    """Bug: with four warnings both drawings went to a second page. The margins are those of the
    page's own @page rule, 26 mm across and 32 mm down; a CSS pixel is 1/96 inch."""
    assert "margin: 14mm 13mm 18mm;" in crowded.read_text(encoding="utf-8")
    wide, tall = ((side - off) / 25.4 * 96 for side, off in zip(sheet_mm, (26, 32), strict=True))
    chromium.open(crowded, width=math.floor(wide))
    chromium.call("Emulation.setEmulatedMedia", media="print")
    ends = chromium.evaluate(
        """[...document.querySelectorAll("#summary figure")].map(
            e => e.getBoundingClientRect().bottom)"""
    )
    chromium.call("Emulation.setEmulatedMedia", media="")
    assert len(ends) == 2 and max(ends) <= tall


@pytest.mark.parametrize("letter", [False, True])
def test_prints(chromium: Browser, report: Path, letter: bool, tmp_path: Path) -> None:
    """On both papers, in the light scheme, in a dozen sheets or two."""
    chromium.open(report, width=1200, dark=True)
    chromium.pdf(tmp_path / "page.pdf", letter=letter)
    data = (tmp_path / "page.pdf").read_bytes()
    assert 6 <= len(re.findall(rb"/Type\s*/Page\b", data)) <= 24
    chromium.call("Emulation.setEmulatedMedia", media="print")
    assert chromium.evaluate("getComputedStyle(document.body).backgroundColor") in (
        "rgb(255, 255, 255)",
        "rgba(0, 0, 0, 0)",
    )
    wide = 700  # A4 less its margins, in CSS pixels, rounded up
    chromium.call(
        "Emulation.setDeviceMetricsOverride",
        width=wide,
        height=1000,
        deviceScaleFactor=1,
        mobile=False,
    )
    assert chromium.evaluate("document.documentElement.scrollWidth") <= wide
    assert chromium.evaluate(CUT_OFF) == []
    chromium.call("Emulation.setEmulatedMedia", media="")
