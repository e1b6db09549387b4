"""The row ``whole readings``: on good C nothing is torn, and each guard that is left out is seen.

What may come in between and what must come of it is a definition of the trade (serialisability), no
source; what the model of preemption sees is held by ``tests/verify/test_interleaving.py``.
"""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from halfcycle.prove.prove import whole
from halfcycle.regulator.plan import Plan
from support import measured, plan_cases, planted

CASES = ("bus", "mean", "moving flat", "rms wide high ramped", "normalised")


def plan_of(case: str) -> Plan:
    return measured.PLANS["rms"] if case == "bus" else planted.plan_of(case)


def proof_of(plan: Plan, *changes: tuple[str, str]) -> tuple[bool, str]:
    """Of the C with each text changed that stands in it once."""
    files = plan_cases.render(plan)
    source = f"{plan.name}.c"
    for old, new in changes:
        assert files[source].count(old) == 1, (old, files[source].count(old))
        files[source] = files[source].replace(old, new)
    (proof,) = whole(plan, files)
    assert proof.name == "whole readings"
    return proof.passed, proof.detail


@pytest.mark.parametrize("case", CASES)
def test_no_call_of_good_code_is_torn(case: str) -> None:
    passed, detail = proof_of(plan_of(case))
    assert passed, detail
    assert "preemptions" in detail


def in_function(plan: Plan, function: str, old: str, new: str) -> tuple[str, str]:
    """The change of a text that stands in several functions."""
    text = plan_cases.render(plan)[f"{plan.name}.c"]
    head = text.index(f" {plan.name}_{function}(", text.index("_reset("))
    end = text.index("\n}\n", head)
    body = text[head:end]
    assert body.count(old) == 1, body
    return body, body.replace(old, new)


READ_ONCE = "first) & 255u) > 1u"
LEFT_OUT: tuple[tuple[str, str, str, str, str], ...] = (
    ("two windows inside an update", "mean", "update", "(ended < 2u)", "(ended < 3u)"),
    ("two blocks inside an update", "moving flat", "update", "(ended < 2u)", "(ended < 3u)"),
    ("two targets inside an update", "mean", "aim", READ_ONCE, READ_ONCE.replace("1u", "2u")),
    (
        "two pairs of a target inside an update",
        *("normalised", "aim", "first) & 255u) < 2u", "first) & 255u) < 3u"),
    ),
    (
        "target and inverse of two calls",
        *("normalised", "aim", "return s->aim;", "return target;"),
    ),
    ("rms_mv not read again", "mean", "rms_mv", READ_ONCE, READ_ONCE.replace("1u", "2u")),
    ("scale not read again", "mean", "scale", READ_ONCE, READ_ONCE.replace("1u", "2u")),
    # Three updates, and a fourth while what they tore is read once more from the same slot.
    ("rms_mv of the slot that was torn", "mean", "rms_mv", "[last & 1u]", "[first & 1u]"),
    ("scale of the slot that was torn", "mean", "scale", "[last & 1u]", "[first & 1u]"),
    ("flags of the slot that was torn", "bus", "flags", "[last & 1u]", "[first & 1u]"),
    ("aim of the slot that was torn", "mean", "aim", "[last & 1u]", "[first & 1u]"),
    ("ratio of the slot that was torn", "bus", "sample", "[bus_last & 1u]", "[bus_first & 1u]"),
    ("ratio not read again", "bus", "sample", "first) & 255u) > 1u", "first) & 255u) > 2u"),
    (
        "overtaken read called whole",
        *("mean", "read", "last = s->output_sequence;", "last = first;"),
    ),
    (
        "windows that ended before those taken",
        *("mean", "read", "taken = s->taken_sequence;\n            ended = s->window_sequence;"),
        "ended = s->window_sequence;\n            taken = s->taken_sequence;",
    ),
    ("three tries", "mean", "read", "tries < 4u", "tries < 3u"),
    ("two tries", "moving flat", "read", "tries < 4u", "tries < 2u"),
    ("five tries", "mean", "read", "tries < 4u", "tries < 5u"),
    ("count of updates read once", "mean", "read", "again = s->updates[slot];", "again = updates;"),
    (
        "event cleared unread",
        *(
            "mean",
            "sample",
            "        if (held != 0u) {\n            s->hold_pending = 0u;\n        }\n",
        ),
        "        s->hold_pending = 0u;\n",
    ),
    (
        "newest window taken for the one that was read",
        *("mean", "update", "s->taken_sequence = sequence;"),
        "s->taken_sequence = s->window_sequence;",
    ),
    (
        "sequence before the sums",
        *("mean", "update", "= s->window_below[sequence & 1u];"),
        "= s->window_below[s->window_sequence & 1u];",
    ),
)

ALIKE = {
    "two blocks inside an update",
    "scale not read again",
    "scale of the slot that was torn",
    "flags of the slot that was torn",
    "ratio not read again",
    "two tries",
}
"""The same guard of another result or another window is left out in CI, too."""


@pytest.mark.parametrize(
    ("case", "function", "old", "new"),
    [
        pytest.param(*row[1:], id=row[0], marks=[pytest.mark.long] * (row[0] in ALIKE))
        for row in LEFT_OUT
    ],
)
def test_a_guard_that_is_left_out_is_seen(case: str, function: str, old: str, new: str) -> None:
    plan = plan_of(case)
    passed, detail = proof_of(plan, in_function(plan, function, old, new))
    assert not passed
    seen = "come in between|updates come before|of two updates|pending blocks|one in each try"
    assert re.search(seen, detail), detail


def test_a_target_torn_was_not_seen_if_no_state_told_it() -> None:
    """Bug: of a regulator with a measured bus that latches a failed sensor, in none of the states
    did the target decide how the update ends."""
    plan = replace(plan_of("bus"), latched=True)
    read_once = in_function(plan, "aim", READ_ONCE, READ_ONCE.replace("1u", "255u"))
    passed, detail = proof_of(plan, read_once)
    assert not passed and "update ends as in no order" in detail, detail


def test_c_that_is_not_understood_is_not_called_whole() -> None:
    plan = planted.plan_of("mean")
    passed, detail = proof_of(plan, ("    return flags;", "    return (uint16_t)(1u, flags);"))
    assert not passed and "a comma operator is not understood" in detail
