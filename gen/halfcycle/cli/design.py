"""``halfcycle design``: window, gains, formats and margins over the corners."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from halfcycle.base.errors import RefusedError
from halfcycle.base.text import at_most, counted
from halfcycle.cli import common, tables
from halfcycle.cli.corners import Corners
from halfcycle.cli.paths import PATH
from halfcycle.cli.weighed_windows import show_windows

if TYPE_CHECKING:
    from halfcycle.generate.pipeline import IntegerDesign
    from halfcycle.loop.figures import LoopFigures
    from halfcycle.quantise.quantised import Quantised
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

_Row = tuple[str, str, str, str]
"""Figure, value, letter of its worst corner, remark."""


@click.command("design")
@click.argument("spec", type=PATH)
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the tables.")
def command(spec: Path, as_json: bool) -> None:
    """Turn SPEC into a window, PI gains and integer formats, with the margins over all corners.

    Exit code 1 if a target cannot be met: the findings say what can.

    \b
    Example:
      halfcycle design gauge_hut.toml
    """
    from halfcycle.spec.load import load_spec  # noqa: PLC0415 (pydantic: not for --help)

    with common.refusals(as_json):
        loaded = load_spec(spec)
        try:
            integer_design = common.design_spec(spec, look_ahead=True, loaded=loaded)
        except RefusedError as error:
            if not as_json:
                _show_refused(spec, loaded, error)
            raise
        if as_json:
            from halfcycle.output import design as output  # noqa: PLC0415 (numpy: not for --help)

            tables.emit_json(output.Design.of(integer_design))
        else:
            _show(integer_design)
        common.exit_on_errors(integer_design.findings)


def _show_refused(file: Path, spec: Spec, error: RefusedError) -> None:
    """The best that can be had, if windows were tried."""
    from halfcycle.cli.refused_design import show_best  # noqa: PLC0415

    trials = getattr(error, "trials", ())
    if trials:
        show_best(file, spec, trials)


def _show(integer_design: IntegerDesign) -> None:
    from halfcycle.generate.worst_corners import worst_corners  # noqa: PLC0415 (numpy)

    corners = Corners(worst_corners(integer_design))
    _show_figures(integer_design, corners)
    corners.show()
    show_windows(integer_design)
    _show_integers(integer_design)
    common.show_findings(integer_design.findings)


def _show_figures(integer_design: IntegerDesign, corners: Corners) -> None:
    """The window, the gains and the figures of the loop, each with its worst corner."""
    design, quantised = integer_design.design, integer_design.quantised
    window, loop, spec = design.window, design.loop, design.spec
    number = common.number
    step = "window" if window.kind == "plain" else "update"
    length = window.kind if window.shaped else counted(window.half_cycles)
    asked = _asked(spec, moving=window.blocks > 1)
    tables.show_table(
        f"{spec.name}: {number(spec.output.rated_rms_v)} V RMS, "
        f"{number(spec.output.frequency_hz)} Hz, {spec.loop.measure}, "
        f"{spec.arithmetic.word_bits}-bit words",
        ("figure", "value", "worst\ncorner", "remark"),
        [
            (
                "window",
                f"{length}, {window.samples} samples, {number(window.duration_ms)} ms",
                "",
                "",
            ),
            *_block_rows(window),
            *_law_row(integer_design),
            (
                "proportional gain",
                common.gain(design.gains.proportional, design.gain_unit, "integral"),
                "",
                f"per {step}: {number(design.kp)}" if design.kp else "",
            ),
            (
                "integral gain",
                common.gain(
                    design.gains.integral_per_s, f"{design.gain_unit} and s", "proportional"
                ),
                "",
                f"per {step}: {number(design.ki)}" if design.ki else "",
            ),
            *(
                (
                    label,
                    common.with_unit(getattr(loop, key), unit),
                    corners.letter(loop.worst.get(key)),
                    asked.get(key, ""),
                )
                for label, key, unit in common.LOOP_FIGURES
            ),
            *_periodic_rows(loop),
            (
                "plant gain",
                f"{design.least_gain:.4g} to {design.greatest_gain:.4g} pu/scale",
                "",
                "",
            ),
            ("reading step", f"{quantised.reading_step_v:.3g} V RMS", "", ""),
            ("output step", f"{quantised.output_step_v:.3g} V RMS", "", ""),
            ("dead band", f"+-{quantised.dead_band_v:.3g} V RMS", "", ""),
            (
                "steady error",
                f"+-{quantised.steady_error_v:.3g} V RMS",
                "",
                "without the sensor's zero and gain",
            ),
            (
                "with the sensor",
                common.with_sensor(integer_design),
                "",
                "with its zero and gain",
            ),
            *_rest_rows(integer_design, corners),
            *_oscillator_row(quantised),
        ],
        [
            "Worst over all tolerance corners; settling includes the wait for the first update."
            if window.blocks == 1
            else "Worst over all tolerance corners; settling is of half-cycle RMS of any start.",
            *(
                [
                    "At rest: steps are of the scale, 1/16384; volts and steps are each the most "
                    "of any board."
                ]
                if quantised.rest is not None
                else []
            ),
        ],
        spare=("remark",),
        below=("remark",),
    )


def _asked(spec: Spec, *, moving: bool) -> dict[str, str]:
    """What is asked for of the loop, by the figure's name."""
    targets, number = spec.targets, common.number
    return {
        "settling_ms": f"asked: {common.settling_asked(spec)}",
        "overshoot_percent": f"asked: {number(targets.overshoot_percent)} %",
        "peak_sensitivity": f"asked: {number(targets.peak_sensitivity)}"
        + (", averaged" if moving else ""),
    }


def _law_row(integer_design: IntegerDesign) -> Iterator[_Row]:
    """The law, if it is not the plain one."""
    law, integers = integer_design.design.law, integer_design.quantised.plan.law
    if law is not None and integers is not None:
        least = f"a target below {integers.least_mv / 1000:g} V counts as 0"
        yield "law", f"normalised, floor {float(law.floor):g} scale per pu", "", least


def _block_rows(window: Window) -> list[_Row]:
    """What a window of blocks has besides."""
    if window.blocks == 1:
        return []
    plural = "" if window.updates == 1 else "s"
    rows = [
        (
            "blocks",
            f"{window.blocks} of {window.block_samples} samples",
            "",
            f"{window.kind}, {window.updates} update{plural} per window",
        )
    ]
    if window.shaped:
        weights = window.block_weights
        mirrored = weights == weights[::-1]
        half = weights[: (len(weights) + 1) // 2] if mirrored else weights
        rows.append(
            (
                "weights",
                " ".join(map(str, half)),
                "",
                ("and mirrored, " if mirrored else "") + f"sum {sum(weights)}",
            )
        )
    return rows


def _periodic_rows(loop: LoopFigures) -> list[_Row]:
    """Figures that a loop with a window of blocks has besides."""
    # numpy: not for --help
    from halfcycle.loop.judged_steps import OVERLOADED  # noqa: PLC0415
    from halfcycle.loop.moving_figures import MovingFigures  # noqa: PLC0415

    if not isinstance(loop, MovingFigures):
        return []
    shown = common.with_unit
    averaged = shown(loop.averaged_gain_margin_db, "dB")
    release = shown(loop.release_peak_percent, "%")
    return [
        ("gain margin, averaged", averaged, "", "as Ms above; no limit to rely on"),
        ("Ms over every phase", shown(loop.lifted_norm, ""), "", "as the margins above"),
        (
            "above 120 % after overload",
            shown(loop.release_ms, "ms"),
            "",
            f"up to {release}, after one that held it at {100 * OVERLOADED:g} % of rated",
        ),
        ("updates end within", f"{loop.lateness_us:.6g} us", "", "of their block's last sample"),
    ]


def _show_integers(integer_design: IntegerDesign) -> None:
    """Formats of the signals, and constants as they are rounded."""
    quantised = integer_design.quantised
    tables.show_table(
        "Signals: derived ranges, in units of the last place",
        ("signal", "format", "bits", "lowest", "highest", "headroom\nbits"),
        [
            (row.name, row.format, row.bits, row.lowest, row.highest, row.headroom_bits)
            for row in quantised.plan.signals
        ],
        ["sQm.n / uQm.n: m integer bits, the sign not counted, n fraction bits."],
        spare=("headroom\nbits", "bits", "lowest"),
    )
    tables.show_table(
        "Constants as integers",
        ("constant", "wanted", "got", "off by\nppm", "unit"),
        [
            (
                row.name,
                f"{row.wanted:.6g}",
                f"{row.got:.6g}",
                common.fixed(1e6 * row.error, 1),
                row.unit,
            )
            for row in quantised.coefficients
        ],
        [f"They move the slowest closed-loop pole by {at_most(integer_design.pole_shift, 1e-4)}."],
        spare=("off by\nppm", "wanted"),
    )


def _oscillator_row(quantised: Quantised) -> list[_Row]:
    turning = quantised.plan.turning
    if turning is None or quantised.turn_error_ppm is None:
        return []
    band = f"{turning.low_mhz} to {turning.high_mhz} mHz"
    if turning.low_mhz == turning.high_mhz:
        band = f"{turning.low_mhz} mHz"
    return [
        (
            "oscillator",
            band,
            "",
            f"within {quantised.turn_error_ppm:.2g} ppm, without the clock's error",
        )
    ]


def _rest_rows(integer_design: IntegerDesign, corners: Corners) -> list[_Row]:
    rest = integer_design.quantised.rest
    if rest is None:
        return []
    return [
        (
            "at rest, moved by",
            f"{rest.hunting_v:.3g} V RMS, {counted(rest.hunting_steps, 'step')}",
            corners.letter(rest.corner) if rest.hunting_v else "",
            "",
        ),
        (
            "at rest, at most",
            f"{rest.bound_v:.3g} V RMS, {counted(rest.bound_steps, 'step')}",
            "",
            "any board, peak to peak, without noise",
        ),
    ]
