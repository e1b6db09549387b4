"""What a run of the closed loop takes and gives: boards, events, timing and histories.

Shared by the compiled loop (``compiled_loop``) and its oracle (``plain_loop``).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from halfcycle.simulate.parts import BoardLoad, FilterParts

Real = NDArray[np.float64]
Integers = NDArray[np.int32]

LOADS = 3
"""Loads that a board may be switched between."""


class EventKind(IntEnum):
    """As HC_EVENT_... of ``c_harness/simulate.h``; what ``value`` means is said there."""

    TARGET = 0
    LOAD = 1
    BUS = 2
    SENSOR = 3
    ZERO = 4
    FREQUENCY = 5


class SensorState(IntEnum):
    """As HC_SENSOR_...: good, repeating its last code, or come off (no signal)."""

    GOOD = 0
    STUCK = 1
    OPEN = 2


@dataclass(frozen=True, slots=True)
class Event:
    """At ``time_s`` (plus the board's delay if it is above 0): one thing changes.

    TARGET: millivolts RMS. LOAD: index of the board's load. BUS: volts, 0 for the board's own.
    SENSOR: a SensorState. ZERO: ADC codes off the nominal zero. FREQUENCY: hertz added to the
    nominal. ``ramp_s``: the bus or the frequency gets there in a straight line.
    """

    time_s: float
    kind: EventKind
    value: float
    ramp_s: float = 0.0

    def row(self) -> list[float]:
        """The fields in the order of ``struct hc_event``."""
        return [self.time_s, float(self.kind), self.value, self.ramp_s]


@dataclass(frozen=True, slots=True)
class Board:
    """One virtual board. ``loads`` has LOADS entries; the run starts with the first."""

    number: int
    filter: FilterParts
    bus_v: float
    bus_ohm: float
    codes_per_volt: float
    zero_code: float
    delay_s: float
    noise_codes: float
    start_turn: float
    """Phase of the reference sine at the start, 0 to 1 turn."""
    event_delay_s: float
    """Added to the time of every event after the start."""
    noise_key: int
    loads: tuple[BoardLoad, ...]

    def row(self) -> list[float]:
        """The fields in the order of ``struct hc_board``."""
        parts = self.filter
        flat = [
            parts.inductance_h,
            parts.winding_ohm,
            parts.capacitance_f,
            self.bus_v,
            self.bus_ohm,
            self.codes_per_volt,
            self.zero_code,
            self.delay_s,
            self.noise_codes,
            self.start_turn,
            self.event_delay_s,
            float(self.noise_key),
        ]
        for load in self.loads:
            flat += load.row()
        return flat


@dataclass(frozen=True, slots=True)
class Run:
    """Timing and converters common to all boards of a run; ``events`` in order of time."""

    step_s: float
    frequency_hz: float
    steps_per_sample: int
    steps: int
    pwm_counts: int
    adc_max: int
    zero_code: int
    """Nominal zero: what a sensor that came off reads, noise apart."""
    samples_per_window: int
    latency_steps: int = 0
    """Steps from a window's last sample to the update; below a window."""
    events: tuple[Event, ...] = ()

    @property
    def half_limit(self) -> int:
        """Room for the half cycles of a run."""
        off = [abs(event.value) for event in self.events if event.kind == EventKind.FREQUENCY]
        fastest = self.frequency_hz + max(off, default=0.0)
        return int(2 * fastest * self.steps * self.step_s) + 4

    @property
    def window_limit(self) -> int:
        """Room for the windows of a run."""
        return self.steps // (self.steps_per_sample * self.samples_per_window) + 2


@dataclass(frozen=True, slots=True)
class History:
    """What boards did; arrays (boards, limit), rows valid up to the counts (boards,).

    ``half_*``: one entry for each whole half cycle of the reference; ``window_*``: one for each
    update. RMS in volts, of the true output; ``trace``: (steps, 4) of the first board, output V,
    bridge V, choke A and load A at the start of each step, empty if it was not asked for.
    """

    half_count: Integers
    half_end_s: Real
    half_rms: Real
    window_count: Integers
    window_end_s: Real
    window_rms: Real
    window_reported_mv: Integers
    window_scale: Integers
    window_flags: Integers
    trace: Real
