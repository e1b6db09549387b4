"""The sheet to sign, and the rows that are judged as the findings judge them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from halfcycle.quantise.rest_findings import rest_findings
from halfcycle.report import loop_section, summary_section
from halfcycle.report.sign_off_section import FREE
from support.paths import example
from support.report_page import contents


def test_a_name_and_its_date_had_one_line_to_sign_on() -> None:
    assert [item for item, _ in FREE] == ["designed by", "date", "reviewed by", "date"]
    assert not any(free for _, free in FREE)


@pytest.mark.parametrize("share", [0.9, 1.5])
def test_movement_at_rest_was_kept_up_to_twice_what_the_finding_allows(share: float) -> None:
    """no-rest is an error above the tolerance, and the row said yes up to twice that."""
    whole = contents(example("marsh_gauge").read_text(encoding="utf-8"))
    made = whole.integer_design
    design, rest = made.design, made.quantised.rest
    assert rest is not None
    seen_v = share * design.chosen.tolerance_v + 2 * design.chosen.hunting_v
    rest = replace(rest, hunting_v=seen_v, bound_v=max(rest.bound_v, seen_v))
    made = replace(made, quantised=replace(made.quantised, rest=rest))
    named = loop_section.corners(made)
    rows = summary_section.rows(replace(whole, integer_design=made), named)
    (row,) = (row for row in rows if row.name.startswith("movement at rest"))
    (level,) = (
        entry.level
        for entry in rest_findings(design, rest, lambda _: seen_v)
        if entry.code == "no-rest"
    )
    assert (level == "error") is (row.kept is False) is (share > 1)
    assert row.asked == "≤ 0.03\N{NO-BREAK SPACE}V"
