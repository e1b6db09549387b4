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
    TRACK_FLAGS,
    WORD_MASK,
    Plan,
    Tracking,
)
from halfcycle.regulator.state import CALL_NAMES, STATE, Field, field_names


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
    """One regulator instance. Attributes are the C state's fields; those of several slots are
    lists.

    ``reset`` sets them all; there is room for those of ``state.STATE`` and no others.
    """

    __slots__ = ("_attributes", "_elements", "plan", *map(attribute, STATE))

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._elements = tuple(
            (attribute(field), field.elements(plan), field.indexed(plan))
            for field in STATE
            if field.slot_count(plan)
        )
        self._attributes = operator.attrgetter(*(name for name, _, _ in self._elements))
        self.reset()

    def reset(self) -> None:
        """Zero drive, nothing measured, target at the rated voltage."""
        self.above = self.below = self.above_high = self.below_high = self.count = 0
        self.window_above, self.window_above_high = [0, 0], [0, 0]
        self.window_below, self.window_below_high = [0, 0], [0, 0]
        self.window_sequence = self.taken_sequence = 0
        self.ring, self.ring_high = ([0] * (self.plan.blocks - 1) for _ in range(2))
        self.blocks_due = self.plan.blocks
        self.unsettled = self.undriven = self.plan.updates
        self.integral = self.ramp = 0
        self.target = [self.plan.target_rated, self.plan.target_rated]
        self.target_slot = 0
        self.out_scale, self.reading, self.out_flags = [0, 0], [0, 0], [0, 0]
        self.output_slot = 0
        # Nothing was driven: what comes next may not rest higher if the sensor never worked.
        self.least = [0] * (3 if self.plan.span_updates > 1 else 2)
        self.lean = self.span_above = self.span_below = self.stuck = 0
        self.span_due = self.plan.span_blocks
        self.zero, self.zero_slot = [self.plan.zero_code, self.plan.zero_code], 0
        self.zero_part = self.zero_lean = 0
        self.zero_due = self.plan.tracking.blocks if self.plan.tracking else 1

    def set_target_mv(self, rms_mv: int) -> None:
        """Ask for an output of ``rms_mv`` millivolts RMS; clamped to the design range."""
        spare = self.target_slot ^ 1
        self.target[spare] = target_of(self.plan, rms_mv)
        self.target_slot = spare

    def sample(self, adc_code: int) -> int:
        """Take one ADC code (0 to CODE_MAX); 1 if an update is due: it ends a block (of a plain
        window: the window), else 0."""
        plan = self.plan
        code = min(adc_code, plan.adc_max)
        above, above_high = self.above, self.above_high
        below, below_high = self.below, self.below_high
        zero = self.zero[self.zero_slot] if plan.tracking else plan.zero_code
        if code >= zero:
            above, above_high = self._added(above, above_high, code - zero)
        else:
            below, below_high = self._added(below, below_high, zero - code)
        self.count += 1
        if self.count < plan.block_samples:
            self.above, self.above_high = above, above_high
            self.below, self.below_high = below, below_high
            return 0
        self.close_window(above_high << 32 | above, below_high << 32 | below)
        return 1

    def _added(self, low: int, high: int, magnitude: int) -> tuple[int, int]:
        """A sum, low word and high word, with one more sample."""
        total = low + (magnitude * magnitude if self.plan.measure == "rms" else magnitude)
        return total & WORD_MASK, high + (total >> 32)

    def close_with(self, total: int) -> None:
        """Hand over a block of this sum, half of it on either side of the zero, as of a sine."""
        self.close_window(total - total // 2, total // 2)

    def close_window(self, above: int, below: int) -> None:
        """Hand the sums of a block (a plain window is one) to update, as its last sample does: of
        the codes at or above the zero, and of those below it."""
        self.window_sequence = (self.window_sequence + 1) & SEQUENCE_MASK
        if self.plan.blockwise and self.window_sequence == self.taken_sequence:
            # 256 blocks that no update took must not look like none.
            self.window_sequence = (self.window_sequence - 2) & SEQUENCE_MASK
        slot = self.window_sequence & 1
        self.window_above[slot], self.window_above_high[slot] = above & WORD_MASK, above >> 32
        self.window_below[slot], self.window_below_high[slot] = below & WORD_MASK, below >> 32
        self.above = self.below = self.above_high = self.below_high = self.count = 0

    def update(self) -> None:
        """Take the newest block, one PI step if one is due, and a step of the tracked zero if one
        is; nothing if there is no new block."""
        plan = self.plan
        elapsed = (self.window_sequence - self.taken_sequence) & SEQUENCE_MASK
        if elapsed == 0:
            return
        self.taken_sequence = self.window_sequence
        slot = self.window_sequence & 1
        above = self.window_above_high[slot] << 32 | self.window_above[slot]
        below = self.window_below_high[slot] << 32 | self.window_below[slot]
        total = self._weighted(above + below)
        stuck = self._is_stuck(above, below, elapsed)
        if not plan.blockwise or self._due(elapsed):
            self._step(reading_of(plan, total), elapsed, stuck)
        if plan.tracking:
            self._track(plan.tracking, above, below)

    def _step(self, reading: int, elapsed: int, stuck: int) -> None:
        """The PI step, with its flags."""
        plan = self.plan
        target = self._climb(self.target[self.target_slot])
        error = target - reading

        now = self.output_slot
        scale = self.out_scale[now]
        flags = FLAG_MISSED if elapsed > 1 else 0
        if error < -plan.band:
            flags |= FLAG_OVER
        elif error <= plan.band:
            flags |= FLAG_IN_BAND
            if self._two_windows_in_band(self.out_flags[now]):
                flags |= FLAG_SETTLED
        if plan.updates > 1 and not flags & FLAG_IN_BAND:
            self.unsettled = plan.updates
        driven = self._driven(scale)
        least = self._least_of_three_windows(scale)
        if target == 0:
            self.integral = scale = 0
        elif (driven and error > 0) if reading < plan.hold_reading else stuck:
            flags |= FLAG_IMPLAUSIBLE
            if reading < plan.hold_reading and least < plan.hold_scale:
                # Driven any less it would be plausible again, and climb, and fall.
                least = plan.hold_scale
            scale = least
            self.integral = min(self.integral, scale << plan.scale_shift)
        else:
            drive = self._regulate(error)
            scale = arithmetic.round_shift(drive, plan.scale_shift)
            if drive == plan.drive_max:
                flags |= FLAG_LIMIT | (FLAG_BROWNOUT if error > plan.band else 0)

        self._publish(scale, reading, flags)

    def _track(self, tracking: Tracking, above: int, below: int) -> None:
        """Take in the sums of a block for the zero: while it settles, or has failed, not at all."""
        now = self.output_slot
        lean, due = 0, tracking.blocks
        if self.out_flags[now] & TRACK_FLAGS == FLAG_SETTLED:
            lean = self.zero_lean + (above >> tracking.shift) - (below >> tracking.shift)
            due = self.zero_due - 1
            if due == 0:
                self._move_zero(tracking, lean, self.reading[now])
                lean, due = 0, tracking.blocks
        self.zero_lean, self.zero_due = lean, due

    def _move_zero(self, tracking: Tracking, lean: int, reading: int) -> None:
        """A step of the zero from the lean of whole cycles; the code nearest to it is handed over
        once the one in force is off by more than ``hold``."""
        plan, bits = self.plan, tracking.bits
        code = self.zero[self.zero_slot] - plan.zero_code
        per_code = tracking.slope
        if plan.measure == "rms":
            per_code = arithmetic.round_shift(reading * tracking.slope, tracking.slope_shift)
        there = arithmetic.zero_there(
            lean, per_code, self.zero_part, code, bits, tracking.step_shift, tracking.limit
        )
        held = arithmetic.zero_held(there, code, bits, tracking.hold)
        self.zero_part = there - (held << bits)
        if held != code:
            spare = self.zero_slot ^ 1
            self.zero[spare] = plan.zero_code + held
            self.zero_slot = spare

    def _least_of_three_windows(self, scale: int) -> int:
        """The least scale in force since two windows (spans) before the one that ends now or is
        going on: a sensor that failed did so in one of them. ``scale``: in force until now."""
        plan, lesser = self.plan, arithmetic.lesser
        if plan.span_updates == 1:
            least = lesser(scale, lesser(self.least[0], self.least[1]))
            self.least = [scale, self.least[0]]
            return least
        now = lesser(scale, self.least[0])
        least = lesser(now, lesser(self.least[1], self.least[2]))
        if self.span_due == plan.span_blocks:  # This step ends a span.
            self.least[2], self.least[1] = self.least[1], now
            now = plan.scale_max
        self.least[0] = now
        return least

    def _is_stuck(self, above: int, below: int, elapsed: int) -> int:
        """Take in the sums of a block: 1 if the last two spans leaned the same way, as those of a
        sine never do, else 0. A hole begins the span afresh."""
        plan = self.plan
        above, below = above >> plan.lean_shift, below >> plan.lean_shift
        before = self.lean
        if elapsed > 1:
            before = self.lean = self.span_above = self.span_below = 0
            self.span_due = plan.span_blocks
        if plan.blockwise:
            above, below = self.span_above + above, self.span_below + below
            if self.span_due > 1:
                self.span_due -= 1
                self.span_above, self.span_below = above, below
                return self.stuck
            self.span_above = self.span_below = 0
            self.span_due = plan.span_blocks
        self.lean = arithmetic.lean(above, below, plan.lean_limit)
        stuck = arithmetic.alike(self.lean, before)
        if plan.blockwise:
            self.stuck = stuck
        return stuck

    def _publish(self, scale: int, reading: int, flags: int) -> None:
        spare = self.output_slot ^ 1
        self.out_scale[spare], self.reading[spare] = scale, reading
        self.out_flags[spare] = flags
        self.output_slot = spare

    def _weighted(self, block: int) -> int:
        """The window's sum with its newest block, which goes into the ring."""
        plan = self.plan
        if not plan.blockwise:
            return block
        blocks = [block]
        blocks += [h << 32 | low for h, low in zip(self.ring_high, self.ring, strict=True)]
        self.ring = [total & WORD_MASK for total in blocks[:-1]]
        self.ring_high = [total >> 32 for total in blocks[:-1]]
        return sum(w * total for w, total in zip(plan.block_weights, blocks, strict=True))

    def _due(self, elapsed: int) -> bool:
        """Count a block: whether a PI step is due. Until the ring is full the drive is held."""
        plan, now = self.plan, self.output_slot
        scale, flags = self.out_scale[now], self.out_flags[now]
        if elapsed > 1:
            self.blocks_due, self.unsettled = plan.blocks, plan.updates
            flags = flags & ~(FLAG_IN_BAND | FLAG_SETTLED) | FLAG_MISSED
        if self.blocks_due == 1:
            self.blocks_due = plan.update_blocks
            return True
        self.blocks_due -= 1
        if self.target[self.target_slot] == 0:
            self.integral = self.ramp = scale = 0
        self._publish(scale, self.reading[now], flags)
        return False

    def _two_windows_in_band(self, flags: int) -> bool:
        """Whether every PI step since two windows ago was in the band; ``flags`` of the last."""
        if self.plan.updates == 1:
            return bool(flags & FLAG_IN_BAND)
        if self.unsettled == 0:
            return True
        self.unsettled -= 1
        return False

    def _driven(self, scale: int) -> bool:
        """Whether all of the window was driven, so that its reading must show it. ``scale``: in
        force since the last PI step."""
        plan = self.plan
        if plan.updates == 1:
            return scale >= plan.hold_scale
        if scale < plan.hold_scale:
            self.undriven = plan.updates
        elif self.undriven:
            self.undriven -= 1
        return self.undriven == 0

    def _climb(self, target: int) -> int:
        """The target in force: climbs by the ramp's step, falls at once."""
        plan = self.plan
        if not plan.ramped:
            return target
        self.ramp = min(self.ramp + plan.ramp_step, target << plan.ramp_bits)
        return self.ramp >> plan.ramp_bits

    def regulated(self, before: int, error: int) -> tuple[int, int]:
        """Integral and drive after a PI step from the integral ``before``; neither falls if
        ``before`` rises, but for a drive at whose limit a negative proportional term is left out.
        """
        self.integral = before
        drive = self._regulate(error)
        return self.integral, drive

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
        """Every number of the state by its name in ``state.field_names``."""
        return dict(zip(field_names(self.plan), self.values(), strict=True))

    def values(self) -> list[int]:
        """Every number of the state in the order of ``state.field_names``."""
        row: list[int] = []
        for value in self._attributes(self):
            # By the kind of value: this is called for every window of a comparison.
            if type(value) is list:
                row += value
            else:
                row.append(value)
        return row

    def load(self, values: Mapping[str, int]) -> None:
        """Set every field from a mapping like :meth:`fields`."""
        for name, elements, indexed in self._elements:
            if indexed:
                setattr(self, name, [values[element] for element in elements])
            else:
                setattr(self, name, values[elements[0]])


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
    above, below = side_terms(plan, codes).values()
    return above + below


def side_terms(
    plan: Plan, codes: NDArray[np.uint16], zero: int | None = None
) -> dict[str, NDArray[np.uint64]]:
    """What each ADC code adds to the sum at or above the zero ("above") and to the one below it
    ("below"); same shape as ``codes``. ``zero``: that in force, if it is not ``zero_code``."""
    off = np.minimum(codes.astype(np.int64), plan.adc_max)
    off -= plan.zero_code if zero is None else zero
    sides = {"above": np.maximum(off, 0), "below": np.maximum(-off, 0)}
    power = 2 if plan.measure == "rms" else 1
    return {side: (parts**power).astype(np.uint64) for side, parts in sides.items()}
