"""``halfcycle calibrate``: the sensor's gain and zero from readings at the bench."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from halfcycle.cli import common, tables

if TYPE_CHECKING:
    from halfcycle.bench.calibrate import BoardFit, Calibration, Estimate
    from halfcycle.spec.models import Spec, Value


@click.command("calibrate")
@click.argument("spec_file", metavar="SPEC", type=click.Path(path_type=Path))
@click.argument("readings_file", metavar="READINGS", type=click.Path(path_type=Path))
@click.option("--write", is_flag=True, help="Write the fitted values into SPEC; comments stay.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the tables.")
def command(*, spec_file: Path, readings_file: Path, write: bool, as_json: bool) -> None:
    """Fit SPEC's sensor gain and zero to READINGS, a CSV table with one row per reading.

    Columns by their titles, in any order: board; meter_rms_v; and what the firmware saw, either
    reported_rms_v (or reported_rms_mv), or mean_code and rms_codes (ADC codes over whole cycles).
    Exit code 1 where a board is outside the tolerances of SPEC (with --write: as it is then).

    \b
    Example:
      halfcycle calibrate gauge_hut.toml bench.csv --write
    """
    from halfcycle.bench.calibrate import calibrate  # noqa: PLC0415 (numpy: not for --help)
    from halfcycle.bench.calibrate_findings import changes, findings, inside  # noqa: PLC0415
    from halfcycle.bench.meter_readings import read_readings  # noqa: PLC0415
    from halfcycle.spec.edit import edit_file  # noqa: PLC0415
    from halfcycle.spec.load import load_spec  # noqa: PLC0415

    spec = load_spec(spec_file)
    found = calibrate(spec, read_readings(readings_file))
    wanted = changes(spec, found)
    if write and wanted:
        edit_file(spec_file, wanted)
    said = findings(spec, found, written=write)
    fits = inside(spec, found, after=write)
    if as_json:
        result = _as_json(found)
        result["changes"] = {key: float(value) for key, value in wanted.items()}
        result["written"] = list(wanted) if write else []
        result["inside_tolerance"] = fits
        result["findings"] = common.findings_json(said)
        tables.emit_json(result)
    else:
        _show(spec, found, wanted, write)
    common.show_findings(said)
    if not fits:
        sys.exit(1)


def _estimate_json(one: Estimate | None) -> dict[str, Any] | None:
    if one is None:
        return None
    half = one.uncertainty if math.isfinite(one.uncertainty) else None
    return {"value": one.value, "uncertainty": half, "readings": one.readings}


def _as_json(found: Calibration) -> dict[str, Any]:
    return {
        "boards": [
            {
                "board": fit.board,
                "volts_per_code": _estimate_json(fit.volts_per_code),
                "zero_code": _estimate_json(fit.zero_code),
                "zero_square_codes2": _estimate_json(fit.zero_square),
            }
            for fit in found.boards
        ],
        "volts_per_code": _estimate_json(found.volts_per_code),
        "zero_code": _estimate_json(found.zero_code),
        "gain_spread_percent": found.gain_spread_percent,
        "gain_spread_after_percent": found.gain_spread_after_percent,
        "gain_reach_percent": found.gain_reach_percent,
        "zero_spread_codes": found.zero_spread_codes,
        "zero_spread_after_codes": found.zero_spread_after_codes,
        "zero_reach_codes": found.zero_reach_codes,
        "outliers": [
            {
                "line": one.line or None,
                "board": one.board,
                "deviation_percent": one.deviation_percent,
                "sigmas": one.sigmas,
            }
            for one in found.outliers
        ],
    }


def _show(spec: Spec, found: Calibration, wanted: dict[str, Value], write: bool) -> None:
    notes = ["+-: half of the 95 % confidence interval, from the readings' scatter."]
    for key, value in wanted.items():
        verb = "written" if write else "to write with --write"
        notes.append(f"{verb}: {key} = {float(value):g}")
    tables.show_table(
        f"{spec.name}: sensor of {len(found.boards)} boards",
        ("board", "volts per code", "from the\nspec, %", "zero code"),
        [_row(spec, fit) for fit in found.boards],
        notes,
    )


def _row(spec: Spec, fit: BoardFit) -> tuple[str, str, str, str]:
    gain = fit.volts_per_code
    off = f"{100 * (gain.value / float(spec.sensor.volts_per_code) - 1):+.3f}" if gain else "-"
    return fit.board, _text(gain, ".6g"), off, _text(fit.zero_code, ".6g")


def _text(one: Estimate | None, form: str) -> str:
    if one is None:
        return "-"
    half = f" +- {one.uncertainty:.2g}" if math.isfinite(one.uncertainty) else " (one reading)"
    return f"{one.value:{form}}{half}"
