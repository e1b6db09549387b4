"""States of the normalised law to call update from, at and beside what its step decides by."""

from __future__ import annotations

import random

from halfcycle.regulator import arithmetic
from halfcycle.regulator.model import Regulator, inverse_of
from halfcycle.regulator.plan import Normalising, Plan

_ONE_CALL = 0.85
"""Share of states whose target and inverse are of one call, as they are in service."""
_EDGES = 0.7
"""Share of states whose drive ends at or beside a limit, or half way between two scales."""


def drive_state(
    plan: Plan,
    generator: random.Random,
    state: dict[str, int],
    error: int,
    top: int,
) -> dict[str, int]:
    """1/target, the share before, and the integral of a state from which the step ends at 0, at
    ``top`` or half way between two scales, or is of the drive that it counts as at least.
    ``state``: with the target; ``error``: of the target in force."""
    law = plan.law
    assert law is not None
    slot = state["target_sequence"] & 1
    target = state[f"target_{slot}"]
    inverse = generator.randint(0, law.inverse_max)
    if generator.random() < _ONE_CALL:
        inverse = inverse_of(law, target)
    found = {f"inverse_{slot}": inverse}
    share = arithmetic.share(error, inverse, law.share_shift, law.share_one)
    given: tuple[int, ...] = (share, target)
    if plan.has_proportional:
        low, high = -(law.share_one >> 1), law.share_one
        edges = (low, 0, share, high, generator.randint(low, high))
        found["share"] = edges[int(len(edges) * generator.random())]
        given = (share, share - found["share"], target)
    return found | {"integral": _integral(plan, law, generator, given, top)}


def _integral(
    plan: Plan, law: Normalising, generator: random.Random, given: tuple[int, ...], top: int
) -> int:
    regulator = Regulator(plan)
    if generator.random() > _EDGES:
        return generator.randint(0, plan.drive_max)
    tie = int(plan.scale_max * generator.random()) << plan.scale_shift
    tie += arithmetic.half(plan.scale_shift)
    ends = (0, 1, top, top, *[tie] * 4, -1)
    wanted = ends[int(len(ends) * generator.random())]
    if wanted < 0:
        at = given[-1] * law.floor
    else:
        low, at = -1, plan.drive_max
        while at - low > 1:
            middle = (low + at) // 2
            _, drive = regulator.regulated(middle, *given, plan.drive_max)
            low, at = (low, middle) if drive >= wanted else (middle, at)
    if wanted != tie:
        at += generator.randint(-1, 1)
    return arithmetic.saturate(at, 0, plan.drive_max)
