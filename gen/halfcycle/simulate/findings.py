"""What a run over virtual boards says about the design, each remark ending in what to do."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence

from halfcycle.base.findings import Finding, finding
from halfcycle.base.text import counted, figure, listed
from halfcycle.simulate.allowances import ramp_s
from halfcycle.simulate.boards import special_places
from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.reading_error import CAUSES, Measure, ReadingError
from halfcycle.simulate.tally import Tally, greatest_peak

_WORDS = {
    "shape": "by the wave's shape",
    "folded": "by harmonics and ringing that the sampling folds",
    "sampling": "by the sampling of a clean sine",
    "zero": "by the sensor's zero",
    "noise": "by noise and rounding",
    "change": "by a change of the output within the sensor's delay",
}
_MENTIONED = 0.1
"""A part is mentioned if it is this share of the whole error, or more."""


def settling_allowance_ms(setting: Setting) -> float:
    """Measured settling may exceed the designed one by a half cycle, the resolution with which
    the true RMS is known."""
    return 1000 * setting.half_cycle_s


def overshoot_allowance_percent(setting: Setting, case: Case) -> float:
    """Measured overshoot may exceed the designed one by the steady tolerance of the output, which
    is a share of rated: noise, duty steps and sampling ripple are in it, and not in the design."""
    return float(setting.spec.targets.voltage_tolerance_percent) / case.step


def designed_settling_ms(setting: Setting, case: Case) -> float | None:
    """What ``design`` promises for this case: its figure, and the ramp on top."""
    promise = setting.promise
    promised_ms = promise.settling_ms if case.moved else promise.start_ms
    return None if promised_ms is None else promised_ms + 1000 * ramp_s(setting, case)


def refused_design(remarks: Iterable[Finding]) -> Iterator[Finding]:
    """That the design of the C that was run has errors among its ``remarks``."""
    errors = sum(remark.level == "error" for remark in remarks)
    if errors:
        yield finding(
            "design-refused",
            "design",
            f"generate does not write this C, as its design has {counted(errors, 'error')}: the "
            "boards show what it would do; mend the design first",
        )


def findings(
    setting: Setting,
    known: Mapping[str, Case],
    tallies: Sequence[Tally],
    errors: Sequence[ReadingError],
    first_boards: int,
) -> list[Finding]:
    """Remarks on all cases that were run. ``errors``: those of ``reading_errors``.
    ``first_boards``: how many boards from 0 on were run (0: a single one)."""
    remarks: list[Finding] = []
    for tally in tallies:
        case = known[tally.case]
        if case.target_step:
            remarks += _against_design(setting, case, tally)
    watched = [each for each in tallies if "limits" not in known[each.case].rules]
    remarks += _over_voltage(watched)
    remarks += _above_no_limit([each for each in watched if not known[each.case].curves])
    remarks += _dc(setting, [tally for tally in tallies if "dc" in known[tally.case].rules])
    # The tolerance is a share of rated: what reads below it is not held against it.
    below = {name for name, case in known.items() if case.rests_at < 1}
    remarks += _reporting(setting, [error for error in errors if error.case not in below])
    needed = len(special_places(setting.spec, setting.inside)) + 1
    if 1 < first_boards < needed:
        remarks.append(
            finding(
                "too-few-boards",
                "boards",
                f"{first_boards} boards do not reach every corner of all tolerances together (the "
                "sensor's zero, load and lateness among them), nor the filters inside that are "
                f"worst; ask for {needed} or more",
            )
        )
    return remarks


def _against_design(setting: Setting, case: Case, tally: Tally) -> Iterator[Finding]:
    """Measured against designed, beyond the allowance."""
    promised = designed_settling_ms(setting, case)
    settling = tally.worst.get("settling_ms")
    allowed = settling_allowance_ms(setting)
    if promised is not None and settling is not None and settling[0] > promised + allowed:
        yield finding(
            "settling-above-design",
            f"{case.name}: settling",
            f"board {settling[1]} settles in {figure(settling[0], 4)} ms, designed "
            f"{figure(promised, 4)} ms and {figure(allowed)} ms allowed for measuring; run that "
            "board alone and look for what the design leaves out",
        )
    overshoot = tally.worst.get("overshoot_percent")
    limit = setting.promise.overshoot_percent if case.target_step > 0 else None
    spare = overshoot_allowance_percent(setting, case)
    if limit is not None and overshoot is not None and overshoot[0] > limit + spare:
        yield finding(
            "overshoot-above-design",
            f"{case.name}: overshoot",
            f"board {overshoot[1]} overshoots by {overshoot[0]:.3g} %, designed {limit:.3g} % and "
            f"{spare:.3g} % allowed; run that board alone and look for what the design leaves out",
        )


def _dc(setting: Setting, tallies: Iterable[Tally]) -> Iterator[Finding]:
    """The most DC at rest, if it is more than the regulator may make."""
    limit = float(setting.spec.output.dc_percent)
    beyond = [tally for tally in tallies if tally.worst.get("dc_percent", (0.0,))[0] > limit]
    if not beyond:
        return
    worst = max(beyond, key=lambda tally: tally.worst["dc_percent"][0])
    share, board = worst.worst["dc_percent"]
    volts = worst.worst["dc_v"][0]
    remedy = "take a window with a zero at f, or trim the zero"
    if setting.odd:
        remedy = "take an even number of half cycles, or a shaped window, or trim the zero"
    yield finding(
        "dc-above-limit",
        f"{worst.case}: output.dc_percent",
        f"board {board} has {share:.2g} % of rated peak ({abs(volts):.2g} V) of DC at the output, "
        f"allowed {limit:g} %: of the sensor's zero, which it follows from half cycle to half "
        f"cycle, the regulator makes at most {100 * setting.at_rest.dc:.2g} %, the rest comes of "
        f"rounding, noise and the load's harmonics that the sampling folds; {remedy}",
    )


def _reporting(setting: Setting, errors: Iterable[ReadingError]) -> Iterator[Finding]:
    """Reported RMS that is off the true one by more than the tolerance: the worst of each cause."""
    tolerance = float(setting.spec.targets.voltage_tolerance_percent) / 100
    beyond = [error for error in errors if abs(error.error) > tolerance]
    for cause, at_limit in itertools.product(CAUSES, (False, True)):
        same = [error for error in beyond if error.greatest == cause and error.at_limit == at_limit]
        if same:
            worst = max(same, key=lambda error: abs(error.error))
            yield _misread(setting, worst, len(same) - 1)


def _misread(setting: Setting, worst: ReadingError, others: int) -> Finding:
    """The finding for the greatest cause of one error."""
    off = _what_is_off(worst, others, setting.spec.loop.measure)
    if worst.greatest == "shape":
        return finding(
            "report-shape",
            f"{worst.case}: loop.measure",
            f"the reported RMS is off by {off}; {_by_rms(setting, worst)}",
        )
    if worst.greatest == "folded":
        return finding(
            "report-folded",
            f"{worst.case}: loop.period_us",
            f"the reported RMS is off by {off}; sample faster, or damp the filter's ringing",
        )
    if worst.greatest == "sampling":
        return finding(
            "report-sampling",
            f"{worst.case}: loop.period_us",
            f"the reported RMS is off by {off}; {_sampled_better(setting)}",
        )
    if worst.greatest == "zero":
        remedy = (
            "read the mean of two windows, take an even number of half cycles, or trim the zero"
            if setting.odd
            else "trim the zero"
        )
        return finding(
            "report-zero",
            f"{worst.case}: sensor.zero_tolerance_codes",
            f"the reported RMS is off by {off}; {remedy}",
        )
    if worst.greatest == "noise":
        return finding(
            "report-noise",
            f"{worst.case}: sensor.noise_codes_rms",
            f"the reported RMS is off by {off}; filter the sensor, or take a longer window",
        )
    return finding(
        "report-change",
        f"{worst.case}: sensor.delay_us",
        f"the reported RMS is off by {off}; read the next window, or take a sensor with less delay",
    )


def _sampled_better(setting: Setting) -> str:
    """What lessens the error by the sampling of a clean sine, with this window."""
    window = setting.window
    if not (window.within_clock or window.shaped):
        return "change loop.period_us for a whole window"
    if setting.spec.loop.measure == "mean":
        return 'sample faster, or use measure = "rms"'
    return "sample faster"


def _what_is_off(worst: ReadingError, others: int, measure: Measure) -> str:
    """By how much, on which board, in how many cases, and by what."""
    parts = {cause: getattr(worst, cause) for cause in CAUSES}
    mentioned = sorted(
        (cause for cause in CAUSES if abs(parts[cause]) >= _MENTIONED * abs(worst.error)),
        key=lambda cause: -abs(parts[cause]),
    )
    places = max(0, 2 - math.floor(math.log10(abs(100 * worst.error))))
    words = dict(_WORDS)
    if measure == "mean":
        words["shape"] += ", as a mean is read as the RMS of a sine"
    causes = ", ".join(
        f"{round(100 * parts[cause], places):+g} % {words[cause]}" for cause in mentioned
    )
    # The rounded parts, with the rest, add up to the rounded whole.
    told = sum(round(100 * parts[cause], places) for cause in mentioned)
    rest = round(round(100 * worst.error, places) - told, places)
    if rest:
        causes += f", {rest:+g} % by the rest"
    at_limit = " at the drive limit" if worst.at_limit else ""
    cases = "case" if others == 1 else "cases"
    more = f", likewise in {others} other {cases}" if others else ""
    return (
        f"{round(100 * worst.error, places):+g} % on board {worst.board}{at_limit}{more}: {causes}"
    )


def _by_rms(setting: Setting, worst: ReadingError) -> str:
    """What an RMS of the same ADC codes would have read; advice only if it would be better."""
    tolerance = float(setting.spec.targets.voltage_tolerance_percent) / 100
    read = f"reads the same ADC codes {100 * worst.by_rms:+.2g} % off"
    if abs(worst.by_rms) <= max(tolerance, abs(worst.error) / 2):
        return f'measure = "rms" {read}'
    return f'measure = "rms" does not help, as it {read}; allow for it in what reads the report'


def _highest(tallies: Sequence[Tally]) -> tuple[float, int, str]:
    """The highest RMS, percent of rated, and of which board it is in which case."""
    worst = max(tallies, key=lambda tally: tally.worst["highest_percent"][0])
    return *worst.worst["highest_percent"], worst.case


def _peak(tallies: Sequence[Tally]) -> str:
    """The greatest size of the output itself, in words; "" if none was measured."""
    worst = greatest_peak(tallies)
    if worst is None:
        return ""
    volts, percent, board, case = worst
    return (
        f", with an instantaneous peak of {volts:.0f} V, {percent:.4g} % of a rated sine's "
        f"(board {board} in {case})"
    )


def _above_no_limit(tallies: Sequence[Tally]) -> Iterator[Finding]:
    """A fault whose output stays above 120 % of rated for a while, in cases for which the spec
    lists no published limit."""
    far = [tally for tally in tallies if tally.worst.get("above_120_ms", (0.0, 0))[0] > 0]
    if not far:
        return
    high, board, case = _highest(far)
    yield finding(
        "over-voltage",
        ", ".join(tally.case for tally in far),
        "no published limit is listed for this case, and the output goes above 120 % of rated, at "
        f"worst to {high:.4g} % (board {board} in {case}){_peak(far)}; no window regulator can "
        "prevent that: protect the load with a separate over-voltage cut-out in hardware",
    )


def _over_voltage(tallies: Sequence[Tally]) -> Iterator[Finding]:
    """Limits that are watched, not judged: what the regulator cannot prevent, in all cases."""
    left = [tally for tally in tallies if any(tally.breached.values())]
    if not left:
        return
    limits = dict.fromkeys(
        name for tally in left for name, count in tally.breached.items() if count
    )
    counts: dict[str, list[str]] = {}
    for name in limits:
        told = listed([str(tally.breached.get(name, 0)) for tally in left])
        counts.setdefault(told, []).append(name)
    (first, names), *others = counts.items()
    words = f"{first} of {left[0].boards} boards leave {listed(names)}" + "".join(
        f", {count} leave {listed(more)}" for count, more in others
    )
    if left[0].boards == 1:
        words = f"the board leaves {listed(list(limits))}"
    high, board, case = _highest(left)
    where = f" in {case}" if len(left) > 1 else ""
    yield finding(
        "over-voltage",
        ", ".join(tally.case for tally in left),
        f"{words}, at worst {high:.4g} % of rated (board {board}{where}){_peak(left)}; no window "
        "regulator can prevent that: protect the load with a separate over-voltage cut-out in "
        "hardware",
    )
