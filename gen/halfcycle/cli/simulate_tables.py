"""How ``halfcycle simulate`` shows its results."""

from __future__ import annotations

import shlex
from pathlib import Path

from halfcycle.base import clipped_sine
from halfcycle.cli import common, tables
from halfcycle.simulate.case import Case
from halfcycle.simulate.simulate import Prepared
from halfcycle.simulate.tally import Tally
from halfcycle.simulate.why_window import Reason

NARROW = 80
"""Below this many columns the table of cases would break their names, and leaves figures out."""


class Replay:
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
    shown = [
        ("settles\nms", "settling_ms", 0),
        ("over\n%", "overshoot_percent", 2),
        ("steady\n%", "steady_error_percent", 2),
        ("low\n%", "lowest_percent", 1),
        ("high\n%", "highest_percent", 1),
        ("report\n%", "report_error_percent", 2),
        ("scale", "scale", 3),
    ]
    explained = "Over: overshoot. Steady: error of a window's RMS."
    if tables.width() < NARROW:
        shown = shown[:3] + shown[-1:]
        explained += f" Sensor gain apart. {NARROW} columns or more show low, high and report too."
    else:
        explained += (
            " Low, high: half-cycle RMS in percent of rated. Report: the firmware's RMS against "
            "the true one. Sensor gain apart."
        )
    columns = ["case", "failed", *(heading for heading, _, _ in shown)]
    rows = [
        (
            tally.case,
            tally.failed,
            *(_cell(known[tally.case], tally, name, digits) for _, name, digits in shown),
        )
        for tally in tallies
    ]
    designed = prepared.setting.designed_settling_ms
    notes = [
        explained,
        f"Designed: settling {_or_dash(designed)} ms, overshoot "
        f"{_or_dash(prepared.setting.designed_overshoot_percent)} %. Targets: "
        f"{number(targets.settling_ms)} ms, {number(targets.overshoot_percent)} %, steady within "
        f"{number(targets.voltage_tolerance_percent)} %.",
    ]
    boards = f"{tallies[0].boards} virtual boards" if tallies[0].boards > 1 else "one board"
    tables.show_table(f"{prepared.name}: {boards}, worst figures", columns, rows, notes)


def show_failures(tallies: list[Tally], again: Replay) -> None:
    """The first boards that failed, each with its reasons and its command."""
    for tally in tallies:
        for failure in tally.failures[:5]:
            print(f"{tally.case}, board {failure.board}: {'; '.join(failure.reasons)}")
            print(f"  {again(tally.case, failure.board)}")
        if tally.failed > 5:
            print(f"{tally.case}: {tally.failed - 5} more boards failed")


def show_reporting(prepared: Prepared, tallies: list[Tally]) -> None:
    """What the firmware reports against the true RMS, at the board and window farthest off."""
    spec = prepared.setting.spec
    rows = []
    for tally in tallies:
        for name, where in (
            ("report_error_percent", "steady"),
            ("report_error_at_limit_percent", "at the drive limit"),
        ):
            if name in tally.worst:
                off, number = tally.worst[name]
                rows.append((tally.case, where, f"{off:+.3f}", number))
    shape = 100 * clipped_sine.reading_error(float(spec.bridge.scale_max))
    share = shape if spec.loop.measure == "mean" else 0.0
    tables.show_table(
        f'Reported RMS against the true one, measure = "{spec.loop.measure}"',
        ["case", "when", "off\n%", "board"],
        rows,
        [
            f"By theory the shape of a sine clipped at the drive limit makes {share:+.3f} % of it; "
            "the rest is noise, sampling and the sensor's zero."
        ],
    )


def show_reason(prepared: Prepared, why: Reason) -> None:
    """What a loop that follows the sine point by point would face here."""

    def ends(pair: tuple[float, float], digits: int = 1) -> str:
        return f"{pair[0]:.{digits}f} to {pair[1]:.{digits}f}"

    blind = why.plain_crossover_hz > why.nyquist_hz
    rows = [
        ("lag at the mains frequency, all together", f"{ends(why.lag_deg)} deg"),
        ("of it filter and sensor, over tolerances", f"{ends(why.lag_from_parts_deg, 2)} deg"),
        ("apparent error at the zero crossing", f"{ends(why.zero_crossing_v)} V"),
        (
            "plain loop that follows within 2 %",
            f"crosses over at {why.plain_crossover_hz:.4g} Hz, "
            + (
                f"above half the loop's rate ({why.nyquist_hz:.4g} Hz): there is none"
                if blind
                else f"phase margin {ends(why.plain_margin_deg)} deg"
            ),
        ),
        (
            "resonant loop that settles as asked",
            f"crosses over at {why.resonant_crossover_hz:.4g} Hz, phase margin "
            f"{ends(why.resonant_margin_deg)} deg",
        ),
        (
            "its gain at the filter's resonance",
            f"{why.resonance_gain_db:.1f} dB at up to {why.resonance_hz[1]:.4g} Hz",
        ),
        (
            "settling: window loop, plain loop",
            f"{_or_dash(why.window_settling_ms)} ms, {why.plain_settling_ms:.3g} ms",
        ),
    ]
    tables.show_table(
        f"{prepared.name}: why a window, and what it costs",
        ["point by point", "over the corners"],
        rows,
        [
            "Lag counts one and a half loop periods for computing and holding. The window loop "
            "sees amplitude only, so none of this enters it; it pays with its settling time."
        ],
    )


def _cell(case: Case, tally: Tally, name: str, digits: int) -> str:
    """A figure of the table, "-" where the case does not give it a meaning."""
    if name == "overshoot_percent" and "overshoot" not in case.rules:
        return "-"
    found = tally.worst.get(name)
    return "-" if found is None else f"{found[0]:.{digits}f}"


def _or_dash(value: float | None) -> str:
    return "-" if value is None else f"{value:.4g}"
