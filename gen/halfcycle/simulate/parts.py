"""Parts of a virtual board's power circuit, as values."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class LoadKind(IntEnum):
    """As HC_LOAD_... of ``c_harness/circuit.h``."""

    NONE = 0
    RESISTOR = 1
    SERIES_RL = 2
    RECTIFIER = 3


@dataclass(frozen=True, slots=True)
class Filter:
    """Output filter: henry, ohm (winding), farad; all above 0 except the winding (0 or more)."""

    inductance_h: float
    winding_ohm: float
    capacitance_f: float


@dataclass(frozen=True, slots=True)
class BoardLoad:
    """One load; fields not used by its kind are 0.

    RESISTOR: ``series_ohm``. SERIES_RL: ``series_ohm`` and ``series_h`` in series. RECTIFIER:
    ``series_ohm`` before the bridge, ``drop_v`` of two diodes, ``reservoir_f`` and
    ``reservoir_ohm`` in parallel behind it.
    """

    kind: LoadKind = LoadKind.NONE
    series_ohm: float = 0.0
    series_h: float = 0.0
    drop_v: float = 0.0
    reservoir_f: float = 0.0
    reservoir_ohm: float = 0.0

    def row(self) -> list[float]:
        """The fields in the order of ``struct hc_load``."""
        return [
            float(self.kind),
            self.series_ohm,
            self.series_h,
            self.drop_v,
            self.reservoir_f,
            self.reservoir_ohm,
        ]
