"""The integers: every signal with its headroom, the constants, and resolution in volts."""

from __future__ import annotations

from halfcycle.base.text import counted
from halfcycle.generate.pipeline import IntegerDesign
from halfcycle.report.axis import Axis
from halfcycle.report.parts import Bar, Figure, Table, carried, decimal, exact, volts
from halfcycle.report.svg_chart import WIDTH, wrap

NOTATION = "sQm.n and uQm.n: m integer bits, the sign not counted, n fraction bits."


def signal_table(integer_design: IntegerDesign) -> Table:
    """Every integer of the C with its derived range and what is left of its word."""
    rows = []
    for signal in integer_design.quantised.plan.signals:
        free = signal.headroom_bits
        rows.append(
            (
                signal.name,
                signal.format,
                exact(signal.lowest),
                exact(signal.highest),
                _count(signal.per_lsb, signal.unit),
                Bar(
                    signal.bits - free,
                    signal.bits,
                    f"{free} of {signal.bits} bits free" if free else f"all {signal.bits} bits",
                ),
            )
        )
    return Table(
        title="Signals",
        columns=("signal", "format", "lowest", "highest", "one count is", "bits used"),
        rows=tuple(rows),
        numeric=(2, 3),
        notes=(
            f"Ranges are derived by interval arithmetic, not sampled; in counts. {NOTATION} The "
            "bar is the word: filled what the range and the sign need, open what is free. A full "
            "word is no fault: the range was derived to fit it.",
        ),
    )


def _count(size: float, unit: str) -> str:
    """What a count is worth; of whole things one is not "1 samples"."""
    if size == 1 and unit in {"counts", "samples"}:
        return counted(1, unit[:-1])
    return f"{decimal(size)} {unit}"


def constant_table(integer_design: IntegerDesign) -> Table:
    """Constants as wanted and as the integers have them."""
    return Table(
        title="Constants",
        columns=("constant", "wanted", "got", "off by, ppm", "unit"),
        rows=tuple(
            (
                row.name,
                carried(row.wanted),
                carried(row.got),
                _ppm(row.error),
                row.unit,
            )
            for row in integer_design.quantised.coefficients
        ),
        numeric=(1, 2, 3),
        notes=(
            "Their rounding moves the slowest closed-loop pole by "
            f"{decimal(integer_design.pole_shift)} at most.",
        ),
    )


def _ppm(error: float) -> str:
    text = f"{1e6 * error:+.1f}".replace("-", "−")
    return "0" if text[1:] == "0.0" else text


def resolutions(integer_design: IntegerDesign) -> tuple[tuple[str, float, str], ...]:
    """(name, volts RMS at the output, style) of all that is small."""
    design, numbers = integer_design.design, integer_design.quantised
    faults = design.chosen.faults
    rows = [
        ("tolerance, ±", design.chosen.tolerance_v, "two"),
        ("sampling and frequency, ±", faults.spread_v, "one"),
        ("zero flips at the output, ±", design.chosen.hunting_v, "one"),
        ("dead band, ±", numbers.dead_band_v, "one"),
        ("one count of the reading", numbers.reading_step_v, "one"),
        ("noise of a reading, rms", faults.noise_v, "one"),
        ("one step of the output", numbers.output_step_v, "one"),
    ]
    if numbers.rest is not None:
        rows.append(("movement at rest, at most", numbers.rest.bound_v, "one"))
        rows.append(("movement at rest, seen", numbers.rest.hunting_v, "one"))
    return tuple(rows)


def resolution_figure(integer_design: IntegerDesign) -> Figure:
    """Dead band, steps and noise against the tolerance, in volts."""
    rows = resolutions(integer_design)
    present = [size for _, size, _ in rows if size > 0]
    low, high = min(present) / 2.5, max(present) * 1.6
    scale = Axis(low, high, "V RMS at the output", log=True)
    top, row, left, wide = 10, 25, 8.0, WIDTH - 60.0
    base = top + row * len(rows)

    def x(size: float) -> float:
        return left + wide * scale.share(size)

    parts = []
    for value, text in scale.ticks():
        parts.append(
            f'<path class="grid" d="M{x(value):.1f} {top}V{base}"/>'
            f'<text x="{x(value):.1f}" y="{base + 13}" text-anchor="middle">{text}</text>'
        )
    parts.append(
        f'<text x="{left + wide / 2:.1f}" y="{base + 29}" text-anchor="middle">{scale.label}</text>'
    )
    limit = x(integer_design.design.chosen.tolerance_v)
    parts.append(f'<path class="limit" d="M{limit:.1f} {top}V{base}"/>')
    for at, (name, size, style) in enumerate(rows):
        y = top + row * at
        parts.append(f'<text class="halo" x="{left}" y="{y + 10}">{name}</text>')
        if size > 0:
            parts.append(
                f'<path class="{style}" d="M{left} {y + 17}H{x(size):.1f}"/>'
                f'<circle class="{style}-dot" cx="{x(size):.1f}" cy="{y + 17}" r="3"/>'
            )
        parts.append(
            f'<text class="halo strong" x="{WIDTH - 4}" y="{y + 20}" text-anchor="end">'
            f"{volts(size)} V</text>"
        )
    alt = "Volts RMS at the output: " + "; ".join(
        f"{name.replace('±', 'plus or minus').strip()} {volts(size)}" for name, size, _ in rows
    )
    return Figure(
        title="Resolution in volts",
        alt=alt,
        caption=(
            "On a logarithmic scale, where 0 has no bar; the dashed line is the tolerance, "
            "which is either way. Movement at rest is peak to peak, so that its bound may be "
            "twice the tolerance. One step of the output must be finer than one count of the "
            "reading, or the output hunts between two steps."
        ),
        svg=wrap(WIDTH, base + 36, alt, "".join(parts)),
    )


def rest_text(integer_design: IntegerDesign) -> str:
    """What the integer loop was seen to do at rest."""
    rest = integer_design.quantised.rest
    if rest is None:
        return "The integer loop was not run: the loop is unstable."
    moves = (
        "stood still at every corner"
        if rest.hunting_v == 0
        else f"moved by {volts(rest.hunting_v)} V RMS "
        f"at {rest.corner}, and the scale by {counted(rest.hunting_steps, 'step')} of 1/16384 at "
        "the board where it moves most"
    )
    length = "update" if integer_design.design.window.moving else "window"
    return (
        f"The integer loop itself, run for up to {counted(rest.windows, length)} at every corner "
        f"without noise, {moves}; with the sensor's zero in place its reading is at most "
        f"{volts(rest.error_v)} V RMS from the target. Noise apart, no board inside the "
        f"tolerances moves by more than {volts(rest.bound_v)} V RMS peak to peak, and no scale by "
        f"more than {counted(rest.bound_steps, 'step')}."
    )
