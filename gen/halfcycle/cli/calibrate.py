"""``halfcycle calibrate``: the sensor's gain and zero from readings at the bench."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from halfcycle.base.errors import Faults
from halfcycle.base.exact import signed
from halfcycle.base.text import printable
from halfcycle.cli import common, tables
from halfcycle.cli.paths import PATH, force_option
from halfcycle.cli.pictures import asked_picture

if TYPE_CHECKING:
    from halfcycle.bench.calibrate import BoardFit, Calibration, Estimate
    from halfcycle.spec.models import Spec, Value

OPTIONS = {"picture": "--plot"}
ADVISED_OPTIONS = {
    "gain-differs": "--write",
    "zero-differs": "--write",
    "spread-recentred": "--write",
}
"""The option that does what a finding advises, by its code."""


@click.command("calibrate")
@click.argument("spec_file", metavar="SPEC", type=click.Path(path_type=Path))
@click.argument("readings_file", metavar="READINGS", type=click.Path(path_type=Path))
@click.option("--write", is_flag=True, help="Write the fitted values into SPEC; comments stay.")
@click.option(
    "--plot",
    metavar="FILE",
    type=PATH,
    help="Picture of readings, boards and tolerances (.svg, .png or .pdf).",
)
@force_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the tables.")
def command(
    *,
    spec_file: Path,
    readings_file: Path,
    write: bool,
    plot: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Fit SPEC's sensor gain and zero to READINGS, a CSV table with one row per reading.

    Columns by their titles, in any order: board; meter_rms_v; and what the firmware saw, either
    reported_rms_v (or reported_rms_mv), or mean_code and rms_codes (ADC codes over whole cycles).
    Exit code 1 if a board is outside the tolerances of SPEC (with --write: as it is then), or its
    sensor does not measure.

    \b
    Example:
      halfcycle calibrate gauge_hut.toml bench.csv --write --plot bench.svg
    """
    from halfcycle.bench.calibrate import calibrate, firmware_step_v  # noqa: PLC0415 (numpy)
    from halfcycle.bench.calibrate_findings import (  # noqa: PLC0415
        changes,
        findings,
        inside,
        spec_unchanged,
    )
    from halfcycle.bench.meter_readings import read_readings  # noqa: PLC0415
    from halfcycle.bench.readings_check import check_readings  # noqa: PLC0415
    from halfcycle.spec.edit import edit_file  # noqa: PLC0415
    from halfcycle.spec.load import parse_spec, read_text  # noqa: PLC0415

    faults = Faults()
    form, output = asked_picture(faults, plot, [spec_file, readings_file], force)
    with faults.gathered():
        text, _ = read_text(spec_file)
        spec = parse_spec(text, printable(str(spec_file)))
    with faults.gathered():
        readings = read_readings(readings_file)
    faults.stop_if_any()
    check_readings(spec, readings, readings_file)
    reported = any(reading.reported_v is not None for reading in readings)
    calibration = calibrate(spec, readings, firmware_step_v(spec) if reported else 0.0)
    drawn = b""
    if output is not None:
        from halfcycle.bench.calibrate_plot import picture  # noqa: PLC0415

        drawn = picture(spec, calibration, readings, form)
    fitted = changes(spec, calibration)
    if write and fitted:
        edit_file(spec_file, fitted, text)
    if output is not None:
        output.write(drawn)
    remarks = findings(spec, calibration, written=write)
    if write and not fitted:
        remarks += (spec_unchanged(spec, calibration),)
    if not write:
        remarks = common.with_options(remarks, ADVISED_OPTIONS)
    fits = inside(spec, calibration, after=write)
    if as_json:
        from halfcycle.output.calibrate import Calibrate  # noqa: PLC0415

        tables.emit_json(
            Calibrate.of(calibration, fitted, remarks, written=write, inside_tolerance=fits)
        )
    else:
        _show(spec, calibration, fitted, write)
    common.show_findings(remarks)
    if not fits:
        sys.exit(1)


def _show(spec: Spec, calibration: Calibration, fitted: dict[str, Value], write: bool) -> None:
    notes = ["+-: half of the 95 % confidence interval, from the readings' scatter."]
    for key, value in fitted.items():
        verb = "written" if write else "to write with --write"
        notes.append(f"{verb}: {key} = {float(value):g}")
    tables.show_table(
        f"{spec.name}: sensor of {len(calibration.boards)} boards",
        ("board", "volts per code", "from the\nspec, %", "zero code"),
        [_row(spec, fit) for fit in calibration.boards],
        notes,
        spare=("from the\nspec, %",),
    )


def _row(spec: Spec, fit: BoardFit) -> tuple[str, str, str, str]:
    gain = fit.volts_per_code
    off = signed(100 * (gain.value / float(spec.sensor.volts_per_code) - 1), 3) if gain else "-"
    return fit.board, _text(gain, ".6g"), off, _text(fit.zero_code, ".6g")


def _text(estimate: Estimate | None, form: str) -> str:
    if estimate is None:
        return "-"
    half = (
        f" +- {estimate.uncertainty:.2g}"
        if math.isfinite(estimate.uncertainty)
        else " (one reading)"
    )
    return f"{estimate.value:{form}}{half}"
