"""``halfcycle identify``: a log of the running firmware beside the model and the corners."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from halfcycle.base.errors import Fault, Faults, InputError
from halfcycle.base.findings import any_error
from halfcycle.base.text import printable
from halfcycle.cli import common, tables
from halfcycle.cli.paths import PATH, force_option
from halfcycle.cli.pictures import asked_picture

if TYPE_CHECKING:
    from halfcycle.bench.board_loop import Range
    from halfcycle.bench.filter_ringing import BoardRinging
    from halfcycle.bench.identify import BoardLog, Identification
    from halfcycle.spec.models import Spec, Value

OPTIONS = {"picture": "--plot", "channel": "--channel"}
ADVISED_OPTIONS = {"board-gain-outside": "--write", "board-delay-outside": "--write"}
"""The option that does what a finding advises, by its code."""


@click.command("identify")
@click.argument("spec_file", metavar="SPEC", type=click.Path(path_type=Path))
@click.argument("log_files", metavar="[LOG]...", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--ringing",
    "captures",
    metavar="CAPTURE",
    multiple=True,
    type=PATH,
    help="Waveform of a board's output, as replay reads it, in which the filter rings; repeat "
    "the option for several.",
)
@click.option(
    "--channel", metavar="NAME", help="Column or channel of CAPTURE: its name, or number from 1."
)
@click.option(
    "--write", is_flag=True, help="Widen the tolerances in SPEC to hold the boards; comments stay."
)
@click.option(
    "--plot",
    metavar="FILE",
    type=PATH,
    help="Picture of log, fit and corners (.svg, .png or .pdf).",
)
@force_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the tables.")
def command(
    *,
    spec_file: Path,
    log_files: tuple[Path, ...],
    captures: tuple[Path, ...],
    channel: str | None,
    write: bool,
    plot: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Compare each LOG of SPEC's firmware with the model, and its board with the corners.

    With --ringing: compare the ringing of the filter in a CAPTURE, after a load step, with L, C and
    losses of SPEC.

    A LOG is of one board: a CSV table with a row per update and the columns update, target_mv,
    rms_mv, scale, flags, and sum, integral, bus if they are logged; or the lines that the C of the
    documentation prints. Exit code 1 if a row differs from the model's, if a board is outside
    the corners of SPEC, or if a log or a capture does not show it; with --write, too, as the logs
    are judged by SPEC as it was.

    \b
    Example:
      halfcycle identify gauge_hut.toml board1.csv board2.csv --plot boards.svg
      halfcycle identify gauge_hut.toml --ringing scope.csv
    """
    from halfcycle.bench.filter_ringing import board_ringing  # noqa: PLC0415 (numpy)
    from halfcycle.bench.identify import identify  # noqa: PLC0415
    from halfcycle.bench.identify_findings import (  # noqa: PLC0415
        changes,
        findings,
        spec_unchanged,
        spec_written,
    )
    from halfcycle.bench.ringing_findings import ringing_findings  # noqa: PLC0415
    from halfcycle.generate.pipeline import design_integers  # noqa: PLC0415
    from halfcycle.spec.edit import edit_file  # noqa: PLC0415
    from halfcycle.spec.load import parse_spec, read_text  # noqa: PLC0415

    faults = Faults()
    with faults.gathered():
        if not log_files and not captures:
            remedy = "name a log, or a capture with --ringing"
            raise InputError([Fault("(command line)", "LOG", "is missing", remedy)])
    form, output = asked_picture(faults, plot, [spec_file, *log_files, *captures], force)
    with faults.gathered():
        text, _ = read_text(spec_file)
        spec = parse_spec(text, printable(str(spec_file)))
    faults.stop_if_any()
    with common.refusals(as_json):
        done = design_integers(spec, printable(str(spec_file)))
    with common.named_by_options(OPTIONS):
        ringing = board_ringing(spec, captures, channel) if captures else ()
    found = identify(done, log_files, spec.revision())
    new = changes(done.design, found)
    if output is not None:
        from halfcycle.bench.identify_plot import picture  # noqa: PLC0415

        output.write(picture(spec.name, found, ringing, form))
    remarks = findings(done.design, found, new, written=write) + ringing_findings(ringing)
    if new and write:
        remarks += (spec_written(),)
    elif write and log_files:
        remarks += (spec_unchanged(found),)
    elif new:
        advised = common.with_options(remarks, ADVISED_OPTIONS)
        remarks = tuple(
            with_option if any(key in entry.text for key in new) else entry
            for entry, with_option in zip(remarks, advised, strict=True)
        )
    if write and new:
        # Last: what fails before leaves the spec that these logs belong to.
        edit_file(spec_file, new, text)
    if as_json:
        from halfcycle.output.identify import Identify  # noqa: PLC0415

        tables.emit_json(Identify.of(found, ringing, new, remarks, written=write))
    else:
        if found.logs:
            _show(spec, found, 1000 * float(done.design.window.update_s), new, write)
        if ringing:
            _show_ringing(spec, ringing)
    common.show_findings(remarks)
    if any_error(remarks):
        sys.exit(1)


def _show(
    spec: Spec, found: Identification, update_ms: float, new: dict[str, Value], write: bool
) -> None:
    notes = [
        "+-: half of the 95 % confidence interval, and the systematic part, which the sine's phase "
        "in this log leaves open. Corners of the design, with what the phase of its samples makes "
        "of a reading: gain "
        f"{_range(found.corners.gain)}, share {_range(found.corners.share)}.",
        "Gain: rated volts per unit of scale. Share: of a change of scale that acts before the "
        f"next update; 0.1 less is {update_ms / 10:.3g} ms later.",
    ]
    for key, value in new.items():
        verb = "written" if write else "to write with --write"
        notes.append(f"{verb}: {key} = {float(value):g}")
    tables.show_table(
        f"{spec.name}: {len(found.logs)} {'logs' if len(found.logs) > 1 else 'log'}",
        ("log", "rows", "as\nmodel", "gain", "share of\ndelay", "noise\n%", "settles\nms"),
        [_row(log) for log in found.logs],
        notes,
        spare=("noise\n%", "rows"),
    )


def _show_ringing(spec: Spec, ringing: tuple[BoardRinging, ...]) -> None:
    corners = ringing[0].corners
    tables.show_table(
        f"{spec.name}: ringing of the filter",
        ("capture", "frequency\nHz", "decay\n1/s", "damping\nratio", "begins\nwith V"),
        [_ringing_row(board) for board in ringing],
        [
            "+-: half of the 95 % confidence interval. The spec's filter and loads allow "
            f"{_range(corners.frequency_hz)} Hz and a decay of {_range(corners.decay_per_s)} per "
            "second.",
        ],
        spare=("begins\nwith V",),
    )


def _ringing_row(board: BoardRinging) -> tuple[str, ...]:
    from halfcycle.bench.calibrate import text_of  # noqa: PLC0415 (numpy)
    from halfcycle.bench.ringing_fit import NoRinging  # noqa: PLC0415

    fit = board.fit
    if isinstance(fit, NoRinging):
        return (board.name, "-", "-", "-", "-")
    hertz, decay, ratio = fit.frequency_hz, fit.decay_per_s, fit.damping_ratio
    return (
        board.name,
        text_of(hertz, 5, 1),
        text_of(decay, 4, 1),
        f"{ratio.value:.3g}",
        f"{fit.amplitude_v:.3g}",
    )


def _row(log: BoardLog) -> tuple[str, ...]:
    from halfcycle.bench.calibrate import text_of  # noqa: PLC0415 (numpy)

    plant, loop, checked = log.plant, log.loop, log.checked
    like = "yes" if checked.first is None else f"no, {checked.differing}"
    head = (log.name, str(checked.rows), like)
    if plant is None:
        return (*head, "-", "-", "-", "-")
    settling = loop.settling_ms if loop else None
    share = plant.share
    return (
        *head,
        text_of(plant.gain, 5, 1),
        "-" if share is None else text_of(share, 3, 1),
        f"{100 * plant.noise:.2g}",
        "-" if settling is None else f"{settling:.4g}",
    )


def _range(limits: Range) -> str:
    return f"{limits.low:.4g} to {limits.high:.4g}"
