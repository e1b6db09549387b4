"""How commands show results: tables for people, one JSON object for programs, both on stdout."""

from __future__ import annotations

import json
import shutil
import sys
import textwrap
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol, TextIO

from halfcycle.base.text import with_signs

WIDEST = 100
"""Tables grow with the terminal up to this many columns; in a pipe they are 80 wide."""
READABLE = 28
"""A column of text that can be spared is left out if there is no room for so many characters."""
NARROW = 15
"""What can be spared is narrowed to so many characters before other text is narrowed."""


def width() -> int:
    """Columns that a table may take: of the terminal, up to WIDEST; 80 in a pipe."""
    from rich.console import Console  # noqa: PLC0415 (only the human output needs it)

    return min(Console(file=sys.stdout).width, WIDEST)


def hanging(text: str, indent: str = "") -> str:
    """``text`` after ``indent`` as it goes to stderr: as one line, since scripts match lines; on a
    terminal wrapped to its width, all lines but the first indented."""
    text = shown(text, sys.stderr)
    if not sys.stderr.isatty():
        return f"{indent}{text}"
    columns = shutil.get_terminal_size().columns
    return _wrapped(text, columns, indent, f"{indent}    ")


def _wrapped(text: str, columns: int, first: str, others: str) -> str:
    return textwrap.fill(
        text,
        columns,
        initial_indent=first,
        subsequent_indent=others,
        break_long_words=False,
        break_on_hyphens=False,
    )


def shown(text: str, stream: TextIO) -> str:
    """``text`` as ``stream`` can show it: with "±", or with "+-"."""
    return with_signs(text) if _encodes("±", stream) else text


@dataclass(frozen=True, slots=True)
class Legend:
    """A remark under a table of sentences that each explain some columns: those of a column that
    is left out are left out too. ``parts``: heading, or headings, and the sentence; without a
    heading it always stands."""

    parts: tuple[tuple[str | tuple[str, ...], str], ...]

    @classmethod
    def of(cls, *parts: tuple[str | tuple[str, ...], str]) -> Legend:
        """The remark with these sentences."""
        return cls(parts)

    def text(self, left_out: Collection[str]) -> str:
        """What stands without the columns ``left_out``; "" if that is nothing."""

        def kept(headings: str | tuple[str, ...]) -> bool:
            named = (headings,) if isinstance(headings, str) else headings
            return not named or any(heading not in left_out for heading in named)

        return " ".join(text for headings, text in self.parts if kept(headings))


def show_table(
    title: str,
    columns: Sequence[str],
    rows: Iterable[Sequence[object]],
    notes: Sequence[str | Legend] = (),
    *,
    spare: Sequence[str] = (),
    below: Collection[str] = (),
) -> None:
    """Print a table and, below it, one line per note.

    Args:
        title: what the table shows.
        columns: headings, with the unit in them; a line break splits a heading.
        rows: cells, as many per row as there are columns; they are shown with ``str``. A column of
            numbers only is set to the right.
        notes: remarks that go under the table, wrapped to its width; a ``Legend`` without what it
            says of columns that are left out.
        spare: headings of columns that a narrow terminal does without, the first one first; a note
            names them. No word and no number is ever broken while columns can be spared.
        below: those of ``spare`` whose cells stand below a table that is too narrow for them, a
            line for each row that has some, since they are words that nothing else says.
    """
    from rich import box  # noqa: PLC0415 (only the human output needs it)
    from rich.console import Console  # noqa: PLC0415
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    console = Console(file=sys.stdout, highlight=False, emoji=False, markup=False)
    console.width = width()
    rows = list(rows)
    drawn, left_out = _fitted(columns, rows, spare, console.width)
    frame = box.SIMPLE_HEAD if _encodes("─", sys.stdout) else box.ASCII2
    table = Table(
        box=frame, padding=(0, 1, 0, 0), pad_edge=False, header_style="bold", expand=False
    )
    can_be_spared = {shown(heading, sys.stdout) for heading in spare}
    for column, wide in zip(drawn, _widths(drawn, console.width, can_be_spared), strict=True):
        justify: Literal["right", "left"] = "right" if column.numeric else "left"
        table.add_column(Text(column.heading), justify=justify, overflow="fold", width=wide)
    for at in range(len(drawn[0].cells)):
        table.add_row(*(Text(column.cells[at]) for column in drawn))
    console.print(Text(shown(title, sys.stdout), style="bold"))
    console.print(table)
    for heading in left_out:
        if heading in below:
            _show_below(columns, rows, columns.index(heading))
    lost = [heading for heading in left_out if heading not in below]
    texts = [note if isinstance(note, str) else note.text(lost) for note in notes]
    if lost:
        texts.append(f"Left out at this width: {'; '.join(map(_in_a_line, lost))}.")
    for text in filter(None, texts):
        console.print(Text(shown(text, sys.stdout)))


def _in_a_line(heading: str) -> str:
    return " ".join(heading.replace("-\n", "").split())


def _show_below(columns: Sequence[str], rows: Sequence[Sequence[object]], at: int) -> None:
    """Print the cells of a column, each after the first cell of its row; a number there with the
    heading, which says of what."""
    for row in rows:
        first, text = str(row[0]), str(row[at])
        if text:
            label = f"{_in_a_line(columns[0])} {first}" if _is_number(first) else first
            line = f"{label} - {text}"
            print(_wrapped(shown(line, sys.stdout), width(), "", "   "))


def show_lines(title: str, lines: Iterable[str]) -> None:
    """Print lines under a title, each wrapped to the width, all but its first line indented."""
    from rich.console import Console  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    console = Console(file=sys.stdout, highlight=False, emoji=False, markup=False)
    console.print(Text(shown(title, sys.stdout), style="bold"))
    for line in lines:
        print(_wrapped(shown(line, sys.stdout), width(), "", "   "))


def fits(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> bool:
    """Whether a table fits without breaking a word or a number."""
    drawn, _ = _fitted(columns, rows, (), width())
    return _table_width(column.narrowest for column in drawn) <= width()


def _fitted(
    columns: Sequence[str], rows: Iterable[Sequence[object]], spare: Sequence[str], available: int
) -> tuple[list[_Column], list[str]]:
    """The columns that are drawn, and the headings of those that are left out."""
    cells = [[shown(str(cell), sys.stdout) for cell in row] for row in rows]
    drawn = [
        _Column.of(shown(heading, sys.stdout), [row[at] for row in cells])
        for at, heading in enumerate(columns)
    ]
    left_out = []
    spared = {shown(heading, sys.stdout): heading for heading in spare}
    for heading, plain in spared.items():
        least = (c.readable if c.heading in spared else c.narrowest for c in drawn)
        if _table_width(least) <= available:
            break
        drawn = [column for column in drawn if column.heading != heading]
        left_out.append(plain)
    return drawn, left_out


@dataclass(frozen=True, slots=True)
class _Column:
    """A column of a table, with the widths between which it may be drawn."""

    heading: str
    cells: Sequence[str]
    numeric: bool
    narrowest: int
    """Its longest word; of numbers, its longest line."""
    widest: int

    @property
    def readable(self) -> int:
        """The width that it takes to be read with ease."""
        return max(self.narrowest, min(self.widest, READABLE))

    @classmethod
    def of(cls, heading: str, cells: Sequence[str]) -> _Column:
        numeric = bool(cells) and all(map(_is_number, cells))
        lines = [line for text in (heading, *cells) for line in text.split("\n")]
        widest = max(map(len, lines))
        words = [word for line in lines for word in line.split()]
        narrowest = widest if numeric else max(map(len, words), default=0)
        # A mark before a name, "* name", stays with it.
        if not numeric and any(cell.startswith(("* ", "  ")) for cell in cells):
            narrowest = widest
        return cls(heading, cells, numeric, narrowest, widest)


def _table_width(widths: Iterable[int]) -> int:
    """Columns of the terminal that a table takes: two between columns, one at either edge."""
    each = list(widths)
    return sum(each) + 2 * (len(each) - 1) + 2


def _widths(columns: Sequence[_Column], available: int, spare: Collection[str]) -> list[int]:
    """Each column's width: all of it if there is room, else the widest text is narrowed; first what
    can be spared, down to NARROW, and the names in the first column last of all."""

    def order(at: int) -> tuple[bool, bool, int]:
        wide = columns[at].heading in spare and widths[at] > NARROW
        return wide, at > 0, widths[at]

    widths = [column.widest for column in columns]
    while _table_width(widths) > available:
        loose = [at for at, column in enumerate(columns) if widths[at] > column.narrowest]
        if not loose:
            break
        widths[max(loose, key=order)] -= 1
    return widths


class Entry(Protocol):
    """What a command prints as JSON (``halfcycle.output``)."""

    def plain(self) -> dict[str, Any]:
        """Dictionaries, lists, numbers, text and None."""


def emit_json(entry: Entry, indent: int | None = 2) -> None:
    """Print ``entry`` as JSON, on one line if ``indent`` is None; refuses infinities and NaN."""
    print(json.dumps(entry.plain(), indent=indent, allow_nan=False))


def _encodes(text: str, stream: TextIO) -> bool:
    try:
        text.encode(getattr(stream, "encoding", None) or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _is_number(cell: str) -> bool:
    try:
        float(cell.replace(" ", "").lstrip("<").rstrip("%"))
    except ValueError:
        return cell in ("", "-")
    return True
