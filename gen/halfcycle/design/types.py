"""What the designer hands on: the Design, and what was tried on the way to it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np

from halfcycle.base.findings import Finding
from halfcycle.loop.figures import LoopFigures
from halfcycle.loop.filter_model import Real
from halfcycle.loop.gains import GainRefusal
from halfcycle.loop.moving import MovingRefusal
from halfcycle.loop.moving_figures import Analysed
from halfcycle.loop.normalised import Normalised
from halfcycle.loop.plant_types import Plants
from halfcycle.loop.step_response import step_response
from halfcycle.loop.true_settling import StepSettling
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import ReadingFaults
from halfcycle.windows.output_ripple import OutputRipple
from halfcycle.windows.search import Window


@dataclass(frozen=True, slots=True)
class Trial:
    """One window with the gains found (or given) for it."""

    window: Window
    plants: Plants
    faults: ReadingFaults
    kp: Fraction
    """Proportional constant of each update: scale per per-unit error."""
    ki: Fraction
    """Integral constant of each update: scale per per-unit error."""
    loop: LoopFigures
    refusal: GainRefusal | MovingRefusal | None
    """Why the targets cannot be met with this window; None where they are, or gains are given."""
    tolerance_v: float
    """The spec's voltage tolerance, volts RMS."""
    output: OutputRipple
    """What the reading's ripple makes of the output within a cycle, by way of this loop."""
    dc_limit_percent: float
    """Greatest DC that the regulator may make, percent of the rated peak."""
    drive_limit: float
    """The spec's ``scale_max``."""
    missed: bool = False
    """Whether given gains miss settling or overshoot with this window."""
    integer_error_v: float = 0.0
    """What the integers add to the steady error, volts RMS either way: dead band and target."""
    bus_noise_v: float = 0.0
    """What the noise of a measured bus moves the output by, three standard deviations, V RMS."""
    reached: Plants | None = field(default=None, repr=False)
    """The plants by which reach is judged, if not ``plants``: the bus is measured."""
    analysed: Analysed | None = field(default=None, repr=False, compare=False)
    """What the margins of a window of blocks are made of that ``loop`` has not yet."""

    def complete(self, *, margins: bool) -> Trial:
        """The trial without what it was made of; with the margins that decide nothing, which take
        long, if so wished."""
        if self.analysed is None:
            return self
        loop = self.analysed.with_margins() if margins else self.loop
        return replace(self, loop=loop, analysed=None)

    @property
    def noise_v(self) -> float:
        """What noise and rounding of the ADC, and of that of a measured bus, do to the output,
        three standard deviations, V RMS."""
        read = 3 * self.faults.noise_v * (self.loop.noise_gain or 0.0)
        return math.hypot(read, self.bus_noise_v)

    @property
    def meets(self) -> bool:
        """Whether the targets are met at every corner (given gains are taken as they are)."""
        return self.refusal is None

    @property
    def on_target(self) -> bool:
        """Whether settling and overshoot are met at every corner, by given gains too."""
        return self.meets and not self.missed

    @property
    def accurate(self) -> bool:
        """Whether the window's own errors stay inside the tolerance."""
        return self.own_error_v <= self.tolerance_v

    @property
    def steady_error_v(self) -> float:
        """Greatest steady error, volts RMS either way, the sensor's zero and gain apart: the
        window's own error, three standard deviations of noise, dead band and target."""
        return self.own_error_v + self.noise_v + self.integer_error_v

    @property
    def within_tolerance(self) -> bool:
        """Whether the whole steady error stays inside the tolerance."""
        return self.steady_error_v <= self.tolerance_v

    @property
    def little_dc(self) -> bool:
        """Whether the regulator makes no more DC at the output than is allowed."""
        return self.output.dc_percent <= self.dc_limit_percent

    @property
    def in_question(self) -> bool:
        """Whether targets, steady error, DC and drive are all as asked."""
        return self.on_target and self.within_tolerance and self.little_dc and self.in_reach

    @property
    def in_reach(self) -> bool:
        """Whether rated voltage can be had at every corner within the drive limit."""
        return self.hardest_plants.reach_rated(self.drive_limit)

    @property
    def hardest_plants(self) -> Plants:
        """The plants by which reach is judged."""
        return self.reached or self.plants

    @property
    def flips(self) -> bool:
        """Whether the flipping zero of an odd window moves the output by more than a quarter of
        the tolerance, which a designer is warned of."""
        return self.hunting_v > self.tolerance_v / 4

    @property
    def hunting_v(self) -> float:
        """What an odd window's flipping zero error does to the output, volts RMS either way. If
        updates are less than a half cycle apart it ripples within the cycle, which leaves the RMS
        as it is to first order: see ``output``."""
        if self.window.update_s * 2 * self.window.frequency_hz < 1:
            return 0.0
        return self.faults.alternation_v * (self.loop.nyquist_gain or 0.0)

    @property
    def own_error_v(self) -> float:
        """Error that the window itself brings, volts RMS either way, flipping included."""
        return self.faults.spread_v + self.hunting_v


@dataclass(frozen=True, slots=True)
class LawLook:
    """The normalised law with the window of the plain one, or with a plain window if it does not
    take that: the gains for the settling time that is asked for, if there are any, and the fastest
    of both laws."""

    asked: Trial
    fastest_ms: float | None
    plain_fastest_ms: float | None


@dataclass(frozen=True, slots=True)
class LateUpdate:
    """The latest update that still does, over all corners: done within so many whole loop periods
    of the window's last sample. 0 up to the window's samples, which is when the next window ends;
    None: not even at once."""

    stable_periods: int | None
    """Until a corner is unstable."""
    target_periods: int | None
    """Until settling or overshoot is missed. Of a window of blocks: as late as the spec allows, if
    the targets hold with that; ``between`` says whether they do with less."""
    between: StepSettling | None = None
    """Of a window of blocks: settling, overshoot and the slowest board with updates between at once
    and as late as the spec allows; None if that is no time."""
    margin_between: tuple[float, str] | None = None
    """The least gain margin, a factor, with those and with updates at both ends of that time, and
    the board that has it."""


@dataclass(frozen=True, slots=True)
class LoopGains:
    """PI constants. ``proportional``: scale per per-unit error; ``integral_per_s``: that, per
    second (continuous, the master); ``integral_per_window``: that, of each update."""

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
    gains: LoopGains
    late: LateUpdate
    findings: tuple[Finding, ...]
    dearer: Trial | None = None
    """The fastest loop with the next kind of window that is faster than the chosen one's; None if
    none is or none was tried."""
    other_law: LawLook | None = None
    """The normalised law, if it was looked at beside the plain one."""

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
    def law(self) -> Normalised | None:
        """The normalised law; None: the plain one."""
        return self.plants.law

    def step_readings(self, updates: int) -> Real:
        """Readings (updates, C) of each corner after the target steps from zero to rated, units of
        rated."""
        plants, kp, ki = self.plants, float(self.kp), float(self.ki)
        with np.errstate(over="ignore", invalid="ignore"):
            return step_response(
                plants.step_taps, kp, ki, updates, plants.scale_curve(), plants.step_law()
            )

    @property
    def gain_unit(self) -> str:
        """What the constants are in: that of the proportional one."""
        return "scale per pu" if self.law is None else "of the drive per share"

    @property
    def loop_gain(self) -> float:
        """What the constants are multiplied by at the most, for small changes about rated."""
        return float(self.plants.loop_gains.max())

    @property
    def kp(self) -> Fraction:
        """Proportional constant of each update, exact: scale per per-unit error."""
        return self.chosen.kp

    @property
    def ki(self) -> Fraction:
        """Integral constant of each update, exact: scale per per-unit error."""
        return self.chosen.ki

    @property
    def settling_goal_ms(self) -> float:
        """The settling time that is asked for; if the fastest is, the one that the loop has (of an
        unstable one: that of the longest window), ms."""
        limit = self.spec.settling_limit_ms
        if limit is not None:
            return float(limit)
        return self.loop.settling_ms or float(self.spec.loop.longest_window_ms)

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
