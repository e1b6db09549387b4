"""What is connected to a board's output: linear loads, and the loads of each case."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from halfcycle.simulate.boards import Draw
from halfcycle.simulate.case import LoadChoice, Setting
from halfcycle.simulate.parts import BoardLoad, LoadKind
from halfcycle.simulate.rectifier_load import reference_load

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

OVERLOAD = 2.0
"""The overload case's load over rated."""
MOTOR, MOTOR_POWER_FACTOR = 1.5, 0.4
"""A motor that starts: its share of rated, and its power factor (common practice, no source)."""
MIN_RECTIFIER_SHARE = 0.25
"""The non-linear load draws this share of rated VA at least."""
_ALMOST_RESISTIVE = 0.995
"""From this power factor on a load is a plain resistor."""


def linear_load(spec: Spec, share: float, power_factor: float) -> BoardLoad:
    """The load that draws ``share`` of rated VA at rated voltage (0: none)."""
    if share <= 0:
        return BoardLoad()
    ohm = float(spec.output.rated_rms_v) ** 2 / (float(spec.load.rated_va) * share)
    if power_factor >= _ALMOST_RESISTIVE:
        return BoardLoad(LoadKind.RESISTOR, series_ohm=ohm)
    reactance = ohm * math.sqrt(1 - power_factor**2)
    angular = 2 * math.pi * float(spec.output.frequency_hz)
    return BoardLoad(
        LoadKind.SERIES_RL, series_ohm=ohm * power_factor, series_h=reactance / angular
    )


def drawn_load(setting: Setting, draw: Draw) -> tuple[BoardLoad, ...]:
    """The board's own load."""
    return (linear_load(setting.spec, draw.load, draw.power_factor),)


def light_then_rated(setting: Setting, draw: Draw) -> tuple[BoardLoad, ...]:
    """The lightest load; rated at the board's power factor."""
    lightest = float(setting.spec.load.lightest_percent) / 100
    light = linear_load(setting.spec, lightest, 1.0)
    return light, linear_load(setting.spec, 1.0, draw.power_factor)


def drawn_then_overload(setting: Setting, draw: Draw) -> tuple[BoardLoad, ...]:
    """The board's own load; OVERLOAD times rated at its power factor."""
    return *drawn_load(setting, draw), linear_load(setting.spec, OVERLOAD, draw.power_factor)


def drawn_then_motor(setting: Setting, draw: Draw) -> tuple[BoardLoad, ...]:
    """The board's own load; MOTOR times rated at a locked motor's power factor."""
    return *drawn_load(setting, draw), linear_load(setting.spec, MOTOR, MOTOR_POWER_FACTOR)


def rectifier(setting: Setting, draw: Draw) -> tuple[BoardLoad, ...]:
    """The reference load of rated VA, made as light as the draw says by scaling impedances."""
    spec = setting.spec
    whole = reference_load(
        setting.rated_v, float(spec.load.rated_va), float(spec.output.frequency_hz)
    )
    share = max(MIN_RECTIFIER_SHARE, draw.load)
    return (
        BoardLoad(
            whole.kind,
            series_ohm=whole.series_ohm / share,
            drop_v=whole.drop_v,
            reservoir_f=whole.reservoir_f * share,
            reservoir_ohm=whole.reservoir_ohm / share,
        ),
    )


def load_words(spec: Spec, draw: Draw, choice: LoadChoice) -> str:
    """The load of a board in a case that chooses its loads by ``choice``, as a corner's label has
    it: "rated at power factor 0.7"."""
    if choice is rectifier:
        share = max(MIN_RECTIFIER_SHARE, draw.load)
        return f"a rectifier of {_share_words(share)}"
    if choice is light_then_rated:
        lightest = float(spec.load.lightest_percent) / 100
        return f"{_linear_words(lightest, 1.0)} and {_linear_words(1.0, draw.power_factor)}"
    return _linear_words(draw.load, draw.power_factor)


def _linear_words(share: float, power_factor: float) -> str:
    words = _share_words(share)
    if share <= 0 or power_factor >= _ALMOST_RESISTIVE:
        return words
    return f"{words} at power factor {power_factor:.3g}"


def _share_words(share: float) -> str:
    return "rated" if share == 1 else f"{100 * share:.3g} %"
