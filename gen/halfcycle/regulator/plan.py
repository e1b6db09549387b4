"""The Plan: every integer that the reference model and the C templates share.

The Plan is the waist of the tool. Whatever computes (quantiser) ends here, whatever runs or
prints (model, emission, report) starts here, and neither side looks across.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

SCALE_ONE = 16384
"""Amplitude scale 1.0 in the C interface (sQ1.14, 16 bit)."""
SCALE_BITS = 14
DRIVE_FULL = 32767
"""``*_drive`` at the bus voltage."""
TURN = 65536
"""Steps of a whole turn in the argument of ``*_drive``."""
CODE_MAX = 65535
"""Greatest ``adc_code`` that ``*_sample`` takes: 16 bits, whatever the ADC has."""
SAMPLES_MAX = 65535
"""Samples of the longest window: they are counted in 16 bits."""
WORD_MASK = 0xFFFFFFFF
"""The 32 bits of the C's widest word."""
SEQUENCE_MASK = 0xFF
"""The 8 bits of the C's sequences."""

FLAG_BROWNOUT = 0x0001
FLAG_OVER = 0x0002
FLAG_IMPLAUSIBLE = 0x0004
FLAG_SETTLED = 0x0008
FLAG_LIMIT = 0x0010
FLAG_IN_BAND = 0x0020
FLAG_MISSED = 0x0040
FLAGS: tuple[tuple[str, int, str], ...] = (
    ("BROWNOUT", FLAG_BROWNOUT, "the drive limit holds and the target is not met"),
    ("OVER", FLAG_OVER, "the reading is above the target band"),
    ("IMPLAUSIBLE", FLAG_IMPLAUSIBLE, "driven, yet reading near zero: the drive is held"),
    ("SETTLED", FLAG_SETTLED, "inside the target band for two windows running"),
    ("LIMIT", FLAG_LIMIT, "the drive limit holds"),
    ("IN_BAND", FLAG_IN_BAND, "the last window was inside the target band"),
    ("MISSED", FLAG_MISSED, "a window completed that no update consumed"),
)
ALL_FLAGS = sum(value for _, value, _ in FLAGS)
"""Every flag that is defined."""


@dataclass(frozen=True, slots=True)
class Signal:
    """One integer of the generated code with its derived range.

    ``lowest`` and ``highest`` are in units of the integer's last place; ``bits`` is its word;
    ``headroom_bits`` is how many times the range could still double inside that word.
    ``unit`` says what one last place is worth (``per_lsb`` of ``unit``).
    """

    name: str
    format: str
    bits: int
    signed: bool
    lowest: int
    highest: int
    headroom_bits: int
    per_lsb: float
    unit: str


@dataclass(frozen=True, slots=True)
class Plan:
    """All constants of one regulator, as integers. Built by ``halfcycle.quantise.quantise``."""

    name: str
    measure: Literal["mean", "rms"]
    word_bits: int
    samples: int
    """Samples in a window, 1 to ``SAMPLES_MAX``."""
    half_cycles: int
    adc_max: int
    """Greatest ADC code; codes above it are read as this one."""
    zero_code: int
    magnitude_max: int
    sum_high: bool
    """True if the window's sum needs more than 32 bits: a second 16-bit word carries on."""
    reading_shift: int
    """mean: reading = round(sum / 2^shift); rms: reading = round(sqrt(floor(sum / 2^shift)))."""
    reading_max: int
    wide: bool
    """True if readings and targets need more than 15 bits (``word_bits`` 32 only)."""
    target_max_mv: int
    rated_mv: int
    target_gain: int
    target_shift: int
    """Target in reading units = scale_by(millivolts, target_gain, target_shift)."""
    target_max: int
    target_rated: int
    millivolt_gain: int
    millivolt_shift: int
    """Millivolts = scale_by(reading, millivolt_gain, millivolt_shift)."""
    ramp_step: int
    """Per-window step of the target, in 2^-ramp_bits reading units; 0 if there is no ramp."""
    ramp_bits: int
    proportional: int
    proportional_shift: int
    integral: int
    integral_shift: int
    drive_bits: int
    """Fraction bits of the integrator: scale 1.0 is 2^drive_bits."""
    scale_max: int
    """Drive limit, 16384 = 1.0."""
    band: int
    """Half width of the target band, reading units."""
    hold_scale: int
    """Implausible if the scale is at least this and the reading below ``hold_reading``."""
    hold_reading: int
    table_bits: int
    """The quarter wave is cut into 2^table_bits equal parts."""
    table: tuple[int, ...]
    """2^table_bits + 1 points of the quarter sine, 32767 at the crest."""
    signals: tuple[Signal, ...]

    def signal_range(self, name: str) -> tuple[int, int]:
        """Lowest and highest value of a signal. KeyError if the Plan has none of that name."""
        for signal in self.signals:
            if signal.name == name:
                return signal.lowest, signal.highest
        raise KeyError(name)

    @property
    def term_max(self) -> int:
        """Greatest that one sample adds to the window's sum."""
        return self.magnitude_max**2 if self.measure == "rms" else self.magnitude_max

    @property
    def drive_max(self) -> int:
        """Drive limit in the integrator's units."""
        return self.scale_max << (self.drive_bits - SCALE_BITS)

    @property
    def scale_shift(self) -> int:
        """Shift from the integrator's units to the published scale."""
        return self.drive_bits - SCALE_BITS

    @property
    def ramped(self) -> bool:
        """True if the target climbs by ``ramp_step`` per window instead of at once."""
        return self.ramp_step > 0

    @property
    def has_proportional(self) -> bool:
        """False for pure integral action; the C then carries no proportional term."""
        return self.proportional != 0

    @property
    def root_place(self) -> int:
        """rms: the power of two at which the root's argument has its first digit (base four)."""
        argument = (self.samples * self.magnitude_max**2) >> self.reading_shift
        return max(0, argument.bit_length() - 1) // 2 * 2
