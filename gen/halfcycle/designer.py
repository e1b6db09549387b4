"""From a Spec to a Design: window, gains and their figures over the corners, in real numbers."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from halfcycle.faults import Finding

if TYPE_CHECKING:
    from halfcycle.loop import LoopFigures
    from halfcycle.plant import Plants
    from halfcycle.spec import Spec
    from halfcycle.windows import Window


@dataclass(frozen=True, slots=True)
class Design:
    file: str
    spec: Spec
    window: Window
    kp: Fraction
    ki: Fraction
    plants: Plants
    loop: LoopFigures
    reading_centre: float
    findings: tuple[Finding, ...]

    @property
    def least_gain(self) -> float:
        return float(self.plants.gains.min())

    @property
    def greatest_gain(self) -> float:
        return float(self.plants.gains.max())
