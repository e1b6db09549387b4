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
    """One rule on one case's boards: ``failed`` (boards,), and ``reason`` of a board that did."""

    rule: str
    failed: NDArray[np.bool_]
    reason: Callable[[int], str]


def settling_limit_s(setting: Setting, case: Case) -> float:
    """The time to settle in: the target and the ramp that the case runs through. After an overload
    the drive comes back from its limit, which may take longer than a step from zero: then it is
    what the design's own model takes for that, if that is more. A half cycle is added: the true RMS
    is known by half cycles only."""
    asked = float(setting.spec.targets.settling_ms) / 1000 + ramp_s(setting, case)
    if case.from_limit:
        asked = max(asked, setting.pace.recovery_s)
    return asked + setting.half_cycle_s


def ramp_s(setting: Setting, case: Case) -> float:
    """How long the target itself takes to climb in this case."""
    return case.target_step * setting.ramp_s


def overshoot_limit(setting: Setting) -> float:
    """Target and the steady tolerance, which the output may move by at any time; a share."""
    targets = setting.spec.targets
    return float(targets.overshoot_percent + targets.voltage_tolerance_percent) / 100


def steady_limit(setting: Setting) -> float:
    """The voltage tolerance, and the steady part of the sensor's zero tolerance, which the spec
    counts apart; a share of rated."""
    return float(setting.spec.targets.voltage_tolerance_percent) / 100 + setting.at_rest.zero


def held_limit(setting: Setting) -> float:
    """How far the scale may rest from where it was after the sensor came off, 1.0 = bus.

    Two updates inside the band: the last one trusted may be an update old, and its window may hold
    the first samples without a signal. What the scale moves by at rest, since it was at one place
    of that movement when it was trusted, and at another when the sensor came off. If no window at
    rest need be inside the band, what the scale was off by when one last was. Two steps of it.
    """
    at_rest = setting.at_rest
    moved = at_rest.scale + at_rest.trusted_early
    return 2 * at_rest.trusted_step + moved + 2 / SCALE_ONE


def verdicts(setting: Setting, case: Case, measured: Measured) -> list[Verdict]:
    """Every rule of the case, applied."""
    return [_RULES[rule](setting, case, measured) for rule in case.rules]


@dataclass(frozen=True, slots=True)
class _Unit:
    name: str
    factor: float


_MS = _Unit("ms", 1000)
_PERCENT = _Unit("%", 100)


def _within(rule: str, values: Real, limit: float, unit: _Unit) -> Verdict:
    """The verdict on values that may not exceed a limit."""

    def reason(board: int) -> str:
        value = unit.factor * values[board]
        return f"{rule} {value:.4g} {unit.name}, allowed {unit.factor * limit:.4g} {unit.name}"

    # What is not a number has failed, too.
    return Verdict(rule, np.array([not value <= limit for value in values], dtype=np.bool_), reason)


def _settling(setting: Setting, case: Case, measured: Measured) -> Verdict:
    rule = "settling from the drive limit" if case.from_limit else "settling"
    return _within(rule, measured.response.settling_s, settling_limit_s(setting, case), _MS)


def _overshoot(setting: Setting, case: Case, measured: Measured) -> Verdict:
    del case
    return _within("overshoot", measured.response.overshoot, overshoot_limit(setting), _PERCENT)


def _steady(setting: Setting, case: Case, measured: Measured) -> Verdict:
    del case
    return _within("steady error", measured.steady.error, steady_limit(setting), _PERCENT)


def _limits(setting: Setting, case: Case, measured: Measured) -> Verdict:
    del setting
    response = measured.response

    def reason(board: int) -> str:
        left = zip(case.curves, response.breached[board], strict=True)
        names = " and ".join(curve.name for curve, out in left if out)
        low, high = 100 * response.lowest[board], 100 * response.highest[board]
        return f"leaves {names}: half-cycle RMS from {low:.1f} to {high:.1f} %"

    return Verdict("limits", np.logical_or.reduce(response.breached, axis=1), reason)


def _brownout(setting: Setting, case: Case, measured: Measured) -> Verdict:
    del setting, case
    wanted, flags = FLAG_LIMIT | FLAG_BROWNOUT, measured.flagged.then

    def reason(board: int) -> str:
        return f"no brownout flagged at the end of the overload (flags {flags[board]:#x})"

    return Verdict("brownout", (flags & wanted) != wanted, reason)


def _seen(setting: Setting, case: Case, measured: Measured) -> Verdict:
    """A sensor that lies is flagged, unless its code reads as the target or so nearly that the
    drive is still on its way to a limit at the run's end."""
    del setting, case
    flagged = measured.flagged

    def reason(board: int) -> str:
        return f"output rests at {100 * measured.response.end[board]:.1f} % with no flag"

    quiet = (flagged.end & ALARMS) == 0
    in_band = (flagged.end & FLAG_IN_BAND) != 0
    return Verdict("seen", quiet & ~in_band & (flagged.drift == 0), reason)


def _held(setting: Setting, case: Case, measured: Measured) -> Verdict:
    """A missing signal is flagged, and from the second window on the drive stands still where it
    was before, within ``held_limit``."""
    del case
    flagged, allowed = measured.flagged, held_limit(setting)
    alarmed = (flagged.end & FLAG_IMPLAUSIBLE) != 0

    def reason(board: int) -> str:
        moved = (
            f"drive moved by {flagged.drift[board]:.4f} after the sensor came off, and rests "
            f"{flagged.rise[board]:+.4f} from where it was, allowed {allowed:.4f}"
        )
        return moved if alarmed[board] else f"{moved}, not flagged"

    away = np.abs(flagged.rise) > allowed
    return Verdict("held", ~alarmed | (flagged.drift > 0) | away, reason)


_RULES: dict[str, Callable[[Setting, Case, Measured], Verdict]] = {
    "settling": _settling,
    "overshoot": _overshoot,
    "steady": _steady,
    "limits": _limits,
    "brownout": _brownout,
    "seen": _seen,
    "held": _held,
}
