"""Units in the headers of recorded columns: seconds and volts, however they are written."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

Kind = Literal["time", "volts", "other", "none"]

_TIME = {
    "s": 1.0,
    "sec": 1.0,
    "secs": 1.0,
    "second": 1.0,
    "seconds": 1.0,
    "ms": 1e-3,
    "msec": 1e-3,
    "millisecond": 1e-3,
    "milliseconds": 1e-3,
    "us": 1e-6,
    "usec": 1e-6,
    "microsecond": 1e-6,
    "microseconds": 1e-6,
    "ns": 1e-9,
    "nsec": 1e-9,
    "nanoseconds": 1e-9,
    "min": 60.0,
}
_VOLTS = {"volt": 1.0, "volts": 1.0, "millivolt": 1e-3, "millivolts": 1e-3, "kilovolts": 1e3}
# Case matters where a prefix would change its meaning.
_VOLT_SYMBOLS = {"V": 1.0, "v": 1.0, "mV": 1e-3, "mv": 1e-3, "kV": 1e3, "KV": 1e3, "kv": 1e3}
_VOLT_SYMBOLS |= {"uV": 1e-6, "uv": 1e-6}
_VOLT_ENDINGS = ("rms", "peak", "pk", "ac", "dc")

_BRACKETS = re.compile(r"^(.*?)\s*[\[(<{]\s*([^\])>}]*?)\s*[\])>}]\s*$")
_AFTER = re.compile(r"^(.*?)(?:\s*/\s*|\s+in\s+|,\s*)(\S+)$", re.IGNORECASE)
_ENDING = re.compile(r"^(.*)([_ ])([^_\s]+)$")


@dataclass(frozen=True, slots=True)
class Unit:
    """A header cell taken apart: the name without its unit, and the unit's factor to s or V."""

    name: str
    kind: Kind
    factor: float
    text: str


def parse_unit(text: str) -> Unit:
    """``text`` alone as a unit; kind "other" where it is none of time or voltage."""
    plain = text.strip().replace("\u00b5", "u").replace("\u03bc", "u").strip("[](){}<>").strip()
    if plain.casefold() in _TIME:
        return Unit("", "time", _TIME[plain.casefold()], text)
    symbol = re.sub(r"[ _]?(" + "|".join(_VOLT_ENDINGS) + r")$", "", plain, flags=re.IGNORECASE)
    for table, key in ((_VOLT_SYMBOLS, symbol), (_VOLTS, plain.casefold())):
        if key in table:
            return Unit("", "volts", table[key], text)
    return Unit("", "other", 1.0, text)


def parse_header(cell: str) -> Unit:
    """A header cell such as ``Time (ms)``, ``u_out/kV``, ``time_us``, ``Volt`` or ``CH1``."""
    cell = cell.strip()
    parts = _BRACKETS.match(cell) or _AFTER.match(cell)
    if parts:
        unit = parse_unit(parts[2])
        # "A/B" may be a name; a bracket always holds a unit, known or not.
        if unit.kind != "other" or cell[-1:] in ")]>}":
            return Unit(parts[1].strip() or cell, unit.kind, unit.factor, parts[2])
    whole = parse_unit(cell)
    if whole.kind != "other":
        return Unit(cell, whole.kind, whole.factor, cell)
    ending = _ENDING.match(cell)
    if ending:
        unit = parse_unit(ending[3])
        # "Phase V" is a name, "out_V" and "out mV" say their unit.
        if unit.kind != "other" and (ending[2] == "_" or len(ending[3]) > 1):
            return Unit(ending[1].strip() or cell, unit.kind, unit.factor, ending[3])
    return Unit(cell, "none", 1.0, "")
