"""The rules that boards have to keep, from the spec's targets and published limits."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from halfcycle.base.text import figure
from halfcycle.regulator.plan import (
    FLAG_BROWNOUT,
    FLAG_BUS_LOST,
    FLAG_IMPLAUSIBLE,
    FLAG_LIMIT,
    SCALE_ONE,
)
from halfcycle.simulate import allowances
from halfcycle.simulate.allowances import Allowance
from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.measurements import Measured
from halfcycle.simulate.run_types import Real
from halfcycle.spec.bus_sensor import code_range, codes_of

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec


@dataclass(frozen=True, slots=True)
class Verdict:
    """One rule on one case's boards: ``failed`` (boards,), and ``reason`` of a board that did."""

    rule: str
    failed: NDArray[np.bool_]
    reason: Callable[[int], str]


def dc_limit(setting: Setting) -> float:
    """Most DC that the regulator may make, a share of rated peak. A plain window has no zero at f
    to choose; the DC of its flipping zero is found, not failed."""
    if setting.window.kind == "plain":
        return math.inf
    return float(setting.spec.output.dc_percent) / 100


def alarm_limit_s(setting: Setting) -> float:
    """Time from the loss of the sensor until it must be flagged: three windows, and a sample."""
    return setting.alarm_s


def greatest_scale(spec: Spec) -> float:
    """Greatest scale: the drive limit, with a measured bus what that leaves at the highest."""
    limit = float(spec.bridge.scale_max)
    if spec.bus_sensor is None:
        return limit
    return limit * code_range(spec).high / float(codes_of(spec, spec.bridge.bus_nominal_v))


def shows_overshoot(case: Case) -> bool:
    """Whether a case has an overshoot to show: one that is judged, or that of a target's step."""
    return bool(case.target_step) or "overshoot" in case.rules


def verdicts(setting: Setting, case: Case, measured: Measured) -> list[Verdict]:
    """Every rule of the case, applied."""
    return [_RULES[rule](setting, case, measured) for rule in (*case.rules, "plausible")]


def _within(rule: str, values: Real, allowed: Allowance) -> Verdict:
    """The verdict on values that may not exceed what is allowed."""

    def reason(board: int) -> str:
        return allowed.told(rule, allowed.factor * values[board])

    # What is not a number has failed, too.
    failed = np.array([not value <= allowed.limit for value in values], dtype=np.bool_)
    return Verdict(rule, failed, reason)


def _settling(setting: Setting, case: Case, measured: Measured) -> Verdict:
    rule = "settling from the drive limit" if case.from_limit else "settling"
    return _within(rule, measured.response.settling_s, allowances.settling(setting, case))


def _overshoot(setting: Setting, case: Case, measured: Measured) -> Verdict:
    del case
    return _within("overshoot", measured.response.overshoot, allowances.overshoot(setting))


def _steady(setting: Setting, case: Case, measured: Measured) -> Verdict:
    del case
    return _within("steady error", measured.steady.error, allowances.steady(setting))


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


def _noticed(setting: Setting, case: Case, measured: Measured) -> Verdict:
    """A sensor that is lost or stuck is flagged within ``alarm_limit_s``, stays flagged, and leaves
    no more drive than there was before, or than where a reading near zero is plausible."""
    del case
    flagged, limit_s = measured.flagged, alarm_limit_s(setting)
    late = ~(flagged.alarm_s <= limit_s)
    ended = (flagged.end & FLAG_IMPLAUSIBLE) == 0
    more = (flagged.rise > 0) & (flagged.rests > setting.at_rest.driven)

    def reason(board: int) -> str:
        if late[board]:
            if not np.isfinite(flagged.alarm_s[board]):
                return "never flagged after the sensor failed"
            return (
                f"flagged {figure(1000 * flagged.alarm_s[board], 4)} ms after the sensor failed, "
                f"allowed {figure(1000 * limit_s, 4)} ms"
            )
        if ended[board]:
            return "the flag has gone, and the sensor is still out of order"
        return f"drive rests {flagged.rise[board]:+.4f} from where it was before the sensor failed"

    return Verdict("noticed", late | ended | more, reason)


def _bounded(setting: Setting, case: Case, measured: Measured) -> Verdict:
    """Until it is seen that the sensor failed the drive rises by no more than the PI steps of
    three windows, from where it was or from where a reading of nothing is implausible."""
    del case
    flagged, at_rest = measured.flagged, setting.at_rest
    before = flagged.rests - flagged.rise
    limit = np.minimum(
        greatest_scale(setting.spec), np.maximum(before, at_rest.driven) + at_rest.climb
    )

    def reason(board: int) -> str:
        return f"drive rises to {flagged.peak[board]:.4f}, allowed {limit[board]:.4f}"

    return Verdict("bounded", flagged.peak > limit + 1 / SCALE_ONE, reason)


def _held(setting: Setting, case: Case, measured: Measured) -> Verdict:
    """A failed sensor leaves no more output than there was before, or than ``held_most``; and what
    a step of the target may overshoot by, and the steady tolerance."""
    end = measured.response.end
    limit = np.maximum(measured.response.before, case.held_most) + allowances.overshoot_limit(
        setting
    )

    def reason(board: int) -> str:
        return (
            f"output left at {100 * end[board]:.4g} % of rated, allowed {100 * limit[board]:.4g} %"
        )

    return Verdict("held", ~(end <= limit), reason)


def _latched(setting: Setting, case: Case, measured: Measured) -> Verdict:
    """A sensor that failed once leaves the flag, and no drive."""
    del setting, case
    flagged = measured.flagged
    wrong = ((flagged.end & FLAG_IMPLAUSIBLE) == 0) | (flagged.rests != 0)
    return Verdict("latched", wrong, lambda _: "the drive is back, or the flag has gone")


def _dc(setting: Setting, case: Case, measured: Measured) -> Verdict:
    """DC that the regulator makes: the bridge and the load of a board have none of their own."""
    del case
    return _within("DC", measured.wave.dc, allowances.share(dc_limit(setting)))


def _plausible(setting: Setting, case: Case, measured: Measured) -> Verdict:
    """A sensor that works is never called implausible."""
    del setting, case
    return Verdict(
        "plausible", measured.flagged.false_alarm, lambda _: "a good sensor is flagged implausible"
    )


def _bus_flagged(setting: Setting, case: Case, measured: Measured) -> Verdict:
    """A bus that is lost stays flagged."""
    del setting, case
    missing = (measured.flagged.end & FLAG_BUS_LOST) == 0
    return Verdict("bus flagged", missing, lambda _: "the lost bus is not flagged at the end")


_RULES: dict[str, Callable[[Setting, Case, Measured], Verdict]] = {
    "settling": _settling,
    "overshoot": _overshoot,
    "steady": _steady,
    "dc": _dc,
    "plausible": _plausible,
    "limits": _limits,
    "brownout": _brownout,
    "noticed": _noticed,
    "bounded": _bounded,
    "held": _held,
    "latched": _latched,
    "bus flagged": _bus_flagged,
}
