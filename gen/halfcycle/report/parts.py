"""What a report is made from, and the plain pieces that its sections hand to the template."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from halfcycle.generate.pipeline import IntegerDesign
    from halfcycle.report.board_runs import BoardRuns
    from halfcycle.report.measured_section import Measured
    from halfcycle.targets.run import Result

DASH = "–"
BESIDE = "\N{NO-BREAK SPACE}"


@dataclass(frozen=True, slots=True)
class Contents:
    """All that enters a report. The same contents give the same bytes.

    ``spec_name``: the spec file's name, without a path; ``spec_text``: its text as it is;
    ``command``: what makes this page again, without a path. ``boards``: the virtual boards' runs,
    or None with ``no_boards`` saying why there are none. ``targets``: the C on emulated
    processors, None with ``no_targets`` saying why not. ``run_again``: from a case's name and a
    board's number to the command that runs it alone. ``measured``: logs of boards, None without.
    """

    integer_design: IntegerDesign
    spec_name: str
    spec_text: str
    command: str
    boards: BoardRuns | None = None
    no_boards: str = ""
    targets: Result | None = None
    no_targets: str = ""
    run_again: Callable[[str, int], str] | None = None
    measured: Measured | None = None

    @property
    def good(self) -> bool:
        """Whether no finding is an error, no board broke a rule, no target differed and no
        measured board is another than the design relies on."""
        runs, costs = self.boards, self.targets
        return (
            self.integer_design.good
            and not (runs and runs.failed)
            and not (self.measured and not self.measured.good)
            and all(row.bit_exact for row in (costs.rows if costs else ()))
        )


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing. ``title`` and ``caption`` go below it, ``alt`` says what it shows in words;
    ``svg`` is the drawing itself, with ``alt`` inside."""

    title: str
    alt: str
    caption: str
    svg: str


@dataclass(frozen=True, slots=True)
class Bar:
    """A small bar in a table's cell: ``used`` of ``whole`` parts, with its words beside it."""

    used: int
    whole: int
    text: str


Cell = str | Bar


@dataclass(frozen=True, slots=True)
class Table:
    """A table: ``columns`` with units in them, ``numeric`` the columns set to the right."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    numeric: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()
    marked: int | None = None
    """Row that is emphasised: the chosen one."""


@dataclass(frozen=True, slots=True)
class Step:
    """A piece of a derivation: words, then formulas as MathML, one below the other."""

    words: str
    formulas: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Derivation:
    """One result: how it comes about, and what it is here."""

    title: str
    steps: tuple[Step, ...]
    source: str = ""


@dataclass(frozen=True, slots=True)
class Corners:
    """Letters for the corners that have the worst of some figure, so that texts stay short."""

    letters: dict[str, str] = field(default_factory=dict)

    def letter(self, label: str | None) -> str:
        """``A`` for a corner's label; empty for one that is the worst of nothing."""
        return self.letters.get(label or "", "")


Level = Literal["error", "warning", "note"]


SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def typeset(text: str) -> str:
    """Words of other modules with true signs, and numbers kept beside their units."""
    text = re.sub(r"(?<!\w)\+-", "±", text)
    text = re.sub(r"(?<![\w.)\]])-(?=\d)", "−", text)
    return re.sub(r"(?<=\d) (?=(?:V|ms|us|Hz|dB|deg|ppm|VA|pu)\b|%)", "\N{NO-BREAK SPACE}", text)


def decimal(value: float | None, digits: int = 4) -> str:
    """``value`` to so many digits, with a true minus sign; a dash if it is undefined."""
    if value is None:
        return DASH
    text = f"{float(value):.{digits}g}"
    if "e" in text:
        mantissa, exponent = text.split("e")
        power = str(int(exponent)).translate(SUPERSCRIPTS)
        return f"{mantissa} × 10{power}".replace("-", "−")
    return text.replace("-", "−")


def volts(value: float, digits: int = 3) -> str:
    """A voltage; what is below a microvolt is rounding, not voltage."""
    return decimal(value if abs(value) >= 1e-6 else 0.0, digits)


def quantity(value: float | None, unit: str, digits: int = 4) -> str:
    """A number with its unit, kept on one line."""
    shown = decimal(value, digits)
    if value is None or not unit:
        return shown
    return f"{shown}{'' if unit == '°' else BESIDE}{unit}"


def letters(labels: Sequence[str]) -> Corners:
    """A letter for each different label, in order of first use."""
    different = dict.fromkeys(labels)
    return Corners({label: chr(ord("A") + at) for at, label in enumerate(different)})
