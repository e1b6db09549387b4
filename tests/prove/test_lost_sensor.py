"""What a sensor that fails leaves, of every state of the model, by the solver.

The C equals the model (``test_prove``); what is claimed here of one update holds for it, too. From
update to update it adds up: ``least`` holds the scales in force in the windows (spans) before, so
that the drive of a sensor that failed is at most the least one since before the window in which it
did. z3 decides every path; nothing is sampled.
"""

from __future__ import annotations

from typing import Any

import pytest

from halfcycle.prove import invariants, model_run
from halfcycle.prove.model_run import Elements
from halfcycle.prove.paths import Paths, term_of
from halfcycle.prove.pure_proof import pure_of
from halfcycle.regulator import arithmetic
from halfcycle.regulator.plan import FLAG_IMPLAUSIBLE, Plan
from halfcycle.regulator.state import fields_of
from support import plan_cases, planted
from support.effort import the_rest_long

State = dict[str, list[Any]]


class OneUpdate:
    """The claims, on each path of an update from any state; ``broken``: those that do not hold."""

    def __init__(self, plan: Plan) -> None:
        self.plan, self.paths = plan, Paths(300.0)
        # The tests for a stuck sensor say yes or no to anything: the claims hold whatever they say.
        pure = pure_of(plan)
        self.model = model_run.copy(self.paths, {name: pure[name] for name in ("lean", "alike")})
        self.broken: set[str] = set()
        self.met: set[str] = set()

    def explore(self) -> None:
        self.paths.explore(self._once)

    def _once(self) -> None:
        plan, paths = self.plan, self.paths
        state = {
            field.name: [paths.unknown(name, *field.bounds(plan)) for name in field.elements(plan)]
            for field in fields_of(plan)
        }
        if not paths.replaying:
            terms = {name: [term_of(value) for value in row] for name, row in state.items()}
            conditions = (condition for _, condition in invariants.invariant(plan, terms))
            paths.assume(*(c for c in conditions if not isinstance(c, bool)))
        before = {name: list(row) for name, row in state.items()}
        after, _ = model_run.run(self.model, plan, state, "update", [])
        elapsed = (before["window_sequence"][0] - before["taken_sequence"][0]) & 255
        if elapsed == 0:
            return
        steps = not plan.blockwise or bool(elapsed == 1 and before["blocks_due"][0] == 1)
        # A hole says nothing of a stuck sensor: what was held before stays held.
        hole = bool(elapsed != 1) and bool(of_slot(before, "flags") & FLAG_IMPLAUSIBLE != 0)
        self._claim_drive(before, after, stepped=steps, steps=steps and not hole)
        if steps and not plan.latched:
            self._claim_least(before, after)

    def _claim_drive(self, before: State, after: State, *, stepped: bool, steps: bool) -> None:
        plan = self.plan
        scale, failed = of_slot(before, "scale"), of_slot(before, "flags") & FLAG_IMPLAUSIBLE
        then, flagged = of_slot(after, "scale"), of_slot(after, "flags") & FLAG_IMPLAUSIBLE
        reading = of_slot(after, "reading")
        if failed:
            self.claim("a failed sensor stays latched", bool(flagged) or not plan.latched)
            # Between PI steps nothing is handed over: what there was stays.
            left = bool(then == 0) or (not stepped and bool(then == scale))
            self.claim("no drive is left of a latched one", left or not plan.latched)
            at_most = bool(then <= scale) or bool(then == plan.hold_scale)
            self.claim("the drive does not rise after a failure", at_most)
        if not flagged or not steps:
            return
        if plan.latched:
            self.claim("no drive is left of a failed one", bool(then == 0))
            return
        if reading < plan.hold_reading and then == plan.hold_scale:
            self.met.add("held where it can just be seen")
            return
        self.met.add("held")
        for drive in (scale, *before["least"]):
            self.claim("no more drive than the least", bool(then <= drive))
        target = of_slot(before, "target", "target_sequence")
        if plan.ramped:
            target = after["ramp"][0] >> plan.ramp_bits
        enough = arithmetic.scale_by(target, plan.enough_gain, plan.enough_shift)
        self.claim("no more drive than the target needs", bool(then <= enough))

    def _claim_least(self, before: State, after: State) -> None:
        scale, least = of_slot(before, "scale"), before["least"]
        if self.plan.span_updates == 1:
            wanted = [scale, least[0]]
        else:
            now = arithmetic.lesser(scale, least[0])
            wanted = [now, least[1], least[2]]
            if after["span_due"][0] == self.plan.span_blocks:
                wanted = [self.plan.scale_max, now, least[1]]
        for got, value in zip(after["least"], wanted, strict=True):
            self.claim("least holds the drives before", bool(got == value))

    def claim(self, what: str, holds: bool) -> None:
        self.met.add(what)
        if not holds:
            self.broken.add(what)


def of_slot(state: State, name: str, sequence: str = "output_sequence") -> Any:
    """The element of a hand-over that is in use."""
    return Elements(state[name])[state[sequence][0] & 1]


@pytest.mark.parametrize("case", plan_cases.in_sets((), ["mean latched"]))
def test_a_failed_sensor_leaves_no_more_than_the_least_drive(case: str) -> None:
    update = OneUpdate(planted.plan_of(case, most_samples=50))
    update.explore()
    assert not update.broken
    wanted = "no drive is left of a failed one" if update.plan.latched else "least holds"
    assert any(wanted in what for what in update.met)
    assert update.plan.latched or "held" in update.met


WRONG = {
    "no more drive than the least": ("_safe", lambda self, *_: self.plan.scale_max),
    "no more drive than the target needs": ("_safe", lambda _self, least, *_: least),
    "least holds the drives before": ("_least_of_three_windows", lambda _, scale: scale),
}
"""For each claim a method of the model, and what breaks it."""


@pytest.mark.parametrize(
    "claim", the_rest_long(WRONG, ["least holds the drives before"], pytest.mark.full)
)
def test_a_model_that_leaves_more_is_found(monkeypatch: pytest.MonkeyPatch, claim: str) -> None:
    method, wrong = WRONG[claim]
    update = OneUpdate(planted.plan_of("mean integral only"))
    monkeypatch.setattr(update.model.Regulator, method, wrong)
    update.explore()
    assert claim in update.broken
