"""Whether a loop's figures meet what was asked for: the one place with the room for rounding."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from halfcycle.loop.figures import Figures
    from halfcycle.spec.models import Spec

_ROUNDING = 1e-9
"""Share by which a settling time, a whole number of windows, may differ by rounding."""
_LAST_DIGIT = 1e-6
"""The same for an overshoot in percent and for Ms."""


@dataclass(frozen=True, slots=True)
class LoopTargets:
    """Greatest settling time, ms (infinite: whatever it is), overshoot, percent, and peak
    sensitivity Ms at any corner."""

    settling_ms: float
    overshoot_percent: float
    peak_sensitivity: float

    @classmethod
    def of(cls, spec: Spec) -> LoopTargets:
        """Those of a spec."""
        limit, targets = spec.settling_limit_ms, spec.targets
        return cls(
            math.inf if limit is None else float(limit),
            float(targets.overshoot_percent),
            float(targets.peak_sensitivity),
        )

    def settles(self, figures: Figures) -> bool:
        """Whether every corner settles in time; no figure means that one does not."""
        settling = figures.settling_ms
        return settling is not None and settling <= self.settling_ms * (1 + _ROUNDING)

    def held(self, figures: Figures) -> bool:
        """Whether no corner overshoots further."""
        over = figures.overshoot_percent
        return over is not None and over <= self.overshoot_percent + _LAST_DIGIT

    def robust(self, figures: Figures) -> bool:
        """Whether no corner is more sensitive."""
        peak = figures.peak_sensitivity
        return peak is not None and peak <= self.peak_sensitivity + _LAST_DIGIT

    def met(self, figures: Figures) -> bool:
        """Whether settling and overshoot are met. Given gains may have any sensitivity."""
        return self.settles(figures) and self.held(figures)
