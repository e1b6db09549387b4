"""What a simulated situation is made of: the setting it runs in, and the case as data."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from halfcycle.simulate.boards import Draw
from halfcycle.simulate.limit_curves import LimitCurve
from halfcycle.simulate.parts import BoardLoad
from halfcycle.simulate.run_types import Event

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec


@dataclass(frozen=True, slots=True)
class Setting:
    """What a run takes from spec, design and plan. ``span_s``: time in which the loop settles, the
    target or the designed figure, whichever is longer, ramp included."""

    spec: Spec
    samples: int
    window_s: float
    span_s: float
    adc_max: int
    designed_settling_ms: float | None
    designed_overshoot_percent: float | None
    ripple: float
    """What the reading, and at most the output, moves by at rest; a share of rated either way."""
    trusted_step: float
    """Most that one update inside the target band moves the scale: (|Kp| + Ki) band, 1.0 = bus."""

    @property
    def rated_v(self) -> float:
        """Rated output, volts RMS."""
        return float(self.spec.output.rated_rms_v)

    @property
    def sample_s(self) -> float:
        """Loop period, seconds."""
        return float(self.spec.loop.period_us) * 1e-6

    @property
    def shift_s(self) -> float:
        """Span over which a board's events are moved: a window or a cycle, the longer one."""
        return max(self.window_s, 1 / float(self.spec.output.frequency_hz))


Loads = Callable[[Setting, Draw], tuple[BoardLoad, ...]]


@dataclass(frozen=True, slots=True)
class Case:
    """One situation. Times in seconds; events move with each board's own delay.

    ``event_s``: the instant from which settling counts, up to ``end_s``. ``steady_s``: from here on
    the output has to be steady. ``step``: the change of target that settling and overshoot are
    shares of, in units of rated. ``rules``: names of the rules in ``halfcycle.simulate.criteria``;
    ``curves`` bind with the rule "limits" and are watched without it.
    """

    name: str
    about: str
    loads: Loads
    event_s: float
    steady_s: float
    end_s: float
    rules: tuple[str, ...]
    events: tuple[Event, ...] = ()
    step: float = 1.0
    curves: tuple[LimitCurve, ...] = ()
    flagged_s: float = field(default=math.inf)
    """The instant at which the flag rules look."""
