"""The situations that every virtual board is put through.

Each case is data: events, the board's loads, the stretch that is judged and the rules that judge
it. ``measurements`` measures and ``criteria`` applies the rules; nothing here runs anything.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from halfcycle.simulate.bus_cases import bus_cases
from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.loads import (
    OVERLOAD,
    drawn_load,
    drawn_then_overload,
    light_then_rated,
    rectifier,
)
from halfcycle.simulate.run_types import Event, EventKind, SensorState
from halfcycle.spec.envelopes import Covers

STEPPED = ("settling", "overshoot", "steady", "dc")
"""Rules of a case that steps the target."""
DISTURBED = ("settling", "steady", "dc", "limits")
"""Rules of a case that the regulator has to hold its output through."""
LOST = ("noticed", "bounded", "held")
"""Rules of a case that takes the sensor away for good."""
NOTICED_WINDOWS = 4
"""Windows after which a failed sensor is flagged, and its drive taken back: three, and one more for
an instant inside a window."""
MIN_TAIL_S = 0.1
"""A steady stretch lasts twelve windows, and this long at least; and as long as its distortion and
DC are taken over."""


@dataclass(frozen=True, slots=True)
class Timetable:
    """When things happen in a case, seconds.

    ``rest``: from a change until the loop is at rest, two windows for an instant inside one
    included. ``event``: the first change, the board being at rest before it. ``tail``: length of a
    steady stretch. ``shift``: the span over which a board's own events are moved. ``edge``: how
    long the bus takes to rise or fall.
    """

    rest: float
    event: float
    tail: float
    shift: float
    edge: float

    @property
    def steady(self) -> float:
        """The board is at rest again after a change at ``event``."""
        return self.event + self.rest

    @property
    def end(self) -> float:
        """End of the steady stretch after ``steady``, for the board that is moved the most."""
        return self.steady + self.tail + self.shift


def timetable(setting: Setting) -> Timetable:
    """The times that all cases are made of."""
    rest = setting.pace.rest_s + setting.ramp_s + 2 * setting.span_s
    cycle_s = 2 * setting.half_cycle_s
    return Timetable(
        rest=rest,
        event=rest,
        tail=max(12 * setting.span_s, MIN_TAIL_S, (setting.wave_turns + 1.1) * cycle_s),
        shift=setting.shift_s,
        edge=0.5 * setting.half_cycle_s,
    )


def cases(setting: Setting) -> dict[str, Case]:
    """Every case by name, in the order in which they are shown."""
    times = timetable(setting)
    parts = (_target_cases, _load_cases, _overload_case, _bus_cases, _distorting_case)
    ordered = [case for part in parts for case in part(setting, times)]
    ordered += _sensor_cases(setting, times)
    ordered += _loss_cases(setting, times)
    ordered += bus_cases(setting, times)
    return {case.name: case.limited(setting.spec) for case in ordered}


def _target_cases(setting: Setting, times: Timetable) -> Iterator[Case]:
    rated_mv = round(1000 * setting.rated_v)
    yield Case(
        name="start",
        about="from zero drive to rated",
        loads=drawn_load,
        event_s=0.0,
        steady_s=times.rest,
        end_s=times.rest + times.tail,
        rules=STEPPED,
        target_step=1.0,
    )
    yield Case(
        name="target-step",
        about="target from half of rated to rated",
        loads=drawn_load,
        event_s=times.event,
        steady_s=times.steady,
        end_s=times.end,
        rules=STEPPED,
        events=(
            Event(0.0, EventKind.TARGET, rated_mv // 2),
            Event(times.event, EventKind.TARGET, rated_mv),
        ),
        target_step=0.5,
    )
    yield Case(
        name="target-down",
        about="target from rated to half of rated",
        loads=drawn_load,
        event_s=times.event,
        steady_s=times.steady,
        end_s=times.end,
        rules=STEPPED if setting.both_ways else ("settling", "steady", "dc"),
        events=(Event(times.event, EventKind.TARGET, rated_mv // 2),),
        target_step=-0.5,
        rests_at=0.5,
    )


def _load_cases(setting: Setting, times: Timetable) -> Iterator[Case]:
    del setting
    for name, about, before, after in (
        ("load-on", "lightest load, then rated at the drawn power factor", 0, 1),
        ("load-off", "rated load at the drawn power factor, then the lightest", 1, 0),
    ):
        yield Case(
            name=name,
            about=about,
            loads=light_then_rated,
            event_s=times.event,
            steady_s=times.steady,
            end_s=times.end,
            rules=DISTURBED,
            events=(
                Event(0.0, EventKind.LOAD, before),
                Event(times.event, EventKind.LOAD, after),
            ),
            covers=Covers.LOAD,
        )


def _overload_case(setting: Setting, times: Timetable) -> Iterator[Case]:
    lasts = max(times.rest, setting.pace.climb_s + 2 * setting.window_s) + times.shift + times.tail
    back = times.event + lasts
    yield Case(
        name="overload",
        about=f"{OVERLOAD:g} times rated load while the bus sags to {setting.overload_v:.4g} V, "
        f"so that the output at the drive limit is {100 * setting.overload_share:.3g} % of rated "
        "or less; then load and bus return, and the drive leaves its limit",
        loads=drawn_then_overload,
        event_s=back,
        steady_s=back + times.rest + setting.pace.recovery_s,
        end_s=back + times.rest + setting.pace.recovery_s + times.tail + times.shift,
        rules=("brownout", "settling", "steady", "dc"),
        events=(
            Event(times.event, EventKind.LOAD, 1),
            Event(times.event, EventKind.BUS, setting.overload_v, times.edge),
            Event(back, EventKind.LOAD, 0),
            Event(back, EventKind.BUS, 0.0, times.edge),
        ),
        from_limit=True,
        covers=Covers.FAULT,
        flagged_s=back,
    )


def _bus_cases(setting: Setting, times: Timetable) -> Iterator[Case]:
    bridge = setting.spec.bridge
    for name, moves, volts in (
        ("bus-sag", "falls", float(bridge.bus_min_v)),
        ("bus-swell", "rises", float(bridge.bus_max_v)),
    ):
        yield Case(
            name=name,
            about=f"bus {moves} from nominal to {volts:g} V within a quarter cycle",
            loads=drawn_load,
            event_s=times.event,
            steady_s=times.steady,
            end_s=times.end,
            rules=DISTURBED,
            events=(
                Event(0.0, EventKind.BUS, float(bridge.bus_nominal_v)),
                Event(times.event, EventKind.BUS, volts, times.edge),
            ),
            covers=Covers.BUS,
        )


def _distorting_case(setting: Setting, times: Timetable) -> Iterator[Case]:
    del setting
    yield Case(
        name="non-linear",
        about="rectifier with reservoir capacitor, 25 to 100 % of rated VA (as in IEC 62040-3 "
        "Annex E, text not checked; the resistor before the rectifier is trimmed)",
        loads=rectifier,
        event_s=times.event,
        steady_s=times.event,
        end_s=times.event + times.tail + times.shift,
        rules=("steady", "limits"),
        covers=Covers.DISTORTION,
    )


def _sensor_cases(setting: Setting, times: Timetable) -> Iterator[Case]:
    spec = setting.spec
    zero = float(spec.sensor.zero_tolerance_codes)
    drift = float(spec.output.frequency_tolerance_hz)
    back = times.end
    tracked_s = setting.tracking.converges_s if setting.tracking else 0.0
    yield Case(
        name="zero-offset",
        about=f"sensor's zero off by {_codes(zero)}, the most that is allowed"
        + (f", and tracked for {tracked_s:.3g} s" if tracked_s else ""),
        loads=drawn_load,
        event_s=times.event,
        steady_s=times.event + tracked_s,
        end_s=times.end + tracked_s,
        rules=("steady", "dc"),
        events=(Event(0.0, EventKind.ZERO, zero),),
    )
    yield Case(
        name="frequency-drift",
        about=f"the source that the output follows drifts by +{drift:g} Hz, then to -{drift:g} Hz"
        if drift
        else "no outside source is followed (output.frequency_tolerance_hz is 0): no drift",
        loads=drawn_load,
        event_s=times.event,
        steady_s=times.event,
        end_s=back + times.rest + times.tail,
        rules=("steady", "dc"),
        events=(
            Event(times.event, EventKind.FREQUENCY, drift, times.rest),
            Event(back, EventKind.FREQUENCY, -drift, times.rest),
        ),
    )
    yield Case(
        name="stuck-sensor",
        about="sensor sticks at a code for good: at any, at an end, near the zero, or at one that "
        "reads like rated",
        loads=drawn_load,
        event_s=times.event,
        steady_s=math.inf,
        end_s=times.end,
        rules=LOST,
        lost=True,
        events=(Event(times.event, EventKind.SENSOR, SensorState.STUCK_AT),),
        covers=Covers.FAULT,
    )
    yield Case(
        name="disconnected-sensor",
        about="sensor comes off: the ADC reads the zero code",
        loads=drawn_load,
        event_s=times.event,
        steady_s=math.inf,
        end_s=times.end,
        rules=LOST,
        lost=True,
        events=(Event(times.event, EventKind.SENSOR, SensorState.OPEN),),
        covers=Covers.FAULT,
    )
    yield Case(
        name="noise",
        about=f"sensor noise of {_codes(float(spec.sensor.noise_codes_rms))} RMS, at length",
        loads=drawn_load,
        event_s=times.event,
        steady_s=times.event,
        end_s=times.end + 3 * times.tail,
        rules=("steady", "dc"),
    )


def _loss_cases(setting: Setting, times: Timetable) -> Iterator[Case]:
    """The sensor comes off while something else goes on, or for a while."""
    bridge = setting.spec.bridge
    noticed_s = NOTICED_WINDOWS * setting.span_s
    instant_s = setting.sample_s / 2
    yield Case(
        name="lost-in-start",
        about="sensor comes off at any time from reset until the start is over: as long as the "
        f"drive is below {setting.at_rest.driven:.3g}, the regulator cannot notice it",
        loads=drawn_load,
        event_s=instant_s,
        steady_s=math.inf,
        end_s=instant_s + times.rest + noticed_s,
        rules=LOST,
        events=(Event(instant_s, EventKind.SENSOR, SensorState.OPEN),),
        lost=True,
        from_zero=True,
        shift_s=times.rest,
    )
    risen = times.event + times.edge + setting.half_cycle_s
    low, high = float(bridge.bus_min_v), float(bridge.bus_max_v)
    yield Case(
        name="lost-in-swell",
        about=f"bus rises from {low:g} to {high:g} V, and the sensor comes off at any time while "
        "the drive comes down",
        loads=drawn_load,
        event_s=risen,
        steady_s=math.inf,
        end_s=risen + setting.pace.rest_s + noticed_s,
        rules=LOST,
        events=(
            Event(0.0, EventKind.BUS, low),
            Event(times.event, EventKind.BUS, high, times.edge, fixed=True),
            Event(risen, EventKind.SENSOR, SensorState.OPEN),
        ),
        lost=True,
        covers=Covers.FAULT,
        shift_s=setting.pace.rest_s,
    )
    at_limit = times.event + max(times.rest, setting.pace.climb_s + 2 * setting.window_s)
    back = at_limit + noticed_s
    yield Case(
        name="lost-at-limit",
        about=f"{OVERLOAD:g} times rated load while the bus sags to {setting.overload_v:.4g} V; "
        "the sensor comes off at the drive limit, and then the overload ends",
        loads=drawn_then_overload,
        event_s=at_limit,
        steady_s=math.inf,
        end_s=back + times.edge + noticed_s,
        rules=LOST,
        events=(
            Event(times.event, EventKind.LOAD, 1),
            Event(times.event, EventKind.BUS, setting.overload_v, times.edge),
            Event(at_limit, EventKind.SENSOR, SensorState.OPEN),
            Event(back, EventKind.LOAD, 0),
            Event(back, EventKind.BUS, 0.0, times.edge),
        ),
        lost=True,
        held_most=setting.at_rest.held_share,
        covers=Covers.FAULT,
    )
    again = times.event + noticed_s
    yield Case(
        name="sensor-back",
        about="sensor comes off, is flagged, and reads again"
        + (": the drive stays away until reset" if setting.latched else ""),
        loads=drawn_load,
        event_s=again,
        steady_s=math.inf if setting.latched else again + times.rest,
        end_s=again + times.rest + times.tail,
        rules=("latched",) if setting.latched else ("overshoot", "steady", "dc"),
        events=(
            Event(times.event, EventKind.SENSOR, SensorState.OPEN, fixed=True),
            Event(again, EventKind.SENSOR, SensorState.GOOD),
        ),
        fails_s=times.event,
    )


def _codes(count: float) -> str:
    """So many codes of the ADC, which need not be whole."""
    return f"{count:g} code{'' if count == 1 else 's'}"
