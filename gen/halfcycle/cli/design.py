"""``halfcycle design``: window, gains, formats and margins over the corners."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from halfcycle.cli import common, tables
from halfcycle.windows.search import counted

if TYPE_CHECKING:
    from halfcycle.generate.pipeline import IntegerDesign


@click.command("design")
@click.argument("spec", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the tables.")
def command(spec: Path, as_json: bool) -> None:
    """Turn SPEC into a window, PI gains and integer formats, with the margins over all corners.

    Exit code 1 where a target cannot be met: the findings say what can.

    \b
    Example:
      halfcycle design gauge_hut.toml
    """
    with common.refusals(as_json):
        made = common.design_spec(spec)
        if as_json:
            from halfcycle.output.design import Design  # noqa: PLC0415 (numpy: not for --help)

            tables.emit_json(Design.of(made))
        else:
            _show(made)
        common.exit_on_errors(made.findings)


def _show(made: IntegerDesign) -> None:
    design, quantised, plan = made.design, made.quantised, made.quantised.plan
    window, loop, spec = design.window, design.loop, made.design.spec
    number = common.number
    tables.show_table(
        f"{spec.name}: {number(spec.output.rated_rms_v)} V RMS, "
        f"{number(spec.output.frequency_hz)} Hz, {spec.loop.measure}, "
        f"{spec.arithmetic.word_bits}-bit words",
        ("figure", "value", "at its worst corner"),
        [
            (
                "window",
                f"{counted(window.half_cycles)}, {window.samples} samples, "
                f"{number(window.duration_ms)} ms",
                "",
            ),
            (
                "proportional gain",
                f"{number(design.gains.proportional)} scale per pu",
                f"a window: {number(design.kp)}",
            ),
            (
                "integral gain",
                f"{number(design.gains.integral_per_s)} scale per pu and s",
                f"a window: {number(design.ki)}",
            ),
            *(
                (label, common.with_unit(getattr(loop, key), unit), loop.worst.get(key, ""))
                for label, key, unit in common.LOOP_FIGURES
            ),
            ("plant gain", f"{design.least_gain:.4g} to {design.greatest_gain:.4g} pu/scale", ""),
            ("reading step", f"{quantised.reading_step_v:.3g} V RMS", ""),
            ("output step", f"{quantised.output_step_v:.3g} V RMS", ""),
            ("dead band", f"+-{quantised.dead_band_v:.3g} V RMS", ""),
            (
                "steady error",
                f"+-{quantised.steady_error_v:.3g} V RMS",
                "sensor's zero and gain apart",
            ),
            *_rest_row(made),
        ],
        ["Worst over all tolerance corners; settling includes the wait for the first update."],
    )
    _show_windows(made)
    tables.show_table(
        "Signals: derived ranges, in units of the last place",
        ("signal", "format", "bits", "lowest", "highest", "headroom\nbits"),
        [
            (row.name, row.format, row.bits, row.lowest, row.highest, row.headroom_bits)
            for row in plan.signals
        ],
        ["sQm.n / uQm.n: m integer bits, the sign not counted, n fraction bits."],
    )
    tables.show_table(
        "Constants as integers",
        ("constant", "wanted", "got", "off by\nppm", "unit"),
        [
            (
                row.name,
                f"{row.wanted:.6g}",
                f"{row.got:.6g}",
                f"{1e6 * row.error:.1f}",
                row.unit,
            )
            for row in quantised.coefficients
        ],
        [f"They move the slowest closed-loop pole by {made.pole_shift:.2g} at most."],
    )
    common.show_findings(made.findings)


def _rest_row(made: IntegerDesign) -> list[tuple[str, str, str]]:
    rest = made.quantised.rest
    if rest is None:
        return []
    return [("at rest, moves by", f"{rest.hunting_v:.3g} V RMS", rest.corner)]


def _show_windows(made: IntegerDesign) -> None:
    rows: list[tuple[Any, ...]] = []
    for trial in made.design.trials:
        settles = trial.loop.settling_ms if trial.meets else None
        rows.append(
            (
                ("* " if trial is made.design.chosen else "  ") + str(trial.window.half_cycles),
                trial.window.samples,
                f"{trial.window.duration_ms:.6g}",
                "-" if settles is None else f"{settles:.6g}",
                f"{trial.faults.spread_v:.3g}",
                f"{trial.faults.alternation_v:.3g}",
                f"{trial.hunting_v:.3g}",
                f"{trial.faults.noise_v:.2g}",
            )
        )
    tables.show_table(
        "Windows weighed (* chosen), volts RMS at the output",
        (
            "half\ncycles",
            "sam-\nples",
            "length\nms",
            "settling\nms",
            "sampling\n+-V",
            "zero flips\n+-V read",
            "zero flips\n+-V out",
            "noise\nV rms",
        ),
        rows,
        ["settling '-': the targets cannot be met with that window."],
    )
