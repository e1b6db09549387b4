"""How commands show results: tables for people, one JSON object for programs, both on stdout."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from typing import Any, Protocol

WIDEST = 100
"""Tables grow with the terminal up to this many columns; in a pipe they are 80 wide."""


def width() -> int:
    """Columns that a table may take: of the terminal, up to WIDEST; 80 in a pipe."""
    from rich.console import Console  # noqa: PLC0415 (only the human output needs it)

    return min(Console(file=sys.stdout).width, WIDEST)


def show_table(
    title: str,
    columns: Sequence[str],
    rows: Iterable[Sequence[object]],
    notes: Sequence[str] = (),
) -> None:
    """Print a table and, below it, one line per note.

    Args:
        title: what the table shows.
        columns: headings, with the unit in them; a line break splits a heading.
        rows: cells, as many per row as there are columns; they are shown with ``str``. A column of
            numbers only is set to the right.
        notes: remarks that go under the table, wrapped to its width.
    """
    from rich import box  # noqa: PLC0415 (only the human output needs it)
    from rich.console import Console  # noqa: PLC0415
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    console = Console(file=sys.stdout, highlight=False, emoji=False, markup=False)
    console.width = width()
    cells = [[str(cell) for cell in row] for row in rows]
    frame = box.SIMPLE_HEAD if _encodes("─") else box.ASCII2
    table = Table(
        box=frame, padding=(0, 1, 0, 0), pad_edge=False, header_style="bold", expand=False
    )
    for at, heading in enumerate(columns):
        numeric = bool(cells) and all(_is_number(row[at]) for row in cells)
        table.add_column(Text(heading), justify="right" if numeric else "left", overflow="fold")
    for row in cells:
        table.add_row(*map(Text, row))
    console.print(Text(title, style="bold"))
    console.print(table)
    for note in notes:
        console.print(Text(note))


class Entry(Protocol):
    """What a command prints as JSON (``halfcycle.output``)."""

    def plain(self) -> dict[str, Any]:
        """Dictionaries, lists, numbers, text and None."""


def emit_json(entry: Entry, indent: int | None = 2) -> None:
    """Print ``entry`` as JSON, on one line if ``indent`` is None; refuses infinities and NaN."""
    print(json.dumps(entry.plain(), indent=indent, allow_nan=False))


def _encodes(text: str) -> bool:
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _is_number(cell: str) -> bool:
    try:
        float(cell.replace(" ", "").rstrip("%"))
    except ValueError:
        return cell in ("", "-")
    return True
