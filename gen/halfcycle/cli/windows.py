"""``halfcycle windows``: candidate windows for a frequency and a loop period, with their faults."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

import click

from halfcycle.base import exact
from halfcycle.base.errors import Fault, InputError
from halfcycle.cli import tables
from halfcycle.cli.tables import Legend
from halfcycle.cli.usage import WHERE
from halfcycle.windows.search import LIST_LIMIT, candidate_windows

if TYPE_CHECKING:
    from halfcycle.output.windows import ListedWindow
    from halfcycle.windows.search import Window

DEFAULT_LONGEST_MS = "120"
POINTS, OFF_BY, MARKS = "points", "off by\nppm", "marks"
MEAN = "mean reading\nlow to high, %"


@dataclass(frozen=True)
class Request:
    """The options, checked."""

    frequency_hz: Fraction
    period_us: Fraction
    longest_ms: Fraction
    tolerance_hz: Fraction
    zero_offset_percent: Fraction


@click.command(name="windows")
@click.option("--frequency-hz", metavar="F", help='Mains frequency, above 0: a number, or "50/3".')
@click.option(
    "--period-us",
    metavar="T",
    help="Loop period, microseconds, above 0 and less than a half cycle: a number or a fraction.",
)
@click.option(
    "--longest-ms",
    metavar="L",
    default=DEFAULT_LONGEST_MS,
    show_default=True,
    help="Longest window, milliseconds, a half cycle or more.",
)
@click.option(
    "--frequency-tolerance-hz",
    metavar="D",
    default="0",
    show_default=True,
    help="The frequency may be off by up to D hertz either way, 0 or more and less than F.",
)
@click.option(
    "--zero-offset-percent",
    metavar="Z",
    default="0",
    show_default=True,
    help="The sensor's zero may be off by up to Z percent of the rated RMS voltage either way, "
    "from 0 to less than 100.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of the table.")
def command(as_json: bool, **options: str | None) -> None:
    """List candidate windows, shortest whole one first, with the bounds of their errors.

    Errors are relative to the true RMS voltage, over every phase at which a window may begin, every
    frequency within the tolerance and every zero offset up to the one given. If no whole window
    is short enough, the nearest misses are listed. Shaped windows, whose blocks have different
    weights, follow; they fit any loop period.

    \b
    Example:
      halfcycle windows --frequency-hz 60 --period-us 1000 --longest-ms 60
    """
    request = _checked(options)
    flat = candidate_windows(
        request.frequency_hz, request.period_us / 1_000_000, request.longest_ms / 1000
    )
    shaped = _shaped(request)
    if not flat and not shaped:
        raise InputError([_too_short(request)])
    from halfcycle.output.windows import Windows  # noqa: PLC0415
    from halfcycle.windows.reading_errors import peak_fraction  # noqa: PLC0415 (numpy: not for --help)

    zero_offset = peak_fraction(request.zero_offset_percent)
    listed = Windows.of((*flat, *shaped), zero_offset, request.tolerance_hz)
    if as_json:
        tables.emit_json(listed)
        return
    if flat:
        _show(listed.windows[: len(flat)], request)
    if shaped:
        _show_shaped(listed.windows[len(flat) :], request, alone=not flat)


def _shaped(request: Request) -> tuple[Window, ...]:
    """Shaped windows for the request, with one update each, which is no matter to a reading."""
    from halfcycle.windows.shaped import Wanted, shaped_windows  # noqa: PLC0415 (numpy)
    from halfcycle.windows.zeros import fewer_zeros, zeros_for  # noqa: PLC0415

    period_s = request.period_us / 1_000_000
    zeros = zeros_for(
        request.frequency_hz * period_s,
        zero_uncertain=request.zero_offset_percent > 0,
        wanders=request.tolerance_hz > 0,
    )
    wanted = Wanted(request.frequency_hz, period_s, request.longest_ms / 1000, fewer_zeros(zeros))
    return tuple(replace(window, updates=1) for window in shaped_windows(wanted))


def _show_shaped(rows: list[ListedWindow], request: Request, *, alone: bool) -> None:
    columns = [
        "sam-\nples",
        "length\nms",
        "zeros at",
        "noise",
        MEAN,
        "RMS reading\nlow to high, %",
        "harmonics\nRMS, +-%",
    ]
    body = [
        (
            row.samples,
            f"{row.duration_ms:.6g}",
            " ".join(zero.replace(" (double)", "2") for zero in row.zeros),
            f"{row.noise_gain:.2f}",
            _percent(row.mean_error),
            _percent(row.rms_error),
            _either_way(row.harmonic_rms_error),
        )
        for row in rows
    ]
    if not alone:
        click.echo()
    spare = ("noise", MEAN, "length\nms")
    notes: list[str | Legend] = [_of_readings(request)] if alone else []
    notes += [
        "zeros at: frequencies of which the weights let nothing through; 2f2: a double zero at 2f.",
        Legend.of(("noise", "noise: beside a flat window of as many samples.")),
        "harmonics: error of an RMS reading with a third up to 5 % and a fifth up to 6 %.",
        "The weights are in --json.",
    ]
    tables.show_table(
        "Shaped windows: no whole number of half cycles is needed",
        columns,
        body,
        notes,
        spare=spare,
    )


def _show(rows: list[ListedWindow], request: Request) -> None:
    # A whole window is not off at all; in any other all samples are distinct points.
    whole = any(row.whole for row in rows)
    columns = [
        "half\ncycles",
        "sam-\nples",
        "length\nms",
        POINTS if whole else OFF_BY,
        MEAN,
        "RMS reading\nlow to high, %",
        MARKS,
    ]
    body = [
        (
            row.half_cycles,
            row.samples,
            f"{row.duration_ms:.6g}",
            row.distinct_points if whole else _ppm(row.mismatch_ppm),
            _percent(row.mean_error),
            _percent(row.rms_error),
            " ".join(["odd"] * row.odd + ["few"] * row.few_points),
        )
        for row in rows
    ]
    text = exact.text
    title = (
        f"Windows of {text(request.frequency_hz)} Hz at {text(request.period_us)} us a sample, "
        f"up to {text(request.longest_ms)} ms"
    )
    spare = (MARKS, columns[3], "length\nms")
    notes = _notes(rows, request, whole)
    tables.show_table(title, columns, body, notes, spare=spare, below=(MARKS,))


def _notes(rows: list[ListedWindow], request: Request, whole: bool) -> list[str | Legend]:
    from halfcycle.windows.reading_errors import FEW_POINTS  # noqa: PLC0415

    notes: list[str | Legend] = []
    if not whole:
        notes.append(
            "No window up to the longest holds a whole number of half cycles: these are the "
            "nearest misses. Change the loop period, or allow a longer window."
        )
    notes.append(_of_readings(request))
    notes.append(
        Legend.of((POINTS, "points: distinct places of the half cycle that are sampled."))
        if whole
        else Legend.of((OFF_BY, "off by: the window's length against its half cycles."))
    )
    if any(row.odd for row in rows):
        odd = "odd: a zero offset does not cancel; its error flips from window to window."
        notes.append(Legend.of((MARKS, odd)))
    if any(row.few_points for row in rows):
        few = f"few: below {FEW_POINTS} points a half cycle the mean depends on the phase."
        notes.append(Legend.of((MARKS, few)))
    if len(rows) == LIST_LIMIT:
        notes.append(f"At most {LIST_LIMIT} windows are listed.")
    return notes


def _of_readings(request: Request) -> Legend:
    explained = (
        "RMS reading: greatest error of the reading, % of the true RMS voltage, over every "
        f"starting phase, +-{exact.text(request.tolerance_hz)} Hz and a zero offset up to "
        f"+-{exact.text(request.zero_offset_percent)} % of rated RMS."
    )
    return Legend.of((MEAN, "mean,"), ((), explained))


def _either_way(bounds: tuple[float, float]) -> str:
    """The greater size of the two in percent, rounded outward."""
    return f"{math.ceil(1e6 * max(map(abs, bounds)) - 1e-3) / 1e4:.4f}"


def _ppm(value: float) -> str:
    """Whole parts per million; more digits only for the nearest of misses."""
    return f"{value:+.0f}" if abs(value) >= 100 else f"{value:+.3g}"


def _percent(bounds: tuple[float, float]) -> str:
    """Low and high in percent, rounded outward (but for the dust of floating point)."""
    low, high = (1e6 * bound for bound in bounds)
    return f"{math.floor(low + 1e-3) / 1e4:+.4f} {math.ceil(high - 1e-3) / 1e4:+.4f}"


def _checked(options: dict[str, str | None]) -> Request:
    """The options as exact numbers; InputError with every fault at once."""
    faults: list[Fault] = []

    def refuse(key: str, problem: str, remedy: str) -> None:
        faults.append(Fault(WHERE, key, problem, remedy))

    def number(key: str, zero_allowed: bool, example: str) -> Fraction | None:
        given = options[key.removeprefix("--").replace("-", "_")]
        if given is None:
            refuse(key, "is missing", f"give it, for example {key} {example}")
            return None
        try:
            value = exact.fraction(given)
        except exact.NotANumberError as error:
            refuse(key, str(error), f"give a number or a fraction, for example {key} {example}")
            return None
        if value < 0 or (value == 0 and not zero_allowed):
            least = "0 or more" if zero_allowed else "above 0"
            refuse(key, f"is {exact.text(value)}", f"give a number {least}")
            return None
        return value

    frequency = number("--frequency-hz", False, "50")
    period = number("--period-us", False, "800")
    longest = number("--longest-ms", False, DEFAULT_LONGEST_MS)
    tolerance = number("--frequency-tolerance-hz", True, "0.5")
    offset = number("--zero-offset-percent", True, "0.6")

    if frequency is not None and period is not None and 2 * frequency * period >= 1_000_000:
        most = exact.text(Fraction(round(250_000 / frequency)))
        refuse(
            "--period-us",
            f"{exact.text(period)} us is a half cycle or more",
            f"sample at least twice a half cycle: {most} us or less",
        )
    if frequency is not None and tolerance is not None and tolerance >= frequency:
        refuse(
            "--frequency-tolerance-hz",
            "is as much as the frequency itself",
            f"give less than {exact.text(frequency)}",
        )
    if offset is not None and offset >= 100:
        refuse("--zero-offset-percent", f"is {exact.text(offset)}", "give less than 100")
    if faults:
        raise InputError(faults)
    assert frequency and period and longest and tolerance is not None and offset is not None
    return Request(frequency, period, longest, tolerance, offset)


def _too_short(request: Request) -> Fault:
    half_cycle_ms = float(500 / request.frequency_hz)
    return Fault(
        WHERE,
        "--longest-ms",
        f"{exact.text(request.longest_ms)} ms (at most 65535 samples) holds no half cycle",
        f"allow at least {half_cycle_ms:.6g} ms, some whole number of half cycles",
    )
