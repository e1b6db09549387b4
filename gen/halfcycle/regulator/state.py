"""The C's state and its calls, each listed once: a row a field, a row a call.

The struct and the prototypes of the templates, the model, the trace, the harness on the host and on
a target, and both provers take names, types, order and ranges from here. A new field is a row of
``STATE`` and what the model and ``templates/regulator.c.j2`` do with it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from halfcycle.regulator.plan import (
    ALL_FLAGS,
    DRIVE_FULL,
    SEQUENCE_MASK,
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
    return 0, min(plan.signal_range("sum")[1], WORD_MASK)


def _high_word(plan: Plan) -> tuple[int, int]:
    return 0, plan.signal_range("sum")[1] >> 32


_SEQUENCE = _fixed(0, SEQUENCE_MASK)
_SLOT = _fixed(0, 1)
_ALL_FLAGS = _fixed(0, ALL_FLAGS)


def reading_type(plan: Plan) -> str:
    """The C type of readings and targets."""
    return "int32_t" if plan.wide else "int16_t"


def _sum_comment(plan: Plan) -> str:
    return "running sum of the window" + (", low word" if plan.sum_high else "")


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
    slots: int = 1
    """2: a hand-over, of which one slot is in use while the writer fills the other."""
    shared: bool = False
    """Volatile: calls of another interrupt level see it."""
    present: Callable[[Plan], bool] = lambda _: True
    """Whether the C of a Plan has the field; elsewhere it counts as 0."""

    def c_type(self, plan: Plan) -> str:
        """Its type in the C, ``volatile`` left out."""
        return self.type if isinstance(self.type, str) else self.type(plan)

    def declaration(self, plan: Plan) -> str:
        """Its line in the struct."""
        volatile = "volatile " if self.shared else ""
        slots = f"[{self.slots}]" if self.slots > 1 else ""
        comment = self.comment if isinstance(self.comment, str) else self.comment(plan)
        line = f"{volatile}{self.c_type(plan)} {self.name}{slots};"
        return f"{line} /* {comment} */" if comment else line

    @property
    def elements(self) -> tuple[str, ...]:
        """The names of its numbers: itself, or one for each slot."""
        if self.slots == 1:
            return (self.name,)
        return tuple(f"{self.name}_{slot}" for slot in range(self.slots))


STATE: tuple[Field, ...] = (
    Field("sum", "uint32_t", "sample", _low_word, _sum_comment),
    Field(
        "sum_high",
        "uint16_t",
        "sample",
        _high_word,
        "running sum, high word",
        present=lambda plan: plan.sum_high,
    ),
    Field(
        "count",
        "uint16_t",
        "sample",
        lambda plan: (0, plan.samples - 1),
        lambda plan: f"samples taken of the window, 0 to {plan.samples - 1}",
    ),
    Field(
        "window_sum",
        "uint32_t",
        "sample",
        _low_word,
        "sample to update: sums of whole windows",
        slots=2,
        shared=True,
    ),
    Field(
        "window_high",
        "uint16_t",
        "sample",
        _high_word,
        slots=2,
        shared=True,
        present=lambda plan: plan.sum_high,
    ),
    Field(
        "integral",
        "int32_t",
        "update",
        _signal("integral"),
        lambda plan: f"0 to {plan.drive_max}, scale 1.0 = 2^{plan.drive_bits}",
    ),
    Field(
        "trusted",
        "int32_t",
        "update",
        _signal("trusted"),
        "the integral of the last window in the target band, same range",
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
        lambda plan: f"0 to {plan.scale_max}",
        slots=2,
        shared=True,
    ),
    Field("flags", "uint16_t", "update", _ALL_FLAGS, slots=2, shared=True),
    Field(
        "window_sequence",
        "uint_least8_t",
        "sample",
        _SEQUENCE,
        "counts whole windows; its lowest bit is the newest slot",
        shared=True,
    ),
    Field(
        "taken_sequence", "uint_least8_t", "update", _SEQUENCE, "the last one that an update used"
    ),
    Field("target_slot", "uint_least8_t", "set_target_mv", _SLOT, "0 or 1", shared=True),
    Field("output_slot", "uint_least8_t", "update", _SLOT, "0 or 1", shared=True),
)
"""Every field that any Plan's C has, in the order of the struct."""

RUNNING = ("sum", "sum_high", "count")
"""The fields that move at every sample; how many samples bounds their sum."""

FIELDS: tuple[str, ...] = tuple(name for field in STATE for name in field.elements)
"""The state as a row of numbers, two-slot fields by slot: in this order for every Plan, absent
fields as 0."""


def fields_of(plan: Plan) -> tuple[Field, ...]:
    """The fields of this Plan's C, in the order of its struct."""
    return tuple(field for field in STATE if field.present(plan))


@dataclass(frozen=True, slots=True)
class Call:
    """One public function of the C. Its first argument is always the state."""

    name: str
    returns: str = "void"
    argument: tuple[str, str] | None = None
    """Type and name of its other argument."""
    reads: bool = False
    """It leaves the state as it is (a pointer to const)."""
    result: Bounds | None = None
    """What it may return; None if it returns nothing."""

    def prototype(self, name: str) -> str:
        """Its head in the C of the regulator ``name``."""
        state = f"{'const ' if self.reads else ''}struct {name}_state *s"
        argument = f", {' '.join(self.argument)}" if self.argument else ""
        return f"{self.returns} {name}_{self.name}({state}{argument})"


CALLS: tuple[Call, ...] = (
    Call("reset"),
    Call("set_target_mv", argument=("int32_t", "rms_mv")),
    Call("sample", "int", ("uint16_t", "adc_code"), result=_fixed(0, 1)),
    Call("update"),
    Call("rms_mv", "int32_t", reads=True, result=_signal("rms_mv")),
    Call("scale", "int16_t", reads=True, result=_signal("scale")),
    Call("flags", "uint16_t", reads=True, result=_ALL_FLAGS),
    Call("drive", "int16_t", ("uint16_t", "phase"), True, _fixed(-DRIVE_FULL, DRIVE_FULL)),
)
"""The public functions of the C."""

CALL_NAMES: tuple[str, ...] = tuple(call.name for call in CALLS)
READERS: tuple[str, ...] = tuple(call.name for call in CALLS if call.reads and not call.argument)
"""The calls that tell a number of the state and take nothing."""
