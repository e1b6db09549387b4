"""The reference model: the generated C in Python integers, statement for statement.

``Regulator`` is the readable form, one call for one call; ``trace`` is the vectorised
one. Tests hold the two equal; ``verify.compare`` holds the C equal to them.
"""

from __future__ import annotations

import operator
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator import arithmetic
from halfcycle.regulator.bus_plan import BUS_BITS, BUS_ONE, BusPlan
from halfcycle.regulator.plan import (
    DRIVE_FULL,
    FLAG_BROWNOUT,
    FLAG_BUS_LOST,
    FLAG_HELD,
    FLAG_IMPLAUSIBLE,
    FLAG_IN_BAND,
    FLAG_LIMIT,
    FLAG_MISSED,
    FLAG_OVER,
    FLAG_SETTLED,
    SCALE_BITS,
    SEQUENCE_MASK,
    TRACK_FLAGS,
    UPDATES_MASK,
    WORD_MASK,
    Normalising,
    Plan,
    Tracking,
)
from halfcycle.regulator.state import CALL_NAMES, STATE, Field, field_names, least_slots


def reading_of(plan: Plan, total: int) -> int:
    """The window's reading from its whole sum (mean: of magnitudes; rms: of squares)."""
    if plan.measure == "rms":
        return arithmetic.root(total >> plan.reading_shift)
    return arithmetic.round_shift(total, plan.reading_shift)


def target_of(plan: Plan, millivolts: int) -> int:
    """The target in reading units; ``millivolts`` is clamped to the design range."""
    clamped = arithmetic.saturate(millivolts, 0, plan.target_max_mv)
    target = arithmetic.scale_by(clamped, plan.target_gain, plan.target_shift)
    return 0 if plan.law and target < plan.law.least_target else target


def inverse_of(law: Normalising, target: int) -> int:
    """1/target, as the C makes it when a target is set; all digits of a target of 0."""
    quotient = 0
    for place in law.places:
        quotient = arithmetic.inverse_digit(quotient, place, target, law.inverse_shift)
    return quotient


def attribute(field: Field) -> str:
    """A field's name in ``Regulator``: a call of the same name has the plain one."""
    return f"out_{field.name}" if field.name in CALL_NAMES else field.name


class Reading(NamedTuple):
    """What ``read`` tells, the members of struct NAME_reading."""

    rms_mv: int
    updates: int
    flags: int
    latched: int
    scale: int
    pending: int


class _Layout(NamedTuple):
    """The attributes that a plan has, each with the names of its numbers and whether it has several
    slots; and what gets all their values."""

    elements: tuple[tuple[str, tuple[str, ...], bool], ...]
    values: operator.attrgetter[tuple[Any, ...]]

    @classmethod
    def of(cls, plan: Plan) -> _Layout:
        elements = tuple(
            (attribute(field), field.elements(plan), field.indexed(plan))
            for field in STATE
            if field.slot_count(plan)
        )
        return cls(elements, operator.attrgetter(*(name for name, _, _ in elements)))


class Regulator:
    """One regulator instance. Attributes are the C state's fields; those of several slots are
    lists.

    ``reset`` sets them all; there is room for those of ``state.STATE`` and no others.
    """

    __slots__ = ("_layout", "plan", *map(attribute, STATE))

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self._layout: _Layout | None = None
        self.reset()

    def reset(self) -> None:
        """Zero drive, nothing measured, target 0."""
        self.above = self.below = self.above_high = self.below_high = self.count = 0
        self.window_above, self.window_above_high = [0, 0], [0, 0]
        self.window_below, self.window_below_high = [0, 0], [0, 0]
        self.window_sequence = self.taken_sequence = 0
        self.ring, self.ring_high = ([0] * (self.plan.blocks - 1) for _ in range(2))
        self.blocks_due = self.plan.blocks
        self.unsettled = self.undriven = self.plan.updates
        self.integral = self.ramp = 0
        self.target = [0, 0]
        self.inverse = [0, 0]
        self.target_sequence = 0
        self.aim = self.aim_inverse = self.share = 0
        self.out_scale, self.reading, self.out_flags = [0, 0], [0, 0], [0, 0]
        self.updates, self.raised, self.cleared = [0, 0], [0, 0], 0
        self.output_sequence = 0
        self.hold_pending = self.held_due = 0
        self.window_held = [0, 0]
        # Nothing was driven: what comes next may not rest higher if the sensor never worked.
        self.least = [0] * least_slots(self.plan)
        self.lean = self.span_above = self.span_below = self.stuck = 0
        self.span_due = self.plan.span_blocks
        self.zero, self.zero_slot = [self.plan.zero_code, self.plan.zero_code], 0
        self.zero_part = self.zero_lean = 0
        self.zero_due = self.plan.tracking.blocks if self.plan.tracking else 1
        self.factor, self.bus_ratio = [BUS_ONE, BUS_ONE], [BUS_ONE, BUS_ONE]
        self.factor_sequence = self.bus_led = self.bus_block = 0
        self.bus_news, self.bus_seen = 0, [0, 0]
        self.bus_sum, self.window_bus, self.window_lost = 0, [0, 0], [0, 0]
        self.bus_mean = self.plan.block_samples * BUS_ONE

    def bus(self, bus_code: int) -> None:
        """Take a reading of the bus (0 to CODE_MAX): the factor follows it at once. One outside its
        range is not taken. If none is for ``led`` calls, the factor is led to 1, so slowly that the
        loop takes the change over, and led back in the same way. The ratio stays the factor's
        reciprocal."""
        plan, lost = self.plan.bus, 1
        assert plan is not None
        now = self.factor_sequence & 1
        factor, ratio = self.factor[now], self.bus_ratio[now]
        led, read, wanted = self.bus_led, ratio, BUS_ONE
        if plan.read_low <= bus_code <= plan.read_high:
            lost = 0
            measured = min(bus_code, plan.high_code) - plan.zero_code
            read = arithmetic.bus_ratio(measured, plan.ratio_gain, plan.ratio_shift)
            wanted = arithmetic.factor_step(factor, read, plan.factor_low, plan.factor_high)
        ended = self.window_sequence & 1
        if self.bus_news & 1 == self.bus_seen[ended]:
            # The first call since a block ended: so many without any are a long loss.
            unread = self.window_lost[ended]
            led = plan.led if unread == plan.unread else led
        if lost or led:
            led, factor, ratio = self._led(plan, lost, led, factor, wanted, ratio, read)
        else:
            factor, ratio = wanted, read
        sequence = (self.factor_sequence + 1) & SEQUENCE_MASK
        slot = sequence & 1
        self.factor[slot], self.bus_ratio[slot] = factor, ratio
        self.bus_led, self.bus_news = led, self.bus_seen[ended] ^ 1 | (2 if led else 0)
        self.factor_sequence = sequence

    def _led(  # noqa: PLR0917 (what is known of the bus)
        self, plan: BusPlan, lost: int, led: int, factor: int, wanted: int, ratio: int, read: int
    ) -> tuple[int, int, int]:
        """How long the factor has been without a reading, factor and ratio, while none stands
        behind it, or one only just does. Readings: ``wanted`` and ``read``. Before it is led, as
        of a short loss the loop has answered little, and without any drive, as on a bus that comes
        up, a reading is followed at once."""
        block = self.window_sequence
        move = 0
        if lost and led < plan.led:
            led += 1
        if led == plan.led and block != self.bus_block:
            move = plan.lead
        self.bus_block = block
        gap = factor - wanted if factor > wanted else wanted - factor
        if lost == 0 and (led < plan.led or gap <= plan.join or self.scale() == 0):
            return 0, wanted, read
        factor = arithmetic.led_factor(factor, wanted, move)
        ratio = arithmetic.ratio_step(ratio, factor, plan.ratio_low, plan.ratio_high)
        return led, factor, ratio

    def set_target_mv(self, rms_mv: int) -> None:
        """Ask for an output of ``rms_mv`` millivolts RMS; clamped to the design range."""
        sequence = (self.target_sequence + 1) & SEQUENCE_MASK
        target = target_of(self.plan, rms_mv)
        if self.plan.law:
            self.inverse[sequence & 1] = inverse_of(self.plan.law, target)
        self.target[sequence & 1] = target
        self.target_sequence = sequence

    def _aim(self) -> int:
        """The target that was set last; with the normalised law it is kept with its inverse."""
        now = self.target_sequence & 1
        if self.plan.law:
            self.aim, self.aim_inverse = self.target[now], self.inverse[now]
        return self.target[now]

    def hold(self) -> None:
        """A limiter acted in the block that is being measured."""
        self.hold_pending = 1

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
        if plan.bus:
            self.bus_sum += self.bus_ratio[self.factor_sequence & 1]
        self.count += 1
        if self.count < plan.block_samples:
            self.above, self.above_high = above, above_high
            self.below, self.below_high = below, below_high
            return 0
        bus = None
        if plan.bus:
            bus = (self.bus_sum, self._lost(plan.bus))
            self.bus_sum = 0
        self.close_window(above_high << 32 | above, below_high << 32 | below, bus)
        return 1

    def _lost(self, bus: BusPlan) -> int:
        """What a block tells of the bus. 0: its last reading was followed. 1: it was not. 2 to
        ``bus.unread``: no reading came in it, nor in some blocks before it; one more than their
        number."""
        ended = self.window_sequence & 1
        if self.bus_news & 1 != self.bus_seen[ended]:
            return self.bus_news >> 1
        before = self.window_lost[ended]
        return min(max(before, 1) + 1, bus.unread)

    def _added(self, low: int, high: int, magnitude: int) -> tuple[int, int]:
        """A sum, low word and high word, with one more sample."""
        total = low + (magnitude * magnitude if self.plan.measure == "rms" else magnitude)
        return total & WORD_MASK, high + (total >> 32)

    def close_with(self, total: int) -> None:
        """Hand over a block of this sum, half of it on either side of the zero, as of a sine."""
        self.close_window(total - total // 2, total // 2)

    def close_window(self, above: int, below: int, bus: tuple[int, int] | None = None) -> None:
        """Hand the sums of a block (a plain window is one) to update, as its last sample does: of
        the codes at or above the zero, and of those below it. ``bus``: of a measured one the sum of
        its ratios, and 1 if it was lost; None: it was nominal."""
        self.window_sequence = (self.window_sequence + 1) & SEQUENCE_MASK
        if self.window_sequence == self.taken_sequence:
            # 256 blocks that no update took must not look like none.
            self.window_sequence = (self.window_sequence - 2) & SEQUENCE_MASK
        slot = self.window_sequence & 1
        self.window_above[slot], self.window_above_high[slot] = above & WORD_MASK, above >> 32
        self.window_below[slot], self.window_below_high[slot] = below & WORD_MASK, below >> 32
        self.window_held[slot] = self.hold_pending
        self.hold_pending = 0
        if self.plan.bus:
            bus = bus or (self.plan.block_samples * BUS_ONE, 0)
            self.window_bus[slot], self.window_lost[slot] = bus
            self.bus_seen[slot] = self.bus_news & 1
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
        held = self._is_held(self.window_held[slot])
        total = self._weighted(above + below)
        stuck = self._is_stuck(above, below, elapsed)
        lost = FLAG_BUS_LOST if plan.bus and self.window_lost[slot] else 0
        if plan.bus and plan.blockwise:
            newest = self.window_bus[slot]
            self.bus_mean = arithmetic.towards(self.bus_mean, newest, plan.bus.mean_shift)
        if not plan.blockwise or self._due(elapsed, lost):
            self._step(reading_of(plan, total), elapsed, stuck, held, self._limit(slot), lost)
        if plan.tracking:
            self._track(plan.tracking, above, below)

    def _is_held(self, held: int) -> int:
        """Whether a limiter acted in the window that a block ends, ``held``: in that block."""
        plan = self.plan
        if not plan.blockwise:
            return held
        if held:
            self.held_due = plan.blocks
        elif self.held_due:
            self.held_due -= 1
        return 1 if self.held_due else 0

    def _limit(self, slot: int) -> int:
        """The limit of the drive. If the bus is measured: so that what is left of it at the bus, as
        it was on average over the window of this ``slot``, is at its limit."""
        plan = self.plan
        if plan.bus is None:
            return plan.drive_max
        gain, shift = plan.bus.limit_gain, plan.bus.limit_shift
        total = self.bus_mean if plan.blockwise else self.window_bus[slot]
        return arithmetic.scale_by(total, gain, shift) << plan.scale_shift

    def _held_limit(self, scale: int, limit: int) -> int:
        """The drive of this ``scale``, or the ``limit`` that a measured bus leaves, if that is
        less."""
        ceiling = scale << self.plan.scale_shift
        return limit if self.plan.bus and ceiling > limit else ceiling

    def _step(  # noqa: PLR0917 (what is known of the window)
        self, reading: int, elapsed: int, stuck: int, held: int, limit: int, lost: int
    ) -> None:
        """The PI step, with its flags: those of the bus are ``lost``."""
        plan = self.plan
        now = self.output_sequence & 1
        failed = self.out_flags[now] & FLAG_IMPLAUSIBLE
        target = self._climb(self._aim(), held or failed)
        error = target - reading
        deviation = self._deviation(error)

        scale = self.out_scale[now]
        flags = FLAG_MISSED if elapsed > 1 else 0
        flags |= lost
        if held:
            flags |= FLAG_HELD
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
        implausible = (driven and error > 0) if reading < plan.hold_reading else stuck
        if held:
            implausible = False
        if plan.latched and (failed or (target != 0 and implausible)):
            flags |= FLAG_IMPLAUSIBLE
            self.integral = scale = 0
        elif target == 0:
            self.integral = scale = 0
        elif implausible:
            flags |= FLAG_IMPLAUSIBLE
            scale = self._safe(least, reading, target)
            self.integral = min(self.integral, scale << plan.scale_shift)
        elif failed:
            # It reads again, but this window may hold what it read before.
            flags |= self._await_whole_window(elapsed)
        elif plan.updates == 1 or not self._is_unshown(scale, reading, error):
            # While a limiter acts the drive may fall, but not rise.
            top = self._held_limit(scale, limit) if held else limit
            drive = self._regulate(*deviation, top)
            scale = arithmetic.round_shift(drive, plan.scale_shift)
            if drive == limit:
                flags |= FLAG_LIMIT | (FLAG_BROWNOUT if error > plan.band else 0)

        self._publish(scale, reading, flags)

    def _track(self, tracking: Tracking, above: int, below: int) -> None:
        """Take in the sums of a block for the zero: while it settles, or has failed, not at all."""
        now = self.output_sequence & 1
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
        if plan.latched:
            return 0
        if plan.span_updates == 1:
            least = lesser(scale, lesser(self.least[0], self.least[1]))
            self.least = [scale, self.least[0]]
            return least
        now = lesser(scale, self.least[0])
        least = lesser(now, lesser(self.least[1], self.least[2]))
        if self.span_due == plan.span_blocks:  # This step ends a span.
            self.least[2], self.least[1] = self.least[1], now
            now = plan.scale_top
        self.least[0] = now
        return least

    def _safe(self, least: int, reading: int, target: int) -> int:
        """The scale with a sensor that failed: the ``least``, and no more than the weakest board
        needs for the target."""
        plan = self.plan
        return arithmetic.safe(
            least,
            reading,
            target,
            plan.enough_gain,
            plan.enough_shift,
            plan.hold_reading,
            plan.hold_scale,
        )

    def _is_unshown(self, scale: int, reading: int, error: int) -> bool:
        """Whether the drive should show in the reading but does not yet, as not all of the window
        was driven: then it is raised no further."""
        plan = self.plan
        return reading < plan.hold_reading and error > 0 and scale >= plan.hold_scale

    def _await_whole_window(self, elapsed: int) -> int:
        """Hold the drive until a window has passed since a failed sensor read again; the flag that
        stays. A hole says nothing of a stuck one."""
        plan = self.plan
        if plan.blockwise:
            self.blocks_due = plan.blocks
            return 0
        return FLAG_IMPLAUSIBLE if elapsed > 1 else 0

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
        now = self.output_sequence & 1
        sequence = (self.output_sequence + 1) & SEQUENCE_MASK
        spare = sequence & 1
        self.updates[spare] = (self.updates[now] + 1) & UPDATES_MASK
        self.out_scale[spare], self.reading[spare] = scale, reading
        self.out_flags[spare] = flags
        self.raised[spare] = arithmetic.latch(self.raised[now], self.cleared, flags)
        self.output_sequence = sequence

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

    def _due(self, elapsed: int, lost: int) -> bool:
        """Count a block: whether a PI step is due. Until the ring is full the drive is held.
        ``lost``: the flags of the bus."""
        plan, now = self.plan, self.output_sequence & 1
        scale, flags = self.out_scale[now], self.out_flags[now]
        if elapsed > 1:
            self.blocks_due, self.unsettled = plan.blocks, plan.updates
            flags = flags & ~(FLAG_IN_BAND | FLAG_SETTLED) | FLAG_MISSED
        if plan.bus:
            flags = flags & ~FLAG_BUS_LOST | lost
        if self.blocks_due == 1:
            self.blocks_due = plan.update_blocks
            return True
        self.blocks_due -= 1
        if self._aim() == 0:
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

    def _climb(self, target: int, waits: int) -> int:
        """The target in force: climbs by the ramp's step, unless it ``waits`` for a sensor that
        failed or while a limiter acts; falls at once."""
        plan = self.plan
        if not plan.ramped:
            return target
        climb = self.ramp if waits else self.ramp + plan.ramp_step
        self.ramp = min(climb, target << plan.ramp_bits)
        return self.ramp >> plan.ramp_bits

    def _deviation(self, error: int) -> tuple[int, ...]:
        """What the PI step takes of the ``error``: itself, or with the normalised law its share of
        the target, the change of that if there is a proportional term, and the target."""
        law = self.plan.law
        if law is None:
            return (error,)
        share = arithmetic.share(error, self.aim_inverse, law.share_shift, law.share_one)
        if not self.plan.has_proportional:
            return share, self.aim
        change = share - self.share
        self.share = share
        return share, change, self.aim

    def regulated(self, before: int, *given: int) -> tuple[int, int]:
        """Integral and drive after a PI step from the integral ``before``; neither falls if
        ``before`` rises, but for a drive at whose limit a negative proportional term is left out.
        ``given``: what is deviated by (the error of the plain law) and the limit, below
        ``drive_max`` while a limiter acts."""
        self.integral = before
        drive = self._regulate(*given)
        return self.integral, drive

    def _regulate(self, *given: int) -> int:
        """The PI step with anti-windup; the drive inside ``[0, top]``."""
        if self.plan.law:
            self.integral = self._normalised(self.plan.law, *given)
            return self.integral
        return self._plain(*given)

    def _normalised(self, law: Normalising, share: int, *given: int) -> int:
        """The drive after a step of the normalised law."""
        plan, before = self.plan, self.integral
        *change, target, top = given
        lowest = target * law.floor
        size = before if before > lowest else lowest
        action = plan.integral * share
        if change:
            action += plan.proportional * change[0]
        if action < 0:
            part = arithmetic.round_shift(-action, plan.integral_shift)
            fall = arithmetic.portion(size, part, law.split, law.action_bits)
            after = before - fall if fall < before else 0
        else:
            part = arithmetic.round_shift(action, plan.integral_shift)
            after = before + arithmetic.portion(size, part, law.split, law.action_bits)
        return top if after > top else after

    def _plain(self, error: int, top: int) -> int:
        plan, before = self.plan, self.integral
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
        reading = self.reading[self.output_sequence & 1]
        return arithmetic.scale_by(reading, plan.millivolt_gain, plan.millivolt_shift)

    def scale(self) -> int:
        """The amplitude scale in force, ``SCALE_ONE`` = 1.0."""
        return self.out_scale[self.output_sequence & 1]

    def flags(self) -> int:
        """The last window's flags (``halfcycle.regulator.plan.FLAGS``)."""
        return self.out_flags[self.output_sequence & 1]

    def read(self) -> tuple[int, Reading]:
        """1, for nothing comes in between here, and all that the other calls tell, of one update:
        with the number of updates (modulo 2^16), the flags that were set since they were cleared,
        and the blocks that no update took."""
        slot = self.output_sequence & 1
        pending = (self.window_sequence - self.taken_sequence) & SEQUENCE_MASK
        latched = self.raised[slot] ^ self.cleared
        told = Reading(
            self.rms_mv(), self.updates[slot], self.flags(), latched, self.scale(), pending
        )
        return 1, told

    def clear(self, flags: int) -> None:
        """Latch these flags no more; those that are not latched stay as they are."""
        latched = self.raised[self.output_sequence & 1] ^ self.cleared
        self.cleared ^= flags & latched

    def drive(self, phase: int) -> int:
        """The clipped, scaled sine at ``phase`` (``TURN`` steps a turn), DRIVE_FULL = bus."""
        sine = self._between(self.plan.table, phase)
        # Doubled twice, so that the result is the upper half of the product.
        level = min(arithmetic.round_shift(sine * 2 * (self._fed() * 2), 16), DRIVE_FULL)
        return -level if phase & 0x8000 else level

    def duty(self, phase: int) -> int:
        """The same in counts of the PWM, ``pwm_counts`` = bus: the magnitude is rounded."""
        plan = self.plan
        product = self._between(plan.duty_table, phase) * (self._fed() << plan.duty_doubled)
        if plan.duty_shift:
            rounded = arithmetic.round_shift(product >> 16, plan.duty_shift)
        else:
            rounded = arithmetic.round_shift(product, 16)
        duty = min(rounded, plan.pwm_counts)
        return -duty if phase & 0x8000 else duty

    def _fed(self) -> int:
        """What drives the bridge: the scale, or, if the bus is measured, its product with the
        factor, within the drive limit."""
        plan = self.plan
        if plan.bus is None:
            return self.scale()
        factor = self.factor[self.factor_sequence & 1]
        return arithmetic.fed_scale(self.scale(), factor, plan.scale_max)

    def _between(self, table: tuple[int, ...], phase: int) -> int:
        """The magnitude of the sine at ``phase`` (``TURN`` steps a turn), by the points of a
        quarter wave."""
        step_bits = 14 - self.plan.table_bits
        half = phase & 0x7FFF
        # The second quarter of each half turn runs through the table backwards.
        position = 0x8000 - half if phase & 0x4000 else half
        index = position >> step_bits
        along = position & (1 << step_bits) - 1
        left = table[index]
        return left + arithmetic.round_shift((table[index + 1] - left) * along, step_bits)

    def fields(self) -> dict[str, int]:
        """Every number of the state by its name in ``state.field_names``."""
        return dict(zip(field_names(self.plan), self.values(), strict=True))

    def values(self) -> list[int]:
        """Every number of the state in the order of ``state.field_names``."""
        row: list[int] = []
        for value in self._laid_out().values(self):
            # By the kind of value: this is called for every window of a comparison.
            if type(value) is list:
                row += value
            else:
                row.append(value)
        return row

    def load(self, values: Mapping[str, int]) -> None:
        """Set every field from a mapping like :meth:`fields`."""
        for name, elements, indexed in self._laid_out().elements:
            if indexed:
                setattr(self, name, [values[element] for element in elements])
            else:
                setattr(self, name, values[elements[0]])

    def _laid_out(self) -> _Layout:
        """Made at first use: the many regulators of a search are never asked."""
        if self._layout is None:
            self._layout = _Layout.of(self.plan)
        return self._layout


def drive_wave(
    plan: Plan, scale: int | NDArray[np.int64], phase: NDArray[np.int64]
) -> NDArray[np.int64]:
    """``*_drive`` for many phases (any shape, below ``TURN``) at one ``scale`` or one for each."""
    return _wave(plan, plan.table, SCALE_BITS, DRIVE_FULL, scale, phase)


def duty_wave(
    plan: Plan, scale: int | NDArray[np.int64], phase: NDArray[np.int64]
) -> NDArray[np.int64]:
    """``*_duty`` as ``drive_wave`` has the drive."""
    shift = SCALE_BITS + plan.duty_bits
    return _wave(plan, plan.duty_table, shift, plan.pwm_counts, scale, phase)


def fed_scales(
    plan: Plan, scale: NDArray[np.int64], factor: NDArray[np.int64]
) -> NDArray[np.int64]:
    """What drives the bridge at each ``scale`` with the ``factor`` of a measured bus: what
    ``drive_wave`` and ``duty_wave`` take."""
    wanted = (scale * factor + arithmetic.half(BUS_BITS)) >> BUS_BITS
    return np.asarray(np.minimum(wanted, plan.scale_max), dtype=np.int64)


def _wave(  # noqa: PLR0917 (what differs between the two, then their arguments)
    plan: Plan,
    quarter: tuple[int, ...],
    shift: int,
    limit: int,
    scale: int | NDArray[np.int64],
    phase: NDArray[np.int64],
) -> NDArray[np.int64]:
    """The sine by the points of a quarter wave, times ``scale`` / 2^shift, within ``limit``."""
    table = np.asarray(quarter, dtype=np.int64)
    step_bits = 14 - plan.table_bits
    half = phase & 0x7FFF
    # The second quarter of each half turn runs through the table backwards.
    position = np.where(phase & 0x4000, 0x8000 - half, half)
    index = position >> step_bits
    left, right = table[index], table[index + 1]
    along = position & (1 << step_bits) - 1
    sine = left + (((right - left) * along + arithmetic.half(step_bits)) >> step_bits)
    level = np.minimum((sine * scale + arithmetic.half(shift)) >> shift, limit)
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
