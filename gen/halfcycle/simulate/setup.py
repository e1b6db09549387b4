"""How a case is run: the steps of its circuit, its timing, and the board with the case's loads."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING, TypedDict

from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.base.errors import Fault, InputError
from halfcycle.simulate.boards import DELAY_SPREAD, Draw, stuck_code
from halfcycle.simulate.case import HIGH_SHARE, Case, Setting
from halfcycle.simulate.parts import BoardLoad
from halfcycle.simulate.run_types import LOADS, Board, Judged, Run

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

MAX_HOLD_ERROR = 1e-5
"""Loss of the sine's amplitude by holding the drive for a step: (pi f h)^2 / 6."""
MIN_STEPS_PER_RING = 8
"""Steps in a period of the fastest LC resonance; the true RMS is then good to 1e-4."""
MAX_STEPS_PER_S = 5_000_000
MIN_GRID_PER_RING, MIN_GRID_PER_HALF = 2.5, 32
"""Points of the grid on which the half-cycle RMS is taken, in a period of the fastest resonance and
in a half cycle. The cubic through two of them, h apart, is off by at most h^4/384 of the fourth
derivative (the remainder of Hermite's cubic). A ring of share a of the peak moves the mean square
of a half cycle H by 4 a / (w H) of itself, of which that is 0.104 at 2.5 points a period: for
a = 5 % and w H = 60 below 0.02 % of the RMS. What moves at 2f, at 32 points in a half cycle, is off
by 4e-6 of its size."""
MAX_DELAY_STEPS = 1000
"""The compiled loop remembers 1024 steps (HC_HISTORY)."""


class _BusReading(TypedDict, total=False):
    steps_per_bus: int
    bus_delay_steps: int
    bus_zero_code: float
    bus_adc_max: float


def steps_per_sample(spec: Spec, file: str = "spec") -> int:
    """Steps in a loop period, the drive being updated once a step.

    The fewest with which holding the drive for a step takes at most MAX_HOLD_ERROR off the sine,
    with MIN_STEPS_PER_RING steps in a period of the fastest resonance inside the tolerances.
    Raises InputError, naming ``file``, if the circuit is too fast to be simulated.
    """
    fastest_s = ring_period_s(spec)
    longest = min(
        math.sqrt(6 * MAX_HOLD_ERROR) / (math.pi * float(spec.output.frequency_hz)),
        fastest_s / MIN_STEPS_PER_RING,
    )
    if longest < 1 / MAX_STEPS_PER_S:
        raise InputError(
            [
                Fault(
                    file,
                    "filter.inductance_uh",
                    f"with filter.capacitance_uf it resonates at {1e-6 / fastest_s:.3g} MHz, too "
                    "fast to be simulated",
                    "check the units: microhenry and microfarad",
                )
            ]
        )
    # A measured bus is read after whole steps.
    whole = (spec.loop.period_us / 1_000_000 / spec.bus_period_s).numerator
    count = whole * math.ceil(float(spec.loop.period_us) * 1e-6 / longest / whole)
    step_us = float(spec.loop.period_us) / count
    most_us = MAX_DELAY_STEPS * step_us / (1 + DELAY_SPREAD)
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
    return count


def ring_period_s(spec: Spec) -> float:
    """Period of the fastest resonance inside the tolerances, seconds."""
    smallest_l = spec.filter.inductance_uh * (100 - spec.filter.inductance_tolerance_percent)
    smallest_c = spec.filter.capacitance_uf * (100 - spec.filter.capacitance_tolerance_percent)
    return 2 * math.pi * math.sqrt(float(smallest_l * smallest_c) * 1e-16)


def timing(setting: Setting, case: Case) -> Run:
    """The run of one case."""
    spec = setting.spec
    count = steps_per_sample(spec)
    step = Fraction(spec.loop.period_us) / 1_000_000 / count
    finest = min(ring_period_s(spec) / MIN_GRID_PER_RING, setting.half_cycle_s / MIN_GRID_PER_HALF)
    # The design leaves room for the ripple of a step to rated; a smaller step has as much of it.
    band = SETTLING_BAND * case.step + (1 - case.step) * setting.at_rest.ripple
    return Run(
        step_s=float(step),
        frequency_hz=float(spec.output.frequency_hz),
        steps_per_sample=count,
        steps=math.ceil((case.end_s + case.shift_of(setting)) / float(step)),
        pwm_counts=spec.bridge.pwm_counts,
        adc_max=setting.adc_max,
        zero_code=spec.sensor.zero_code,
        samples_per_window=setting.samples,
        first_block=setting.window.blocks,
        update_blocks=setting.window.blocks // setting.window.updates,
        true_s=setting.true_s,
        grid_steps=max(1, int(finest / float(step))),
        wave_turns=setting.wave_turns if math.isfinite(case.steady_s) else 0,
        events=case.events,
        judged=Judged(
            from_s=case.event_s,
            rest_s=case.steady_s,
            moves=case.moved,
            band=band,
            high=HIGH_SHARE,
        ),
        **_bus_reading(spec, step),
    )


def _bus_reading(spec: Spec, step: Fraction) -> _BusReading:
    """When a measured bus is read, in steps, and by what ADC."""
    sensor = spec.bus_sensor
    if sensor is None:
        return {}
    return {
        "steps_per_bus": round(spec.bus_period_s / step),
        "bus_delay_steps": round(sensor.delay_us / 1_000_000 / step),
        "bus_zero_code": float(sensor.zero_code),
        "bus_adc_max": float(2**sensor.adc_bits - 1),
    }


def board(setting: Setting, case: Case, draw: Draw) -> Board:
    """A drawn board with the case's loads."""
    spec = setting.spec
    loads = case.loads(setting, draw)
    bus_sensor = {}
    if spec.bus_sensor is not None:
        bus_sensor = {
            "bus_codes_per_volt": draw.bus_gain / float(spec.bus_sensor.volts_per_code),
            "bus_noise_codes": float(spec.bus_sensor.noise_codes_rms),
        }
    return Board(
        number=draw.number,
        filter=draw.filter,
        bus_v=draw.bus_v,
        bus_ohm=float(spec.bridge.bus_resistance_ohm),
        codes_per_volt=draw.gain / float(spec.sensor.volts_per_code),
        zero_code=spec.sensor.zero_code + draw.zero_codes * setting.zero_share,
        delay_s=draw.delay_s,
        noise_codes=float(spec.sensor.noise_codes_rms),
        start_turn=draw.phase,
        event_delay_s=draw.instant * case.shift_of(setting),
        noise_key=draw.noise_key,
        loads=loads + (BoardLoad(),) * (LOADS - len(loads)),
        rated_v=setting.rated_v / draw.gain,
        late_s=draw.late * setting.latest_s,
        stuck_code=stuck_code(setting, draw),
        **bus_sensor,
    )
