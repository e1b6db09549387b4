"""What a run over virtual boards says about the design, each remark ending in what to do."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from halfcycle.base import clipped_sine
from halfcycle.base.findings import Finding, finding
from halfcycle.simulate.boards import corners
from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.criteria import ramp_s
from halfcycle.simulate.tally import Tally

DISTORTED = ("overload", "non-linear")
BLIND = ("stuck-sensor", "disconnected-sensor")


def settling_allowance_ms(setting: Setting) -> float:
    """Measured settling may exceed the designed one by a half cycle, the resolution with which
    the true RMS is known."""
    return 500 / float(setting.spec.output.frequency_hz)


def overshoot_allowance_percent(setting: Setting, case: Case) -> float:
    """Measured overshoot may exceed the designed one by the steady tolerance of the output, which
    is a share of rated: noise, duty steps and sampling ripple are in it, and not in the design."""
    return float(setting.spec.targets.voltage_tolerance_percent) / case.step


def designed_settling_ms(setting: Setting, case: Case) -> float | None:
    """What ``design`` promises for this case: its figure, and the ramp on top."""
    if setting.designed_settling_ms is None:
        return None
    return setting.designed_settling_ms + 1000 * ramp_s(setting, case)


def findings(
    setting: Setting, known: Mapping[str, Case], tallies: Iterable[Tally], first_boards: int
) -> list[Finding]:
    """Remarks on all cases that were run. ``first_boards``: how many boards from 0 on were run (0:
    a single one)."""
    found: list[Finding] = []
    for tally in tallies:
        case = known[tally.case]
        if "overshoot" in case.rules:
            found += _against_design(setting, case, tally)
        if "steady" in case.rules:
            found += _reporting(setting, tally)
        found += _over_voltage(case, tally)
    needed = len(corners(setting.spec)) + 1
    if 1 < first_boards < needed:
        found.append(
            finding(
                "too-few-boards",
                "--boards",
                f"{first_boards} boards do not reach all corners of the tolerances; "
                f"ask for {needed} or more",
            )
        )
    return found


def _against_design(setting: Setting, case: Case, tally: Tally) -> Iterator[Finding]:
    """Measured against designed, beyond the allowance."""
    promised = designed_settling_ms(setting, case)
    seen = tally.worst.get("settling_ms")
    allowed = settling_allowance_ms(setting)
    if promised is not None and seen is not None and seen[0] > promised + allowed:
        yield finding(
            "settling-above-design",
            f"{case.name}: settling",
            f"board {seen[1]} settles in {seen[0]:.4g} ms, designed {promised:.4g} ms and "
            f"{allowed:.3g} ms allowed for measuring; replay that board and look for what the "
            "design leaves out",
        )
    overshoot = tally.worst.get("overshoot_percent")
    limit = setting.designed_overshoot_percent
    spare = overshoot_allowance_percent(setting, case)
    if limit is not None and overshoot is not None and overshoot[0] > limit + spare:
        yield finding(
            "overshoot-above-design",
            f"{case.name}: overshoot",
            f"board {overshoot[1]} overshoots by {overshoot[0]:.3g} %, designed {limit:.3g} % and "
            f"{spare:.3g} % allowed; replay that board and look for what the design leaves out",
        )


def _reporting(setting: Setting, tally: Tally) -> Iterator[Finding]:
    """Where the firmware's reported RMS is off the true one by more than the tolerance."""
    tolerance = float(setting.spec.targets.voltage_tolerance_percent)
    seen = tally.worst.get("report_error_percent")
    at_limit = tally.worst.get("report_error_at_limit_percent")
    theory = ""
    if at_limit is not None and (seen is None or abs(at_limit[0]) > abs(seen[0])):
        seen = at_limit
        share = 100 * clipped_sine.reading_error(float(setting.spec.bridge.scale_max))
        if setting.spec.loop.measure == "mean":
            theory = f" ({share:.3g} % of it by the clipped sine's shape)"
    if seen is None or abs(seen[0]) <= tolerance:
        return
    what = f"the reported RMS is off by {seen[0]:+.3g} % on board {seen[1]}{theory}"
    if tally.case in DISTORTED and setting.spec.loop.measure == "mean":
        yield finding(
            "report-distorted",
            f"{tally.case}: loop.measure",
            f'{what}; use measure = "rms" for a true one',
        )
    else:
        yield finding(
            "report-off",
            f"{tally.case}: sensor.zero_tolerance_codes",
            f"{what}, in a window that the sensor's zero and noise, sampling or a change put off; "
            "read the mean of two windows, or use an even number of half cycles",
        )


def _over_voltage(case: Case, tally: Tally) -> Iterator[Finding]:
    """Limits that are watched, not judged: what the regulator cannot prevent."""
    if "limits" in case.rules:
        return
    for name, count in tally.breached.items():
        if not count:
            continue
        high = tally.worst["highest_percent"]
        yield finding(
            "over-voltage",
            case.name,
            f"{count} of {tally.boards} boards leave {name}, at worst {high[0]:.4g} % of rated "
            f"(board {high[1]}); no window regulator can prevent that: protect the load with a "
            "separate over-voltage cut-out in hardware",
        )
    if case.name in BLIND and tally.unseen:
        yield finding(
            "sensor-loss-unseen",
            case.name,
            f"{tally.unseen} of {tally.boards} boards raise no alarm, as the frozen code reads "
            "like the target or nearly so; check the sensor by a second path in hardware",
        )
