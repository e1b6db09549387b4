"""Golden vectors: windows of two codes each, with what the model makes of them.

Two codes per window reach any sum that matters while a row stays small enough for the smallest
processors. The rows visit start-up, settling, the rails, overload, recovery, an implausible
reading, a limiter that acts, a target of zero and targets off the range. A window of blocks is
updated at the end of each block; some rows leave one out, so that the next fills the ring anew.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass

from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import CODE_MAX, SCALE_ONE, TURN, WORD_MASK, Plan
from halfcycle.regulator.turn import Turn

ROWS = 40
TURN_ROWS = 8


@dataclass(frozen=True, slots=True)
class Vector:
    """One window: its stimulus and what the C must show after the update."""

    target_mv: int
    code_first: int
    code_rest: int
    first: int
    phase: int
    integral: int
    rms_mv: int
    scale: int
    flags: int
    drive: int
    duty: int
    held: int
    """1: a limiter acts in the window's first block."""
    updates: int
    latched: int
    """Since the row before, whose flags were cleared."""
    pending: int
    skipped: int
    """The block that no update takes; ``plan.blocks`` for none. A plain window has none."""
    bus: int
    """Code of a measured bus, which is read before every sample."""

    def values(self, plan: Plan) -> tuple[int, ...]:
        """The numbers of a row, those left out that the Plan has none of."""
        row = astuple(self)
        return row[:-2] + row[-2:-1] * plan.blockwise + row[-1:] * (plan.bus is not None)


def golden_vectors(plan: Plan) -> tuple[Vector, ...]:
    """ROWS windows run through the model from reset, in order."""
    regulator = Regulator(plan)
    rows = []
    for row in range(ROWS):
        target_mv, code_first, code_rest = _stimulus(plan, regulator, row)
        first = (row * 7919) % (plan.samples + 1)
        regulator.set_target_mv(target_mv)
        regulator.clear(regulator.flags())
        held = 1 if row in (22, 27, 28, 36) else 0
        if held:
            regulator.hold()
        skipped = (row // 4) % plan.blocks if plan.blockwise and row % 8 == 3 else plan.blocks
        block = 0
        bus = _bus_code(plan, row)
        for index in range(plan.samples):
            if plan.bus:
                regulator.bus(bus)
            if regulator.sample(code_first if index < first else code_rest):
                if block != skipped:
                    regulator.update()
                block += 1
        _, told = regulator.read()
        phase = (row * 40503 + 12345) % TURN
        rows.append(
            Vector(
                target_mv,
                code_first,
                code_rest,
                first,
                phase,
                regulator.integral,
                regulator.rms_mv(),
                regulator.scale(),
                regulator.flags(),
                regulator.drive(phase),
                regulator.duty(phase),
                held,
                told.updates,
                told.latched,
                told.pending,
                skipped,
                bus,
            )
        )
    return tuple(rows)


def _bus_code(plan: Plan, row: int) -> int:
    """What a measured bus reads in a row: the nominal, then the ends of what is followed, and what
    counts as lost for some windows."""
    bus = plan.bus
    if bus is None:
        return 0
    nominal = bus.nominal_code
    places = {6: bus.high_code, 7: bus.high_code, 8: bus.read_low, 9: bus.read_high + 1}
    places |= {10: 0, 11: 0, 12: bus.read_high, 30: bus.read_low}
    return places.get(row, nominal + row % 5 - 2)


@dataclass(frozen=True, slots=True)
class TurnVector:
    """A frequency, so many calls of ``turn_next``, and what the last of them must return."""

    millihertz: int
    calls: int
    phase: int


def turn_vectors(plan: Plan) -> tuple[TurnVector, ...]:
    """TURN_ROWS stretches of the oscillator from reset, in order; none if the Plan has none."""
    turning = plan.turning
    if turning is None:
        return ()
    low, high = turning.low_mhz, turning.high_mhz
    turn, rows = Turn(turning), []
    asked = (low, high, 0, WORD_MASK, (low + high) // 2, low + (high - low) // 3, high - 1, low + 1)
    for row, millihertz in enumerate(asked[:TURN_ROWS]):
        turn.turn_set_millihertz(millihertz)
        calls = 97 + 53 * row
        phase = [turn.turn_next() for _ in range(calls)][-1]
        rows.append(TurnVector(millihertz, calls, phase))
    return tuple(rows)


def _stimulus(plan: Plan, regulator: Regulator, row: int) -> tuple[int, int, int]:
    """Target and the window's two codes: an output that follows the scale, and then trouble."""
    following = _rated_magnitude(plan) * regulator.scale() * 19 // (20 * SCALE_ONE)
    up = min(plan.adc_max, plan.zero_code + following)
    down = max(0, plan.zero_code - following)
    if row in (20, 21):
        return plan.rated_mv, 0, CODE_MAX
    if row in (24, 25):
        return plan.rated_mv, plan.zero_code, plan.zero_code
    if 28 <= row < 33:
        return plan.target_max_mv + 1, (up + plan.zero_code) // 2, (down + plan.zero_code) // 2
    if row == 33:
        return -1, up, down
    if row == 34:
        return plan.rated_mv // 2, up, plan.zero_code
    return plan.rated_mv, up, down


def _rated_magnitude(plan: Plan) -> int:
    """The constant code magnitude that reads as the rated voltage, at most the ADC's."""
    if plan.measure == "rms":
        square = (plan.target_rated**2 << plan.reading_shift) // plan.weighted_samples
        low, high = 0, plan.magnitude_max
        while low < high:
            middle = (low + high + 1) // 2
            low, high = (middle, high) if middle * middle <= square else (low, middle - 1)
        return low
    level = (plan.target_rated << plan.reading_shift) // plan.weighted_samples
    return min(plan.magnitude_max, level)
