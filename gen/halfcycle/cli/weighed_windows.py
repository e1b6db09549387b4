"""The windows that ``halfcycle design`` tried, with what the choice rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from halfcycle.base.text import figure
from halfcycle.cli import common, tables

if TYPE_CHECKING:
    from halfcycle.design.types import Trial
    from halfcycle.generate.pipeline import IntegerDesign

_COLUMNS = (
    "kind",
    "sam-\nples",
    "up-\ndates",
    "length\nms",
    "settling\nms",
    "Ms",
    "sampling\n+-V",
    "zero flips\n+-V read",
    "zero flips\n+-V out",
    "noise\nV rms",
    "steady\n+-V",
    "DC\n%",
)
_SPARE = (
    "noise\nV rms",
    "zero flips\n+-V read",
    "zero flips\n+-V out",
    "sampling\n+-V",
    "length\nms",
    "up-\ndates",
    "DC\n%",
    "Ms",
)

NO_DC = 1e-9
"""Percent up to which DC is what floating point leaves of none."""
LITTLE_DC = 1e-3
"""Percent below which DC is only said to be less."""

BROKEN_LIMITS = {"window-error", "steady-error", "too-much-dc", "given-settling", "given-overshoot"}
"""Errors that say that the window which was taken does not keep its limits."""


def show_windows(integer_design: IntegerDesign) -> None:
    """Print the windows, each with its settling, robustness and errors, and why one was chosen."""
    design, quantised = integer_design.design, integer_design.quantised
    tables.show_table(
        "Windows tried (* chosen), volts RMS at the output",
        _COLUMNS,
        [_row(trial, trial is design.chosen, quantised.integer_error_v) for trial in design.trials],
        [
            tables.Legend.of(
                (
                    (),
                    "settling '-': the targets cannot be met with that window. steady: the whole "
                    "steady error, with the chosen window's integers.",
                ),
                ("noise\nV rms", "noise: of a reading."),
                *(
                    [("Ms", "Ms: with blocks that of the averaged loop.")]
                    if any(trial.window.blocks > 1 for trial in design.trials)
                    else []
                ),
            ),
            _limits(integer_design),
        ],
        spare=_SPARE,
    )


def _row(trial: Trial, chosen: bool, integer_error_v: float) -> tuple[object, ...]:
    window, faults, loop = trial.window, trial.faults, trial.loop
    settles, peak = (loop.settling_ms, loop.peak_sensitivity) if trial.meets else (None, None)
    steady = trial.own_error_v + trial.noise_v + integer_error_v
    return (
        ("* " if chosen else "  ") + window.kind,
        window.samples,
        window.updates,
        f"{window.duration_ms:.6g}",
        "-" if settles is None else f"{settles:.6g}",
        "-" if peak is None else f"{peak:.3f}",
        f"{faults.spread_v:.3g}",
        f"{faults.alternation_v:.3g}",
        f"{trial.hunting_v:.3g}",
        f"{faults.noise_v:.2g}",
        f"{steady:.3g}" if trial.meets else "-",
        _dc(trial.output.dc_percent),
    )


def _dc(percent: float) -> str:
    """To two digits, of little only that it is less than that, never with an exponent."""
    if percent <= NO_DC:
        return "0"
    return "<0.001" if percent < LITTLE_DC else figure(percent, 2)


def _limits(integer_design: IntegerDesign) -> str:
    """What a window has to keep, and which of those that do is chosen; or that none does."""
    spec, number = integer_design.design.spec, common.number
    targets = spec.targets
    rule = "the shortest of the cheapest kind"
    settling = f"settling {common.settling_asked(spec)}, "
    if spec.settling_limit_ms is None and spec.gains is None:
        rule, settling = "the one that settles first", ""
    limits = (
        f"Limits: {settling}overshoot {number(targets.overshoot_percent)} %, steady "
        f"+-{number(spec.tolerance_v)} V, DC {number(spec.output.dc_percent)} %."
    )
    broken = {entry.code for entry in integer_design.findings if entry.level == "error"}
    if broken & BROKEN_LIMITS:
        return f"{limits} No window that was tried keeps all of them: the errors say which."
    return (
        f"{limits} Of the windows that keep these limits {rule} is chosen, or twice a plain one if "
        "its zero's error flips the output too far."
    )
