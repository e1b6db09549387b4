"""What a report is made from, and the plain pieces that its sections hand to the template."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING, Literal

from halfcycle.base import text

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
    text = re.sub(r"([≤≥<>±]) (?=[\d<])", rf"\1{BESIDE}", text)
    text = re.sub(r"(?<=\d) us\b", " µs", text)
    text = re.sub(r"(?<=\d) deg\b", "°", text)
    return re.sub(r"(?<=\d) (?=(?:V|ms|µs|Hz|dB|ppm|VA|pu)\b|%)", BESIDE, text)


DIGITS = 3
"""Significant digits of a figure, anywhere on the page. Whole parts are never rounded: 1306."""
CARRIED = 7
"""Of a number that the reader calculates on with, so that the result comes to its three digits."""
SMALL = {"V": 1e-4, "%": 1e-3}
"""By unit: below that a figure is only said to be smaller."""
DUST = 1e-6
"""Volts or percent that are rounding, and stand as 0."""


def decimal(value: float | None) -> str:
    """``value`` to DIGITS digits, with a true minus sign; a dash if it is undefined."""
    return _shown(value, DIGITS)


def carried(value: float | None) -> str:
    """``value`` to CARRIED digits."""
    return _shown(value, CARRIED)


def exact(value: float | Fraction) -> str:
    """A number that somebody wrote down, or counted: as it is; a fraction to CARRIED digits."""
    return f"{int(value)}".replace("-", "−") if value == int(value) else carried(float(value))


def volts(value: float | None) -> str:
    """Volts as ``decimal``; of few only that they are fewer than SMALL."""
    return _small(value, SMALL["V"])


def percent(value: float | None) -> str:
    """Percent as ``decimal``; of few only that they are fewer than SMALL."""
    return _small(value, SMALL["%"])


def _small(value: float | None, least: float) -> str:
    if value is None or abs(value) >= least:
        return decimal(value)
    return "0" if abs(value) < DUST else f"< {f'{least:f}'.rstrip('0')}"


def beside(value: float | None, limit: float, unit: str = "") -> str:
    """``value`` as ``quantity``; with so many digits more that it does not read as ``limit``,
    which stands beside it, unless it is that."""
    if value is None or math.isclose(value, limit, rel_tol=1e-9):
        return quantity(value, unit)
    if abs(value) < SMALL.get(unit, 0.0) <= limit:
        return quantity(value, unit)
    tried = (_shown(value, digits) for digits in range(DIGITS, CARRIED))
    text = next((text for text in tried if text not in {decimal(limit), exact(limit)}), "")
    return _with_unit(text or carried(value), unit)


def quantity(value: float | None, unit: str) -> str:
    """A number with its unit, kept on one line."""
    return _with_unit(_small(value, SMALL.get(unit, 0.0)), unit)


def asked(value: float | Fraction, unit: str) -> str:
    """What a spec asks for, as it is written there, with its unit."""
    return _with_unit(exact(value), unit)


def _with_unit(text: str, unit: str) -> str:
    if text == DASH or not unit:
        return text
    return f"{text}{'' if unit == '°' else BESIDE}{unit}"


def _shown(value: float | None, digits: int) -> str:
    if value is None:
        return DASH
    number = float(value)
    text = f"{number:.{digits}g}"
    if 10 ** (digits - 1) <= abs(number) < 1e9:
        text = f"{number:.0f}"
    if "e" in text:
        mantissa, exponent = text.split("e")
        power = str(int(exponent)).translate(SUPERSCRIPTS)
        return f"{mantissa} × 10{power}".replace("-", "−")
    return text.replace("-", "−")


def letters(labels: Sequence[str]) -> Corners:
    """A letter for each different label, in order of first use."""
    return Corners(text.letters(labels))
