"""What the designer hands on: the Design, and what was tried on the way to it."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from halfcycle.base.findings import Finding
from halfcycle.loop.figures import LateUpdate, LoopFigures
from halfcycle.loop.gains import GainRefusal
from halfcycle.loop.plant_types import Plants
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import ReadingFaults
from halfcycle.windows.search import Window


@dataclass(frozen=True, slots=True)
class Trial:
    """One window with the gains found (or given) for it."""

    window: Window
    plants: Plants
    faults: ReadingFaults
    kp: Fraction
    """Proportional constant per window: scale per per-unit error."""
    ki: Fraction
    """Integral constant per window: scale per per-unit error."""
    loop: LoopFigures
    refusal: GainRefusal | None
    """Why the targets cannot be met with this window; None where they are, or gains are given."""
    tolerance_v: float
    """The spec's voltage tolerance, volts RMS."""
    given_miss: bool = False
    """Whether given gains miss settling or overshoot with this window."""

    @property
    def noise_v(self) -> float:
        """What the ADC's noise and rounding do to the output, three standard deviations, V RMS."""
        return 3 * self.faults.noise_v * (self.loop.noise_gain or 0.0)

    @property
    def meets(self) -> bool:
        """Whether the targets are met at every corner (given gains are taken as they are)."""
        return self.refusal is None

    @property
    def accurate(self) -> bool:
        """Whether the window's own errors stay inside the tolerance."""
        return self.own_error_v <= self.tolerance_v

    @property
    def hunting_v(self) -> float:
        """What an odd window's flipping zero error does to the output, volts RMS either way."""
        return self.faults.alternation_v * (self.loop.nyquist_gain or 0.0)

    @property
    def own_error_v(self) -> float:
        """Error that the window itself brings, volts RMS either way, flipping included."""
        return self.faults.spread_v + self.hunting_v


@dataclass(frozen=True, slots=True)
class Gains:
    """PI constants. ``proportional``: scale per per-unit error; ``integral_per_s``: that, per
    second (continuous, the master); ``integral_per_window``: that, per window."""

    proportional: float
    integral_per_s: float
    integral_per_window: float


@dataclass(frozen=True, slots=True)
class Design:
    """A spec's window, gains and figures, in real numbers."""

    file: str
    """How messages name the spec."""
    spec: Spec
    chosen: Trial
    trials: tuple[Trial, ...]
    """Every window that was tried, the chosen one and its double among them, shortest first."""
    gains: Gains
    late: LateUpdate
    findings: tuple[Finding, ...]

    @property
    def window(self) -> Window:
        """The measuring window."""
        return self.chosen.window

    @property
    def plants(self) -> Plants:
        """The plant at window rate, at every corner."""
        return self.chosen.plants

    @property
    def loop(self) -> LoopFigures:
        """The loop's figures over the corners."""
        return self.chosen.loop

    @property
    def kp(self) -> Fraction:
        """Proportional constant per window, exact: scale per per-unit error."""
        return self.chosen.kp

    @property
    def ki(self) -> Fraction:
        """Integral constant per window, exact: scale per per-unit error."""
        return self.chosen.ki

    @property
    def reading_centre(self) -> float:
        """Middle of the sampled reading's range over its true value."""
        return self.chosen.faults.centre

    @property
    def least_gain(self) -> float:
        """Gain of the weakest corner, rated per unit of scale."""
        return float(self.plants.gains.min())

    @property
    def greatest_gain(self) -> float:
        """Gain of the strongest corner, rated per unit of scale."""
        return float(self.plants.gains.max())
