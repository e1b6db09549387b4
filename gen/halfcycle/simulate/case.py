"""What a simulated situation is made of: the setting it runs in, and the case as data."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from halfcycle.simulate.boards import Draw
from halfcycle.simulate.limit_curves import LimitCurve, curves_of
from halfcycle.simulate.pace import Pace
from halfcycle.simulate.parts import BoardLoad, FilterParts
from halfcycle.simulate.run_types import Event, Real
from halfcycle.spec.envelopes import Covers
from halfcycle.windows.sample_weights import sample_weights
from halfcycle.windows.zero_tracking import ZeroTracking, zero_tracking

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

HIGH_SHARE = 1.2
"""Level of the half-cycle RMS, a share of rated, above which time is counted: what the ITI curve
allows for 3 ms to half a second."""
MIN_WAVE_TURNS = 8
"""Cycles over which distortion and DC are taken, at least."""


@dataclass(frozen=True, slots=True)
class Promise:
    """What the design says of a step of the target from zero to rated; None if undefined."""

    settling_ms: float | None = None
    overshoot_percent: float | None = None
    start_ms: float | None = None
    """Settling after a reset, if a window fills before the first PI step of it."""


@dataclass(frozen=True, slots=True)
class AtRest:
    """What still moves, or is off, on a healthy board at rest, by the design's figures.

    ``ripple``: what the reading, and at most the output, moves by; a share of rated either way.
    ``zero``: the steady part of what the sensor's zero tolerance makes of a reading, a share of
    rated; the spec counts it apart from the voltage tolerance. ``scale``: greatest distance of two
    scales, by noise, by a zero error that flips from window to window, and by ripple; 1.0 = bus.
    ``centre``: what the calibration divides a reading by.
    """

    ripple: float = 0.0
    zero: float = 0.0
    scale: float = 0.0
    centre: float = 1.0
    driven: float = 0.0
    """The scale from which on a reading of nothing is implausible, 1.0 = bus."""
    climb: float = math.inf
    """How far the PI steps of three windows, with a reading of nothing, raise the scale at most."""
    dc: float = 0.0
    """What the regulator makes of the sensor's zero at most, by the design: a share of the rated
    peak. Rounding, noise and harmonics that the sampling folds come on top of it."""
    held_share: float = math.inf
    """What the drive of a failed sensor gives at most at the target, on any board of the spec and
    however its bus moves then; a share of rated."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What a run takes from spec, design and plan. ``inside``: the filters inside the tolerances at
    which the design found its loop worst. ``overload_v``: the bus of the overload case, volts;
    ``overload_share``: what the drive limit then gives at most, a share of rated."""

    spec: Spec
    window: Window
    adc_max: int
    pace: Pace
    overload_v: float
    overload_share: float
    inside: tuple[FilterParts, ...] = ()
    integral_gain: float = 0.0
    """What the loop makes up for of an error in an update, at the weakest board, a share."""
    promise: Promise = field(default_factory=Promise)
    at_rest: AtRest = field(default_factory=AtRest)
    both_ways: bool = False
    """Whether a step of the target down may go as far beyond as one up: the normalised law is not
    linear, so that the one does not follow from the other."""

    @property
    def samples(self) -> int:
        """Samples in a window."""
        return self.window.samples

    @property
    def sample_weights(self) -> Real:
        """Weight of each sample of a window, the oldest first; their sum is 1."""
        return sample_weights(self.window)

    @property
    def tracking(self) -> ZeroTracking | None:
        """How the sensor's zero is tracked; None if it is not."""
        tracking = zero_tracking(self.spec, self.window)
        return tracking if tracking is not None and tracking.helps else None

    @property
    def zero_share(self) -> float:
        """Share of the error of a board's zero that is there when a case begins: all, or, if it is
        tracked, half a code of it, as the nearest code is in force then."""
        return 1.0 if self.tracking is None else min(1.0, 0.5 / self.tracking.before_codes)

    @property
    def window_s(self) -> float:
        """Length of a window, seconds."""
        return float(self.window.duration_s)

    @property
    def true_s(self) -> float:
        """Length over which the true RMS of an update is taken, seconds: that of the window, or
        the nearest whole number of half cycles if its weights differ, since the RMS of a part of
        a half cycle says nothing. 0: of a plain window, from one update to the next. At another
        frequency it is as much longer or shorter as a half cycle is."""
        if self.window.shaped:
            return self.window.half_cycles * self.half_cycle_s
        return self.window_s if self.window.blocks > 1 else 0.0

    @property
    def fill_s(self) -> float:
        """What a reset adds to settling: a window of blocks fills before the first PI step."""
        return float(self.window.duration_s - self.window.update_s)

    @property
    def span_s(self) -> float:
        """What an update's window and its true RMS look back on, seconds."""
        return max(self.window_s, self.true_s)

    @property
    def latest_s(self) -> float:
        """The latest end of an update after its block, seconds. A plain window's counts as done at
        once unless the spec says otherwise, as its design does."""
        if self.window.kind == "plain" and self.spec.loop.update_within_us == "auto":
            return 0.0
        block_s = self.window.block_samples * self.window.period_s
        return float(min(self.spec.update_within_s, block_s))

    @property
    def wave_turns(self) -> int:
        """Cycles at rest over which distortion and DC are taken: whole windows, and whole pairs of
        them if a flat one holds an odd count of half cycles, as the zero's error then flips."""
        window = self.window
        pattern = 1
        if not window.shaped:
            pattern = window.half_cycles if window.odd else window.half_cycles // 2
        return pattern * math.ceil(MIN_WAVE_TURNS / pattern)

    @property
    def rated_v(self) -> float:
        """Rated output, volts RMS."""
        return float(self.spec.output.rated_rms_v)

    @property
    def sample_s(self) -> float:
        """Loop period, seconds."""
        return float(self.spec.loop.period_us) * 1e-6

    @property
    def settling_goal_ms(self) -> float:
        """The settling time that is asked for, else what the design promises, ms."""
        limit = self.spec.settling_limit_ms
        if limit is not None:
            return float(limit)
        return math.inf if self.promise.settling_ms is None else self.promise.settling_ms

    @property
    def half_cycle_s(self) -> float:
        """Half a period of the mains, seconds."""
        return 0.5 / float(self.spec.output.frequency_hz)

    @property
    def alarm_s(self) -> float:
        """Time from the loss of the sensor until it must be flagged, and from its return until it
        must not: three windows, and a sample."""
        return 3 * self.window_s + self.sample_s

    @property
    def latched(self) -> bool:
        """Whether a sensor that failed stays flagged until reset."""
        return self.spec.loop.after_loss == "latch"

    @property
    def odd(self) -> bool:
        """Whether the window holds an odd count of half cycles."""
        return not self.window.shaped and self.window.odd

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
    are shares of, in units of rated, below 0 if it falls; 0 if the target stays. ``rests_at``: the
    target after it, in units of rated. ``from_limit``: whether the event
    ends an overload, so that the drive comes back from its limit. ``rules``: names of the rules in
    ``halfcycle.simulate.criteria``. ``covers``: what published limits have to cover to apply;
    ``curves``, those that the spec chooses of them, bind with the rule "limits" and are watched
    without it.
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
    rests_at: float = 1.0
    from_limit: bool = False
    covers: Covers | None = None
    curves: tuple[LimitCurve, ...] = ()
    flagged_s: float = math.inf
    """The instant at which the flag rules look."""
    lost: bool = False
    """Whether the event is the loss of the sensor."""
    fails_s: float | None = None
    """When the sensor fails, the same on every board, if the event is that it reads again."""
    held_most: float = 1.0
    """What a failed sensor may leave at the end, or what there was before; a share of rated."""
    from_zero: bool = False
    """Whether the event comes while the board starts."""
    shift_s: float | None = None
    """The span over which a board's events are moved; None: the setting's."""

    def limited(self, spec: Spec) -> Case:
        """The case with the published limits that the spec chooses; without any of them there is
        no rule about them."""
        curves = curves_of(spec, self.covers)
        rules = self.rules if curves else tuple(rule for rule in self.rules if rule != "limits")
        return replace(self, curves=curves, rules=rules)

    def shift_of(self, setting: Setting) -> float:
        """The span over which a board's events are moved, seconds."""
        return setting.shift_s if self.shift_s is None else self.shift_s

    @property
    def first_s(self) -> float:
        """The first event after the start, seconds; 0 if there is none."""
        return min((event.time_s for event in self.events if event.time_s > 0), default=0.0)

    @property
    def begins_fixed(self) -> bool:
        """Whether the first event is at the same time on every board, unlike those after it."""
        return any(event.fixed for event in self.events if event.time_s == self.first_s)

    @property
    def zero_s(self) -> float:
        """The instant that figures and drawings count from: ``event_s``, or the start if nothing
        happens after it; seconds."""
        return self.event_s if self.first_s > 0 else 0.0

    @property
    def zero_is(self) -> str:
        """That instant in words."""
        if self.zero_s == 0:
            return "the start"
        if self.from_limit:
            return "the end of the overload"
        if self.lost:
            return "the loss of the sensor"
        return "the sensor's return" if self.fails_s is not None else "the event"

    @property
    def moved(self) -> bool:
        """Whether the event is moved by the board's delay: the start is not."""
        return self.event_s > 0

    @property
    def step(self) -> float:
        """What settling and overshoot are shares of, in units of rated."""
        return abs(self.target_step) or 1.0
