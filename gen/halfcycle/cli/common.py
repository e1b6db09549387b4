"""What several commands share: from a spec file to a quantised design, and how both are shown."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from halfcycle.base.errors import RefusedError
from halfcycle.base.findings import Finding, any_error
from halfcycle.cli import tables

if TYPE_CHECKING:
    from halfcycle.design.types import Trial
    from halfcycle.generate.pipeline import IntegerDesign

LOOP_FIGURES = (
    ("settling to 2 %", "settling_ms", "ms"),
    ("overshoot", "overshoot_percent", "%"),
    ("gain margin", "gain_margin_db", "dB"),
    ("phase margin", "phase_margin_deg", "deg"),
    ("peak sensitivity Ms", "peak_sensitivity", ""),
)
"""Label, name in the loop's figures and unit of what tables of a design show of the loop."""


def design_spec(path: Path) -> IntegerDesign:
    """Load, design and quantise a spec file.

    Raises InputError and RefusedError as these steps do.
    """
    from halfcycle.generate.pipeline import design_integers  # noqa: PLC0415 (numpy: not for --help)
    from halfcycle.spec.load import load_spec  # noqa: PLC0415

    return design_integers(load_spec(path), str(path))


@contextmanager
def refusals(as_json: bool) -> Iterator[None]:
    """Show a refusal of a valid spec as its findings, and exit 1."""
    try:
        yield
    except RefusedError as error:
        if as_json:
            tables.emit_json({"findings": findings_json(error.findings)})
        show_findings(error.findings)
        sys.exit(1)


def exit_on_errors(findings: Iterable[Finding]) -> None:
    """Exit 1 where a finding says that a limit is broken."""
    if any_error(findings):
        sys.exit(1)


def show_findings(findings: Iterable[Finding]) -> None:
    """One line per finding on stderr, the worst first."""
    for finding in findings:
        print(finding, file=sys.stderr)


def findings_json(findings: Iterable[Finding]) -> list[dict[str, str]]:
    """Findings as the JSON keys level, key, text and code."""
    return [asdict(finding) for finding in findings]


def as_json(made: IntegerDesign) -> dict[str, Any]:
    """The JSON of a design: keys as the reference lists them, units in their names."""
    design, quantised = made.design, made.quantised
    return {
        "name": design.spec.name,
        "window": window_json(design.chosen),
        "gains": {
            "proportional": design.gains.proportional,
            "integral_per_s": design.gains.integral_per_s,
            "integral_per_window": design.gains.integral_per_window,
            "proportional_per_window": float(design.kp),
        },
        "loop": design.loop.as_json(),
        "update_latest": {
            "targets_hold_periods": design.late.target_periods,
            "stable_periods": design.late.stable_periods,
        },
        "alternatives": [window_json(trial) for trial in design.trials],
        "signals": [asdict(row) for row in quantised.plan.signals],
        "constants": [asdict(row) | {"error": row.error} for row in quantised.coefficients],
        "pole_shift": made.pole_shift,
        "reading_step_v": quantised.reading_step_v,
        "output_step_v": quantised.output_step_v,
        "dead_band_v": quantised.dead_band_v,
        "steady_error_v": quantised.steady_error_v,
        "rest": asdict(quantised.rest) if quantised.rest else None,
        "findings": findings_json(made.findings),
    }


def window_json(trial: Trial) -> dict[str, Any]:
    """A window with its fault bounds, as the ``windows`` command has them, and volts."""
    window, bounds = trial.window, trial.faults
    return {
        "half_cycles": window.half_cycles,
        "samples": window.samples,
        "duration_ms": window.duration_ms,
        "whole": window.whole,
        "mismatch_ppm": window.mismatch_ppm,
        "mean_error": list(bounds.mean_error),
        "rms_error": list(bounds.rms_error),
        "meets_targets": trial.meets and not trial.given_miss,
        "settling_ms": trial.loop.settling_ms,
        "sampling_error_v": bounds.spread_v,
        "zero_flip_reading_v": bounds.alternation_v,
        "zero_flip_output_v": trial.hunting_v,
        "noise_v": bounds.noise_v,
        "sampling": "fixed bias" if bounds.fixed else "ripple",
    }


def number(value: Any) -> str:
    """Short decimal text of a number."""
    return f"{float(value):.6g}"


def with_unit(value: float | None, unit: str) -> str:
    """A figure to four digits with its unit; a dash where it is undefined."""
    return "-" if value is None else f"{value:.4g} {unit}".rstrip()
