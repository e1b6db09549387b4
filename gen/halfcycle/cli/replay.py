"""``halfcycle replay``: a recorded waveform through the measuring code."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from halfcycle.base.errors import Fault, Faults, InputError, ToolMissingError
from halfcycle.base.exact import signed
from halfcycle.cli import common, tables
from halfcycle.cli.paths import PATH, force_option
from halfcycle.cli.pictures import asked_picture
from halfcycle.cli.streams import say
from halfcycle.cli.usage import WHERE

if TYPE_CHECKING:
    from halfcycle.bench.capture import Capture
    from halfcycle.bench.replay import Replay

ROWS = 40
"""Windows shown in the table; --json has them all."""
HARMONIC_PERCENT = 0.1
"""Weaker harmonics are left out of the text."""

OPTIONS = {"channel": "--channel", "section": "--from-s, --to-s", "picture": "--plot"}
"""The option that a fault's key is given by."""
MAX_FACTOR = 1e9
"""No probe divides or multiplies by more."""
ADVISED_OPTIONS = {
    "channel-chosen": "--channel",
    "capture-cut": "--from-s, --to-s",
    "secondary-values": "--multiply",
    "capture-level": "--multiply",
}
"""The option that does what a finding advises, by its code."""


@click.command("replay")
@click.argument("spec", type=click.Path(path_type=Path))
@click.argument("capture_file", metavar="CAPTURE", type=click.Path(path_type=Path))
@click.option("--channel", metavar="NAME", help="Column or channel: its name, or number from 1.")
@click.option("--multiply", type=float, default=1.0, metavar="X", help="Volts times X (a probe).")
@click.option("--from-s", type=float, default=-math.inf, metavar="S", help="From this time on.")
@click.option("--to-s", type=float, default=math.inf, metavar="S", help="Up to this time.")
@click.option("--model", is_flag=True, help="Run the Python model instead of the compiled C.")
@click.option(
    "--plot",
    metavar="FILE",
    type=PATH,
    help="Picture of waveform, harmonics and readings (.svg, .png or .pdf).",
)
@force_option
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
    plot: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Run a recorded waveform through SPEC's measuring code: reported against true RMS.

    CAPTURE is a CSV file of seconds and volts, or an IEEE C37.111 record (.cfg with .dat, .cff).
    Units in its header (ms, kV) are used; gaps are reported and left out.

    \b
    Example:
      halfcycle replay gauge_hut.toml scope.csv --channel CH2 --multiply 200
    """
    from halfcycle.base.text import printable  # noqa: PLC0415
    from halfcycle.bench.capture import read_capture  # noqa: PLC0415 (numpy: not for --help)
    from halfcycle.bench.capture_types import Section  # noqa: PLC0415
    from halfcycle.bench.replay import replay  # noqa: PLC0415
    from halfcycle.bench.replay_findings import advise  # noqa: PLC0415
    from halfcycle.spec.load import load_spec  # noqa: PLC0415
    from halfcycle.verify.compiler import CompileError  # noqa: PLC0415

    faults = Faults()
    section = Section(from_s, to_s, multiply)
    with faults.gathered():
        if not 1 / MAX_FACTOR <= abs(multiply) <= MAX_FACTOR:
            remedy = "give the ratio by which the recorded volts are too small"
            section = Section(from_s, to_s, 1.0)
            raise InputError([Fault(WHERE, "--multiply", f"is {multiply:g}", remedy)])
    form, output = asked_picture(faults, plot, [spec, capture_file], force)
    with faults.gathered():
        loaded = load_spec(spec)
    with faults.gathered(), common.named_by_options(OPTIONS):
        capture = read_capture(capture_file, channel, section)
    faults.stop_if_any()
    with common.refusals(as_json), common.named_by_options(OPTIONS):
        integer_design = common.design_spec(spec, loaded=loaded)
        try:
            result = replay(integer_design, capture, printable(str(capture_file)), model)
        except ToolMissingError as error:
            raise ToolMissingError(f"{error}; or run the Python model: --model") from None
        except CompileError as error:
            say(f"error: {error}\nor run the Python model: --model")
            sys.exit(1)
    if output is not None:
        from halfcycle.bench.replay_plot import picture  # noqa: PLC0415

        output.write(picture(integer_design.design, result, capture, form))
    result = advise(result, integer_design)
    result = replace(result, findings=common.with_options(result.findings, ADVISED_OPTIONS))
    if as_json:
        from halfcycle.output.replay import Replay  # noqa: PLC0415

        tables.emit_json(Replay.of(result, capture))
    else:
        _show(result, capture)
    common.show_findings(result.findings)


def _show(result: Replay, capture: Capture) -> None:
    rows = [
        (f"{start:.6g}", f"{true:.3f}", f"{reported:.3f}", _error(true, reported))
        for start, true, reported in zip(
            result.start_s[:ROWS], result.true_rms_v, result.reported_rms_v, strict=False
        )
    ]
    notes = []
    if len(result.start_s) > ROWS:
        notes.append(f"The first {ROWS} of {len(result.start_s)} windows; --json has them all.")
    used = result.resampling
    notes.append(
        f"Between the {used.points_per_cycle:.4g} captured points of a cycle: {used.method}, error "
        f"of a sine within {used.bound_percent:.2g} % of its peak, here about {used.error_v:.2g} V."
    )
    tables.show_table(
        f"{capture.channel}, reported by the {result.measured_by}",
        ("window from\ns", "true\nV RMS", "reported\nV RMS", "error\n%"),
        rows,
        notes,
    )
    wave = result.waveform
    if wave is None:
        return
    strong = [harmonic for harmonic in wave.harmonics[1:] if harmonic.percent >= HARMONIC_PERCENT]
    listed = (
        ", ".join(f"{harmonic.order}: {harmonic.percent:.2f} %" for harmonic in strong) or "none"
    )
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
