"""The situations of a bus that is measured: it steps, sags under a motor, ripples, and is lost."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from halfcycle.design.measured_bus import RIPPLE_SHARE
from halfcycle.quantise.bus import LED_SHARE
from halfcycle.simulate.case import Case, Setting
from halfcycle.simulate.loads import drawn_load, drawn_then_motor
from halfcycle.simulate.run_types import BusState, Event, EventKind
from halfcycle.spec.envelopes import Covers

if TYPE_CHECKING:
    from halfcycle.simulate.cases import Timetable

MOTOR_S = 0.4
"""How long a motor takes to start (common practice, no source)."""
SAG_S, BACK_S = 0.02, 0.2
"""In what time a battery sags under it, and comes back (common practice, no source)."""


def bus_cases(setting: Setting, times: Timetable) -> Iterator[Case]:
    """The cases of a spec with a bus sensor; none without."""
    if setting.spec.bus_sensor is None:
        return
    yield from _steps(setting, times)
    yield _motor(setting, times)
    yield _ripple(setting, times)
    yield from _losses(setting, times)


def _steps(setting: Setting, times: Timetable) -> Iterator[Case]:
    spec = setting.spec
    low, high = float(spec.bridge.bus_min_v), float(spec.bridge.bus_max_v)
    back = times.event + float(spec.bus_period_s)
    bad = (
        Event(times.event, EventKind.BUS_SENSOR, BusState.OPEN),
        Event(back, EventKind.BUS_SENSOR, BusState.GOOD),
    )
    steps: tuple[tuple[str, float, float, str, tuple[Event, ...]], ...] = (
        ("bus-step-up", low, high, "", ()),
        ("bus-step-down", high, low, "", ()),
        ("bus-bad-reading", low, high, ", and the first reading of it is bad", bad),
    )
    for name, before, after, remark, further in steps:
        yield Case(
            name=name,
            about=f"bus goes from {before:g} to {after:g} V at once{remark}",
            loads=drawn_load,
            event_s=times.event,
            steady_s=times.steady,
            end_s=times.end,
            rules=("settling", "steady", "dc", "limits"),
            events=(
                Event(0.0, EventKind.BUS, before),
                Event(times.event, EventKind.BUS, after),
                *further,
            ),
            covers=Covers.BUS,
        )


def _motor(setting: Setting, times: Timetable) -> Case:
    bridge = setting.spec.bridge
    low, nominal = float(bridge.bus_min_v), float(bridge.bus_nominal_v)
    back = times.event + max(MOTOR_S, times.rest)
    return Case(
        name="motor-start",
        about=f"a motor starts: the bus sags from {nominal:g} to {low:g} V within "
        f"{1000 * SAG_S:g} ms, and comes back within {1000 * BACK_S:g} ms once it runs",
        loads=drawn_then_motor,
        event_s=times.event,
        steady_s=back + BACK_S + times.rest,
        end_s=back + BACK_S + times.rest + times.tail + times.shift,
        rules=("steady", "dc", "limits"),
        events=(
            Event(0.0, EventKind.BUS, nominal),
            Event(times.event, EventKind.LOAD, 1),
            Event(times.event, EventKind.BUS, low, SAG_S),
            Event(back, EventKind.LOAD, 0),
            Event(back, EventKind.BUS, nominal, BACK_S),
        ),
        covers=Covers.MOTOR,
    )


def _ripple(setting: Setting, times: Timetable) -> Case:
    del setting
    return Case(
        name="bus-ripple",
        about=f"bus ripples at twice the mains frequency by {200 * RIPPLE_SHARE:g} % of it, "
        "peak to peak",
        loads=drawn_load,
        event_s=times.event,
        steady_s=times.event,
        end_s=times.end,
        rules=("steady", "dc"),
        events=(Event(0.0, EventKind.RIPPLE, RIPPLE_SHARE),),
    )


def led_s(setting: Setting) -> float:
    """Time in which the factor of a lost bus is led to the nominal, from the farthest end."""
    bridge, targets = setting.spec.bridge, setting.spec.targets
    far = max(
        float(bridge.bus_nominal_v / bridge.bus_min_v) - 1,
        1 - float(bridge.bus_nominal_v / bridge.bus_max_v),
    )
    per_update = float(LED_SHARE * targets.voltage_tolerance_percent) / 100
    per_update *= setting.integral_gain
    return 1.2 * far / max(per_update, 2.0**-16) * float(setting.window.update_s)


def _losses(setting: Setting, times: Timetable) -> Iterator[Case]:
    lasts = led_s(setting)
    for name, about, state in (
        (
            "bus-lost",
            "bus sensor comes off and reads its zero: it is led to the nominal",
            BusState.OPEN,
        ),
        ("bus-unread", "bus is read no more: the last reading stays", BusState.UNREAD),
    ):
        end = times.event + (lasts if state == BusState.OPEN else 0.0) + times.tail + times.shift
        yield Case(
            name=name,
            about=about,
            loads=drawn_load,
            event_s=times.event,
            steady_s=times.event,
            end_s=end,
            rules=("bus flagged", "steady", "dc"),
            events=(Event(times.event, EventKind.BUS_SENSOR, state),),
            flagged_s=math.inf,
        )
    back = times.event + min(lasts, 10 * setting.span_s)
    yield Case(
        name="bus-back",
        about="bus sensor comes off, and reads again while the factor is being led",
        loads=drawn_load,
        event_s=times.event,
        steady_s=times.event,
        end_s=back + lasts + times.tail + times.shift,
        rules=("steady", "dc"),
        events=(
            Event(times.event, EventKind.BUS_SENSOR, BusState.OPEN),
            Event(back, EventKind.BUS_SENSOR, BusState.GOOD),
        ),
    )
