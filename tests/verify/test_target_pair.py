"""The target and its inverse cross levels as a pair: an update that targets overtake takes one that
was set, or the pair of the update before once more, and never a target with another's inverse.

The protocol is the one that the agreement on the interface names; the model of preemption is the
one of ``test_interleaving``.
"""

from __future__ import annotations

import itertools
import random

import pytest

from halfcycle.prove.c_source import parse
from halfcycle.prove.interleaving import Call, Runner, Values
from halfcycle.regulator.model import inverse_of, target_of
from halfcycle.regulator.state import field_names
from halfcycle.verify import adversarial
from support import plan_cases, planted

PLAN = planted.plan_of("normalised proportional")
UPDATE = Call("update")
TARGETS = (Call("set_target_mv", 230_000), Call("set_target_mv", 117_411))
"""Of which no byte of target or inverse is the same."""
NEAR = 6
"""Pieces between the two targets, at most: sequence, target, inverse and sequence are six."""


def runner_of(files: dict[str, str]) -> Runner:
    return Runner(parse(files, f"{PLAN.name}.c", 16), PLAN.name)


def state(runner: Runner) -> Values:
    """A state whose update has a window to take, in service at a third target."""
    (row,) = adversarial.update_states(PLAN, random.Random(5), 1)
    values = dict(zip(field_names(PLAN), row.tolist(), strict=True))
    values["taken_sequence"] = (values["window_sequence"] - 1) & 255
    assert PLAN.law is not None
    now = target_of(PLAN, 180_333)
    pair = {"target": now, "inverse": inverse_of(PLAN.law, now)}
    values |= {f"{name}_{slot}": value for name, value in pair.items() for slot in (0, 1)}
    values |= {"aim": now, "aim_inverse": pair["inverse"]}
    (fields,) = runner.source.structs.values()
    return {
        name: [values[f"{name}_{n}"] for n in range(length)] if length else [values[name]]
        for name, (_, length, _) in fields.items()
    }


def pairs_taken(files: dict[str, str], *, low_first: bool) -> set[tuple[int, int]]:
    """Every pair of target and inverse that an update takes, two targets being set anywhere in
    it."""
    runner = runner_of(files)
    values = state(runner)
    seen = set()
    last = runner.accesses(values, UPDATE, 8)
    for places in itertools.combinations(range(last + 1), 2):
        if places[1] > places[0] + NEAR:
            continue
        memory = runner.memory(values, 8, low_first)
        runner.preempted(memory, UPDATE, dict(zip(places, TARGETS, strict=True)))
        (aim,), (inverse,) = memory.values["aim"], memory.values["aim_inverse"]
        seen.add((aim, inverse))
    return seen


def are_whole(pairs: set[tuple[int, int]]) -> bool:
    assert PLAN.law is not None
    known = {target_of(PLAN, call.argument or 0) for call in TARGETS} | {target_of(PLAN, 180_333)}
    return all(
        target in known and inverse == inverse_of(PLAN.law, target) for target, inverse in pairs
    )


@pytest.mark.parametrize("low_first", [True, False], ids=["low first", "high first"])
def test_two_targets_inside_an_update_leave_a_whole_pair(low_first: bool) -> None:
    pairs = pairs_taken(plan_cases.render(PLAN), low_first=low_first)
    assert are_whole(pairs)
    assert len(pairs) == 3, "each of the three is taken at some place"


def test_a_pair_without_the_second_look_is_torn() -> None:
    """That the model of preemption sees what the second look at the sequence is for."""
    files = plan_cases.render(PLAN)
    name = f"{PLAN.name}.c"
    look = "if ((((last + 256u) - first) & 255u) < 2u) {\n        s->aim = target;"
    assert files[name].count(look) == 1
    blind = files[name].replace(look, "if (last < 256u) {\n        s->aim = target;")
    assert not are_whole(pairs_taken({**files, name: blind}, low_first=True))


def test_an_update_after_a_target_takes_it() -> None:
    runner = runner_of(plan_cases.render(PLAN))
    memory = runner.memory(state(runner), 8)
    runner.run(memory, TARGETS[0])
    runner.run(memory, UPDATE)
    assert PLAN.law is not None
    target = target_of(PLAN, 230_000)
    assert memory.values["aim"] == [target]
    assert memory.values["aim_inverse"] == [inverse_of(PLAN.law, target)]
