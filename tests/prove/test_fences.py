"""What no value shows: barriers, and what is read of another call's fields once more.

Each change leaves every value as it is, or as the model has it on one thread; what must not be is
said in ``prove.hand_over`` and ``prove.fences`` (definitions of the hand-over, no source).
"""

from __future__ import annotations

import pytest

from halfcycle.prove import fences
from halfcycle.prove.c_source import parse
from halfcycle.prove.prove import equal
from support import measured, plan_cases, planted

MEAN = planted.plan_of("mean")


def fence_faults(text: str) -> list[str]:
    files = {**plan_cases.render(MEAN), f"{MEAN.name}.c": text}
    return list(fences.faults(MEAN, parse(files, f"{MEAN.name}.c", 16)))


def test_every_barrier_is_needed() -> None:
    text = plan_cases.render(MEAN)[f"{MEAN.name}.c"]
    assert not fence_faults(text)
    line = f"{MEAN.name.upper()}_FENCE();\n"
    parts = text.split(line)
    # Two about the store, two in read, and three in each of the three readers of one value.
    assert len(parts) - 1 == 2 + 2 + 3 * 3
    for left_out in range(1, len(parts)):
        rest = line.join(parts[:left_out]) + line.join(["", *parts[left_out:]])[len(line) :]
        found = fence_faults(rest)
        assert found and "_FENCE()" in found[0], left_out


def test_a_barrier_after_the_outputs_but_not_before_their_index_is_none() -> None:
    text = plan_cases.render(MEAN)[f"{MEAN.name}.c"]
    old = "    REED_LAMP_FENCE();\n    s->output_sequence = sequence;\n    REED_LAMP_FENCE();\n"
    assert text.count(old) == 1
    late = "    s->output_sequence = sequence;\n    REED_LAMP_FENCE();\n    REED_LAMP_FENCE();\n"
    (found,) = fence_faults(text.replace(old, late))
    assert "before it stores output_sequence" in found


CHANGES = {
    "second read stored": (
        *("mean", "update", "s->taken_sequence = sequence;"),
        *(
            "s->taken_sequence = s->window_sequence;",
            "what it has read of window_sequence once more",
        ),
    ),
    "second read stored in another form": (
        *("mean", "update", "s->taken_sequence = sequence;"),
        "s->taken_sequence = (uint_least8_t)((sequence + ended) & 255u);",
        "what it has read of window_sequence once more",
    ),
    "event cleared unread": (
        *(
            "mean",
            "sample",
            "        if (held != 0u) {\n            s->hold_pending = 0u;\n        }\n",
        ),
        *("        s->hold_pending = 0u;\n", "clears hold_pending though it may have read it as 0"),
    ),
    "event taken twice": (
        *("mean", "sample", "        if (held != 0u) {\n            s->hold"),
        *(
            "        if (s->hold_pending != 0u) {\n            s->hold",
            "reads hold_pending more than",
        ),
    ),
    "barrier left out": (
        *("mean", "flags", "    REED_LAMP_FENCE();\n    s->output_sequence = sequence;\n"),
        *("    s->output_sequence = sequence;\n", "has no REED_LAMP_FENCE() before"),
    ),
}


@pytest.mark.parametrize("name", CHANGES)
def test_the_hand_over_names_it_though_every_value_is_right(name: str) -> None:
    case, call, old, new, words = CHANGES[name]
    plan = planted.plan_of(case)
    files = plan_cases.render(plan)
    source = f"{plan.name}.c"
    assert files[source].count(old) == 1
    files[source] = files[source].replace(old, new)
    proofs = {proof.name: proof for proof in equal(plan, files, [call], run=False)}
    assert proofs[f"{call} equal"].passed, proofs[f"{call} equal"].detail
    assert not proofs["hand-over"].passed
    assert words in proofs["hand-over"].detail


def test_a_sample_tells_what_a_later_look_at_the_bus_saw_only_by_one_look() -> None:
    plan = measured.PLANS["mean"]
    files = plan_cases.render(plan)
    assert all(proof.passed for proof in equal(plan, files, ["sample"], run=False))
