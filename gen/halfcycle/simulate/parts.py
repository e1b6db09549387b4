"""Parts of a virtual board's power circuit, as values."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray


class LoadKind(IntEnum):
    """As HC_LOAD_... of ``c_harness/circuit.h``."""

    NONE = 0
    RESISTOR = 1
    SERIES_RL = 2
    RECTIFIER = 3


@dataclass(frozen=True, slots=True)
class FilterParts:
    """Output filter of one board: henry, ohm (winding), farad; all above 0 except the winding (0 or
    more)."""

    inductance_h: float
    winding_ohm: float
    capacitance_f: float

    @property
    def resonance_hz(self) -> float:
        """Where the unloaded filter rings, damping left out."""
        return 1 / (2 * math.pi * math.sqrt(self.inductance_h * self.capacitance_f))


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


def transfer(
    parts: FilterParts, load: BoardLoad, hertz: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Output over bridge voltage of the filter under a linear load, at each of ``hertz`` (...),
    above 0."""
    s = 2j * math.pi * hertz
    admittance = s * parts.capacitance_f
    if load.kind != LoadKind.NONE:
        admittance = admittance + 1 / (load.series_ohm + s * load.series_h)
    return np.asarray(1 / (1 + (parts.winding_ohm + s * parts.inductance_h) * admittance))
