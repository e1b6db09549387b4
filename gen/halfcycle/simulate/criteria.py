"""The rules that boards have to keep, from the spec's targets and published limits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator.plan import (
    FLAG_BROWNOUT,
    FLAG_IMPLAUSIBLE,
    FLAG_IN_BAND,
    FLAG_LIMIT,
    SCALE_ONE,
)
from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.measurements import ALARMS, Measured
from halfcycle.simulate.run_types import Real


@dataclass(frozen=True, slots=True)
class Verdict:
    """One rule on one case's boards: ``failed`` (boards,), and ``says`` for a board that did."""

    rule: str
    failed: NDArray[np.bool_]
    says: Callable[[int], str]


def settling_limit_s(setting: Setting, case: Case) -> float:
    """Target, the ramp that the case runs through, and a half cycle: the true RMS is known by half
    cycles only."""
    half = 0.5 / float(setting.spec.output.frequency_hz)
    return float(setting.spec.targets.settling_ms) / 1000 + ramp_s(setting, case) + half


def ramp_s(setting: Setting, case: Case) -> float:
    """How long the target itself takes to climb in this case."""
    ramped = "overshoot" in case.rules  # The cases that step the target.
    return case.step * float(setting.spec.targets.ramp_ms) / 1000 if ramped else 0.0


def overshoot_limit(setting: Setting) -> float:
    """Target and the steady tolerance, which the output may move by at any time; a share."""
    targets = setting.spec.targets
    return float(targets.overshoot_percent + targets.voltage_tolerance_percent) / 100


def verdicts(setting: Setting, case: Case, found: Measured) -> list[Verdict]:
    """Every rule of the case, applied."""
    return [_RULES[rule](setting, case, found) for rule in case.rules]


def _below(rule: str, values: Real, limit: float, unit: str, factor: float) -> Verdict:
    def says(board: int) -> str:
        return f"{rule} {factor * values[board]:.4g} {unit}, allowed {factor * limit:.4g} {unit}"

    # What is no number has failed, too.
    return Verdict(rule, np.array([not value <= limit for value in values], dtype=np.bool_), says)


def _settling(setting: Setting, case: Case, found: Measured) -> Verdict:
    return _below("settling", found.settling_s, settling_limit_s(setting, case), "ms", 1000)


def _overshoot(setting: Setting, case: Case, found: Measured) -> Verdict:
    del case
    return _below("overshoot", found.overshoot, overshoot_limit(setting), "%", 100)


def _steady(setting: Setting, case: Case, found: Measured) -> Verdict:
    del case
    limit = float(setting.spec.targets.voltage_tolerance_percent) / 100
    return _below("steady error", found.steady_error, limit, "%", 100)


def _limits(setting: Setting, case: Case, found: Measured) -> Verdict:
    del setting

    def says(board: int) -> str:
        names = [c.name for c, out in zip(case.curves, found.breached[board], strict=True) if out]
        low, high = 100 * found.lowest[board], 100 * found.highest[board]
        return f"leaves {' and '.join(names)}: half-cycle RMS from {low:.1f} to {high:.1f} %"

    return Verdict("limits", np.logical_or.reduce(found.breached, axis=1), says)


def _brownout(setting: Setting, case: Case, found: Measured) -> Verdict:
    del setting, case
    wanted = FLAG_LIMIT | FLAG_BROWNOUT

    def says(board: int) -> str:
        return (
            f"no brownout flagged at the end of the overload (flags {found.flags_then[board]:#x})"
        )

    return Verdict("brownout", (found.flags_then & wanted) != wanted, says)


def _seen(setting: Setting, case: Case, found: Measured) -> Verdict:
    """A sensor that lies is flagged, unless its code reads as the target or so nearly that the
    drive is still on its way to a limit at the run's end."""
    del setting, case

    def says(board: int) -> str:
        return f"output rests at {100 * found.end[board]:.1f} % with no flag"

    quiet = (found.flags_end & ALARMS) == 0
    in_band = (found.flags_end & FLAG_IN_BAND) != 0
    return Verdict("seen", quiet & ~in_band & (found.drift == 0), says)


def _held(setting: Setting, case: Case, found: Measured) -> Verdict:
    """A missing signal is flagged, and from the second window on the drive stands still where it
    was before: within two updates inside the band (the last one trusted may be an update old, and
    its window may hold the first samples without a signal) and two steps of the scale."""
    del case
    flagged = (found.flags_end & FLAG_IMPLAUSIBLE) != 0
    allowed = 2 * setting.trusted_step + 2 / SCALE_ONE

    def says(board: int) -> str:
        moved = (
            f"drive moved by {found.drift[board]:.4f} after the sensor came off, and rests "
            f"{found.rise[board]:+.4f} from where it was, allowed {allowed:.4f}"
        )
        return moved if flagged[board] else f"{moved}, not flagged"

    away = np.abs(found.rise) > allowed
    return Verdict("held", ~flagged | (found.drift > 0) | away, says)


_RULES: dict[str, Callable[[Setting, Case, Measured], Verdict]] = {
    "settling": _settling,
    "overshoot": _overshoot,
    "steady": _steady,
    "limits": _limits,
    "brownout": _brownout,
    "seen": _seen,
    "held": _held,
}
