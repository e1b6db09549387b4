"""``halfcycle replay``: a recorded waveform through the measuring code."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from halfcycle.base.errors import Fault, InputError, ToolMissingError
from halfcycle.base.exact import signed
from halfcycle.cli import common, tables

if TYPE_CHECKING:
    from halfcycle.bench.capture import Capture
    from halfcycle.bench.replay import Replay

ROWS = 40
"""Windows shown in the table; --json has them all."""
HARMONIC_PERCENT = 0.1
"""Weaker harmonics are left out of the text."""


@click.command("replay")
@click.argument("spec", type=click.Path(path_type=Path))
@click.argument("capture_file", metavar="CAPTURE", type=click.Path(path_type=Path))
@click.option("--channel", metavar="NAME", help="Column or channel: its name, or number from 1.")
@click.option("--multiply", type=float, default=1.0, metavar="X", help="Volts times X (a probe).")
@click.option("--from-s", type=float, default=-math.inf, metavar="S", help="From this time on.")
@click.option("--to-s", type=float, default=math.inf, metavar="S", help="Up to this time.")
@click.option("--model", is_flag=True, help="Run the Python model instead of the compiled C.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the tables.")
def command(
    *,
    spec: Path,
    capture_file: Path,
    channel: str | None,
    multiply: float,
    from_s: float,
    to_s: float,
    model: bool,
    as_json: bool,
) -> None:
    """Run a recorded waveform through SPEC's measuring code: reported against true RMS.

    CAPTURE is a CSV file of seconds and volts, or an IEEE C37.111 record (.cfg with .dat, .cff).
    Units in its header (ms, kV) are heeded; gaps are reported and left out.

    \b
    Example:
      halfcycle replay gauge_hut.toml scope.csv --channel CH2 --multiply 200
    """
    from halfcycle.base.text import printable  # noqa: PLC0415
    from halfcycle.bench.capture import read_capture  # noqa: PLC0415 (numpy: not for --help)
    from halfcycle.bench.capture_types import Section  # noqa: PLC0415
    from halfcycle.bench.replay import replay  # noqa: PLC0415
    from halfcycle.bench.replay_findings import advise  # noqa: PLC0415
    from halfcycle.verify.compiler import CompileError  # noqa: PLC0415

    if not math.isfinite(multiply) or multiply == 0:
        remedy = "give the ratio by which the recorded volts are too small"
        raise InputError([Fault("(command line)", "--multiply", f"is {multiply}", remedy)])
    with common.refusals(as_json):
        made = common.design_spec(spec)
        capture = read_capture(capture_file, channel, Section(from_s, to_s, multiply))
        try:
            found = replay(made, capture, printable(str(capture_file)), model)
        except ToolMissingError as error:
            raise ToolMissingError(f"{error}; or run the Python model: --model") from None
        except CompileError as error:
            click.echo(f"error: {error}\nor run the Python model: --model", err=True)
            sys.exit(1)
        found = advise(found, made)
    if as_json:
        tables.emit_json(_as_json(found, capture))
    else:
        _show(found, capture)
    common.show_findings(found.findings)


def _as_json(found: Replay, capture: Capture) -> dict[str, Any]:
    wave = found.waveform
    return {
        "windows": [
            {"start_s": start, "true_rms_v": true, "reported_rms_v": reported}
            for start, true, reported in zip(
                found.start_s.tolist(),
                found.true_rms_v.tolist(),
                found.reported_rms_v.tolist(),
                strict=True,
            )
        ],
        "measured_by": found.measured_by,
        "frequency_hz": wave and wave.frequency_hz,
        "zero_v": wave and wave.zero_v,
        "form_factor": wave and wave.form_factor,
        "crest_factor": wave and wave.crest_factor,
        "thd_percent": wave and wave.thd_percent,
        "harmonics": [
            {"order": one.order, "rms_v": one.rms_v, "percent": one.percent}
            for one in (wave.harmonics if wave else ())
        ],
        "resampling": {
            "method": found.resampling.method,
            "points_per_cycle": found.resampling.points_per_cycle,
            "bound_percent": found.resampling.bound_percent,
            "error_v": found.resampling.error_v,
        },
        "capture": {
            "channel": capture.channel,
            "samples": len(capture.time_s),
            "start_s": float(capture.time_s[0]),
            "end_s": float(capture.time_s[-1]),
            "step_s": capture.step_s,
            "gaps": len(capture.stretches) - 1,
        },
        "clipped_samples": found.clipped_samples,
        "findings": common.findings_json(found.findings),
    }


def _show(found: Replay, capture: Capture) -> None:
    rows = [
        (f"{start:.6g}", f"{true:.3f}", f"{reported:.3f}", _error(true, reported))
        for start, true, reported in zip(
            found.start_s[:ROWS], found.true_rms_v, found.reported_rms_v, strict=False
        )
    ]
    notes = []
    if len(found.start_s) > ROWS:
        notes.append(f"The first {ROWS} of {len(found.start_s)} windows; --json has them all.")
    used = found.resampling
    notes.append(
        f"Between the {used.points_per_cycle:.4g} captured points of a cycle: {used.method}, error "
        f"of a sine within {used.bound_percent:.2g} % of its peak, here about {used.error_v:.2g} V."
    )
    tables.show_table(
        f"{capture.channel}, reported by the {found.measured_by}",
        ("window from\ns", "true\nV RMS", "reported\nV RMS", "error\n%"),
        rows,
        notes,
    )
    wave = found.waveform
    if wave is None:
        return
    strong = [one for one in wave.harmonics[1:] if one.percent >= HARMONIC_PERCENT]
    listed = ", ".join(f"{one.order}: {one.percent:.2f} %" for one in strong) or "none"
    tables.show_table(
        "The waveform",
        ("figure", "value"),
        [
            ("frequency", f"{wave.frequency_hz:.6g} Hz"),
            ("zero offset", f"{signed(wave.zero_v, 3)} V"),
            ("form factor", f"{wave.form_factor:.5f}"),
            ("crest factor", f"{wave.crest_factor:.4f}"),
            ("THD", f"{wave.thd_percent:.2f} %"),
            (f"harmonics from {HARMONIC_PERCENT} %", listed),
        ],
    )


def _error(true: float, reported: float) -> str:
    return signed(100 * (reported / true - 1), 3) if true > 0 else "-"
