"""Continuous PI constants and the per-window constants that the firmware uses, both ways, exact.

Continuous: ``C(s) = kp + ki/s`` (scale per per-unit error, and that per second). These are the
master: they survive a change of loop period. Per window: ``C(z) = Kp + Ki z/(z - 1)``, which is
the firmware's ``I += Ki e; u = I + Kp e``. The three forms replace s, with W the window's length:

=============  ====================  =======================  ==========
form           s becomes             Kp                       Ki
=============  ====================  =======================  ==========
backward       (z - 1)/(W z)         kp                       ki W
forward        (z - 1)/W             kp - ki W                ki W
trapezoidal    2(z - 1)/(W(z + 1))   kp - ki W/2              ki W
=============  ====================  =======================  ==========

The table is derived with sympy in ``halfcycle.loop.derivations``.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

Integration = Literal["backward", "forward", "trapezoidal"]

_MOVED: dict[Integration, Fraction] = {
    "backward": Fraction(0),
    "forward": Fraction(1),
    "trapezoidal": Fraction(1, 2),
}
"""Share of the per-window integral constant that the form takes out of the proportional one."""


@dataclass(frozen=True, slots=True)
class ContinuousGains:
    """``proportional``: scale per per-unit error; ``integral_per_s``: that, per second."""

    proportional: Fraction
    integral_per_s: Fraction


@dataclass(frozen=True, slots=True)
class WindowGains:
    """``proportional`` and ``integral_per_window``: scale per per-unit error, once per window."""

    proportional: Fraction
    integral_per_window: Fraction


def to_window(
    gains: ContinuousGains, window_s: Fraction, form: Integration = "backward"
) -> WindowGains:
    """Per-window constants of ``gains`` for windows of ``window_s`` seconds (above 0)."""
    integral = gains.integral_per_s * window_s
    return WindowGains(gains.proportional - _MOVED[form] * integral, integral)


def to_continuous(
    gains: WindowGains, window_s: Fraction, form: Integration = "backward"
) -> ContinuousGains:
    """Inverse of :func:`to_window`: exact, so that a round trip changes nothing."""
    return ContinuousGains(
        gains.proportional + _MOVED[form] * gains.integral_per_window,
        gains.integral_per_window / window_s,
    )
