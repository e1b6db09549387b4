"""Kinds of unit that a first spec describes, so that a new user changes five keys and not fifteen.

The values are plain ones of such units, common practice and no source; each kind meets its own
targets as it stands.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from halfcycle.base.text import nearest, printable

DEFAULT_KIND = "230v-50hz"

CHANGE_FIRST = {
    "loop.period_us": "how often your timer calls the regulator",
    "sensor.volts_per_code": "of your divider and ADC",
    "filter.inductance_uh": "of your choke",
    "filter.capacitance_uf": "of your output capacitor",
    "load.rated_va": "what your unit can carry",
}
"""Keys in which no two units of a kind are alike, and what each is."""


@dataclass(frozen=True, slots=True)
class UnitKind:
    """``about``: what its values describe, in words. ``tables``: table and key to the value as
    TOML has it, for keys in which kinds differ."""

    about: str
    tables: Mapping[str, Mapping[str, str]]


def _kind(about: str, **tables: dict[str, str]) -> UnitKind:
    """A kind that says all that it has in other ways than the default one."""
    return UnitKind(about, {name: table | tables.get(name, {}) for name, table in _HUT.items()})


_HUT = {
    "output": {"frequency_hz": "50", "rated_rms_v": "230"},
    "loop": {"period_us": "800", "measure": '"mean"', "longest_window_ms": "120"},
    "sensor": {"volts_per_code": "0.22", "zero_tolerance_codes": "6", "delay_us": "4"},
    "bridge": {
        "bus_nominal_v": "385",
        "bus_min_v": "350",
        "bus_max_v": "420",
        "scale_max": "1.2",
        "pwm_period_us": "50",
    },
    "filter": {
        "inductance_uh": "1200",
        "inductance_tolerance_percent": "25",
        "winding_resistance_ohm": "0.25",
        "capacitance_uf": "10",
    },
    "load": {"rated_va": "700", "lowest_power_factor": "0.7"},
    "targets": {"settling_ms": "250", "voltage_tolerance_percent": "0.5"},
}

KINDS: Mapping[str, UnitKind] = {
    "120v-60hz": _kind(
        "a small unit at 120 V, 60 Hz",
        output={"frequency_hz": "60", "rated_rms_v": "120"},
        loop={"period_us": "500", "measure": '"rms"'},
        sensor={"volts_per_code": "0.12", "zero_tolerance_codes": "4"},
        bridge={
            "bus_nominal_v": "205",
            "bus_min_v": "190",
            "bus_max_v": "220",
            "scale_max": "1.1",
        },
        filter={"inductance_uh": "800", "inductance_tolerance_percent": "20"},
        load={"rated_va": "500", "lowest_power_factor": "0.8"},
        targets={"settling_ms": "200", "voltage_tolerance_percent": "1"},
    ),
    "230v-50hz": UnitKind("an off-grid hut at 230 V, 50 Hz", _HUT),
    "115v-400hz": _kind(
        "a ground or airborne supply at 115 V, 400 Hz",
        output={"frequency_hz": "400", "rated_rms_v": "115"},
        loop={"period_us": "100", "measure": '"rms"', "longest_window_ms": "20"},
        sensor={"volts_per_code": "0.11", "zero_tolerance_codes": "4", "delay_us": "3"},
        bridge={
            "bus_nominal_v": "200",
            "bus_min_v": "185",
            "bus_max_v": "215",
            "scale_max": "1.1",
            "pwm_period_us": "25",
        },
        filter={
            "inductance_uh": "120",
            "inductance_tolerance_percent": "20",
            "winding_resistance_ohm": "0.2",
            "capacitance_uf": "8",
        },
        load={"rated_va": "500", "lowest_power_factor": "0.8"},
        targets={"settling_ms": "60", "voltage_tolerance_percent": "1"},
    ),
    "battery-bus": _kind(
        "a 48 V battery on the bus, 26 V, 50 Hz into a transformer",
        output={"frequency_hz": "50", "rated_rms_v": "26"},
        loop={"period_us": "250", "measure": '"rms"'},
        sensor={"volts_per_code": "0.025", "zero_tolerance_codes": "4"},
        bridge={
            "bus_nominal_v": "50",
            "bus_min_v": "42",
            "bus_max_v": "58",
            "scale_max": "1.1",
        },
        filter={
            "inductance_uh": "100",
            "inductance_tolerance_percent": "20",
            "winding_resistance_ohm": "0.02",
            "capacitance_uf": "100",
        },
        load={"rated_va": "500", "lowest_power_factor": "0.8"},
        targets={"settling_ms": "250", "voltage_tolerance_percent": "1"},
    ),
}


_VOLTS = re.compile(r"\s*(\d{1,6}(?:\.\d{1,6})?)\s*(?:v.*|$)", re.IGNORECASE)
"""A name that begins with volts, or is a number alone."""


def _volts(name: str) -> float:
    """What a kind goes by: the volts in its name; without any, those of its bus."""
    named = _VOLTS.match(name)
    return float(named[1] if named else KINDS[name].tables["bridge"]["bus_nominal_v"])


def _nearest_kind(name: str) -> str:
    """The kind that ``name`` is nearest to: by its volts if it begins with some, else by letter."""
    named = _VOLTS.match(name)
    if named is None or not float(named[1]):
        return nearest(name, KINDS, anyhow=True)
    asked = math.log(float(named[1]))
    return min(KINDS, key=lambda kind: abs(math.log(_volts(kind)) - asked))


class UnknownKindError(ValueError):
    """No kind of unit has that name: what is wrong, and what to do about it."""

    def __init__(self, name: str) -> None:
        self.problem = f'"{printable(name[:80])}" is not a kind of unit'
        self.remedy = f"the nearest is {_nearest_kind(name)}; there are {', '.join(KINDS)}"
        super().__init__(f"{self.problem}; {self.remedy}")


def kind_of(name: str) -> UnitKind:
    """The kind of that name. Raises UnknownKindError if there is none."""
    if name not in KINDS:
        raise UnknownKindError(name)
    return KINDS[name]
