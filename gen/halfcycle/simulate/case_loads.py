"""What is connected to a board's output in each case."""

from __future__ import annotations

from halfcycle.simulate.boards import Draw, linear_load
from halfcycle.simulate.case import Setting
from halfcycle.simulate.parts import BoardLoad
from halfcycle.simulate.rectifier_load import reference_load

OVERLOAD = 2.0
"""The overload case's load over rated."""
LEAST_RECTIFIER = 0.25
"""The non-linear load draws this share of rated VA at least."""


def drawn(setting: Setting, draw: Draw) -> tuple[BoardLoad, ...]:
    return (linear_load(setting.spec, draw.load, draw.power_factor),)


def light_then_rated(setting: Setting, draw: Draw) -> tuple[BoardLoad, ...]:
    lightest = float(setting.spec.load.lightest_percent) / 100
    light = linear_load(setting.spec, lightest, 1.0)
    return light, linear_load(setting.spec, 1.0, draw.power_factor)


def drawn_then_overload(setting: Setting, draw: Draw) -> tuple[BoardLoad, ...]:
    return *drawn(setting, draw), linear_load(setting.spec, OVERLOAD, draw.power_factor)


def rectifier(setting: Setting, draw: Draw) -> tuple[BoardLoad, ...]:
    """The reference load of rated VA, made as light as the draw says by scaling impedances."""
    spec = setting.spec
    whole = reference_load(
        setting.rated_v, float(spec.load.rated_va), float(spec.output.frequency_hz)
    )
    share = max(LEAST_RECTIFIER, draw.load)
    return (
        BoardLoad(
            whole.kind,
            series_ohm=whole.series_ohm / share,
            drop_v=whole.drop_v,
            reservoir_f=whole.reservoir_f * share,
            reservoir_ohm=whole.reservoir_ohm / share,
        ),
    )
