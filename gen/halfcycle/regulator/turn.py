"""The oscillator that makes the phase, ``struct NAME_turn`` of the C: its table, its calls, and the
reference model of them, statement for statement.

A struct of its own, so that one oscillator turns several outputs.
"""

from __future__ import annotations

from collections.abc import Mapping

from halfcycle.regulator import arithmetic
from halfcycle.regulator.plan import PHASE_MAX, SEQUENCE_MASK, WORD_MASK, Plan, Turning
from halfcycle.regulator.state import BUS_CALLS, CALLS, Call, Field, calls_of, fields_of


def _steps(plan: Plan) -> tuple[int, int]:
    turning = plan.turning
    assert turning is not None
    steps = [turning.low_step, turning.high_step, turning.rated_step]
    if turning.adjustable:
        steps += [turning.step_at(turning.low_mhz + 1), turning.step_at(turning.high_mhz - 1)]
    return min(steps), max(steps)


TURN_STATE: tuple[Field, ...] = (
    Field("phase", "uint32_t", "turn_next", lambda _: (0, WORD_MASK), "2^32 steps a turn"),
    Field(
        "step",
        "uint32_t",
        "turn_set_millihertz",
        _steps,
        "steps a PWM period",
        slots=2,
        shared=True,
    ),
    Field(
        "step_sequence",
        "uint_least8_t",
        "turn_set_millihertz",
        lambda _: (0, SEQUENCE_MASK),
        "its lowest bit is the slot in use",
        shared=True,
        hands_over=True,
    ),
)
"""The fields of the oscillator, in the order of its struct."""

TURN_CALLS: tuple[Call, ...] = (
    Call("turn_reset", struct="turn"),
    Call("turn_next", "uint16_t", struct="turn", result=lambda _: (0, PHASE_MAX)),
    Call("turn_set_millihertz", argument=("uint32_t", "millihertz"), struct="turn"),
)
"""The calls of the oscillator."""

TURN_CALL_NAMES: tuple[str, ...] = tuple(call.name for call in TURN_CALLS)
TURN_FIELD_NAMES: tuple[str, ...] = ("phase", "step_0", "step_1", "step_sequence")


def call_names(plan: Plan) -> tuple[str, ...]:
    """The calls of this Plan's C."""
    own = (call.name for call in calls_of(plan))
    return (*own, *(TURN_CALL_NAMES if plan.turning else ()))


def call_of(name: str) -> Call:
    """A call by its name."""
    return next(call for call in (*CALLS, *BUS_CALLS, *TURN_CALLS) if call.name == name)


def fields_for(plan: Plan, call: str) -> tuple[Field, ...]:
    """The fields of the struct that a call takes."""
    return TURN_STATE if call in TURN_CALL_NAMES else fields_of(plan)


class Turn:
    """One oscillator. Attributes are the C's fields."""

    __slots__ = ("phase", "step", "step_sequence", "turning")

    def __init__(self, turning: Turning) -> None:
        self.turning = turning
        self.turn_reset()

    def turn_reset(self) -> None:
        """Phase 0, rated frequency."""
        self.phase = 0
        self.step = [self.turning.rated_step, self.turning.rated_step]
        self.step_sequence = 0

    def turn_next(self) -> int:
        """The phase for the next PWM period, 65536 steps a turn; from reset on it is 0 first."""
        step, phase = self.step[self.step_sequence & 1], self.phase
        left = WORD_MASK - phase
        self.phase = step - left - 1 if step > left else phase + step
        return phase >> 16

    def turn_set_millihertz(self, millihertz: int) -> None:
        """Turn at this frequency, held inside the band of the design."""
        turning = self.turning
        sequence = (self.step_sequence + 1) & SEQUENCE_MASK
        if not turning.adjustable:
            step = turning.rated_step
        elif millihertz <= turning.low_mhz:
            step = turning.low_step
        elif millihertz >= turning.high_mhz:
            step = turning.high_step
        else:
            step = turning.base_step + arithmetic.scale_by(
                millihertz - turning.low_mhz, turning.gain, turning.shift
            )
        self.step[sequence & 1] = step
        self.step_sequence = sequence

    def fields(self) -> dict[str, int]:
        """Every number of the struct by its name in ``TURN_FIELD_NAMES``."""
        values = (self.phase, *self.step, self.step_sequence)
        return dict(zip(TURN_FIELD_NAMES, values, strict=True))

    def load(self, values: Mapping[str, int]) -> None:
        """Set every field from a mapping like :meth:`fields`."""
        self.phase, *self.step, self.step_sequence = (values[name] for name in TURN_FIELD_NAMES)
