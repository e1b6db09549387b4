"""The C's state and its calls, each listed once: a row a field, a row a call.

The struct and the prototypes of the templates, the model, the trace, the harness on the host and on
a target, and both provers take names, types, order and ranges from here. A new field is a row of
``STATE`` and what the model and ``templates/regulator.c.j2`` do with it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from halfcycle.regulator.plan import (
    CODE_MAX,
    DRIVE_FULL,
    LEAN_WORD,
    SEQUENCE_MASK,
    UPDATES_MASK,
    WORD_MASK,
    Plan,
)

Bounds = Callable[[Plan], tuple[int, int]]
"""Lowest and highest value of a Plan's field or result, in units of its last place."""


def _signal(name: str) -> Bounds:
    """The range that the generated header states for a signal."""
    return lambda plan: plan.signal_range(name)


def _fixed(low: int, high: int) -> Bounds:
    return lambda _: (low, high)


def _low_word(plan: Plan) -> tuple[int, int]:
    return 0, min(plan.block_max, WORD_MASK)


def _high_word(plan: Plan) -> tuple[int, int]:
    return 0, plan.block_max >> 32


_SEQUENCE = _fixed(0, SEQUENCE_MASK)
_UPDATES = _fixed(0, UPDATES_MASK)
_SLOT = _fixed(0, 1)


def _all_flags(plan: Plan) -> tuple[int, int]:
    return 0, plan.all_flags


def reading_type(plan: Plan) -> str:
    """The C type of readings and targets."""
    return "int32_t" if plan.wide else "int16_t"


def ring_type(plan: Plan) -> str:
    """The C type of the block sums in the ring: 16 bits if they fit."""
    return "uint16_t" if plan.block_max <= CODE_MAX else "uint32_t"


def _counter(most: Callable[[Plan], int]) -> Callable[[Plan], str]:
    """The narrowest C type that counts up to ``most``."""
    return lambda plan: "uint_least8_t" if most(plan) <= SEQUENCE_MASK else "uint16_t"


def _sum_comment(plan: Plan) -> str:
    what = "block" if plan.blockwise else "window"
    low = ", low words" if plan.block_high else ""
    return f"running sums of the {what}, of codes at or above the zero and of those below it{low}"


def _sums_comment(plan: Plan) -> str:
    return f"sample to update: sums of whole {'blocks' if plan.blockwise else 'windows'}"


def _sequence_comment(plan: Plan) -> str:
    what = "blocks" if plan.blockwise else "windows"
    return f"counts whole {what}; its lowest bit is the newest slot"


def _block(plan: Plan) -> str:
    return "block" if plan.blockwise else "window"


def _ring_slots(plan: Plan) -> int:
    return plan.blocks - 1


def _if_blockwise(plan: Plan) -> int:
    return 1 if plan.blockwise else 0


def _if_moving(plan: Plan) -> int:
    return 1 if plan.updates > 1 else 0


def _if_tracked(plan: Plan) -> int:
    return 1 if plan.tracking else 0


def _zero_slots(plan: Plan) -> int:
    return 2 if plan.tracking else 0


def _if_bus(plan: Plan) -> int:
    return 1 if plan.bus else 0


def _bus_slots(plan: Plan) -> int:
    return 2 if plan.bus else 0


def _factor(plan: Plan) -> tuple[int, int]:
    return (plan.bus.factor_low, plan.bus.factor_high) if plan.bus else (0, 0)


def _ratio(plan: Plan) -> tuple[int, int]:
    return (plan.bus.ratio_low, plan.bus.ratio_high) if plan.bus else (0, 0)


def _bus_sum(plan: Plan) -> tuple[int, int]:
    return 0, plan.block_samples * plan.bus.ratio_high if plan.bus else 0


def _bus_lost(plan: Plan) -> tuple[int, int]:
    return 0, plan.bus.unread if plan.bus else 0


def _bus_led(plan: Plan) -> tuple[int, int]:
    return 0, plan.bus.led if plan.bus else 0


def _zero(plan: Plan) -> tuple[int, int]:
    return plan.zero_code - plan.zero_clamp, plan.zero_code + plan.zero_clamp


def _zero_part(plan: Plan) -> tuple[int, int]:
    hold = plan.tracking.hold if plan.tracking else 0
    return -hold, hold


def _zero_lean(plan: Plan) -> tuple[int, int]:
    tracking = plan.tracking
    # The last block of them is never stored.
    most = (tracking.blocks - 1) * (plan.block_max >> tracking.shift) if tracking else 0
    return -most, most


def _if_gathered(plan: Plan) -> int:
    # With a step at every block nothing waits for the next one.
    return 1 if plan.tracking and plan.tracking.blocks > 1 else 0


def _zero_blocks(plan: Plan) -> int:
    return plan.tracking.blocks if plan.tracking else 1


def _inverse_slots(plan: Plan) -> int:
    return 2 if plan.law else 0


def _if_normalised(plan: Plan) -> int:
    return 1 if plan.law else 0


def _if_changes(plan: Plan) -> int:
    return 1 if plan.law and plan.has_proportional else 0


def _inverse(plan: Plan) -> tuple[int, int]:
    return 0, plan.law.inverse_max if plan.law else 0


def _share(plan: Plan) -> tuple[int, int]:
    one = plan.law.share_one if plan.law else 0
    return -(one >> 1), one


def _span_sum(plan: Plan) -> tuple[int, int]:
    return 0, plan.lean_max


def least_slots(plan: Plan) -> int:
    """How many least drives are kept: those of three spans, or of two windows besides the scale in
    force; none if a sensor that fails leaves no drive anyway."""
    if plan.latched:
        return 0
    return 3 if plan.span_updates > 1 else 2


def _least_comment(plan: Plan) -> str:
    if plan.span_updates > 1:
        return "least scale in force in this span and in each of the two before it"
    return "scale in force in each of the two windows before, the later first"


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the C's ``struct NAME_state``."""

    name: str
    type: str | Callable[[Plan], str]
    """A type of stdint.h."""
    writer: str
    """The one call that writes it, besides reset; unless it is shared, no other may read it."""
    bounds: Bounds
    comment: Callable[[Plan], str] | str = ""
    slots: int | Callable[[Plan], int] = 1
    """2: a hand-over, of which one slot is in use while the writer fills the other. By the Plan:
    its numbers; 0 if the Plan has none of it, and then it has no place in a row of numbers."""
    array: bool = False
    """Indexed in the C even if it has one slot."""
    shared: bool | Callable[[Plan], bool] = False
    """Volatile: calls of another interrupt level see it."""
    hand_over: str = ""
    """The field that says which of its slots is in use, if not that of all its writer hands over
    but for fields that name theirs."""
    hands_over: bool = False
    """It says which slot of its writer's hand-overs is in use: stored once, and last."""
    counts: bool = False
    """It counts what its writer hands over: stored first, so that a slot that is written anew shows
    at once."""
    cleared_by: str = ""
    """A call that stores 0 in it, if another but its writer does: the writer stores 1 only."""
    present: Callable[[Plan], bool] = lambda _: True
    """Whether the C of a Plan has the field; elsewhere it counts as 0."""

    def slot_count(self, plan: Plan) -> int:
        """How many numbers it is."""
        return self.slots if isinstance(self.slots, int) else self.slots(plan)

    def indexed(self, plan: Plan) -> bool:
        """Whether it is an array in the C."""
        return self.array or self.slot_count(plan) > 1

    def is_shared(self, plan: Plan) -> bool:
        """Whether it is volatile in this Plan's C."""
        return self.shared if isinstance(self.shared, bool) else self.shared(plan)

    def c_type(self, plan: Plan) -> str:
        """Its type in the C, ``volatile`` left out."""
        return self.type if isinstance(self.type, str) else self.type(plan)

    def declaration(self, plan: Plan) -> str:
        """Its line in the struct."""
        volatile = "volatile " if self.is_shared(plan) else ""
        slots = f"[{self.slot_count(plan)}]" if self.indexed(plan) else ""
        comment = self.comment if isinstance(self.comment, str) else self.comment(plan)
        line = f"{volatile}{self.c_type(plan)} {self.name}{slots};"
        return f"{line} /* {comment} */" if comment else line

    def elements(self, plan: Plan) -> tuple[str, ...]:
        """The names of its numbers: itself, or one for each slot."""
        if not self.indexed(plan):
            return (self.name,) * self.slot_count(plan)
        return tuple(f"{self.name}_{slot}" for slot in range(self.slot_count(plan)))


_BUS: tuple[Field, ...] = (
    Field(
        "factor",
        "uint16_t",
        "bus",
        _factor,
        "nominal bus over measured bus, 32768 = 1.0",
        slots=_bus_slots,
        shared=True,
        hand_over="factor_sequence",
    ),
    Field(
        "bus_ratio",
        "uint16_t",
        "bus",
        _ratio,
        "measured bus over nominal bus, 32768 = 1.0",
        slots=_bus_slots,
        shared=True,
        hand_over="factor_sequence",
    ),
    Field(
        "factor_sequence",
        "uint_least8_t",
        "bus",
        _SEQUENCE,
        "counts readings of the bus; its lowest bit is the slot in use",
        slots=_if_bus,
        shared=True,
        hands_over=True,
        hand_over="factor_sequence",
    ),
    Field(
        "bus_led",
        "uint16_t",
        "bus",
        _bus_led,
        lambda plan: f"calls without a reading to follow; {_bus_led(plan)[1]}: the factor is led",
        slots=_if_bus,
    ),
    Field(
        "bus_block",
        "uint_least8_t",
        "bus",
        _SEQUENCE,
        lambda plan: f"the {_block(plan)} of the last call without a reading to follow",
        slots=_if_bus,
    ),
    Field(
        "bus_news",
        "uint_least8_t",
        "bus",
        _fixed(0, 3),
        lambda plan: (
            f"lowest bit other than bus_seen of the newest {_block(plan)}: the bus was read since; "
            "the next one: the last reading was not followed"
        ),
        slots=_if_bus,
        shared=True,
    ),
    Field(
        "bus_seen",
        "uint_least8_t",
        "sample",
        _SLOT,
        lambda plan: f"bus_news as a {_block(plan)} ended",
        slots=_bus_slots,
        shared=True,
        hand_over="window_sequence",
    ),
    Field(
        "bus_sum",
        "uint32_t",
        "sample",
        _bus_sum,
        lambda plan: f"running sum of the ratios of the {_block(plan)}",
        slots=_if_bus,
    ),
    Field(
        "window_bus",
        "uint32_t",
        "sample",
        _bus_sum,
        slots=_bus_slots,
        shared=True,
        hand_over="window_sequence",
    ),
    Field(
        "bus_mean",
        "uint32_t",
        "update",
        _bus_sum,
        "the same of a block, a mean over the last ones",
        slots=lambda plan: 1 if plan.bus and plan.blockwise else 0,
    ),
    Field(
        "window_lost",
        "uint_least8_t",
        "sample",
        _bus_lost,
        "1: the last reading of the bus was outside its range; more: so many, and none came",
        slots=_bus_slots,
        shared=True,
        hand_over="window_sequence",
    ),
)
"""The fields of a regulator whose bus is measured."""


STATE: tuple[Field, ...] = (
    Field("above", "uint32_t", "sample", _low_word, _sum_comment),
    Field("below", "uint32_t", "sample", _low_word),
    *(
        Field(
            f"{side}_high",
            "uint16_t",
            "sample",
            _high_word,
            comment,
            present=lambda plan: plan.block_high,
        )
        for side, comment in (("above", "running sums, high words"), ("below", ""))
    ),
    Field(
        "count",
        "uint16_t",
        "sample",
        lambda plan: (0, plan.block_samples - 1),
        lambda plan: (
            f"samples taken of the {'block' if plan.blockwise else 'window'}, "
            f"0 to {plan.block_samples - 1}"
        ),
    ),
    Field(
        "hold_pending",
        "uint_least8_t",
        "hold",
        _SLOT,
        lambda plan: f"1: a limiter acted in this {'block' if plan.blockwise else 'window'}",
        shared=True,
        cleared_by="sample",
    ),
    Field(
        "window_sequence",
        "uint_least8_t",
        "sample",
        _SEQUENCE,
        _sequence_comment,
        shared=True,
        hands_over=True,
    ),
    *(
        Field(
            f"window_{side}",
            "uint32_t",
            "sample",
            _low_word,
            comment,
            slots=2,
            shared=True,
        )
        for side, comment in (("above", _sums_comment), ("below", ""))
    ),
    *(
        Field(
            f"window_{side}_high",
            "uint16_t",
            "sample",
            _high_word,
            slots=2,
            shared=True,
            present=lambda plan: plan.block_high,
        )
        for side in ("above", "below")
    ),
    Field(
        "integral",
        "int32_t",
        "update",
        _signal("integral"),
        lambda plan: f"0 to {plan.drive_max}, scale 1.0 = 2^{plan.drive_bits}",
    ),
    Field(
        "least",
        "int16_t",
        "update",
        _signal("scale"),
        _least_comment,
        slots=least_slots,
    ),
    Field(
        "lean",
        "int32_t",
        "update",
        _fixed(-LEAN_WORD, LEAN_WORD),
        "one-sided sum of the last span, less than 0 if below the zero; 0 if it had two sides",
    ),
    *(
        Field(f"span_{side}", "uint32_t", "update", _span_sum, comment, slots=_if_blockwise)
        for side, comment in (("above", "sums of the span up to now"), ("below", ""))
    ),
    Field(
        "ramp",
        "int32_t",
        "update",
        _signal("ramp"),
        lambda plan: f"target in force, 2^-{plan.ramp_bits} reading units",
        present=lambda plan: plan.ramped,
    ),
    Field(
        "target",
        reading_type,
        "set_target_mv",
        _signal("target"),
        lambda plan: f"0 to {plan.target_max} reading units",
        slots=2,
        shared=True,
    ),
    Field(
        "inverse",
        "uint16_t",
        "set_target_mv",
        _inverse,
        lambda plan: f"1 / target, 2^-{plan.law.inverse_shift if plan.law else 0}",
        slots=_inverse_slots,
        shared=True,
    ),
    Field(
        "aim",
        reading_type,
        "update",
        lambda plan: (0, plan.target_max),
        "the target in force and its inverse, of one call",
        slots=_if_normalised,
    ),
    Field("aim_inverse", "uint16_t", "update", _inverse, slots=_if_normalised),
    Field(
        "share",
        "int32_t",
        "update",
        _share,
        lambda plan: f"the last error over its target, 2^-{plan.law.share_bits if plan.law else 0}",
        slots=_if_changes,
    ),
    Field(
        "reading",
        reading_type,
        "update",
        _signal("reading"),
        lambda plan: f"0 to {plan.reading_max}",
        slots=2,
        shared=True,
    ),
    Field(
        "scale",
        "int16_t",
        "update",
        _signal("scale"),
        lambda plan: f"0 to {plan.scale_top}",
        slots=2,
        shared=True,
    ),
    Field("flags", "uint16_t", "update", _all_flags, slots=2, shared=True),
    Field(
        "updates",
        "uint16_t",
        "update",
        _UPDATES,
        "counts updates that took something",
        slots=2,
        shared=True,
        counts=True,
    ),
    Field(
        "raised",
        "uint16_t",
        "update",
        _all_flags,
        "a flag is latched while its bit here is not that of cleared",
        slots=2,
        shared=True,
    ),
    Field("cleared", "uint16_t", "clear", _all_flags, shared=True),
    Field(
        "window_held",
        "uint_least8_t",
        "sample",
        _SLOT,
        lambda plan: f"1: a limiter acted in the whole {'block' if plan.blockwise else 'window'}",
        slots=2,
        shared=True,
    ),
    Field(
        "taken_sequence",
        "uint_least8_t",
        "update",
        _SEQUENCE,
        "the last one that an update used",
        shared=True,
    ),
    Field(
        "held_due",
        _counter(lambda plan: plan.blocks),
        "update",
        lambda plan: (0, plan.blocks),
        "blocks up to the first window without one in which a limiter acted",
        slots=_if_blockwise,
    ),
    Field(
        "blocks_due",
        _counter(lambda plan: plan.blocks),
        "update",
        lambda plan: (1, plan.blocks),
        lambda plan: f"blocks up to the next PI step, 1 to {plan.blocks}",
        slots=_if_blockwise,
    ),
    Field(
        "unsettled",
        _counter(lambda plan: plan.updates),
        "update",
        lambda plan: (0, plan.updates),
        "PI steps in the band that SETTLED still asks for",
        slots=_if_moving,
    ),
    Field(
        "undriven",
        _counter(lambda plan: plan.updates),
        "update",
        lambda plan: (0, plan.updates),
        "PI steps until the whole window is driven enough for IMPLAUSIBLE",
        slots=_if_moving,
    ),
    Field(
        "span_due",
        _counter(lambda plan: plan.span_blocks),
        "update",
        lambda plan: (1, plan.span_blocks),
        lambda plan: f"blocks up to the end of the span, 1 to {plan.span_blocks}",
        slots=_if_blockwise,
    ),
    Field(
        "stuck",
        "uint_least8_t",
        "update",
        _SLOT,
        "1: the last two spans leaned the same way",
        slots=_if_blockwise,
    ),
    Field(
        "target_sequence",
        "uint_least8_t",
        "set_target_mv",
        _SEQUENCE,
        "counts targets; its lowest bit is the slot in use",
        shared=True,
        hands_over=True,
    ),
    Field(
        "output_sequence",
        "uint_least8_t",
        "update",
        _SEQUENCE,
        "counts updates; its lowest bit is the slot in use",
        shared=True,
        hands_over=True,
    ),
    Field(
        "zero",
        "uint16_t",
        "update",
        _zero,
        "code that the sensor's zero is taken for",
        slots=_zero_slots,
        shared=True,
        hand_over="zero_slot",
    ),
    Field(
        "zero_part",
        "int32_t",
        "update",
        _zero_part,
        lambda plan: (
            f"zero beyond that code, 2^-{plan.tracking.bits if plan.tracking else 0} codes"
        ),
        slots=_if_tracked,
    ),
    Field(
        "zero_lean",
        "int32_t",
        "update",
        _zero_lean,
        "sums at or above the zero less those below it, of settled output up to now",
        slots=_if_gathered,
    ),
    Field(
        "zero_due",
        _counter(_zero_blocks),
        "update",
        lambda plan: (1, _zero_blocks(plan)),
        lambda plan: f"{'blocks' if plan.blockwise else 'windows'} up to the next step of the zero",
        slots=_if_gathered,
    ),
    Field(
        "zero_slot",
        "uint_least8_t",
        "update",
        _SLOT,
        "0 or 1",
        slots=_if_tracked,
        shared=True,
        hands_over=True,
        hand_over="zero_slot",
    ),
    *_BUS,
    Field(
        "ring",
        ring_type,
        "update",
        _low_word,
        "sums of the blocks before the newest, the later first",
        slots=_ring_slots,
        array=True,
    ),
    Field(
        "ring_high",
        "uint16_t",
        "update",
        _high_word,
        slots=_ring_slots,
        array=True,
        present=lambda plan: plan.block_high,
    ),
)
"""Every field that any Plan's C has, in the order of ``field_names``."""

RUNNING = ("above", "below", "above_high", "below_high", "count")
"""The fields that move at every sample; how many samples bounds their sums."""


def field_names(plan: Plan) -> tuple[str, ...]:
    """The state as a row of numbers, fields of several slots by slot: in this order, absent fields
    as 0. Plain windows all have the same; windows of blocks have some more."""
    return tuple(name for field in STATE for name in field.elements(plan))


HOT = (
    *("scale", "factor", "output_sequence", "factor_sequence"),
    *("window_sequence", "taken_sequence", "target_sequence"),
)
"""The first fields of the struct. What is called at PWM rate reads those of the first row: near the
start they take short instructions; the other bytes fill the word."""


def fields_of(plan: Plan) -> tuple[Field, ...]:
    """The fields of this Plan's C, in the order of its struct."""
    present = [field for field in STATE if field.present(plan) and field.slot_count(plan)]
    hot = [field for name in HOT for field in present if field.name == name]
    return (*hot, *(field for field in present if field.name not in HOT))


@dataclass(frozen=True, slots=True)
class Call:
    """One public function of the C. Its first argument is always its struct."""

    name: str
    returns: str = "void"
    argument: tuple[str, str] | None = None
    """Type and name of its other argument."""
    reads: bool = False
    """It leaves the state as it is (a pointer to const)."""
    result: Bounds | None = None
    """What it may return; None if it returns nothing."""
    struct: str = "state"
    """Whose it is: ``struct NAME_state``, or another one's of this ending."""
    fills: bool = False
    """Its other argument is a struct NAME_reading, of which it sets every member (``READING``)."""

    def prototype(self, name: str) -> str:
        """Its head in the C of the regulator ``name``."""
        state = f"{'const ' if self.reads else ''}struct {name}_{self.struct} *{self.struct[0]}"
        argument = f", {' '.join(self.argument)}" if self.argument else ""
        if self.fills:
            argument = f", struct {name}_reading *out"
        return f"{self.returns} {name}_{self.name}({state}{argument})"


CALLS: tuple[Call, ...] = (
    Call("reset"),
    Call("set_target_mv", argument=("int32_t", "rms_mv")),
    Call("sample", "int", ("uint16_t", "adc_code"), result=_fixed(0, 1)),
    Call("hold"),
    Call("update"),
    Call("read", "int", reads=True, result=_fixed(0, 1), fills=True),
    Call("clear", argument=("uint16_t", "flags")),
    Call("rms_mv", "int32_t", reads=True, result=_signal("rms_mv")),
    Call("scale", "int16_t", reads=True, result=_signal("scale")),
    Call("flags", "uint16_t", reads=True, result=_all_flags),
    Call("drive", "int16_t", ("uint16_t", "phase"), True, _fixed(-DRIVE_FULL, DRIVE_FULL)),
    Call(
        "duty",
        "int16_t",
        ("uint16_t", "phase"),
        True,
        lambda plan: (-plan.pwm_counts, plan.pwm_counts),
    ),
)
"""The public functions of the C."""

BUS_CALLS: tuple[Call, ...] = (Call("bus", argument=("uint16_t", "bus_code")),)
"""Those that it has besides if the bus is measured."""


def calls_of(plan: Plan) -> tuple[Call, ...]:
    """The calls of this Plan's C that take its state."""
    return CALLS + BUS_CALLS if plan.bus else CALLS


READING: tuple[tuple[str, str, Bounds], ...] = (
    ("rms_mv", "int32_t", _signal("rms_mv")),
    ("updates", "uint16_t", _UPDATES),
    ("flags", "uint16_t", _all_flags),
    ("latched", "uint16_t", _all_flags),
    ("scale", "int16_t", _signal("scale")),
    ("pending", "uint_least8_t", _SEQUENCE),
)
"""Name, type and range of each member of struct NAME_reading, in its order."""

CALL_NAMES: tuple[str, ...] = tuple(call.name for call in CALLS)
BUS_CALL_NAMES: tuple[str, ...] = tuple(call.name for call in BUS_CALLS)
READERS: tuple[str, ...] = tuple(
    call.name for call in CALLS if call.reads and not (call.argument or call.fills)
)
"""The calls that tell a number of the state and take nothing."""
