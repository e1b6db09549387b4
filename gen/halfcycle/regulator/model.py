"""The reference model: the generated C in Python integers, statement for statement.

``Regulator`` is the readable form, one call for one call; ``trace`` is the vectorised
one. Tests hold the two equal; ``verify.compare`` holds the C equal to them.
"""

from __future__ import annotations

import operator
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator import arithmetic
from halfcycle.regulator.plan import (
    DRIVE_FULL,
    FLAG_BROWNOUT,
    FLAG_IMPLAUSIBLE,
    FLAG_IN_BAND,
    FLAG_LIMIT,
    FLAG_MISSED,
    FLAG_OVER,
    FLAG_SETTLED,
    SCALE_BITS,
    SEQUENCE_MASK,
    WORD_MASK,
    Plan,
)
from halfcycle.regulator.state import CALL_NAMES, FIELDS, STATE, Field


def reading_of(plan: Plan, total: int) -> int:
    """The window's reading from its whole sum (mean: of magnitudes; rms: of squares)."""
    if plan.measure == "rms":
        return arithmetic.root(total >> plan.reading_shift)
    return arithmetic.round_shift(total, plan.reading_shift)


def target_of(plan: Plan, millivolts: int) -> int:
    """The target in reading units; ``millivolts`` is clamped to the design range."""
    clamped = arithmetic.saturate(millivolts, 0, plan.target_max_mv)
    return arithmetic.scale_by(clamped, plan.target_gain, plan.target_shift)


def attribute(field: Field) -> str:
    """A field's name in ``Regulator``: a call of the same name has the plain one."""
    return f"out_{field.name}" if field.name in CALL_NAMES else field.name


class Regulator:
    """One regulator instance. Attributes are the C state's fields; two-slot fields are lists.

    ``reset`` sets them all; there is room for those of ``state.STATE`` and no others.
    """

    __slots__ = ("plan", *map(attribute, STATE))

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.reset()

    def reset(self) -> None:
        """Zero drive, nothing measured, target at the rated voltage."""
        self.sum = self.sum_high = self.count = 0
        self.window_sum, self.window_high = [0, 0], [0, 0]
        self.window_sequence = self.taken_sequence = 0
        self.integral = self.ramp = 0
        self.target = [self.plan.target_rated, self.plan.target_rated]
        self.target_slot = 0
        self.out_scale, self.reading, self.out_flags = [0, 0], [0, 0], [0, 0]
        self.output_slot = 0
        self.trusted = self.plan.drive_max

    def set_target_mv(self, rms_mv: int) -> None:
        """Ask for an output of ``rms_mv`` millivolts RMS; clamped to the design range."""
        spare = self.target_slot ^ 1
        self.target[spare] = target_of(self.plan, rms_mv)
        self.target_slot = spare

    def sample(self, adc_code: int) -> int:
        """Take one ADC code (0 to CODE_MAX); 1 if it completes a window, else 0."""
        plan = self.plan
        code = min(adc_code, plan.adc_max)
        magnitude = abs(code - plan.zero_code)
        total = self.sum + (magnitude * magnitude if plan.measure == "rms" else magnitude)
        high = self.sum_high + (total >> 32)
        total &= WORD_MASK
        self.count += 1
        if self.count < plan.samples:
            self.sum, self.sum_high = total, high
            return 0
        self.close_window(high << 32 | total)
        return 1

    def close_window(self, total: int) -> None:
        """Hand a whole window's sum to update, as the window's last sample does."""
        self.window_sequence = (self.window_sequence + 1) & SEQUENCE_MASK
        slot = self.window_sequence & 1
        self.window_sum[slot], self.window_high[slot] = total & WORD_MASK, total >> 32
        self.sum = self.sum_high = self.count = 0

    def update(self) -> None:
        """One PI step on the newest complete window; nothing if there is none."""
        plan = self.plan
        elapsed = (self.window_sequence - self.taken_sequence) & SEQUENCE_MASK
        if elapsed == 0:
            return
        self.taken_sequence = self.window_sequence
        slot = self.window_sequence & 1
        reading = reading_of(plan, self.window_high[slot] << 32 | self.window_sum[slot])
        target = self._climb(self.target[self.target_slot])
        error = target - reading

        now = self.output_slot
        scale = self.out_scale[now]
        flags = FLAG_MISSED if elapsed > 1 else 0
        if error < -plan.band:
            flags |= FLAG_OVER
        elif error <= plan.band:
            flags |= FLAG_IN_BAND
            if self.out_flags[now] & FLAG_IN_BAND:
                flags |= FLAG_SETTLED
        if target == 0:
            self.integral = scale = 0
            self.trusted = plan.drive_max
        elif error > 0 and scale >= plan.hold_scale and reading < plan.hold_reading:
            flags |= FLAG_IMPLAUSIBLE
            # The window in which a sensor comes off reads low and drives up: take that back.
            self.integral = min(self.integral, self.trusted)
            scale = min(scale, arithmetic.round_shift(self.integral, plan.scale_shift))
        else:
            drive = self._regulate(error)
            scale = arithmetic.round_shift(drive, plan.scale_shift)
            if drive == plan.drive_max:
                flags |= FLAG_LIMIT | (FLAG_BROWNOUT if error > plan.band else 0)
        if target != 0 and flags & FLAG_IN_BAND:
            self.trusted = self.integral

        spare = now ^ 1
        self.out_scale[spare], self.reading[spare] = scale, reading
        self.out_flags[spare] = flags
        self.output_slot = spare

    def _climb(self, target: int) -> int:
        """The target in force: climbs by the ramp's step, falls at once."""
        plan = self.plan
        if not plan.ramped:
            return target
        self.ramp = min(self.ramp + plan.ramp_step, target << plan.ramp_bits)
        return self.ramp >> plan.ramp_bits

    def _regulate(self, error: int) -> int:
        """The PI step with anti-windup; the drive inside ``[0, drive_max]``."""
        plan = self.plan
        before, top = self.integral, plan.drive_max
        step = arithmetic.round_shift_signed(plan.integral * error, plan.integral_shift)
        after = before + step
        push = 0
        if plan.has_proportional:
            push = arithmetic.round_shift_signed(plan.proportional * error, plan.proportional_shift)
        if plan.proportional > 0:
            # Past a limit the integrator goes no further than the limit asks for.
            if after + push > top and step > 0:
                after = min(after, max(before, top - push))
            elif after + push < 0 and step < 0:
                after = max(after, min(before, -push))
        self.integral = arithmetic.saturate(after, 0, top)
        if plan.proportional < 0 and self.integral in (0, top):
            # The push is against the step: at a limit it would take the drive back from there.
            return self.integral
        return arithmetic.saturate(self.integral + push, 0, top)

    def rms_mv(self) -> int:
        """The last window's RMS-equivalent output in millivolts."""
        plan = self.plan
        reading = self.reading[self.output_slot]
        return arithmetic.scale_by(reading, plan.millivolt_gain, plan.millivolt_shift)

    def scale(self) -> int:
        """The amplitude scale in force, ``SCALE_ONE`` = 1.0."""
        return self.out_scale[self.output_slot]

    def flags(self) -> int:
        """The last window's flags (``halfcycle.regulator.plan.FLAGS``)."""
        return self.out_flags[self.output_slot]

    def drive(self, phase: int) -> int:
        """The clipped, scaled sine at ``phase`` (``TURN`` steps a turn), DRIVE_FULL = bus."""
        plan = self.plan
        step_bits = 14 - plan.table_bits
        quarter = phase & 0x3FFF
        # The second quarter of each half turn runs through the table backwards.
        position = 0x4000 - quarter if phase & 0x4000 else quarter
        index = min(position >> step_bits, (1 << plan.table_bits) - 1)
        along = position - (index << step_bits)
        left, right = plan.table[index], plan.table[index + 1]
        sine = left + arithmetic.round_shift((right - left) * along, step_bits)
        scaled = arithmetic.round_shift(sine * self.scale(), SCALE_BITS)
        level = min(scaled, DRIVE_FULL)
        return -level if phase & 0x8000 else level

    def fields(self) -> dict[str, int]:
        """Every number of the state by its name in ``state.FIELDS``."""
        return dict(zip(FIELDS, self.values(), strict=True))

    def values(self) -> list[int]:
        """Every number of the state in the order of ``state.FIELDS``."""
        row: list[int] = []
        for value in _attributes(self):
            # By the kind of value: this is called for every window of a comparison.
            if type(value) is list:
                row += value
            else:
                row.append(value)
        return row

    def load(self, values: Mapping[str, int]) -> None:
        """Set every field from a mapping like :meth:`fields`."""
        for name, elements in _ELEMENTS:
            if len(elements) == 1:
                setattr(self, name, values[elements[0]])
            else:
                setattr(self, name, [values[element] for element in elements])


_ELEMENTS = tuple((attribute(field), field.elements) for field in STATE)
_attributes = operator.attrgetter(*(name for name, _ in _ELEMENTS))


def drive_wave(
    plan: Plan, scale: int | NDArray[np.int64], phase: NDArray[np.int64]
) -> NDArray[np.int64]:
    """``*_drive`` for many phases (any shape, below ``TURN``) at one ``scale`` or one for each."""
    table = np.asarray(plan.table, dtype=np.int64)
    step_bits = 14 - plan.table_bits
    quarter = phase & 0x3FFF
    # The second quarter of each half turn runs through the table backwards.
    position = np.where(phase & 0x4000, 0x4000 - quarter, quarter)
    index = np.minimum(position >> step_bits, (1 << plan.table_bits) - 1)
    along = position - (index << step_bits)
    left, right = table[index], table[index + 1]
    sine = left + (((right - left) * along + arithmetic.half(step_bits)) >> step_bits)
    level = np.minimum((sine * scale + arithmetic.half(SCALE_BITS)) >> SCALE_BITS, DRIVE_FULL)
    return np.asarray(np.where(phase & 0x8000, -level, level), dtype=np.int64)


def magnitudes(plan: Plan, codes: NDArray[np.uint16]) -> NDArray[np.uint64]:
    """What each ADC code adds to the window's sum; same shape as ``codes``."""
    clamped = np.minimum(codes.astype(np.int64), plan.adc_max)
    magnitude = np.abs(clamped - plan.zero_code).astype(np.uint64)
    terms = magnitude * magnitude if plan.measure == "rms" else magnitude
    return np.asarray(terms, dtype=np.uint64)
