"""What a simulated situation is made of: the setting it runs in, and the case as data."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from halfcycle.simulate.boards import Draw
from halfcycle.simulate.limit_curves import LimitCurve
from halfcycle.simulate.pace import Pace
from halfcycle.simulate.parts import BoardLoad, FilterParts
from halfcycle.simulate.run_types import Event

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec


@dataclass(frozen=True, slots=True)
class Promise:
    """What the design says of a step of the target from zero to rated; None if undefined."""

    settling_ms: float | None = None
    overshoot_percent: float | None = None


@dataclass(frozen=True, slots=True)
class AtRest:
    """What still moves, or is off, on a healthy board at rest, by the design's figures.

    ``ripple``: what the reading, and at most the output, moves by; a share of rated either way.
    ``zero``: the steady part of what the sensor's zero tolerance makes of a reading, a share of
    rated; the spec counts it apart from the voltage tolerance. ``scale``: greatest distance of two
    scales, by noise, by a zero error that flips from window to window, and by ripple; 1.0 = bus.
    ``trusted_step``: most that one update inside the target band moves the scale:
    (|Kp| + Ki) band, 1.0 = bus. ``trusted_early``: 0 if windows at rest lie inside the target
    band; else, as the last one inside it may be of the way up, how far its scale may be from rest,
    1.0 = bus. ``centre``: what the calibration divides a reading by.
    """

    ripple: float = 0.0
    zero: float = 0.0
    scale: float = 0.0
    trusted_step: float = 0.0
    trusted_early: float = 0.0
    centre: float = 1.0


@dataclass(frozen=True, slots=True)
class Setting:
    """What a run takes from spec, design and plan. ``inside``: the filters inside the tolerances at
    which the design found its loop worst. ``overload_v``: the bus of the overload case, volts;
    ``overload_share``: what the drive limit then gives at most, a share of rated."""

    spec: Spec
    samples: int
    window_s: float
    adc_max: int
    pace: Pace
    overload_v: float
    overload_share: float
    inside: tuple[FilterParts, ...] = ()
    promise: Promise = field(default_factory=Promise)
    at_rest: AtRest = field(default_factory=AtRest)

    @property
    def rated_v(self) -> float:
        """Rated output, volts RMS."""
        return float(self.spec.output.rated_rms_v)

    @property
    def sample_s(self) -> float:
        """Loop period, seconds."""
        return float(self.spec.loop.period_us) * 1e-6

    @property
    def half_cycle_s(self) -> float:
        """Half a period of the mains, seconds."""
        return 0.5 / float(self.spec.output.frequency_hz)

    @property
    def odd(self) -> bool:
        """Whether the window holds an odd count of half cycles."""
        return round(self.window_s / self.half_cycle_s) % 2 == 1

    @property
    def shift_s(self) -> float:
        """Span over which a board's events are moved: a window or a cycle, the longer one."""
        return max(self.window_s, 2 * self.half_cycle_s)

    @property
    def ramp_s(self) -> float:
        """How long the target takes to climb from zero to rated."""
        return float(self.spec.targets.ramp_ms) / 1000


LoadChoice = Callable[[Setting, Draw], tuple[BoardLoad, ...]]
"""The loads between which a board is switched; the run starts with the first."""


@dataclass(frozen=True, slots=True)
class Case:
    """One situation. Times in seconds; events move with each board's own delay.

    ``event_s``: the instant from which settling counts, up to ``end_s``. ``steady_s``: from here on
    the output has to be steady. ``target_step``: the change of target that settling and overshoot
    are shares of, in units of rated; 0 if the target stays. ``from_limit``: whether the event
    ends an overload, so that the drive comes back from its limit. ``rules``: names of the rules in
    ``halfcycle.simulate.criteria``; ``curves`` bind with the rule "limits" and are watched without
    it.
    """

    name: str
    about: str
    loads: LoadChoice
    event_s: float
    steady_s: float
    end_s: float
    rules: tuple[str, ...]
    events: tuple[Event, ...] = ()
    target_step: float = 0.0
    from_limit: bool = False
    curves: tuple[LimitCurve, ...] = ()
    flagged_s: float = math.inf
    """The instant at which the flag rules look."""

    @property
    def step(self) -> float:
        """What settling and overshoot are shares of, in units of rated."""
        return self.target_step or 1.0
