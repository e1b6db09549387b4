"""What the compiled C does with a window of blocks, told in time: fills, steps, holes, targets.

The C alone, through its own calls; sums are checked against numpy's convolution (a general
library), the times by counting blocks.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from halfcycle.regulator.model import magnitudes, reading_of
from halfcycle.regulator.plan import (
    FLAG_IN_BAND,
    FLAG_MISSED,
    FLAG_OVER,
    FLAG_SETTLED,
    Plan,
)
from halfcycle.verify import scenarios
from halfcycle.verify.harness import Harness
from support import plan_cases

CASES = ("moving flat", "shaped once", "moving two updates", "moving high")
IN_TIME = FLAG_IN_BAND | FLAG_SETTLED


class Board:
    """The compiled C, block by block; its ramp has reached the target. Outputs are of rated."""

    def __init__(self, plan: Plan, *, at_rest: bool = False) -> None:
        self.plan = plan
        self._compiled = Harness(plan, plan_cases.render(plan))
        self._compiled.set_target_mv(plan.rated_mv)
        state = scenarios.steady_state(plan) if at_rest else self._compiled.fields()
        state["ramp"] = plan.target_rated << plan.ramp_bits
        self._compiled.load(state)
        if at_rest:
            # One step, then as many blocks as make up steps: another one has just been taken.
            for _ in range(1 + 2 * plan.blocks):
                self.block(1.0)
            assert self.flags() & IN_TIME == IN_TIME

    def block(self, output: float, *, late: int | None = 0) -> None:
        """A block that reads as ``output``, on either side of the zero by turns, and its update;
        ``late=None``: without."""
        plan = self.plan
        total = plan.target_rated ** (2 if plan.measure == "rms" else 1) << plan.reading_shift
        average = total / plan.weighted_samples
        size = round(output * (average**0.5 if plan.measure == "rms" else average))
        turn = self.field("window_sequence")
        sides = (plan.zero_code + size, plan.zero_code - size)
        self.samples([sides[(turn + n) % 2] for n in range(plan.block_samples)])
        if late is not None:
            self.update()

    def samples(self, codes: list[int]) -> list[int]:
        """What sample returns for each."""
        return [self._compiled.call("sample", code) for code in codes]

    def update(self) -> None:
        self._compiled.call("update")

    def ask(self, output: float) -> None:
        self._compiled.set_target_mv(round(output * self.plan.rated_mv))

    def field(self, name: str) -> int:
        return self._compiled.fields()[name]

    def scale(self) -> int:
        return self._compiled.call("scale")

    def flags(self) -> int:
        return self._compiled.call("flags")

    def reading(self) -> int:
        """The last window's, in the Plan's units."""
        return self.field(f"reading_{self.field('output_sequence') & 1}")

    def target(self) -> int:
        """The one asked for, in the Plan's units."""
        return self.field(f"target_{self.field('target_sequence') & 1}")


@pytest.fixture(params=CASES)
def plan(request: pytest.FixtureRequest) -> Plan:
    return plan_cases.BLOCKS[request.param]


def convolved(plan: Plan, codes: list[int]) -> list[int]:
    """The reading of the window that ends with each code; the newest block has the first weight."""
    terms = magnitudes(plan, np.asarray(codes, dtype=np.uint16)).astype(object)
    sums = np.convolve(terms, np.repeat(plan.block_weights, plan.block_samples).astype(object))
    return [reading_of(plan, int(total)) for total in sums[: len(codes)]]


def random_codes(plan: Plan, blocks: int) -> list[int]:
    generator = np.random.default_rng(7)
    codes: list[int] = generator.integers(0, plan.adc_max + 1, blocks * plan.block_samples).tolist()
    return codes


def test_the_ring_fills_before_the_first_step(plan: Plan) -> None:
    board = Board(plan)
    for _ in range(plan.blocks - 1):
        board.block(0.3)
        assert (board.scale(), board.flags(), board.reading()) == (0, 0, 0)
    board.block(0.3)
    assert board.scale() > 0
    assert board.reading() == pytest.approx(0.3 * plan.target_rated, rel=0.02)


@pytest.mark.parametrize("longest", [False, True])
def test_a_late_update_takes_the_sums_of_its_own_block(plan: Plan, longest: bool) -> None:
    """As late as the last sample before the next block's end; it counts as no hole."""
    board, codes = Board(plan), random_codes(plan, 4 * plan.blocks)
    wanted = convolved(plan, codes)
    generator = np.random.default_rng(11)
    end = due = None
    steps = 0
    for tick, code in enumerate(codes):
        if board.samples([code]) == [1]:
            wait = generator.integers(0, plan.block_samples)
            end, due = tick, tick + (plan.block_samples - 1 if longest else int(wait))
        if tick != due or end is None:
            continue
        board.update()
        assert not board.flags() & FLAG_MISSED
        block = (end + 1) // plan.block_samples
        if block >= plan.blocks and (block - plan.blocks) % plan.update_blocks == 0:
            assert board.reading() == wanted[end]
            steps += 1
    assert steps >= 3 * plan.updates


def test_an_update_a_whole_block_late_begins_the_window_afresh(plan: Plan) -> None:
    """The next block has ended: its own is lost, and nothing before the loss counts any more."""
    board, codes = Board(plan, at_rest=True), random_codes(plan, 2 + plan.blocks)
    n = plan.block_samples
    held = (board.scale(), board.reading())
    board.samples(codes[: 2 * n])
    board.update()  # Takes the second block; the first is the hole.
    for block in range(2, 1 + plan.blocks):
        assert (board.scale(), board.reading()) == held
        assert board.flags() & FLAG_MISSED
        board.samples(codes[block * n : (block + 1) * n])
        board.update()
    assert board.reading() == convolved(plan, codes)[(1 + plan.blocks) * n - 1]
    assert not board.flags() & FLAG_MISSED


def test_a_hole_holds_the_drive_and_is_flagged_for_one_windows_time(plan: Plan) -> None:
    board = Board(plan, at_rest=True)
    held = (board.scale(), board.field("integral"), board.reading())
    board.block(0.5, late=None)
    assert not board.flags() & FLAG_MISSED, "the next update sees it, not the sample"
    for _ in range(plan.blocks - 1):
        board.block(1.0)
        assert board.flags() & (FLAG_MISSED | IN_TIME) == FLAG_MISSED
        assert (board.scale(), board.field("integral"), board.reading()) == held
    board.block(1.0)
    assert board.flags() & (FLAG_MISSED | IN_TIME) == FLAG_IN_BAND
    # And the band has to be kept for a second window before it counts as settled again.
    for _ in range(plan.blocks - 1):
        board.block(1.0)
        assert board.flags() & (FLAG_MISSED | IN_TIME) == FLAG_IN_BAND
    board.block(1.0)
    assert board.flags() & (FLAG_MISSED | IN_TIME) == IN_TIME


@pytest.mark.parametrize("update_blocks", [1, 2, 4])
def test_settled_takes_two_windows_however_many_updates_they_have(update_blocks: int) -> None:
    plan = plan_cases.BLOCKS["moving two updates"]
    board = Board(replace(plan, update_blocks=update_blocks), at_rest=True)
    for _ in range(plan.blocks):
        board.block(0.5)
    told = []
    for _ in range(2 * plan.blocks + 3):
        assert not board.flags() & FLAG_MISSED
        told.append(board.flags() & IN_TIME)
        board.block(1.0)
    assert told.index(FLAG_IN_BAND) == plan.blocks
    assert told.index(IN_TIME) == 2 * plan.blocks
    assert set(told[2 * plan.blocks :]) == {IN_TIME}


def test_one_reading_outside_the_band_costs_two_windows(plan: Plan) -> None:
    board = Board(plan, at_rest=True)
    for _ in range(plan.update_blocks - 1):
        board.block(1.0)
    board.block(1.0 + 0.05 * sum(plan.block_weights) / plan.block_weights[0])
    # The block stays in the window for a window's time; another one in the band follows it.
    for _ in range(2 * plan.blocks):
        assert not board.flags() & FLAG_SETTLED
        board.block(1.0)
    assert board.flags() & FLAG_SETTLED


@pytest.mark.parametrize("missed", [0, 1])
def test_a_target_of_zero_clears_the_drive_at_the_next_update(plan: Plan, missed: int) -> None:
    """Also between two PI steps, and while the ring fills again."""
    board = Board(plan, at_rest=True)
    for _ in range(missed):
        board.block(1.0, late=None)
    board.ask(0.0)
    assert board.scale() > 0, "the update takes it, not the call"
    board.block(1.0)
    assert (board.scale(), board.field("integral")) == (0, 0)
    # Asked for again, it waits for the step that is due, and climbs from nothing.
    board.ask(1.0)
    for _ in range(plan.blocks - 2 if missed else max(0, plan.update_blocks - 2)):
        board.block(0.0)
        assert board.field("integral") == 0
        assert bool(board.flags() & FLAG_MISSED) == bool(missed)
    for _ in range(1 + plan.blocks * plan.ramped):  # A ramp starts below what is still measured.
        board.block(0.0)
    assert board.field("integral") > 0


def test_a_target_of_zero_while_the_ring_first_fills_keeps_the_drive_at_zero(plan: Plan) -> None:
    board = Board(plan)
    board.block(0.0)
    board.ask(0.0)
    for _ in range(2 * plan.blocks):
        board.block(0.0)
        assert (board.scale(), board.field("integral")) == (0, 0)


def test_a_target_that_changes_during_a_hole_is_taken_after_it(plan: Plan) -> None:
    board = Board(plan, at_rest=True)
    board.block(1.0, late=None)
    board.ask(0.9)
    held = (board.scale(), board.field("integral"))
    for _ in range(plan.blocks - 1):
        board.block(1.0)
        assert (board.scale(), board.field("integral")) == held
        assert not board.flags() & FLAG_OVER, "of a reading that was not against this target"
    board.block(1.0)
    assert board.flags() & FLAG_OVER
    error = board.target() - board.reading()
    assert error == pytest.approx(-0.1 * plan.target_rated, rel=0.02)
    step = Fraction(plan.integral * error, 1 << plan.integral_shift)
    assert abs(board.field("integral") - held[1] - step) <= Fraction(1, 2)
