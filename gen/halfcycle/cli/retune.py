"""``halfcycle retune``: the same response at another loop period, frequency or settling time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from halfcycle.base import exact
from halfcycle.base.errors import Fault, Faults, InputError
from halfcycle.base.text import counted, printable
from halfcycle.cli import common, tables
from halfcycle.cli.paths import PATH, force_option
from halfcycle.cli.pictures import asked_picture
from halfcycle.cli.streams import say
from halfcycle.cli.usage import WHERE
from halfcycle.spec.load import read_text
from halfcycle.spec.models import Said
from halfcycle.spec.toml_text import value_text

if TYPE_CHECKING:
    from halfcycle.generate.pipeline import IntegerDesign
    from halfcycle.retune.retune import Retuned

ADVISED_OPTIONS = {
    "other-response": "--plot",
    "response-moved": "--plot, --period-us",
    "retune-impossible": "--redesign, --period-us",
}
"""The options that do what a finding advises, by its code."""
OPTIONS = {
    "--period-us": "loop.period_us",
    "--frequency-hz": "output.frequency_hz",
    "--settling-ms": "targets.settling_ms",
}


@click.command("retune")
@click.argument("spec", type=PATH)
@click.option("--period-us", metavar="T", help='New loop period: a number, or "20000/33".')
@click.option("--frequency-hz", metavar="F", help="New mains frequency.")
@click.option("--settling-ms", metavar="S", help="New settling time: asks for another response.")
@click.option(
    "--redesign", is_flag=True, help="Design anew for the spec's targets; drops its [gains]."
)
@click.option("--write", is_flag=True, help="Change the keys in SPEC; its comments stay.")
@click.option(
    "--plot",
    metavar="FILE",
    type=PATH,
    help="Step responses before and after: .svg, .png or .pdf.",
)
@force_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the tables.")
def command(
    *,
    spec: Path,
    redesign: bool,
    write: bool,
    plot: Path | None,
    force: bool,
    as_json: bool,
    **options: str | None,
) -> None:
    """Move SPEC to another loop period and keep the response: the continuous constants stay, the
    window, the per-window constants and the formats follow.

    Given [gains] stay as they are; designed gains are written there if a design at the new period
    would choose others. Nothing is written if a limit is broken (exit code 1).

    \b
    Example:
      halfcycle retune gauge_hut.toml --period-us 400 --plot steps.svg
    """
    faults, asked, text = Faults(), dict[str, Fraction](), ""
    with faults.gathered():
        asked = _asked(options, redesign)
    from halfcycle.retune.retune import retune  # noqa: PLC0415 (numpy: not for --help)
    from halfcycle.spec.edit import edit_text  # noqa: PLC0415
    from halfcycle.spec.load import parse_spec  # noqa: PLC0415

    file = printable(str(spec))
    picture_form, output = asked_picture(faults, plot, [spec], force)
    with faults.gathered():
        text, _ = read_text(spec)
        parse_spec(text, file)
        with _blamed_on_options(asked):
            edit_text(text, asked, file)
    faults.stop_if_any()
    with common.refusals(as_json):
        retuned = retune(text, asked, file, redesign=redesign)
    findings = common.with_options(retuned.findings, ADVISED_OPTIONS)
    retuned = replace(retuned, findings=findings)
    if output is not None:
        from halfcycle.retune.plot import picture  # noqa: PLC0415

        after = retuned.after.design if retuned.after else None
        output.write(picture(retuned.before.design, after, picture_form))
    written = write and retuned.good and bool(retuned.values)
    if written:
        from halfcycle.spec.edit import edit_file  # noqa: PLC0415

        edit_file(spec, retuned.values, text)
    if as_json:
        from halfcycle.output.retune import Retune  # noqa: PLC0415

        tables.emit_json(Retune.of(retuned, written=written))
    else:
        _show(retuned, file, wanted=write, written=written)
    common.exit_on_errors(retuned.findings)


def _asked(options: dict[str, str | None], redesign: bool) -> dict[str, Fraction]:
    """The new values by spec key; every fault at once."""
    asked: dict[str, Fraction] = {}
    faults = []
    for option, key in OPTIONS.items():
        given = options[option.removeprefix("--").replace("-", "_")]
        if given is None:
            continue
        try:
            asked[key] = exact.fraction(given)
        except exact.NotANumberError as error:
            faults.append(Fault(WHERE, option, str(error), 'give a number, or "20000/33"'))
    if not asked and not faults and not redesign:
        remedy = f"give one of {', '.join(OPTIONS)}, or --redesign"
        faults.append(Fault(WHERE, "--period-us", "nothing to change is named", remedy))
    if faults:
        raise InputError(faults)
    return asked


@contextmanager
def _blamed_on_options(asked: Mapping[str, Fraction]) -> Iterator[None]:
    """Blame faults of the values ``asked`` for on their options: the file has others."""
    options = {key: option for option, key in OPTIONS.items() if key in asked}
    try:
        yield
    except InputError as error:
        raise InputError(
            replace(fault, file=WHERE, key=options[fault.key]) if fault.key in options else fault
            for fault in error.faults
        ) from None


def _show(retuned: Retuned, file: str, *, wanted: bool, written: bool) -> None:
    name = retuned.before.design.spec.name
    sides = [retuned.before, *([retuned.after] if retuned.after else [])]
    columns = ("figure", "before", "after")[: len(sides) + 1]
    rows = list(zip(*(figures(side) for side in sides), strict=True))
    tables.show_table(
        f"{name}: before and after",
        columns,
        [(cells[0][0], *(cell for _, cell in cells)) for cells in rows],
        ["Loop figures: the worst over all tolerance corners."],
    )
    if retuned.after is not None:
        _show_formats(retuned.before, retuned.after)
    if retuned.values:
        now = retuned.before.design.spec.values()
        tables.show_table(
            f"Keys of {file}" + ("" if written else " (not written)"),
            ("key", "before", "after"),
            [(key, _cell(now.get(key)), _cell(value)) for key, value in retuned.values.items()],
        )
    common.show_findings(retuned.findings)
    if wanted and not written:
        cause = "a limit is broken" if not retuned.good else "no key changes"
        say(f"nothing was written: {cause}")


def _cell(value: Said | None) -> str:
    return "-" if value is None else value_text(value)


def figures(side: IntegerDesign) -> Iterator[tuple[str, str]]:
    """Rows of the table: what, and its value with its unit."""
    design, quantised = side.design, side.quantised
    window, loop, spec, number = design.window, design.loop, design.spec, common.number
    yield "loop period", f"{number(spec.loop.period_us)} us"
    yield "frequency", f"{number(spec.output.frequency_hz)} Hz"
    yield "settling asked for", common.settling_asked(spec)
    length = window.kind if window.shaped else counted(window.half_cycles)
    yield "window", f"{length}, {window.samples} samples"
    yield "kind of window", window.kind
    yield "time between updates", f"{number(1000 * window.update_s)} ms"
    yield "window's length", f"{number(window.duration_ms)} ms"
    if design.law is not None:
        yield "law", f"normalised, floor {float(design.law.floor):g}"
    per = "per pu" if design.law is None else "per share"
    yield "proportional gain", common.gain(design.gains.proportional, per, "integral")
    yield (
        "integral gain",
        common.gain(design.gains.integral_per_s, f"{per} and s", "proportional"),
    )
    yield "proportional, per update", f"{number(design.kp)}"
    yield "integral, per update", f"{number(design.ki)}"
    for label, key, unit in common.LOOP_FIGURES:
        averaged = " (averaged)" if key == "peak_sensitivity" and window.blocks > 1 else ""
        yield label, common.with_unit(getattr(loop, key), unit) + averaged
    yield "plant gain, pu per scale", f"{design.least_gain:.4g} to {design.greatest_gain:.4g}"
    yield "steady error", f"+-{quantised.steady_error_v:.3g} V RMS"
    yield "with the sensor's zero and gain", common.with_sensor(side)
    yield "window's own error", f"+-{design.chosen.own_error_v:.3g} V RMS"
    yield "reading step", f"{quantised.reading_step_v:.3g} V RMS"
    yield "output step", f"{quantised.output_step_v:.3g} V RMS"
    yield "dead band", f"+-{quantised.dead_band_v:.3g} V RMS"


def _show_formats(before: IntegerDesign, after: IntegerDesign) -> None:
    old = {row.name: row for row in before.quantised.plan.signals}
    new = {row.name: row for row in after.quantised.plan.signals}

    def cells(row: Any) -> tuple[str, str, str]:
        return (row.format, str(row.bits), str(row.headroom_bits)) if row else ("-", "-", "-")

    tables.show_table(
        "Formats (* changed)",
        ("signal", "before", "bits", "head-\nroom", "after", "bits", "head-\nroom"),
        [
            (
                ("* " if cells(old.get(name)) != cells(new.get(name)) else "  ") + name,
                *cells(old.get(name)),
                *cells(new.get(name)),
            )
            for name in dict.fromkeys([*old, *new])
        ],
        [
            tables.Legend.of(
                ((), "sQm.n / uQm.n: m integer bits, the sign not counted, n fraction bits."),
                ("head-\nroom", "Headroom in bits."),
            )
        ],
        spare=("head-\nroom", "bits"),
    )
