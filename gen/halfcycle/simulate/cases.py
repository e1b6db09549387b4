"""The situations that every virtual board is put through.

Each case is data: events, the board's loads, the stretch that is judged and the rules that judge
it. ``judge`` measures and ``rules`` applies the rules; nothing here runs anything.
"""

from __future__ import annotations

import math

from halfcycle.base import clipped_sine
from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.case_loads import (
    OVERLOAD,
    drawn,
    drawn_then_overload,
    light_then_rated,
    rectifier,
)
from halfcycle.simulate.limit_curves import EN_50160, ITI, SEMI_F47
from halfcycle.simulate.run_types import Event, EventKind, SensorState

OVERLOAD_OUTPUT = 0.9
"""In the overload case the bus sags to where the drive limit gives this share of rated, or less:"""
OVERLOAD_BELOW_BAND = 0.08
"""it stays this far below the target band, so that no board reads its clipped sine as in it."""


def cases(setting: Setting) -> dict[str, Case]:
    """Every case by name, in the order in which they are shown."""
    spec, span, window = setting.spec, setting.span_s, setting.window_s
    bridge = spec.bridge
    rated_mv = round(1000 * setting.rated_v)
    event = 1.5 * span + 2 * window
    after = 1.5 * span + setting.shift_s
    tail = max(12 * window, 0.1)
    later = event + after + tail
    end = later + setting.shift_s
    tolerance = float(spec.targets.voltage_tolerance_percent) / 100
    share = max(0.1, min(OVERLOAD_OUTPUT, 1 - tolerance - OVERLOAD_BELOW_BAND))
    depth = share * setting.rated_v / clipped_sine.rms(float(bridge.scale_max))
    drift = float(spec.output.frequency_tolerance_hz)
    zero = float(spec.sensor.zero_tolerance_codes)
    edge = 0.25 / float(spec.output.frequency_hz)
    held = ("settling", "steady", "limits")

    def happening(kind: EventKind, value: float, time: float = event, ramp: float = 0.0) -> Event:
        return Event(time, kind, value, ramp)

    made = (
        Case(
            "start",
            "from zero drive to rated",
            drawn,
            0.0,
            after,
            after + tail,
            ("settling", "overshoot", "steady"),
        ),
        Case(
            "target-step",
            "target from half of rated to rated",
            drawn,
            event,
            event + after,
            end,
            ("settling", "overshoot", "steady"),
            (
                Event(0.0, EventKind.TARGET, rated_mv // 2),
                happening(EventKind.TARGET, rated_mv),
            ),
            step=0.5,
        ),
        Case(
            "load-on",
            "lightest load, then rated at the drawn power factor",
            light_then_rated,
            event,
            event + after,
            end,
            held,
            (happening(EventKind.LOAD, 1),),
            curves=(ITI, SEMI_F47),
        ),
        Case(
            "load-off",
            "rated load at the drawn power factor, then the lightest",
            light_then_rated,
            event,
            event + after,
            end,
            held,
            (Event(0.0, EventKind.LOAD, 1), happening(EventKind.LOAD, 0)),
            curves=(ITI, SEMI_F47),
        ),
        Case(
            "overload",
            f"{OVERLOAD:g} times rated load while the bus sags to {depth:.0f} V, where the drive "
            f"limit gives {100 * share:.3g} % of rated; then all is well again",
            drawn_then_overload,
            later,
            later + after,
            later + after + tail + setting.shift_s,
            ("brownout", "settling", "steady"),
            (
                happening(EventKind.LOAD, 1),
                happening(EventKind.BUS, depth, ramp=edge),
                happening(EventKind.LOAD, 0, later),
                happening(EventKind.BUS, 0.0, later, edge),
            ),
            curves=(ITI,),
            flagged_s=later,
        ),
        Case(
            "bus-sag",
            f"bus falls from nominal to {float(bridge.bus_min_v):g} V within a quarter cycle",
            drawn,
            event,
            event + after,
            end,
            held,
            (
                Event(0.0, EventKind.BUS, float(bridge.bus_nominal_v)),
                happening(EventKind.BUS, float(bridge.bus_min_v), ramp=edge),
            ),
            curves=(ITI, SEMI_F47),
        ),
        Case(
            "bus-swell",
            f"bus rises from nominal to {float(bridge.bus_max_v):g} V within a quarter cycle",
            drawn,
            event,
            event + after,
            end,
            held,
            (
                Event(0.0, EventKind.BUS, float(bridge.bus_nominal_v)),
                happening(EventKind.BUS, float(bridge.bus_max_v), ramp=edge),
            ),
            curves=(ITI, SEMI_F47),
        ),
        Case(
            "non-linear",
            "rectifier with reservoir capacitor (IEC 62040-3 Annex E from memory, R1 trimmed), "
            "a quarter of rated VA to all of it",
            rectifier,
            0.0,
            after,
            after + tail,
            ("steady", "limits"),
            curves=(EN_50160,),
        ),
        Case(
            "zero-offset",
            f"sensor's zero off by {zero:g} codes, the most that is allowed",
            drawn,
            event,
            event,
            end,
            ("steady",),
            (Event(0.0, EventKind.ZERO, zero),),
        ),
        Case(
            "frequency-drift",
            f"the source that the output follows drifts by +{drift:g} Hz, then to -{drift:g} Hz"
            if drift
            else "no outside source is followed (output.frequency_tolerance_hz is 0): no drift",
            drawn,
            event,
            event,
            later + span + tail,
            ("steady",),
            (
                happening(EventKind.FREQUENCY, drift, ramp=span),
                happening(EventKind.FREQUENCY, -drift, later, span),
            ),
        ),
        Case(
            "stuck-sensor",
            "sensor repeats its last code for good",
            drawn,
            event,
            math.inf,
            later,
            ("seen",),
            (happening(EventKind.SENSOR, SensorState.STUCK),),
            curves=(ITI,),
        ),
        Case(
            "disconnected-sensor",
            "sensor comes off: the ADC reads the zero code",
            drawn,
            event,
            math.inf,
            later,
            ("held",),
            (happening(EventKind.SENSOR, SensorState.OPEN),),
            curves=(ITI,),
        ),
        Case(
            "noise",
            f"sensor noise of {float(spec.sensor.noise_codes_rms):g} codes RMS, at length",
            drawn,
            event,
            event,
            later + 3 * tail,
            ("steady",),
        ),
    )
    return {case.name: case for case in made}
