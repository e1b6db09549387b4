"""Line charts as inline SVG: small, the same bytes every time, coloured by the page's own style.

One size fits a phone's column and, a little enlarged, half a sheet of paper. Styles are classes of
``templates/report.css.j2``, so that a dark page or a printed one changes the drawing too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape
from itertools import pairwise
from typing import Literal

from halfcycle.report.axis import Axis

WIDTH = 340
KEY_ROW = 14.0
"""Height of a row of the key."""
MOST_LEFT = 60.0
"""A frame begins no farther to the right."""
DIGIT = 7.0
"""Width of a tick's digit, at most."""
CLOSE = 0.15
"""Points of a line may be left out if it then moves by less, in units of the drawing."""

Point = tuple[float, float]
Anchor = Literal["start", "middle", "end"]


class Chart:
    """A frame with two axes, drawn into in units of the axes."""

    def __init__(self, x: Axis, y: Axis, *, height: float = 214, key_rows: int = 1) -> None:
        self.x, self.y = x, y
        more = KEY_ROW * (key_rows - 1)
        self.height = height + more
        widest = max((len(text) for _, text in y.ticks()), default=0)
        self.left = 27.0 + 6.2 * max(widest, 2) if y.label else 8.0 + 6.2 * widest
        self.right, self.top, self.bottom = 12.0, 22.0 + more, 36.0
        self.inside: list[str] = []
        self.over: list[str] = []

    @property
    def wide(self) -> float:
        """Width of the frame."""
        return WIDTH - self.left - self.right

    @property
    def tall(self) -> float:
        """Height of the frame."""
        return self.height - self.top - self.bottom

    def place(self, x: float, y: float) -> Point:
        """From units of the axes to the drawing, never absurdly far outside."""
        across = min(max(self.x.share(x), -5.0), 6.0)
        up = min(max(self.y.share(y), -5.0), 6.0)
        return self.left + self.wide * across, self.top + self.tall * (1 - up)

    def line(self, xs: Sequence[float], ys: Sequence[float], style: str) -> None:
        """A line through points; a gap if a value is not finite."""
        for run in _runs(xs, ys):
            self.inside.append(
                f'<path class="{style}" d="{self._path([self.place(*p) for p in run])}"/>'
            )

    def lines(self, many: Sequence[tuple[Sequence[float], Sequence[float]]], style: str) -> None:
        """Many lines of one style as one path; those that look the same are drawn once."""
        paths = dict.fromkeys(
            self._path([self.place(*p) for p in run]) for xs, ys in many for run in _runs(xs, ys)
        )
        if paths:
            self.inside.append(f'<path class="{style}" d="{"".join(paths)}"/>')

    def stairs(self, edges: Sequence[float], values: Sequence[float], style: str) -> None:
        """``values[i]`` holds from ``edges[i]`` to ``edges[i + 1]``."""
        xs = [e for pair in pairwise(edges) for e in pair]
        ys = [v for value in values for v in (value, value)]
        self.line(xs, ys, style)

    def band(
        self, xs: Sequence[float], low: Sequence[float], high: Sequence[float], style: str
    ) -> None:
        """The area between two lines."""
        there = [self.place(*p) for p in zip(xs, high, strict=True)]
        back = [self.place(*p) for p in zip(xs, low, strict=True)]
        path = self._path(there) + self._path(back[::-1]).replace("M", "L", 1) + "Z"
        self.inside.append(f'<path class="{style}" d="{path}"/>')

    def level(self, y: float, style: str, text: str = "", *, below: bool = False) -> None:
        """A line across the frame, named at its right end."""
        self.line((self.x.low, self.x.high), (y, y), style)
        if text:
            self.note(self.x.high, y, text, anchor="end", dx=-3, dy=11 if below else -4)

    def at(self, x: float, style: str, text: str = "", *, up: float = 1.0) -> None:
        """A line from bottom to top, named beside it at the share ``up`` of its height."""
        self.line((x, x), (self.y.low, self.y.high), style)
        if text:
            y = self.y.low + up * (self.y.high - self.y.low)
            right = self.x.share(x) > 0.55
            self.note(x, y, text, anchor="end" if right else "start", dx=-3 if right else 3, dy=10)

    def dot(self, x: float, y: float, style: str) -> None:
        """A round mark."""
        cx, cy = self.place(x, y)
        self.inside.append(f'<circle class="{style}" cx="{_n(cx)}" cy="{_n(cy)}" r="3"/>')

    def note(
        self,
        x: float,
        y: float,
        text: str,
        *,
        anchor: Anchor = "start",
        dx: float = 0,
        dy: float = 0,
        style: str = "",
    ) -> None:
        """Words at a place of the frame, shifted by units of the drawing."""
        px, py = self.place(x, y)
        kind = f" {style}" if style else ""
        self.over.append(
            f'<text class="halo{kind}" x="{_n(px + dx)}" y="{_n(py + dy)}"{_anchor(anchor)}>'
            f"{escape(text)}</text>"
        )

    def key(self, *entries: tuple[str, str]) -> None:
        """Names of styles (style, text) in rows above the frame; as many as ``key_rows`` gives."""
        for row, placed in enumerate(_rows(entries, self.left)):
            down = KEY_ROW * row
            for x, style, text in placed:
                shape = f"M{_n(x)} {_n(9 + down)}h18"
                if style == "spread":
                    shape = f"M{_n(x)} {_n(5 + down)}h18v8h-18z"
                self.over.append(f'<path class="{style}" d="{shape}"/>')
                self.over.append(
                    f'<text x="{_n(x + 22)}" y="{_n(12.5 + down)}">{escape(text)}</text>'
                )

    def svg(self, alt: str) -> str:
        """The whole drawing, ``alt`` being what it shows in words."""
        frame = (
            f'<rect class="frame" x="{_n(self.left)}" y="{_n(self.top)}" '
            f'width="{_n(self.wide)}" height="{_n(self.tall)}"/>'
        )
        # A nested drawing clips what is drawn beyond the frame.
        inner = (
            f'<svg x="{_n(self.left)}" y="{_n(self.top)}" width="{_n(self.wide)}" '
            f'height="{_n(self.tall)}" viewBox="{_n(self.left)} {_n(self.top)} '
            f'{_n(self.wide)} {_n(self.tall)}">{"".join(self.inside)}</svg>'
        )
        return wrap(WIDTH, self.height, alt, self._axes() + frame + inner + "".join(self.over))

    def _axes(self) -> str:
        parts: list[str] = []
        base, end = self.top + self.tall, self.left + self.wide
        for value, text in self.x.ticks():
            px = self.left + self.wide * self.x.share(value)
            parts.append(f'<path class="grid" d="M{_n(px)} {_n(base)}V{_n(self.top)}"/>')
            # Not beyond the drawing's edge, as far as its digits are known to reach.
            across = min(px, WIDTH - 0.5 - DIGIT * len(text) / 2)
            parts.append(
                f'<text x="{_n(across)}" y="{_n(base + 13)}" text-anchor="middle">{escape(text)}'
                "</text>"
            )
        for value, text in self.y.ticks():
            py = self.top + self.tall * (1 - self.y.share(value))
            parts.append(f'<path class="grid" d="M{_n(self.left)} {_n(py)}H{_n(end)}"/>')
            parts.append(
                f'<text x="{_n(self.left - 5)}" y="{_n(py + 3.5)}" text-anchor="end">'
                f"{escape(text)}</text>"
            )
        middle = self.left + self.wide / 2
        parts.append(
            f'<text x="{_n(middle)}" y="{_n(self.height - 6)}" text-anchor="middle">'
            f"{escape(self.x.label)}</text>"
        )
        if self.y.label:
            up = self.top + self.tall / 2
            parts.append(
                f'<text transform="rotate(-90 11 {_n(up)})" x="11" y="{_n(up)}" '
                f'text-anchor="middle">{escape(self.y.label)}</text>'
            )
        return "".join(parts)

    def _path(self, points: Sequence[Point]) -> str:
        drawn = thinned(points)
        return "M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in drawn)


def key_rows(entries: Sequence[tuple[str, str]]) -> int:
    """Rows that a key of these (style, text) takes above any frame."""
    return len(_rows(entries, MOST_LEFT))


def _rows(entries: Sequence[tuple[str, str]], left: float) -> list[list[tuple[float, str, str]]]:
    """(x, style, text) of each entry, row by row."""
    rows: list[list[tuple[float, str, str]]] = [[]]
    x = left
    for style, text in entries:
        wide = 22 + 5.6 * len(text)
        if rows[-1] and x + wide > WIDTH:
            rows.append([])
            x = left
        rows[-1].append((x, style, text))
        x += wide + 12
    return rows


def wrap(width: float, height: float, alt: str, body: str) -> str:
    """An SVG picture that says in words what it shows."""
    return (
        f'<svg class="art" role="img" aria-label="{escape(alt, quote=True)}" '
        f'viewBox="0 0 {_n(width)} {_n(height)}">{body}</svg>'
    )


def thinned(points: Sequence[Point], close: float = CLOSE) -> list[Point]:
    """The points without those that a straight line comes as near as ``close`` to
    (Ramer, Douglas and Peucker)."""
    if len(points) < 3:
        return list(points)
    kept = {0, len(points) - 1}
    todo = [(0, len(points) - 1)]
    while todo:
        first, last = todo.pop()
        far, at = close, None
        for i in range(first + 1, last):
            off = _distance(points[i], points[first], points[last])
            if off > far:
                far, at = off, i
        if at is not None:
            kept.add(at)
            todo += [(first, at), (at, last)]
    return [points[i] for i in sorted(kept)]


def _distance(p: Point, a: Point, b: Point) -> float:
    """From ``p`` to the stretch between ``a`` and ``b``."""
    dx, dy = b[0] - a[0], b[1] - a[1]
    length = dx * dx + dy * dy
    t = 0.0 if length == 0 else ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / length
    t = min(max(t, 0.0), 1.0)
    return math.hypot(p[0] - a[0] - t * dx, p[1] - a[1] - t * dy)


def _runs(xs: Sequence[float], ys: Sequence[float]) -> list[list[Point]]:
    runs: list[list[Point]] = [[]]
    for x, y in zip(xs, ys, strict=True):
        if math.isfinite(x) and math.isfinite(y):
            runs[-1].append((float(x), float(y)))
        elif runs[-1]:
            runs.append([])
    return [run for run in runs if len(run) > 1]


def _anchor(anchor: Anchor) -> str:
    return "" if anchor == "start" else f' text-anchor="{anchor}"'


def _n(value: float) -> str:
    """A tenth of a unit is finer than any screen shows."""
    text = f"{value:.1f}"
    return "0" if text in ("0.0", "-0.0") else text.removesuffix(".0")
