"""The Spec: what the user wants, as a frozen tree of exact, checked values.

The models are the one list of keys: validation, messages, the published JSON Schema and the
digest all read them.

Defaults stand only where a value is neutral (no ramp, no frequency error), cautious (drive limit
1.0, lightest load none) or usual for the part (tolerances). What depends on the user's own
circuit has none. ``Spec.defaulted`` lists what was left to them.
"""

from __future__ import annotations

import hashlib
import json
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict

from halfcycle.spec.bounds import MAX_ADC_BITS, MAX_DRIVE_LIMIT, MAX_PWM_COUNTS
from halfcycle.spec.envelopes import DEFAULT, ENVELOPES
from halfcycle.spec.kinds import Choice, Flag, Name, Quantity, QuantityOr, Several, Whole

Value = Fraction | int | str | bool
Said = Value | tuple[str, ...]
"""What a key may hold: a value, or a list of names."""

UNSAID: dict[str, Said] = {"loop.law": "auto", "limits.envelopes": DEFAULT}
"""Keys that came later, with the value by which a spec is what it was without them: so it counts as
left out, and neither digest nor C of an older spec changes."""


class Table(BaseModel):
    """A table of the spec file: frozen, and no key beyond its own."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)


class Output(Table):
    """The output that is required."""

    frequency_hz: Annotated[Fraction, Quantity("mains frequency", "Hz", 1, 2000)]
    rated_rms_v: Annotated[Fraction, Quantity("rated RMS output voltage", "V", 1, 1500)]
    frequency_tolerance_hz: Annotated[
        Fraction,
        Quantity("greatest deviation, above 0 if the output follows a source", "Hz", 0, 100),
    ] = Fraction(0)
    dc_percent: Annotated[
        Fraction,
        Quantity("DC that the regulator itself may make, of rated peak", "%", 0, 10, above=True),
    ] = Fraction(2, 100)


class Loop(Table):
    """When the firmware samples, and the window over which it measures."""

    period_us: Annotated[
        Fraction, Quantity("loop period, at which NAME_sample is called", "us", 1, 10000)
    ]
    measure: Annotated[
        Literal["mean", "rms"],
        Choice("what a window measures: average-rectified mean or RMS", "mean", "rms"),
    ] = "mean"
    longest_window_ms: Annotated[
        Fraction, Quantity("longest window that may be chosen", "ms", "0.1", 10000)
    ] = Fraction(120)
    half_cycles: Annotated[
        int | Literal["auto"], Whole("half cycles in a window", 1, 10000, word="auto")
    ] = "auto"
    accept_partial_window: Annotated[
        bool, Flag("true: a window that is not a whole number of half cycles may be used")
    ] = False
    weighting: Annotated[
        Literal["auto", "flat", "shaped"],
        Choice("whether a window's blocks have equal weights", "auto", "flat", "shaped"),
    ] = "auto"
    updates_per_window: Annotated[
        int | Literal["auto"],
        Whole("PI updates per window; 1 is a plain window", 1, 64, word="auto"),
    ] = "auto"
    samples: Annotated[
        int | Literal["auto"], Whole("samples in a window", 2, 65535, word="auto")
    ] = "auto"
    law: Annotated[
        Literal["auto", "plain", "normalised"],
        Choice(
            "how the drive follows the error: plain adds to it; normalised changes it in "
            "proportion to its value, so that the loop's gain is the same on every board",
            "auto",
            "plain",
            "normalised",
        ),
    ] = "auto"
    update_within_us: Annotated[
        Fraction | Literal["auto"],
        QuantityOr(
            "latest end of an update after its block; auto: one loop period, "
            "with a plain window at once",
            "us",
            0,
            10000000,
        ),
    ] = "auto"
    integration: Annotated[
        Literal["backward", "forward", "trapezoidal"],
        Choice(
            "form in which continuous gains become per-window ones",
            "backward",
            "forward",
            "trapezoidal",
        ),
    ] = "backward"
    after_loss: Annotated[
        Literal["retry", "latch"],
        Choice(
            "if the sensor fails: retry holds a safe drive and continues once it works again; "
            "latch removes the drive until NAME_reset",
            "retry",
            "latch",
        ),
    ] = "retry"


class Sensor(Table):
    """The isolated voltage sensor and its ADC."""

    adc_bits: Annotated[int, Whole("resolution of the ADC", 8, MAX_ADC_BITS, unit="bits")]
    zero_code: Annotated[int, Whole("ADC code at zero output volts", 1, 65534)]
    volts_per_code: Annotated[Fraction, Quantity("output volts per ADC code", "V", "1e-6", 100)]
    zero_tolerance_codes: Annotated[
        Fraction, Quantity("greatest error of the zero, either way", "ADC codes", 0, 10000)
    ]
    gain_tolerance_percent: Annotated[
        Fraction, Quantity("greatest error of the gain, either way", "%", 0, 20)
    ] = Fraction(1)
    noise_codes_rms: Annotated[
        Fraction, Quantity("RMS noise of one reading", "ADC codes", 0, 1000)
    ] = Fraction(1)
    delay_us: Annotated[Fraction, Quantity("delay of the sensor", "us", 0, 10000)] = Fraction(0)
    track_zero: Annotated[
        bool, Flag("true: the error of the zero is measured and corrected, within its tolerance")
    ] = False


class Bridge(Table):
    """The DC bus and the switching bridge."""

    bus_nominal_v: Annotated[Fraction, Quantity("nominal bus voltage", "V", 1, 2000)]
    bus_min_v: Annotated[Fraction, Quantity("lowest bus voltage in service", "V", 1, 2000)]
    bus_max_v: Annotated[Fraction, Quantity("highest bus voltage in service", "V", 1, 2000)]
    scale_max: Annotated[
        Fraction,
        Quantity("drive limit; above 1 the sine clips at the bus", "x bus", "0.1", MAX_DRIVE_LIMIT),
    ] = Fraction(1)
    pwm_counts: Annotated[
        int, Whole("duty resolution, counts for full scale", 16, MAX_PWM_COUNTS, unit="counts")
    ]
    pwm_period_us: Annotated[
        Fraction | None,
        Quantity(
            "PWM period, at which NAME_duty or NAME_drive is called; if given, the C has the "
            "oscillator NAME_turn",
            "us",
            1,
            10000,
        ),
    ] = None
    bus_resistance_ohm: Annotated[
        Fraction, Quantity("source resistance of the DC bus", "ohm", 0, 100)
    ] = Fraction(0)


class BusSensor(Table):
    """The sensor of the DC bus; each of its readings corrects the drive."""

    adc_bits: Annotated[int, Whole("resolution of its ADC", 8, MAX_ADC_BITS, unit="bits")]
    zero_code: Annotated[int, Whole("ADC code at no bus voltage", 0, 65534)] = 0
    volts_per_code: Annotated[Fraction, Quantity("bus volts per ADC code", "V", "1e-6", 100)]
    gain_tolerance_percent: Annotated[
        Fraction, Quantity("greatest error of the gain, either way", "%", 0, 20)
    ] = Fraction(1)
    noise_codes_rms: Annotated[
        Fraction, Quantity("RMS noise of one reading", "ADC codes", 0, 1000)
    ] = Fraction(1)
    period_us: Annotated[
        Fraction | Literal["loop"],
        QuantityOr(
            "time from one call of NAME_bus to the next; loop: the loop period",
            "us",
            1,
            10000,
            word="loop",
        ),
    ] = "loop"
    delay_us: Annotated[
        Fraction, Quantity("age of a reading when NAME_bus is called with it", "us", 0, 10000)
    ] = Fraction(0)


class Filter(Table):
    """The LC output filter."""

    inductance_uh: Annotated[Fraction, Quantity("inductance", "uH", "0.1", 1000000)]
    inductance_tolerance_percent: Annotated[
        Fraction, Quantity("tolerance of the inductance", "%", 0, 60)
    ] = Fraction(25)
    winding_resistance_ohm: Annotated[
        Fraction, Quantity("resistance of winding and switches", "ohm", 0, 100, above=True)
    ]
    capacitance_uf: Annotated[Fraction, Quantity("capacitance", "uF", "0.001", 100000)]
    capacitance_tolerance_percent: Annotated[
        Fraction, Quantity("tolerance of the capacitance", "%", 0, 60)
    ] = Fraction(10)


class Load(Table):
    """What is connected to the output."""

    rated_va: Annotated[Fraction, Quantity("heaviest load", "VA", 0, 1000000, above=True)]
    lightest_percent: Annotated[Fraction, Quantity("lightest load, of rated_va", "%", 0, 100)] = (
        Fraction(0)
    )
    lowest_power_factor: Annotated[
        Fraction, Quantity("lowest (inductive) power factor", "", 0, 1, above=True)
    ] = Fraction(7, 10)


class Targets(Table):
    """How well the output must be held."""

    settling_ms: Annotated[
        Fraction | Literal["fastest"],
        QuantityOr(
            "time to within 2 % after a target step; fastest: the least that is possible",
            "ms",
            0,
            60000,
            above=True,
            word="fastest",
        ),
    ]
    overshoot_percent: Annotated[
        Fraction,
        Quantity("greatest overshoot of a target step; with windows of blocks, upward", "%", 0, 50),
    ] = Fraction(5)
    voltage_tolerance_percent: Annotated[
        Fraction,
        Quantity("steady-state error, without the sensor's zero and gain", "%", 0, 20, above=True),
    ] = Fraction(1, 2)
    peak_sensitivity: Annotated[
        Fraction, Quantity("greatest peak sensitivity Ms", "", "1.05", 4)
    ] = Fraction(2)
    ramp_ms: Annotated[
        Fraction, Quantity("target ramp from zero to rated; 0 steps at once", "ms", 0, 600000)
    ] = Fraction(0)


class Limits(Table):
    """Published limits that the output must keep on virtual boards."""

    envelopes: Annotated[tuple[str, ...], Several("which published limits apply", *ENVELOPES)] = (
        DEFAULT
    )


class Gains(Table):
    """Continuous PI gains that are analysed instead of designed."""

    proportional: Annotated[Fraction, Quantity("scale per per-unit error", "", 0, 100)] = Fraction(
        0
    )
    integral_per_s: Annotated[
        Fraction,
        Quantity("scale per per-unit error and second", "1/s", 0, 100000, above=True),
    ]


class Arithmetic(Table):
    """What the processor's integers can do."""

    word_bits: Annotated[
        Literal[16, 32],
        Choice("widest native word in bits; products may use twice that", 16, 32),
    ] = 32


class Spec(Table):
    """What one regulator must do."""

    name: Annotated[str, Name("prefix of every generated name and file")]
    output: Output
    loop: Loop
    sensor: Sensor
    bridge: Bridge
    bus_sensor: BusSensor | None = None
    filter: Filter
    load: Load
    targets: Targets
    limits: Limits = Limits()
    gains: Gains | None = None
    arithmetic: Arithmetic = Arithmetic()

    @property
    def tolerance_v(self) -> float:
        """The voltage tolerance, volts RMS either way."""
        return float(self.output.rated_rms_v * self.targets.voltage_tolerance_percent) / 100

    @property
    def settling_limit_ms(self) -> Fraction | None:
        """The settling time that is asked for, ms; None: the least that can be had."""
        asked = self.targets.settling_ms
        return asked if isinstance(asked, Fraction) else None

    @property
    def update_within_s(self) -> Fraction:
        """Latest end of an update after its block, seconds."""
        within = self.loop.update_within_us
        return (self.loop.period_us if within == "auto" else within) / 1_000_000

    @property
    def bus_period_s(self) -> Fraction:
        """Time from one reading of the bus to the next, seconds; the loop period without any."""
        stated = "loop" if self.bus_sensor is None else self.bus_sensor.period_us
        return (self.loop.period_us if stated == "loop" else stated) / 1_000_000

    def values(self) -> dict[str, Said]:
        """Every resolved value by its dotted key, in the order of the models."""
        return {key: value for key, value, _ in _leaves(self, "")}

    def defaulted(self) -> tuple[tuple[str, Said], ...]:
        """The keys that the file left out, dotted, each with the default it got."""
        return tuple((key, value) for key, value, given in _leaves(self, "") if not given)

    def canonical(self) -> str:
        """All resolved values as canonical JSON: sorted keys, fractions as strings."""
        plain = {
            key: str(value) if isinstance(value, Fraction) else value
            for key, value in self.values().items()
        }
        return json.dumps(plain, sort_keys=True, separators=(",", ":"))

    def digest(self) -> str:
        """SHA-256 (hex) of the canonical text: comments, order and spelling do not matter."""
        return hashlib.sha256(self.canonical().encode()).hexdigest()

    def revision(self) -> int:
        """The number of these values that the C has as NAME_REVISION, below 2^32."""
        return int(self.digest()[:8], 16)


def _leaves(table: Table, prefix: str) -> list[tuple[str, Any, bool]]:
    """(dotted key, value, given by the user) of every value under ``table``."""
    leaves: list[tuple[str, Any, bool]] = []
    for key in type(table).model_fields:
        value = getattr(table, key)
        if isinstance(value, Table):
            leaves += _leaves(value, f"{prefix}{key}.")
        elif value is not None and UNSAID.get(prefix + key) != value:
            leaves.append((prefix + key, value, key in table.model_fields_set))
    return leaves
