"""A regulator that was told to start: reset alone leaves the target at 0."""

from __future__ import annotations

from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import Plan


def started(plan: Plan) -> Regulator:
    """One after reset, with the target at the rated voltage."""
    regulator = Regulator(plan)
    regulator.set_target_mv(plan.rated_mv)
    return regulator
