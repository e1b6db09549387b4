"""What a run of the closed loop takes and gives: boards, events, timing and histories.

Shared by the compiled loop (``compiled_loop``) and its oracle (``plain_loop``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.simulate.parts import BoardLoad, FilterParts

Real = NDArray[np.float64]
Integers = NDArray[np.int32]

LOADS = 3
"""Loads that a board may be switched between."""
WAVE_POINTS = 128
"""HC_WAVE: points of a turn at which the wave at rest is kept; tells the first 63 harmonics."""


class EventKind(IntEnum):
    """As HC_EVENT_... of ``c_harness/simulate.h``; what ``value`` means is said there."""

    TARGET = 0
    LOAD = 1
    BUS = 2
    SENSOR = 3
    ZERO = 4
    FREQUENCY = 5
    BUS_SENSOR = 6
    RIPPLE = 7


class SensorState(IntEnum):
    """As HC_SENSOR_...: good, repeating its last code, come off (no signal), or repeating the code
    that the board has for it."""

    GOOD = 0
    STUCK = 1
    OPEN = 2
    STUCK_AT = 3


class BusState(IntEnum):
    """As HC_BUS_...: the bus sensor is good, reads its zero, or is not read any more."""

    GOOD = 0
    OPEN = 1
    UNREAD = 2


@dataclass(frozen=True, slots=True)
class Event:
    """At ``time_s``, plus the board's delay if it moves: one thing changes. An event at the start
    never moves.

    TARGET: millivolts RMS. LOAD: index of the board's load. BUS: volts, 0 for the board's own.
    SENSOR: a SensorState. ZERO: ADC codes off the nominal zero. FREQUENCY: hertz added to the
    nominal. BUS_SENSOR: a BusState. RIPPLE: peak at twice the mains frequency, a share of the bus.
    ``ramp_s``: the bus or the frequency gets there in a straight line.
    """

    time_s: float
    kind: EventKind
    value: float
    ramp_s: float = 0.0
    fixed: bool = False
    """Whether it comes at the same time on every board."""

    @property
    def moves(self) -> bool:
        """Whether the board's delay is added to its time."""
        return self.time_s > 0 and not self.fixed

    def row(self) -> list[float]:
        """The fields in the order of ``struct hc_event``."""
        return [self.time_s, float(self.kind), self.value, self.ramp_s, float(self.moves)]


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
    """Added to the time of every event that moves."""
    noise_key: int
    loads: tuple[BoardLoad, ...]
    rated_v: float
    """True RMS that its sensor, gain included, reads as rated."""
    late_s: float = 0.0
    """From a block's last sample to the update."""
    stuck_code: int = 0
    """What the sensor reads in ``SensorState.STUCK_AT``."""
    bus_codes_per_volt: float = 0.0
    bus_noise_codes: float = 0.0

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
            self.late_s,
            float(self.stuck_code),
            self.rated_v,
            float(self.noise_key),
            self.bus_codes_per_volt,
            self.bus_noise_codes,
        ]
        for load in self.loads:
            flat += load.row()
        return flat


@dataclass(frozen=True, slots=True)
class Judged:
    """What is taken of the half-cycle RMS of any start, seconds.

    Half cycles that end after ``from_s`` are judged, those that begin after ``rest_s`` (infinite:
    none) are at rest; both move with the board's events if ``moves``. ``band``: of settling, and
    ``high``: a level, shares of rated.
    """

    from_s: float = 0.0
    rest_s: float = math.inf
    moves: bool = False
    band: float = SETTLING_BAND
    high: float = 1.2


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
    first_block: int = 1
    """Blocks in a window, all of which the first PI step waits for."""
    update_blocks: int = 1
    """Blocks from one PI step to the next."""
    true_s: float = 0.0
    """Length over which the true RMS of an update is taken; 0: since the last one."""
    grid_steps: int = 1
    """Steps between two points at which the half-cycle RMS is taken."""
    wave_turns: int = 0
    """Whole turns at the end whose mean wave is kept."""
    events: tuple[Event, ...] = ()
    judged: Judged = Judged()
    steps_per_bus: int = 1
    """Steps from one reading of a measured bus to the next."""
    bus_delay_steps: int = 0
    bus_zero_code: float = 0.0
    bus_adc_max: float = 0.0

    @property
    def ripple_cos(self) -> float:
        """Cosine of the angle that a ripple at twice the mains frequency turns in a step."""
        return math.cos(4 * math.pi * self.frequency_hz * self.step_s)

    @property
    def ripple_sin(self) -> float:
        """Its sine."""
        return math.sin(4 * math.pi * self.frequency_hz * self.step_s)

    @property
    def grid_limit(self) -> int:
        """Points of the grid."""
        return self.steps // self.grid_steps + 1

    @property
    def wave_step(self) -> int:
        """The step from which the wave at rest is kept: a turn is given to reach a whole one."""
        turns = (self.wave_turns + 1.01) / (self.frequency_hz - self._greatest_drift_hz)
        return max(0, self.steps - math.ceil(turns / self.step_s))

    @property
    def _greatest_drift_hz(self) -> float:
        off = [abs(event.value) for event in self.events if event.kind == EventKind.FREQUENCY]
        return max(off, default=0.0)

    @property
    def half_limit(self) -> int:
        """Room for the half cycles of a run."""
        fastest = self.frequency_hz + self._greatest_drift_hz
        return int(2 * fastest * self.steps * self.step_s) + 4

    @property
    def window_limit(self) -> int:
        """Room for the PI steps of a run."""
        samples = self.samples_per_window * self.update_blocks // self.first_block
        return self.steps // (self.steps_per_sample * samples) + 2


@dataclass(frozen=True, slots=True)
class History:
    """What boards did; arrays (boards, limit), rows valid up to the counts (boards,).

    ``half_*``: one entry for each whole half cycle of the reference; ``window_*``: one for each
    update. RMS in volts, of the true output. Of the half-cycle RMS of any start, (boards,):
    ``rest_rms``, 0 without a rest; ``settling_s``; ``lowest_rms``, ``highest_rms`` and ``high_s``,
    as ``Judged`` and ``struct hc_sliding`` say. ``peak_v``: (boards,), the greatest size of the
    output itself after ``Judged.from_s``, volts. ``wave``: (boards, WAVE_POINTS), the output over a
    turn of the reference, volts, the mean of the last turns; no columns if none was asked
    for. ``trace``: (steps, 4) of the first board, output V,
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
    rest_rms: Real
    settling_s: Real
    lowest_rms: Real
    highest_rms: Real
    high_s: Real
    peak_v: Real
    wave: Real
    trace: Real
