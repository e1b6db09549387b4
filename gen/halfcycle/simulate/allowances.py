"""What a board is allowed, in words: a target of the spec, and what comes on top of it.

Every place that tells a limit of the boards takes its words from here, so that the failure of a
board, the page's worst board and its table of cases have the same figure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from halfcycle.base.text import against, figure
from halfcycle.simulate.case import Case, Setting


def settling_limit_s(setting: Setting, case: Case) -> float:
    """The time to settle in: the target and the ramp that the case runs through. After an overload
    the drive comes back from its limit, which may take longer than a step from zero: then it is
    what the design's own model takes for that, if that is more. A half cycle is added: the design
    may count from one window to the next, and an RMS is that of the half cycle before."""
    asked = setting.settling_goal_ms / 1000 + ramp_s(setting, case)
    if not case.moved:
        asked += setting.fill_s
    if case.from_limit:
        asked = max(asked, setting.pace.recovery_s)
    return asked + setting.half_cycle_s


def ramp_s(setting: Setting, case: Case) -> float:
    """How long the target itself takes to climb in this case."""
    return max(0.0, case.target_step) * setting.ramp_s


def overshoot_limit(setting: Setting) -> float:
    """Target and the steady tolerance, which the output may move by at any time; a share."""
    targets = setting.spec.targets
    return float(targets.overshoot_percent + targets.voltage_tolerance_percent) / 100


def steady_limit(setting: Setting) -> float:
    """The voltage tolerance, and the steady part of the sensor's zero tolerance, which the spec
    counts apart; a share of rated."""
    return float(setting.spec.targets.voltage_tolerance_percent) / 100 + setting.at_rest.zero


@dataclass(frozen=True, slots=True)
class Allowance:
    """What a board is allowed: ``limit``, in seconds or a share, is ``factor`` times as much in
    ``unit``; ``parts``: what it adds up, in words."""

    limit: float
    unit: str
    factor: float
    parts: str = ""

    @property
    def shown(self) -> float:
        """The limit in its unit."""
        return self.factor * self.limit

    def told(self, name: str, value: float) -> str:
        """A figure beside its limit, and what the limit is made of: "settling 67.6 ms, allowed
        73.5 ms (46 ms asked for, 10 ms for measuring)". ``value`` in ``unit``."""
        got, most = against(value, self.shown, self.unit)
        return f"{name} {got}, allowed {most}{f' ({self.parts})' if self.parts else ''}"


def share(limit: float, parts: str = "") -> Allowance:
    """Of a share, told in percent."""
    return Allowance(limit, "%", 100, parts)


def settling(setting: Setting, case: Case) -> Allowance:
    """:func:`settling_limit_s`, told in milliseconds."""
    limit_s = settling_limit_s(setting, case)
    return Allowance(limit_s, "ms", 1000, _settling_parts(setting, case))


def overshoot(setting: Setting) -> Allowance:
    """:func:`overshoot_limit`, told in percent."""
    return share(overshoot_limit(setting), _overshoot_parts(setting))


def steady(setting: Setting) -> Allowance:
    """:func:`steady_limit`, told in percent of rated."""
    return share(steady_limit(setting), _steady_parts(setting))


def _settling_parts(setting: Setting, case: Case) -> str:
    """What :func:`settling_limit_s` adds up."""
    half_ms = 1000 * setting.half_cycle_s
    goal_ms, ramp_ms = setting.settling_goal_ms, 1000 * ramp_s(setting, case)
    fill_ms = 0.0 if case.moved else 1000 * setting.fill_s
    recovery_ms = 1000 * setting.pace.recovery_s if case.from_limit else 0.0
    if not math.isfinite(goal_ms):
        return ""
    if recovery_ms > goal_ms + ramp_ms + fill_ms:
        return _parts((recovery_ms, "back from the drive limit"), (half_ms, "for measuring"))
    asked = "asked for" if setting.spec.settling_limit_ms is not None else "designed"
    return _parts(
        (goal_ms, asked),
        (ramp_ms, "of the target's ramp"),
        (fill_ms, "in which the window fills"),
        (half_ms, "for measuring"),
    )


def _overshoot_parts(setting: Setting) -> str:
    """What :func:`overshoot_limit` adds up."""
    targets = setting.spec.targets
    return _parts(
        (float(targets.overshoot_percent), "asked for"),
        (float(targets.voltage_tolerance_percent), "of steady tolerance"),
        unit="%",
    )


def _steady_parts(setting: Setting) -> str:
    """What :func:`steady_limit` adds up; "" if it is the tolerance alone."""
    if setting.at_rest.zero < _NOTHING:
        return ""
    return _parts(
        (float(setting.spec.targets.voltage_tolerance_percent), "asked for"),
        (100 * setting.at_rest.zero, "for the sensor's zero"),
        unit="%",
    )


_NOTHING = 1e-9
"""A share of rated that is rounding."""


def _parts(*parts: tuple[float, str], unit: str = "ms") -> str:
    return ", ".join(f"{figure(value)} {unit} {words}" for value, words in parts if value > 0)
