"""The Plan: every integer that the reference model and the C templates share.

The Plan is the waist of the tool. Whatever computes (quantiser) ends here, whatever runs or
prints (model, emission, report) starts here, and neither side looks across.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from halfcycle.regulator import arithmetic
from halfcycle.regulator.bus_plan import BusPlan

SCALE_ONE = 16384
"""Amplitude scale 1.0 in the C interface (sQ1.14, 16 bit)."""
SCALE_BITS = 14
DRIVE_FULL = 32767
"""``*_drive`` at the bus voltage."""
TURN = 65536
"""Steps of a whole turn in the argument of ``*_drive``."""
PHASE_MAX = TURN - 1
"""Last phase of a turn."""
CODE_MAX = 65535
"""Greatest ``adc_code`` that ``*_sample`` takes: 16 bits, whatever the ADC has."""
SAMPLES_MAX = 65535
"""Samples of the longest window: they are counted in 16 bits."""
WORD_MASK = 0xFFFFFFFF
"""The 32 bits of the C's widest word."""
LEAN_WORD = (1 << 30) - 1
"""What the sums of a span are kept within, so that two differ by less than 32 bits hold."""
SEQUENCE_MASK = 0xFF
"""The 8 bits of the C's sequences."""
UPDATES_MASK = 0xFFFF
"""The 16 bits of the C's count of updates."""

FLAG_BROWNOUT = 0x0001
FLAG_OVER = 0x0002
FLAG_IMPLAUSIBLE = 0x0004
FLAG_SETTLED = 0x0008
FLAG_LIMIT = 0x0010
FLAG_IN_BAND = 0x0020
FLAG_MISSED = 0x0040
FLAG_HELD = 0x0080
FLAG_BUS_LOST = 0x0100
FLAGS: tuple[tuple[str, int, str], ...] = (
    ("BROWNOUT", FLAG_BROWNOUT, "the drive limit holds and the target is not met"),
    ("OVER", FLAG_OVER, "the reading is above the target band"),
    ("IMPLAUSIBLE", FLAG_IMPLAUSIBLE, "the sensor is stuck, or near zero though driven"),
    ("SETTLED", FLAG_SETTLED, "inside the target band for two windows running"),
    ("LIMIT", FLAG_LIMIT, "the drive limit holds"),
    ("IN_BAND", FLAG_IN_BAND, "the last window was inside the target band"),
    ("MISSED", FLAG_MISSED, "a window completed that no update consumed"),
    ("HELD", FLAG_HELD, "a limiter acted in the last window: the drive does not rise"),
)
TRACK_FLAGS = FLAG_SETTLED | FLAG_MISSED | FLAG_IMPLAUSIBLE | FLAG_HELD
"""The zero is tracked while SETTLED is set and none of the others is."""
ALL_FLAGS = sum(value for _, value, _ in FLAGS)
"""Every flag that is defined without a bus that is measured."""
BUS_FLAGS = (
    (
        "BUS_LOST",
        FLAG_BUS_LOST,
        "the bus is not read, reads outside its range, or is not followed yet",
    ),
)
"""The flags of a Plan whose bus is measured, besides."""


def duty_bits(pwm_counts: int) -> int:
    """Fraction bits of the duty's table: as many as its 16 bits hold, 1 to 11."""
    return 16 - pwm_counts.bit_length()


def duty_crest(pwm_counts: int) -> int:
    """Crest of the duty's table."""
    return pwm_counts << duty_bits(pwm_counts)


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
class Tracking:
    """How ``update`` follows the error of the sensor's zero: constants of a Plan that does.

    Over ``blocks`` of settled output the sums below the zero are taken from those above it. What
    that lean is beyond the part of a code that is known already moves the zero, a part of the way.
    """

    blocks: int
    """Blocks over which the lean is taken, about whole cycles: 1 and up."""
    shift: int
    """Right shift of a block's sums that keeps their difference over all blocks below 2^29."""
    clamp: int
    """The zero stays within so many codes of ``zero_code``, either way."""
    slope: int
    slope_shift: int
    """Lean per code of the zero's error: mean: ``slope``; rms: the reading times ``slope`` /
    2^slope_shift. In units of 2^shift of a sum."""
    bits: int
    """Fraction bits of the zero."""
    step_shift: int
    """Right shift from the lean to the step of the zero, in 2^-bits codes."""
    hold: int
    """The zero in force stays while it is off by no more than this, 2^-bits codes: above half a
    code, so that noise does not switch it to and fro."""

    @property
    def limit(self) -> int:
        """``clamp`` in 2^-bits codes."""
        return self.clamp << self.bits


@dataclass(frozen=True, slots=True)
class Normalising:
    """Constants of the normalised law. ``integral`` and ``proportional`` of the Plan are then
    shares of the drive per share of the target, in 2^-(integral_shift + action_bits - share_bits).
    """

    least_target: int
    """A target below this many reading units counts as 0."""
    least_mv: int
    """The least target that does not, millivolts."""
    inverse_bits: int
    """Binary digits of 1/target."""
    inverse_shift: int
    """1/target in 2^-inverse_shift, rounded down."""
    share_bits: int
    """The error as a share of the target, in 2^-share_bits."""
    action_bits: int
    """What a step adds, as a share of the drive, in 2^-action_bits."""
    split: int
    """Low bits of the drive that are multiplied by that apart from the others."""
    floor: int
    """The drive counts as no less than the target times this, in units of the integrator."""

    @property
    def inverse_max(self) -> int:
        """Greatest 1/target."""
        return (1 << self.inverse_bits) - 1

    @property
    def share_one(self) -> int:
        """A share of 1, the greatest; the least is minus half of it."""
        return 1 << self.share_bits

    @property
    def share_shift(self) -> int:
        """Right shift from error times 1/target to the share."""
        return self.inverse_shift - self.share_bits

    @property
    def split_mask(self) -> int:
        """Those low bits."""
        return (1 << self.split) - 1

    @property
    def places(self) -> tuple[int, ...]:
        """The places of the digits of 1/target, the highest first."""
        return tuple(1 << place for place in reversed(range(self.inverse_bits)))


@dataclass(frozen=True, slots=True)
class Turning:
    """Constants of the oscillator ``NAME_turn``: steps of the phase per PWM period, 2^32 a turn."""

    low_mhz: int
    """The lowest frequency of the band, rounded down to mHz; at and below it: ``low_step``."""
    high_mhz: int
    """The highest, rounded up; at it and above: ``high_step``."""
    rated_step: int
    low_step: int
    high_step: int
    base_step: int
    """Step at ``low_mhz`` itself."""
    gain: int
    shift: int
    """In between: base_step + scale_by(millihertz - low_mhz, gain, shift)."""

    @property
    def adjustable(self) -> bool:
        """False if the band is one frequency."""
        return self.high_step > self.low_step

    def step_at(self, millihertz: int) -> int:
        """The step between the ends of the band."""
        offset = millihertz - self.low_mhz
        return self.base_step + arithmetic.scale_by(offset, self.gain, self.shift)


@dataclass(frozen=True)
class Plan:
    """All constants of one regulator, as integers. Built by ``halfcycle.quantise.quantise``."""

    name: str
    measure: Literal["mean", "rms"]
    word_bits: int
    samples: int
    """Samples in a window, 1 to ``SAMPLES_MAX``."""
    half_cycles: int
    block_weights: tuple[int, ...]
    """Weight of each block of the window, the newest first, 1 and up; (1,): a plain window. All
    equal means all 1: a moving flat window."""
    update_blocks: int
    """Blocks from one PI step to the next; divides the number of blocks."""
    adc_max: int
    """Greatest ADC code; codes above it are read as this one."""
    zero_code: int
    magnitude_max: int
    sum_high: bool
    """True if the window's (weighted) sum needs more than 32 bits: up to 48 are carried."""
    reading_shift: int
    """mean: reading = round(sum / 2^shift); rms: reading = round(sqrt(floor(sum / 2^shift))), of
    the window's sum: the sums of its blocks, each times its weight."""
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
    """Step of the target per PI step, in 2^-ramp_bits reading units; 0 if there is no ramp."""
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
    enough_gain: int
    enough_shift: int
    """The scale that the weakest board needs for a target = scale_by(target, enough_gain,
    enough_shift): more is not left in force if the sensor fails."""
    span_blocks: int
    """Blocks in a span, over which a stuck sensor is looked for: whole PI steps, at most a
    window."""
    table_bits: int
    """The quarter wave is cut into 2^table_bits equal parts."""
    table: tuple[int, ...]
    """2^table_bits + 1 points of the quarter sine, 32767 at the crest, and the last one again: the
    index of the crest needs no clamp."""
    pwm_counts: int
    """Duty of the whole bus, 16 to 32767."""
    duty_table: tuple[int, ...]
    """The same points, ``pwm_counts`` times 2^duty_bits at the crest."""
    signals: tuple[Signal, ...]
    tracking: Tracking | None = None
    """None: the zero is ``zero_code``, always."""
    latched: bool = False
    """True: a sensor that failed once leaves no drive until reset; else the loop goes on once it
    reads again."""
    turning: Turning | None = None
    """None: no oscillator."""
    law: Normalising | None = None
    """None: the plain law."""
    bus: BusPlan | None = None
    """None: the bus is not measured."""

    @cached_property
    def flags(self) -> tuple[tuple[str, int, str], ...]:
        """Name, value and meaning of every flag."""
        return FLAGS + BUS_FLAGS if self.bus else FLAGS

    @cached_property
    def all_flags(self) -> int:
        """Every flag that is defined."""
        return sum(value for _, value, _ in self.flags)

    @cached_property
    def scale_top(self) -> int:
        """Greatest scale: ``scale_max``, but for a bus that is measured, as that limits what is
        left of the scale at a higher bus."""
        return self.bus.scale_top if self.bus else self.scale_max

    def signal_range(self, name: str) -> tuple[int, int]:
        """Lowest and highest value of a signal. KeyError if the Plan has none of that name."""
        for signal in self.signals:
            if signal.name == name:
                return signal.lowest, signal.highest
        raise KeyError(name)

    @cached_property
    def duty_bits(self) -> int:
        """Fraction bits of the duty's table."""
        return duty_bits(self.pwm_counts)

    @cached_property
    def duty_doubled(self) -> bool:
        """True if the scale is doubled, so that the duty is in the upper half of the product."""
        return self.duty_bits <= 2

    @cached_property
    def duty_shift(self) -> int:
        """Right shift from the upper half of the product to the duty."""
        return self.duty_bits + SCALE_BITS + self.duty_doubled - 16

    @cached_property
    def blocks(self) -> int:
        """Blocks in the window: 1 and up."""
        return len(self.block_weights)

    @cached_property
    def block_samples(self) -> int:
        """Samples in a block: 1 and up."""
        return self.samples // self.blocks

    @cached_property
    def blockwise(self) -> bool:
        """True if the window has several blocks: the update then keeps a ring of their sums."""
        return len(self.block_weights) > 1

    @cached_property
    def flat(self) -> bool:
        """True if all blocks weigh the same: their sums are added up as they are."""
        return set(self.block_weights) == {1}

    @cached_property
    def updates(self) -> int:
        """PI steps per window: 1 and up."""
        return len(self.block_weights) // self.update_blocks

    @cached_property
    def weighted_samples(self) -> int:
        """Samples in a window, each counted by its block's weight."""
        return self.block_samples * sum(self.block_weights)

    @cached_property
    def term_max(self) -> int:
        """Greatest that one sample adds to its block's sum."""
        return self.magnitude_max**2 if self.measure == "rms" else self.magnitude_max

    @cached_property
    def block_max(self) -> int:
        """Greatest sum of a block."""
        return self.block_samples * self.term_max

    @cached_property
    def total_max(self) -> int:
        """Greatest weighted sum of a window."""
        return self.weighted_samples * self.term_max

    @cached_property
    def block_high(self) -> bool:
        """True if a block's sum needs more than 32 bits: a second 16-bit word carries on."""
        return self.sum_high and self.block_max > WORD_MASK

    @cached_property
    def span_updates(self) -> int:
        """PI steps in a span: 1 and up."""
        return self.span_blocks // self.update_blocks

    @cached_property
    def zero_clamp(self) -> int:
        """How far the zero in force may be from ``zero_code``, codes: 0 if it is not tracked."""
        return self.tracking.clamp if self.tracking else 0

    @cached_property
    def zero_lean_max(self) -> int:
        """Greatest difference of the sums on both sides that the zero is tracked by, in
        2^tracking.shift."""
        tracking = self.tracking
        return tracking.blocks * (self.block_max >> tracking.shift) if tracking else 0

    @cached_property
    def lean_per_code_max(self) -> int:
        """Greatest lean per code of the zero's error, at the greatest reading."""
        tracking = self.tracking
        if tracking is None:
            return 0
        if self.measure == "mean":
            return tracking.slope
        return arithmetic.round_shift(self.reading_max * tracking.slope, tracking.slope_shift)

    @cached_property
    def lean_shift(self) -> int:
        """Right shift of a block's sums that keeps those of a span below 2^30."""
        return max(0, (self.span_blocks * self.block_max).bit_length() - LEAN_WORD.bit_length())

    @cached_property
    def lean_max(self) -> int:
        """Greatest sum of a span on one side of the zero, in 2^lean_shift."""
        return self.span_blocks * (self.block_max >> self.lean_shift)

    @cached_property
    def lean_limit(self) -> int:
        """What the greater side of a span must reach, in 2^lean_shift: 3/4 of what a sensor gives
        that is stuck where it reads ``hold_reading``. 0 of a plain window, whose reading is that of
        its span and tells by itself; blocks come between a span's end and a reading."""
        if not self.blockwise:
            return 0
        near_zero = self.hold_reading**2 if self.measure == "rms" else self.hold_reading
        window = near_zero << self.reading_shift
        span = 3 * window * self.span_blocks * self.block_samples // (4 * self.weighted_samples)
        return min(span >> self.lean_shift, LEAN_WORD)

    @cached_property
    def drive_max(self) -> int:
        """Drive limit in the integrator's units."""
        return self.scale_top << (self.drive_bits - SCALE_BITS)

    @cached_property
    def scale_shift(self) -> int:
        """Shift from the integrator's units to the published scale."""
        return self.drive_bits - SCALE_BITS

    @cached_property
    def ramped(self) -> bool:
        """True if the target climbs by ``ramp_step`` per PI step instead of at once."""
        return self.ramp_step > 0

    @cached_property
    def has_proportional(self) -> bool:
        """False for pure integral action; the C then carries no proportional term."""
        return self.proportional != 0

    @cached_property
    def root_place(self) -> int:
        """rms: the power of two at which the root's argument has its first digit (base four)."""
        argument = self.total_max >> self.reading_shift
        return max(0, argument.bit_length() - 1) // 2 * 2
