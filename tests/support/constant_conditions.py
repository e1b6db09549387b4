"""Conditions of the generated C that come out one way only, which the prover's paths show."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

import pytest

from halfcycle.prove.path_machine import PathMachine
from halfcycle.prove.prove import Proof, equal
from support import plan_cases, planted
from support.misra_page import anonymous, by_hand, statements


def equal_with_conditions(case: str, calls: Sequence[str]) -> tuple[list[Proof], frozenset[str]]:
    """The proofs that ``calls`` of a hand-made Plan's C equal the model's, and the lines with a
    condition that comes out one way only, from any state and with any argument, for an int of
    16 bits."""
    plan = planted.plan_of(case)
    files = plan_cases.render(plan)
    outcomes: dict[tuple[str, int, int], set[bool]] = defaultdict(set)
    plain = PathMachine.truth

    def truth(machine: PathMachine, node: Any, variables: Any) -> bool:
        outcome = plain(machine, node, variables)
        if machine.source.widths.int_bits == 16:
            outcomes[node.coord.file, node.coord.line, node.coord.column].add(outcome)
        return outcome

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(PathMachine, "truth", truth)
        proofs = equal(plan, files, calls)
    one_way = frozenset(
        anonymous(statements(files[file])[line - 1], plan.name)
        for (file, line, _), seen in outcomes.items()
        if len(seen) == 1
    )
    return proofs, one_way


def listed_conditions() -> set[str]:
    """Those that docs/misra.md gives a reason for."""
    return {line for rule, line in by_hand() if rule == "14.3"}
