"""What several commands share: from a spec file to a quantised design, and how both are shown."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from halfcycle.base.errors import InputError, RefusedError
from halfcycle.base.findings import Finding, any_error, grouped
from halfcycle.base.text import figure
from halfcycle.cli import tables

if TYPE_CHECKING:
    from halfcycle.generate.pipeline import IntegerDesign
    from halfcycle.spec.models import Spec

LOOP_FIGURES = (
    ("settling to 2 %", "settling_ms", "ms"),
    ("overshoot", "overshoot_percent", "%"),
    ("gain margin", "gain_margin_db", "dB"),
    ("phase margin", "phase_margin_deg", "deg"),
    ("peak sensitivity Ms", "peak_sensitivity", ""),
)
"""Label, name in the loop's figures and unit of what tables of a design show of the loop."""


def design_spec(
    path: Path, *, look_ahead: bool = False, loaded: Spec | None = None
) -> IntegerDesign:
    """Load, design and quantise a spec file. ``look_ahead``: say what the next kind of window would
    buy; ``loaded``: what is in the file, if it was read before.

    Raises InputError and RefusedError as these steps do.
    """
    from halfcycle.generate.pipeline import design_integers  # noqa: PLC0415 (numpy: not for --help)
    from halfcycle.spec.load import load_spec  # noqa: PLC0415

    spec = load_spec(path) if loaded is None else loaded
    return design_integers(spec, str(path), look_ahead=look_ahead)


@contextmanager
def refusals(as_json: bool) -> Iterator[None]:
    """Show a refusal of a valid spec as its findings, and exit 1."""
    try:
        yield
    except RefusedError as error:
        if as_json:
            from halfcycle.output.base import RefusedDesign  # noqa: PLC0415 (pydantic)

            tables.emit_json(RefusedDesign.of(error.findings))
        show_findings(error.findings)
        sys.exit(1)


def exit_on_errors(findings: Iterable[Finding]) -> None:
    """Exit 1 if a finding says that a limit is broken."""
    if any_error(findings):
        sys.exit(1)


@contextmanager
def named_by_options(options: Mapping[str, str]) -> Iterator[None]:
    """Name faults of the input by the command's options; ``options``: a fault's key to its option.

    What computes knows nothing of options.
    """
    try:
        yield
    except InputError as error:
        raise InputError(
            replace(fault, key=options.get(fault.key, fault.key)) for fault in error.faults
        ) from None


def with_options(findings: Iterable[Finding], options: Mapping[str, str]) -> tuple[Finding, ...]:
    """Findings that end in the option that does what they advise; ``options``: by their codes."""
    return tuple(
        replace(entry, text=f"{entry.text} ({options[entry.code]})")
        if entry.code in options
        else entry
        for entry in findings
    )


def show_findings(findings: Iterable[Finding]) -> None:
    """Findings on stderr, in their order: one line each, wrapped if a terminal shows them. Those
    with the same advice stand together, all lines but the first indented."""
    for group in grouped(findings):
        first, *others = group.lines()
        print(tables.hanging(first), file=sys.stderr)
        for line in others:
            print(tables.hanging(line, indent="    "), file=sys.stderr)


def with_sensor(integer_design: IntegerDesign) -> str:
    """The steady error with the sensor's zero and gain."""
    from halfcycle.design.error_parts import with_sensor  # noqa: PLC0415 (numpy: not for --help)

    design, quantised = integer_design.design, integer_design.quantised
    total_v = with_sensor(design.spec, design.chosen, quantised.steady_error_v).total_v
    return f"+-{total_v:.3g} V RMS, {100 * total_v / float(design.spec.output.rated_rms_v):.3g} %"


def number(value: Any) -> str:
    """Short decimal text of a number."""
    return f"{float(value):.6g}"


def gain(value: float, unit: str, other: str) -> str:
    """A gain with its unit; ``other``: the part of the regulator that is left without it."""
    return f"{number(value)} {unit}" if value else f"none ({other} only)"


def settling_asked(spec: Spec) -> str:
    """The settling time that a spec asks for: ``250 ms``, or ``fastest``."""
    limit = spec.settling_limit_ms
    return "fastest" if limit is None else f"{number(limit)} ms"


def fixed(value: float, places: int) -> str:
    """``value`` to so many places; what rounds to nothing is 0, never -0."""
    return f"{round(value, places) + 0.0:.{places}f}"


def with_unit(value: float | None, unit: str) -> str:
    """A figure to four digits with its unit; a dash if it is undefined."""
    return "-" if value is None else f"{figure(value, 4)} {unit}".rstrip()
