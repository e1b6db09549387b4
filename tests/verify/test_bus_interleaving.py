"""The bus and what it preempts: old or new, never half of each; see ``test_interleaving``.

Which reading a sample counts and whether it takes the bus for lost may be of two readings that come
one after the other, so each field by itself must be as in one of the orders.
"""

from __future__ import annotations

import itertools
import random

import pytest

from halfcycle.prove.c_source import parse
from halfcycle.prove.interleaving import Call, Runner, Values
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import calls_of, field_names, fields_of
from halfcycle.verify import adversarial
from support import measured, plan_cases

PLAN = measured.PLANS["mean"]
SAMPLE = Call("sample", 3000)
BUS = (Call("bus", 3193), Call("bus", 3860), Call("bus", 0))
READERS = (Call("drive", 20_000), Call("duty", 20_000))


def runner_of(text: str) -> Runner:
    files = {**plan_cases.render(PLAN), f"{PLAN.name}.c": text}
    return Runner(parse(files, f"{PLAN.name}.c", 16), PLAN.name)


RUNNER = runner_of(plan_cases.render(PLAN)[f"{PLAN.name}.c"])


def states(plan: Plan, count: int) -> list[Values]:
    """States whose next sample closes a window or not, whose slots have no byte in common."""
    assert plan.bus is not None
    rows, _ = adversarial.bus_states(plan, plan.bus, random.Random(5), count)
    (fields,) = RUNNER.source.structs.values()
    chosen = []
    for number, row in enumerate(rows):
        values = dict(zip(field_names(plan), row.tolist(), strict=True))
        values["count"] = plan.block_samples - 1 if number % 2 else 3
        values["bus_sum"], values["bus_led"] = 0x010203, number // 2 % 2
        # After windows without calls, or with one.
        newest = values["window_sequence"] & 1
        values["bus_news"] = number // 4 % 2
        values["bus_seen_0"] = values["bus_seen_1"] = 0
        values[f"window_lost_{newest}"] = plan.bus.unread if number // 4 % 2 else 0
        values["taken_sequence"] = values["window_sequence"]
        for slot, (factor, ratio) in enumerate(((0x8A2B, 0x765C), (0x7D3C, 0x8391))):
            values[f"factor_{slot}"], values[f"bus_ratio_{slot}"] = factor, ratio
        chosen.append(
            {
                name: [values[f"{name}_{n}"] for n in range(length)] if length else [values[name]]
                for name, (_, length, _) in fields.items()
            }
        )
    return chosen


def mixed(runner: Runner, values: Values, high: tuple[Call, ...], low_first: bool) -> list[str]:
    """Fields that are as in no order of a sample and these readings inside it."""
    orders = []
    for before in range(len(high) + 1):
        memory = runner.memory(values, 64)
        for call in (*high[:before], SAMPLE, *high[before:]):
            runner.run(memory, call)
        orders.append(memory.values)
    bad = []
    places = range(runner.accesses(values, SAMPLE, 8))
    for chosen in itertools.combinations_with_replacement(places, len(high)):
        inside: dict[int, list[Call]] = {}
        for place, call in zip(chosen, high, strict=True):
            inside.setdefault(place, []).append(call)
        memory = runner.memory(values, 8, low_first)
        runner.overtaken(memory, SAMPLE, inside)
        if memory.preempt:  # A place that this path does not have.
            continue
        bad += [
            name
            for name, got in memory.values.items()
            if not any(got == order[name] for order in orders)
        ]
    return bad


@pytest.mark.parametrize("low_first", [True, False], ids=["low first", "high first"])
@pytest.mark.parametrize("count", [1, 2])
def test_readings_inside_a_sample_are_whole(count: int, low_first: bool) -> None:
    pairs = (BUS[:2], BUS[1:])
    for values in states(PLAN, 8) if count == 1 else states(PLAN, 2)[1:]:
        for high in itertools.permutations(BUS, 1) if count == 1 else pairs:
            assert not mixed(RUNNER, values, high, low_first), high


def test_a_sample_that_does_not_look_again_is_torn() -> None:
    """The model must be able to see it."""
    text = plan_cases.render(PLAN)[f"{PLAN.name}.c"]
    old = "bus_first) & 255u) > 1u"
    assert text.count(old) == 1
    runner = runner_of(text.replace(old, "bus_first) & 255u) > 254u"))
    assert any(mixed(runner, values, BUS[:2], True) for values in states(PLAN, 4))


def test_drive_and_duty_inside_a_reading_take_the_old_factor_or_the_new_one() -> None:
    """The header allows them above the bus, not below it."""
    for values, high, bus in itertools.product(states(PLAN, 4), READERS, BUS):
        old = RUNNER.run(RUNNER.memory(values, 64), high)
        after = RUNNER.memory(values, 64)
        RUNNER.run(after, bus)
        legal = {old, RUNNER.run(after, high)}
        for place in range(RUNNER.accesses(values, bus, 8)):
            memory = RUNNER.memory(values, 8)
            results, _ = RUNNER.preempted(memory, bus, {place: high})
            assert results[high] in legal


def test_each_field_has_one_writer_and_is_volatile_if_another_call_sees_it() -> None:
    calls = [Call(call.name, 3193 if call.argument else None) for call in calls_of(PLAN)]
    stored: dict[str, set[str]] = {field.name: set() for field in fields_of(PLAN)}
    seen: dict[str, set[str]] = {field.name: set() for field in fields_of(PLAN)}
    for values, call in itertools.product(states(PLAN, 6), calls):
        if call.name == "reset":
            continue
        memory = RUNNER.memory(values, 8)
        RUNNER.run(memory, call)
        for name, access in memory.touched:
            (stored if access == "store" else seen)[name].add(call.name)
    for field in fields_of(PLAN):
        if field.writer not in {"bus", "sample"}:
            continue
        clearer = {field.cleared_by} - {""}
        assert stored[field.name] <= {field.writer} | clearer, field.name
        elsewhere = (seen[field.name] | clearer) - {field.writer}
        assert field.is_shared(PLAN) or not elsewhere, field.name
