"""The calls that a measured bus changes, proven equal to the model and inside their ranges."""

from __future__ import annotations

import pytest

from halfcycle.prove.prove import equal, prove
from support import measured, plan_cases
from support.effort import the_rest_long

PLAN = measured.PLANS["mean"]
CALLS = ("bus", "drive", "sample")


def test_the_calls_are_the_models_for_every_input() -> None:
    proofs = equal(PLAN, plan_cases.render(PLAN), CALLS)
    assert [proof.detail for proof in proofs if not proof.passed] == []
    assert len(proofs) == len(CALLS) + 1


def test_the_calls_stay_inside_their_ranges() -> None:
    proofs = prove(PLAN, plan_cases.render(PLAN), CALLS)
    assert [proof.detail for proof in proofs if not proof.passed] == []


@pytest.mark.parametrize("case", the_rest_long(measured.PLANS, ["mean"], pytest.mark.full))
def test_every_call_is_proven(case: str) -> None:
    plan = measured.PLANS[case]
    files = plan_cases.render(plan)
    proofs = [*equal(plan, files), *prove(plan, files)]
    assert [f"{proof.name}: {proof.detail}" for proof in proofs if not proof.passed] == []


DEFECTS = {
    "the wrong way": (
        "bus",
        "((uint32_t)factor * (65536u - product))",
        "((uint32_t)factor * (65535u - product))",
    ),
    "one code too many": ("bus", "(bus_code >= 1770u)", "(bus_code >= 1769u)"),
    "the slot in use": (
        "bus",
        "s->factor[sequence & 1u] = factor;",
        "s->factor[before & 1u] = factor;",
    ),
    "the sequence first": (
        "bus",
        "    s->factor[sequence & 1u] = factor;\n",
        "    s->factor_sequence = sequence;\n    s->factor[sequence & 1u] = factor;\n",
    ),
    "no limit": ("drive", "(product > 19660u) ? 19660u : (uint16_t)product", "(uint16_t)product"),
    "the limiter's flag lost": ("sample", "bus_sum += ratio;", "bus_sum += 1u;"),
}


@pytest.mark.parametrize("name", DEFECTS)
def test_a_planted_defect_is_not_proven(name: str) -> None:
    call, old, new = DEFECTS[name]
    files = plan_cases.render(PLAN)
    source = f"{PLAN.name}.c"
    assert files[source].count(old) == 1, files[source].count(old)
    broken = {**files, source: files[source].replace(old, new)}
    proofs = equal(PLAN, broken, (call,))
    assert not all(proof.passed for proof in proofs)


def test_a_bus_that_the_plan_does_not_have_is_refused() -> None:
    """And one that the C lacks."""
    plain = plan_cases.CASES["mean"]
    for plan, other in ((PLAN, plain), (plain, PLAN)):
        files = plan_cases.render(other)
        text = {name.replace(other.name, plan.name): body for name, body in files.items()}
        text = {
            name: body.replace(other.name, plan.name).replace(other.name.upper(), plan.name.upper())
            for name, body in text.items()
        }
        assert not all(proof.passed for proof in equal(plan, text, ("scale",)))
