"""The corners of a table by letters, each said in full once, in a legend."""

from __future__ import annotations

import re
from collections.abc import Mapping

from halfcycle.cli import tables

_LABEL = re.compile(
    r"bus (\S+) V, L (\S+) %, C (\S+) %, load (.+?), sensor (\S+) %"
    r"(?:, window starts at (\S+) deg)?(?:, (.+))?"
)
"""What names a corner (``loop.corner_plants``)."""
_HEADINGS = ("", "bus\nV", "L\n%", "C\n%", "load", "sensor\n%", "window\nstarts\nat deg", "besides")


class Corners:
    """Letters for corners, as ``generate.worst_corners`` gives them, and which of them are told."""

    def __init__(self, letters: Mapping[str, str]) -> None:
        self._known = letters
        self._told: set[str] = set()

    def letter(self, label: str | None) -> str:
        """The letter of a corner; "" if there is none."""
        if not label:
            return ""
        self._told.add(label)
        return self._known[label]

    @property
    def _letters(self) -> dict[str, str]:
        """Those that are told, in their order."""
        return {label: at for label, at in self._known.items() if label in self._told}

    def show(self) -> None:
        """Print the legend: a table, or a line for each corner if that is too wide or a corner is
        called otherwise."""
        named = {letter: _LABEL.fullmatch(label) for label, letter in self._letters.items()}
        rows = [
            (letter, *((part or "") for part in match.groups()))
            for letter, match in named.items()
            if match is not None
        ]
        told = [at for at in range(len(_HEADINGS)) if any(row[at] for row in rows)]
        columns = [_HEADINGS[at] for at in told]
        rows = [tuple(row[at] for at in told) for row in rows]
        if len(rows) == len(self._letters) and tables.fits(columns, rows):
            tables.show_table("Corners", columns, rows)
            return
        tables.show_lines("Corners", [f"{at}: {label}" for label, at in self._letters.items()])
