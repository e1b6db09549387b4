"""Preemption at every piece of every shared access: old or new, never half of each.

A run with preemption must end as one of the same calls in some order without it: results and whole
state (serialisability, a definition of the trade, no source). Which call may preempt which is what
the generated header says; the order of the stores is the C's own.
"""

from __future__ import annotations

import itertools
import random

import pytest

from halfcycle.prove.c_source import parse
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import CALL_NAMES, FIELDS, fields_of
from halfcycle.verify import adversarial
from oracles.interleaving import Call, Runner, Values
from support import plan_cases, planted

UPDATE = Call("update")
CODE_HIGH, CODE_LOW = 4095, 1900
SET_TARGET = Call("set_target_mv", 117_411)
READERS = (Call("scale"), Call("flags"), Call("rms_mv"), Call("drive", 20_000))
SAMPLE = Call("sample", CODE_HIGH)
ALLOWED = {
    SAMPLE: (UPDATE, SET_TARGET, *READERS),
    UPDATE: (SAMPLE, SET_TARGET, *READERS),
    SET_TARGET: (SAMPLE, UPDATE, *READERS),
    **dict.fromkeys(READERS, (SAMPLE, UPDATE, SET_TARGET)),
}
"""Preempted call to those that may preempt it: the header's rules, and update inside sample, which
the header does not even ask of its user. Each preempts at most once."""
CASES = ("mean", "mean ramped", "rms wide high ramped")


def runner_of(plan: Plan, files: dict[str, str]) -> Runner:
    return Runner(parse(files, f"{plan.name}.c", 16), plan.name)


def states(plan: Plan, runner: Runner, count: int) -> list[Values]:
    """States whose next sample closes a window, whose update has one to take."""
    rows = adversarial.update_states(plan, random.Random(11), 4 * count)
    (fields,) = runner.source.structs.values()
    chosen = []
    for row in rows:
        values = dict(zip(FIELDS, row.tolist(), strict=True))
        if values["window_sequence"] == values["taken_sequence"]:
            continue
        values["count"], values["sum"], values["sum_high"] = plan.samples - 1, 0x010203, 0
        # Bytes that no old or new value shares: half of each would show.
        spare = 1 - values["output_slot"]
        values[f"scale_{spare}"], values[f"reading_{spare}"] = 0x2B2B, 0x1C1C
        values[f"flags_{spare}"] = 0x0015
        chosen.append(
            {
                name: [values[f"{name}_{n}"] for n in range(length)] if length else [values[name]]
                for name, (_, length, _) in fields.items()
            }
        )
    return chosen[:count]


def torn(
    runner: Runner,
    values: Values,
    low: Call,
    high: tuple[Call, ...],
    *,
    bits: int = 8,
    low_first: bool = True,
) -> list[tuple[int, ...]]:
    """Places of preemption at which the end is that of no order of the calls."""
    calls = (low, *high)
    serial = [runner.serial(values, order) for order in itertools.permutations(calls)]
    places = range(runner.accesses(values, low, bits) + 1)
    bad = []
    for chosen in itertools.combinations(places, len(high)):
        memory = runner.memory(values, bits, low_first)
        end = runner.preempted(memory, low, dict(zip(chosen, high, strict=True)))
        if len(end[0]) == len(calls) and end not in serial:
            bad.append(chosen)
    return bad


@pytest.mark.parametrize("low_first", [True, False], ids=["low first", "high first"])
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("case", CASES)
def test_any_call_preempted_once(case: str, bits: int, low_first: bool) -> None:
    plan = planted.plan_of(case)
    runner = runner_of(plan, plan_cases.render(plan))
    for values in states(plan, runner, 4):
        for low, highs in ALLOWED.items():
            for high in highs:
                assert not torn(runner, values, low, (high,), bits=bits, low_first=low_first)


@pytest.mark.parametrize("case", CASES)
def test_any_call_preempted_by_two(case: str) -> None:
    plan = planted.plan_of(case)
    runner = runner_of(plan, plan_cases.render(plan))
    (values,) = states(plan, runner, 1)
    for low, highs in ALLOWED.items():
        writers = [call for call in highs if call not in READERS]
        for pair in itertools.permutations(writers, 2):
            assert not torn(runner, values, low, pair), (low, pair)


def test_two_targets_inside_one_update_show_halves() -> None:
    # Why the header allows one; and the model must be able to see halves at all.
    plan = planted.plan_of("mean")
    runner = runner_of(plan, plan_cases.render(plan))
    twice = (SET_TARGET, Call("set_target_mv", 229_003))
    assert any(torn(runner, values, UPDATE, twice) for values in states(plan, runner, 8))


ARGUMENTS = {"set_target_mv": 117_411, "sample": CODE_HIGH, "drive": 20_000}


@pytest.mark.parametrize("case", CASES)
def test_each_field_has_one_writer_and_is_volatile_if_another_call_sees_it(case: str) -> None:
    """What the table of the state says of each field, seen in the accesses of the C."""
    plan = planted.plan_of(case)
    runner = runner_of(plan, plan_cases.render(plan))
    calls = [Call(name, ARGUMENTS.get(name)) for name in CALL_NAMES if name != "reset"]
    stored: dict[str, set[str]] = {field.name: set() for field in fields_of(plan)}
    seen: dict[str, set[str]] = {field.name: set() for field in fields_of(plan)}
    for values in states(plan, runner, 8):
        for call, ends_window in itertools.product(calls, (True, False)):
            memory = runner.memory({**values, "count": [values["count"][0] * ends_window]}, 8)
            runner.run(memory, call)
            for name, access in memory.touched:
                (stored if access == "store" else seen)[name].add(call.name)
    for field in fields_of(plan):
        assert stored[field.name] == {field.writer}, field.name
        assert field.shared == bool(seen[field.name] - {field.writer}), field.name


SWAPPED = {
    "output slot before the scale": (
        "mean ramped",
        "        s->scale[spare] = scale;\n",
        "        s->output_slot = spare;\n        s->scale[spare] = scale;\n",
    ),
    "output slot before the flags": (
        "mean ramped",
        "        s->flags[spare] = flags;\n        s->output_slot = spare;\n",
        "        s->output_slot = spare;\n        s->flags[spare] = flags;\n",
    ),
    "results into the slot in use": (
        "mean ramped",
        "s->reading[spare] = reading;",
        "s->reading[now] = reading;\n        s->reading[spare] = reading;",
    ),
    "target slot before the target": (
        "mean ramped",
        "    s->target[spare] =",
        "    s->target_slot = spare;\n    s->target[spare] =",
    ),
    "sequence before the sum's high word": (
        "rms wide high ramped",
        "        s->window_high[sequence & 1u] = high;\n        s->window_sequence = sequence;\n",
        "        s->window_sequence = sequence;\n        s->window_high[sequence & 1u] = high;\n",
    ),
    "sequence read twice": (
        "rms wide high ramped",
        "const uint32_t high = s->window_high[sequence & 1u];",
        "const uint32_t high = s->window_high[s->window_sequence & 1u];",
    ),
}


@pytest.mark.parametrize("name", SWAPPED)
def test_a_wrong_order_is_seen(name: str) -> None:
    case, old, new = SWAPPED[name]
    plan = planted.plan_of(case)
    files = plan_cases.render(plan)
    source = f"{plan.name}.c"
    assert files[source].count(old) == 1
    runner = runner_of(plan, {**files, source: files[source].replace(old, new)})
    torn_pairs = [
        (low, high)
        for values in states(plan, runner, 4)
        for low, highs in ALLOWED.items()
        for high in highs
        if torn(runner, values, low, (high,))
    ]
    assert torn_pairs
