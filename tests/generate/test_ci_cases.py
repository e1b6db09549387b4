"""What CI leaves to the long run are cases whose C has hardly a line of its own."""

from __future__ import annotations

import re

from support.plan_cases import CASES, IN_CI, render


def lines(case: str) -> set[str]:
    """The C's lines without comments, names and numbers."""
    plan = CASES[case]
    text = re.sub(r"/\*.*?\*/", "", render(plan)[f"{plan.name}.c"], flags=re.DOTALL)
    text = text.replace(plan.name, "NAME").replace(plan.name.upper(), "NAME")
    shapes = re.sub(r"\b(0x[0-9A-Fa-f]+|\d+)", "N", text).splitlines()
    return {" ".join(line.split()) for line in shapes} - {""}


def test_cases_of_ci_have_nearly_every_line_of_all() -> None:
    known = set[str]().union(*map(lines, IN_CI))
    others = set[str]().union(*map(lines, CASES)) - known
    assert len(known) > 500
    assert len(others) <= 35, sorted(others)
