"""The situations that every virtual board is put through, and the timing they run with.

Each case is data: events, the board's loads, the stretch that is judged and the rules that judge
it. ``judge`` measures and applies the rules; nothing here runs anything.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING

from halfcycle import clipping
from halfcycle.board_run import LOADS, Board, Event, EventKind, Run, SensorState
from halfcycle.boards import DELAY_SPREAD, Draw, linear_load
from halfcycle.circuit_parts import BoardLoad
from halfcycle.faults import Fault, InputError
from halfcycle.limit_curves import EN_50160, ITI, SEMI_F47, LimitCurve
from halfcycle.rectifier_load import reference_load

if TYPE_CHECKING:
    from halfcycle.spec import Spec

HOLD_ERROR = 1e-5
"""Greatest loss of the sine's amplitude by holding the drive for a step: (pi f h)^2 / 6."""
STEPS_PER_RING = 8
"""Least steps in a period of the fastest LC resonance; the true RMS is then good to 1e-4."""
MOST_STEPS_PER_S = 5_000_000
LONGEST_DELAY_STEPS = 1000
"""The compiled loop remembers 1024 steps (HC_HISTORY)."""
OVERLOAD = 2.0
"""The overload case's load over rated."""
OVERLOAD_OUTPUT = 0.9
"""In the overload case the bus sags to where the drive limit gives this share of rated."""
LEAST_RECTIFIER = 0.25
"""The non-linear load draws this share of rated VA at least."""


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

    @property
    def rated_v(self) -> float:
        """Rated output, volts RMS."""
        return float(self.spec.output.rated_rms_v)

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
    shares of, in units of rated. ``rules``: names of the rules in ``halfcycle.rules``;
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


def _drawn(setting: Setting, draw: Draw) -> tuple[BoardLoad, ...]:
    return (linear_load(setting.spec, draw.load, draw.power_factor),)


def _light_then_rated(setting: Setting, draw: Draw) -> tuple[BoardLoad, ...]:
    lightest = float(setting.spec.load.lightest_percent) / 100
    light = linear_load(setting.spec, lightest, 1.0)
    return light, linear_load(setting.spec, 1.0, draw.power_factor)


def _drawn_then_overload(setting: Setting, draw: Draw) -> tuple[BoardLoad, ...]:
    return *_drawn(setting, draw), linear_load(setting.spec, OVERLOAD, draw.power_factor)


def _rectifier(setting: Setting, draw: Draw) -> tuple[BoardLoad, ...]:
    """The reference load of rated VA, made as light as the draw says by scaling impedances."""
    spec = setting.spec
    whole = reference_load(
        setting.rated_v, float(spec.load.rated_va), float(spec.output.frequency_hz)
    )
    share = max(LEAST_RECTIFIER, draw.load)
    return (
        BoardLoad(
            whole.kind,
            series_ohm=whole.series_ohm / share,
            drop_v=whole.drop_v,
            reservoir_f=whole.reservoir_f * share,
            reservoir_ohm=whole.reservoir_ohm / share,
        ),
    )


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
    depth = OVERLOAD_OUTPUT * setting.rated_v / clipping.rms(float(bridge.scale_max))
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
            _drawn,
            0.0,
            after,
            after + tail,
            ("settling", "overshoot", "steady"),
        ),
        Case(
            "target-step",
            "target from half of rated to rated",
            _drawn,
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
            _light_then_rated,
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
            _light_then_rated,
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
            f"limit gives {100 * OVERLOAD_OUTPUT:g} % of rated; then all is well again",
            _drawn_then_overload,
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
            _drawn,
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
            _drawn,
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
            _rectifier,
            0.0,
            after,
            after + tail,
            ("steady", "limits"),
            curves=(EN_50160,),
        ),
        Case(
            "zero-offset",
            f"sensor's zero off by {zero:g} codes, the most that is allowed",
            _drawn,
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
            _drawn,
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
            _drawn,
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
            _drawn,
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
            _drawn,
            event,
            event,
            later + 3 * tail,
            ("steady",),
        ),
    )
    return {case.name: case for case in made}


def steps_per_sample(spec: Spec, file: str = "spec") -> int:
    """Steps in a loop period, the drive being updated once a step.

    The fewest with which holding the drive for a step takes at most HOLD_ERROR off the sine, and
    with STEPS_PER_RING steps in a period of the fastest resonance inside the tolerances.
    Raises InputError, naming ``file``, where the circuit is too fast to be simulated.
    """
    smallest_l = spec.filter.inductance_uh * (100 - spec.filter.inductance_tolerance_percent)
    smallest_c = spec.filter.capacitance_uf * (100 - spec.filter.capacitance_tolerance_percent)
    ring_s = 2 * math.pi * math.sqrt(float(smallest_l * smallest_c) * 1e-16)
    longest = min(
        math.sqrt(6 * HOLD_ERROR) / (math.pi * float(spec.output.frequency_hz)),
        ring_s / STEPS_PER_RING,
    )
    if longest < 1 / MOST_STEPS_PER_S:
        raise InputError(
            [
                Fault(
                    file,
                    "filter.inductance_uh",
                    f"with filter.capacitance_uf it resonates at {1e-6 / ring_s:.3g} MHz, too "
                    "fast to be simulated",
                    "check the units: microhenry and microfarad",
                )
            ]
        )
    each = math.ceil(float(spec.loop.period_us) * 1e-6 / longest)
    step_us = float(spec.loop.period_us) / each
    most_us = LONGEST_DELAY_STEPS * step_us / (1 + DELAY_SPREAD)
    if float(spec.sensor.delay_us) > most_us:
        raise InputError(
            [
                Fault(
                    file,
                    "sensor.delay_us",
                    f"more than {most_us:.4g} us is too long to be simulated in steps of "
                    f"{step_us:.3g} us",
                    "check the unit: microseconds",
                )
            ]
        )
    return each


def timing(setting: Setting, case: Case) -> Run:
    """The run of one case."""
    spec = setting.spec
    each = steps_per_sample(spec)
    step = Fraction(spec.loop.period_us) / 1_000_000 / each
    return Run(
        step_s=float(step),
        frequency_hz=float(spec.output.frequency_hz),
        steps_per_sample=each,
        steps=math.ceil((case.end_s + setting.shift_s) / float(step)),
        pwm_counts=spec.bridge.pwm_counts,
        adc_max=setting.adc_max,
        zero_code=spec.sensor.zero_code,
        samples_per_window=setting.samples,
        events=case.events,
    )


def board(setting: Setting, case: Case, draw: Draw) -> Board:
    """A drawn board with the case's loads."""
    spec = setting.spec
    loads = case.loads(setting, draw)
    return Board(
        number=draw.number,
        filter=draw.filter,
        bus_v=draw.bus_v,
        bus_ohm=float(spec.bridge.bus_resistance_ohm),
        codes_per_volt=draw.gain / float(spec.sensor.volts_per_code),
        zero_code=spec.sensor.zero_code + draw.zero_codes,
        delay_s=draw.delay_s,
        noise_codes=float(spec.sensor.noise_codes_rms),
        start_turn=draw.phase,
        event_delay_s=draw.instant * setting.shift_s,
        noise_key=draw.noise_key,
        loads=loads + (BoardLoad(),) * (LOADS - len(loads)),
    )
