"""The normalised law's compiled C around circuits: start from zero and a step down to half, over
the whole range of a battery's bus.

What it is to reach: 2 % of overshoot from zero, and no half
cycle below 80 % of the new target on the way down. The circuits are held against ngspice elsewhere.
"""

from __future__ import annotations

from halfcycle.simulate.cases import cases
from support.virtual_boards import prepared_example, run_cases

BOARDS = range(32)


def test_start_and_step_down_of_virtual_boards() -> None:
    ready = prepared_example("marsh_gauge")
    assert "overshoot" in cases(ready.setting)["target-down"].rules
    assert "overshoot" not in cases(prepared_example().setting)["target-down"].rules
    tallies, _ = run_cases(ready, BOARDS, ["start", "target-step", "target-down"])
    assert not [tally.case for tally in tallies if tally.failed]
    for tally in tallies:
        assert tally.boards == len(BOARDS)
        over, _ = tally.worst["overshoot_percent"]
        assert over <= 2.0
    # Half of rated below rated: a dip of 20 % of the new target is 20 % of the step.
    down, _ = tallies[-1].worst["overshoot_percent"]
    assert down <= 20.0
