"""How ``halfcycle simulate`` shows its results."""

from __future__ import annotations

import math
import shlex
from collections.abc import Sequence
from pathlib import Path

from halfcycle.base.text import at_most, counted, figure
from halfcycle.cli import common, tables
from halfcycle.simulate import allowances
from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.criteria import shows_overshoot
from halfcycle.simulate.reading_error import CAUSES, ReadingError
from halfcycle.simulate.simulate import Prepared
from halfcycle.simulate.tally import Failure, Tally, greatest_peak
from halfcycle.simulate.why_window import Reason

SPARE = ("report\n%", "low\n%", "high\n%", "scale", "over\n%", "steady\n%")
"""Figures of the cases that a narrow terminal does without; the first stands in a table of its own
too."""
LIKEWISE = 4
"""Further boards that are named of those that fail alike in one case."""
WIDE = 96
"""From this many columns on it shows distortion and DC too; in less it says the worst of them."""


class RunAgain:
    """The command that runs one board of one case again."""

    def __init__(self, spec_file: Path, seed: int) -> None:
        self._spec = shlex.quote(str(spec_file))
        self._seed = seed

    def __call__(self, case: str, board: int) -> str:
        return f"halfcycle simulate {self._spec} --case {case} --board {board} --seed {self._seed}"


def show_cases(prepared: Prepared, known: dict[str, Case], tallies: list[Tally]) -> None:
    """The table of worst figures."""
    targets = prepared.setting.spec.targets
    number = common.number
    wide = tables.width() >= WIDE
    shown = [
        ("over\n%", "overshoot_percent", 2),
        ("steady\n%", "steady_error_percent", 2),
        ("low\n%", "lowest_percent", 1),
        ("high\n%", "highest_percent", 1),
        *((("thd\n%", "thd_percent", 2), ("dc\n%", "dc_percent", 3)) if wide else ()),
        ("report\n%", "report_error_percent", 2),
        ("scale", "scale", 3),
    ]
    distortion = (((), "THD: harmonics 2 to 40. DC: of rated peak. Both at rest."),)
    explained = tables.Legend.of(
        ("settles\nms", "Settles: of the time that the case allows."),
        ("over\n%", "Over: overshoot."),
        ("steady\n%", "Steady: error of a window's RMS."),
        (
            ("low\n%", "high\n%"),
            "Low, high: RMS of a half cycle of any start after the event, in percent of rated.",
        ),
        *(distortion if wide else ()),
        ("report\n%", "Report: the firmware's RMS against the true one."),
        (("steady\n%", "low\n%", "high\n%", "report\n%"), "All without the sensor's gain error."),
    )
    columns = ["case", "fails", "settles\nms", *(heading for heading, _, _ in shown)]
    rows = [
        (
            tally.case,
            tally.failed,
            _settles(prepared.setting, known[tally.case], tally),
            *(_cell(known[tally.case], tally, name, digits) for _, name, digits in shown),
        )
        for tally in tallies
    ]
    designed = prepared.setting.promise.settling_ms
    above = [tally for tally in tallies if tally.worst.get("above_120_ms", (0.0,))[0] > 0]
    longest = [
        f"{tally.case} {figure(tally.worst['above_120_ms'][0])} ms" + _to_the_end(tally)
        for tally in above
    ]
    notes: list[str | tables.Legend] = [
        explained,
        *([] if wide else _at_rest(tallies)),
        *_dc_is_of(prepared, tallies),
        *([f"Above 120 % of rated for up to: {', '.join(longest)}."] if longest else []),
        *_peak(tallies),
        f"Designed: settling {_or_dash(designed)} ms, overshoot "
        f"{_or_dash(prepared.setting.promise.overshoot_percent)} %. Targets: "
        f"{common.settling_asked(prepared.setting.spec)}, "
        f"{number(targets.overshoot_percent)} %, steady within "
        f"{number(targets.voltage_tolerance_percent)} %.",
    ]
    boards = f"{tallies[0].boards} virtual boards" if tallies[0].boards > 1 else "one board"
    title = f"{prepared.name}: {boards}, worst figures"
    tables.show_table(title, columns, rows, notes, spare=SPARE)


def _settles(setting: Setting, case: Case, tally: Tally) -> str:
    """The slowest board's settling time, of what the case allows."""
    worst, limit_ms = tally.worst.get("settling_ms"), allowances.settling(setting, case).shown
    if worst is None:
        return "-"
    limit = f" of {limit_ms:.0f}" if math.isfinite(limit_ms) else ""
    return f"{_unlike(worst[0], limit_ms)}{limit}"


def _unlike(value: float, limit: float) -> str:
    """``value`` to whole numbers, or to so many places that it does not read as its limit."""
    same = f"{value:.0f}" == f"{limit:.0f}" and not math.isclose(value, limit)
    return f"{value:.1f}" if same else f"{value:.0f}"


def _to_the_end(tally: Tally) -> str:
    """That the time is that of the run, if the output was still as high when it ended."""
    if not tally.high_at_end:
        return ""
    of = "" if tally.boards == 1 else f", on {counted(tally.high_at_end, 'board')}"
    return f" (to the end of the run{of})"


def _peak(tallies: list[Tally]) -> list[str]:
    """The greatest size of the output itself, of all cases, in a line."""
    worst = greatest_peak(tallies)
    if worst is None:
        return []
    volts, percent, board, case = worst
    return [
        f"Instantaneous peak up to {volts:.0f} V, {percent:.1f} % of a rated sine's (board {board} "
        f"in {case}), with the sensor's gain error; --json lists it per case."
    ]


def _at_rest(tallies: list[Tally]) -> list[str]:
    """Distortion and DC in a line: the worst of the cases that have a rest."""
    worst = {
        name: max((tally.worst[name][0], tally.case) for tally in tallies if name in tally.worst)
        for name in ("thd_percent", "dc_percent")
        if any(name in tally.worst for tally in tallies)
    }
    if not worst:
        return []
    (thd, case), (dc, with_dc) = worst["thd_percent"], worst["dc_percent"]
    return [
        f"At rest: THD (harmonics 2 to 40) up to {thd:.2f} % ({case}), DC up to {dc:.3f} % of "
        f"rated peak ({with_dc})."
    ]


def _dc_is_of(prepared: Prepared, tallies: list[Tally]) -> list[str]:
    """What the measured DC holds that the design's bound does not."""
    if not any("dc_percent" in tally.worst for tally in tallies):
        return []
    designed = at_most(100 * prepared.setting.at_rest.dc, 1e-3, "%")
    return [
        f"DC is of all causes: of the sensor's zero the regulator makes {designed}; rounding, "
        "noise and harmonics that the sampling folds add to it."
    ]


def show_failures(tallies: list[Tally], again: RunAgain) -> None:
    """The boards that failed: cases in which the same rules are broken stand together, each with
    its first board, and one command that runs such a board again."""
    alike: dict[tuple[str, ...], list[tuple[Tally, list[Failure]]]] = {}
    for tally in tallies:
        rules = dict.fromkeys(failure.rules for failure in tally.failures)
        for broken in rules:
            same = [failure for failure in tally.failures if failure.rules == broken]
            alike.setdefault(broken, []).append((tally, same))
    for broken, cases in alike.items():
        print(f"Fails: {', '.join(broken)}")
        for tally, failures in cases:
            first, *others = failures
            reasons = "; ".join(first.reasons)
            print(f"  {tally.case}, board {first.board}: {reasons}{_likewise(tally, others)}")
        print(f"  again: {again(cases[0][0].case, cases[0][1][0].board)}")


def _likewise(tally: Tally, others: list[Failure]) -> str:
    """Some of the ``others`` that fail as the first one does."""
    if not others:
        return ""
    numbers = [str(failure.board) for failure in others[:LIKEWISE]]
    more = len(others) > LIKEWISE or tally.failed > len(tally.failures)
    return f" (likewise {', '.join(numbers)}{' and more' if more else ''})"


def show_reporting(prepared: Prepared, errors: Sequence[ReadingError]) -> None:
    """What the firmware reports against the true RMS, at the board and window farthest off."""
    measure = prepared.setting.spec.loop.measure
    causes = list(CAUSES)
    rows = []
    for error in errors:
        parts = (_signed(100 * getattr(error, cause)) for cause in causes)
        case = f"{error.case}, limit" if error.at_limit else error.case
        rows.append((case, _signed(100 * error.error), *parts, error.board))
    columns = [f"{cause}\n%" for cause in causes]
    greatest = {
        column: max((abs(getattr(error, cause)) for error in errors), default=0.0)
        for column, cause in zip(columns, causes, strict=True)
    }
    explained = tables.Legend.of(
        ((), "Worst window of each case; limit: while the drive limit holds."),
        (
            tuple(columns),
            f"The parts are computed, and all {len(columns)} add up to the error; a narrow "
            "terminal leaves the small ones out.",
        ),
        ("shape\n%", "Shape: the wave's, read as a sine's."),
        ("folded\n%", "Folded: distortion that the sampling folds."),
        ("sampling\n%", "Sampling: that of a clean sine."),
        ("zero\n%", "Zero: the error of the sensor's."),
        ("noise\n%", "Noise: with rounding."),
        ("change\n%", "Change: of the output, within the sensor's delay."),
    )
    tables.show_table(
        f'Reported RMS against the true one, measure = "{measure}"',
        ["case", "off\n%", *columns, "board"],
        rows,
        [explained],
        spare=sorted(columns, key=lambda column: greatest[column]),
    )


def show_reason(prepared: Prepared, why: Reason) -> None:
    """What a loop that follows the sine sample by sample would face here."""

    def ends(pair: tuple[float, float], digits: int = 1) -> str:
        return f"{pair[0]:.{digits}f} to {pair[1]:.{digits}f}"

    rows = [
        ("lag at the mains frequency, in all", f"{ends(why.lag_deg)} deg"),
        ("of it by filter and sensor", f"{ends(why.lag_from_parts_deg, 2)} deg"),
        ("apparent error at the zero crossing", f"{ends(why.zero_crossing_v)} V"),
        (
            "plain loop that follows within 2 %",
            f"crosses over at {figure(why.plain_crossover_hz, 4)} Hz, {_plain_loop(why)}",
        ),
        (
            "resonant loop that settles as asked",
            f"crosses over at {figure(why.resonant_crossover_hz, 4)} Hz, phase margin "
            f"{ends(why.resonant_margin_deg)} deg",
        ),
        (
            "its gain at the filter's resonance",
            f"{why.resonance_gain_db:.1f} dB at up to {figure(why.resonance_hz[1], 4)} Hz"
            + (": it is unstable" if why.resonance_gain_db > 0 else ""),
        ),
        (
            "settling: window loop, plain loop",
            f"{_with_ms(why.window_settling_ms)}, {_with_ms(why.plain_settling_ms)}",
        ),
    ]
    tables.show_table(
        f"{prepared.name}: why a window, and what it costs",
        ["a loop sample by sample", "over the corners"],
        rows,
        [
            "Lag counts one and a half loop periods for computing and holding. The window loop "
            "sees amplitude only, so none of this enters it; it pays with its settling time."
        ],
    )


def _plain_loop(why: Reason) -> str:
    """Why there is no plain loop, or its phase margin."""
    if why.plain_crossover_hz > why.nyquist_hz:
        return f"above half the loop's rate ({figure(why.nyquist_hz, 4)} Hz): there is none"
    least, greatest = why.plain_margin_deg
    margin = f"phase margin {least:.1f} to {greatest:.1f} deg"
    if why.plain_settling_ms is None:
        return f"{margin}: with the filter's resonance it is unstable, so there is none"
    return margin


def _signed(percent: float) -> str:
    """To three places with the sign; what rounds to nothing has none."""
    text = f"{percent:+.3f}"
    return text if float(text) else text[1:]


def _with_ms(value: float | None) -> str:
    return "none" if value is None else f"{figure(value, 4)} ms"


def _cell(case: Case, tally: Tally, name: str, digits: int) -> str:
    """A figure of the table, "-" if the case does not give it a meaning."""
    if name == "overshoot_percent" and not shows_overshoot(case):
        return "-"
    worst = tally.worst.get(name)
    return "-" if worst is None else f"{worst[0]:.{digits}f}"


def _or_dash(value: float | None) -> str:
    # What is left of a rounding in the last place is none.
    return "-" if value is None else figure(round(value, 6) + 0.0, 4)
