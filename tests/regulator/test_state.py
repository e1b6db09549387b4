"""The one table of the C's state and calls: all that lists them has exactly its rows."""

from __future__ import annotations

import pytest

from halfcycle.prove import eva
from halfcycle.prove.c_source import parse
from halfcycle.prove.invariants import invariant
from halfcycle.regulator import state
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.trace import record_names
from halfcycle.regulator.turn import TURN_CALL_NAMES, call_names
from halfcycle.spec import c_names
from halfcycle.verify import c_interface
from support import plan_cases, planted


@pytest.mark.parametrize("case", plan_cases.CASES)
def test_the_c_has_the_fields_of_the_table(case: str) -> None:
    """As pycparser reads the struct: names, order, words, slots and volatile."""
    plan = planted.plan_of(case)
    (fields,) = parse(plan_cases.render(plan), f"{plan.name}.c", 16).structs.values()
    shown = [
        (name, f"{'' if kind.signed else 'u'}int{kind.bits}_t", length or 1, shared)
        for name, (kind, length, shared) in fields.items()
    ]
    assert shown == [
        # The types of at least so many bits have just these on such a machine.
        (
            field.name,
            field.c_type(plan).replace("_least", ""),
            field.slot_count(plan),
            field.is_shared(plan),
        )
        for field in state.fields_of(plan)
    ]


@pytest.mark.parametrize("case", plan_cases.CASES)
def test_the_c_has_the_calls_of_the_table(case: str) -> None:
    plan = planted.plan_of(case)
    source = parse(plan_cases.render(plan), f"{plan.name}.c", 16)
    public = {
        name.removeprefix(f"{plan.name}_")
        for name, node in source.functions.items()
        if "static" not in node.decl.storage
    }
    assert public == set(call_names(plan))


@pytest.mark.parametrize("case", plan_cases.CASES)
def test_every_field_has_a_range_that_its_word_holds(case: str) -> None:
    plan = planted.plan_of(case)
    start = Regulator(plan).fields()
    for field in state.fields_of(plan):
        low, high = field.bounds(plan)
        bits = int("".join(filter(str.isdigit, field.c_type(plan))))
        signed = not field.c_type(plan).startswith("u")
        assert -(1 << (bits - 1)) * signed <= low <= high < 1 << (bits - signed), field.name
        assert all(low <= start[name] <= high for name in field.elements(plan)), field.name


@pytest.mark.parametrize("case", plan_cases.CASES)
def test_what_lists_the_state_lists_the_table(case: str) -> None:
    plan = planted.plan_of(case)
    fields = state.fields_of(plan)
    names = {field.name for field in fields}
    listed = state.field_names(plan)
    assert tuple(Regulator(plan).fields()) == listed == record_names(plan)[: len(listed)]
    (header,) = c_interface.state_header(plan).values()
    assert header.count(" FIELD(") == sum(field.slot_count(plan) for field in fields)
    assert header.count(" FIELD(") + header.count(" ABSENT(") == len(listed)
    values: dict[str, list[int]] = {field.name: [0] * field.slot_count(plan) for field in fields}
    claims = [text for text, _ in invariant(plan, values)]
    assert {text.split()[0] for text in claims if " stays in " in text} == names
    driver = eva.driver(plan)
    assert {name for name in names if f"    s.{name}" in driver} == names
    checked = {name for name in names if f"/*@ check {name}: " in driver}
    apart = {"above_high", "below_high"}
    assert checked == names - apart, "the sums are checked with their high words"


def test_two_specs_with_one_name_apart_share_no_external_name() -> None:
    """What the naming policy counts is what the table makes."""
    assert {f"_{name}" for name in state.CALL_NAMES} <= set(c_names.EXTERNAL_SUFFIXES)
    assert {f"_{name}" for name in TURN_CALL_NAMES} < set(c_names.TURN_SUFFIXES)
    every = {*c_names.EXTERNAL_SUFFIXES, *c_names.TURN_SUFFIXES}
    seen = c_names.SIGNIFICANT_CHARACTERS - c_names.MAX_LENGTH
    assert len({ending[:seen] for ending in every}) == len(every), "cut, they still differ"
