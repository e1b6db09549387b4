"""The C of a measured bus beside the model, and defects in it that the comparison must see."""

from __future__ import annotations

import pytest

from halfcycle.regulator.plan import FLAG_BUS_LOST
from halfcycle.verify import scenarios
from halfcycle.verify.compare import batches, call_once, verify
from halfcycle.verify.harness import Harness
from support import measured, plan_cases

SAMPLES = 16_000


@pytest.mark.parametrize("case", measured.PLANS)
def test_the_c_equals_the_model(case: str) -> None:
    plan = measured.PLANS[case]
    done = verify(plan, plan_cases.render(plan), samples=SAMPLES)
    assert done.mismatch is None, str(done.mismatch)
    assert done.samples >= SAMPLES and done.calls > 100_000


DEFECTS = {
    "no second half of the step": ("uint32_t product = ((uint32_t)factor * ratio) >> 15", 14),
    "lost readings taken": ("(bus_code <= 3990u)", "(bus_code <= 3991u)"),
    "led twice as fast": ("move = 30u;", "move = 60u;"),
    "led a call too soon": ("led = (uint16_t)(led + 1u);", "led = (uint16_t)(led + 2u);"),
    "counts good readings": ("(lost != 0u) && (led < 20u)", "(led < 20u)"),
    "led in every reading": ("(ended != s->bus_block)", "(ended == ended)"),
    "led while it waits": ("(led == 20u) && (ended", "(led >= 19u) && (ended"),
    "followed late": ("((led < 20u) || ", "((led < 19u) || "),
    "joins later": ("(gap <= 90u)", "(gap <= 89u)"),
    "jumps under drive": ("|| (scale == 0)", "|| (scale != 0)"),
    "ratio of a led factor left": ("ratio = tor_beacon_ratio_step(ratio, factor);", ""),
    "one reading looks like none": ("((seen ^ 1u) |", "(seen |"),
    "two readings look like none": ("((seen ^ 1u) |", "((news & 1u) ^ 1u |"),
    "limit ignored while held": ("((int32_t)ceiling > limit)", "((int32_t)ceiling < limit)"),
    "no reading never told": (
        "if ((news & 1u) == seen) {\n        lost",
        "if (news > 3u) {\n        lost",
    ),
    "a bad last reading never told": ("lost = (uint_least8_t)((news & 2u) >> 1u)", "lost = 0u"),
    "calls that go on followed at once": ("{\n            led = 20u;", "{\n            led = led;"),
    "calls that go on led too soon": ("1u] == 2u)", "1u] >= 1u)"),
    "every call led after a stop": (
        "if ((news & 1u) == seen) {\n        /* The",
        "if (news <= 3u) {\n        /* The",
    ),
    "sum not begun anew": ("        bus_sum = 0u;\n", ""),
    "drive limit one too high": ("(product > 19660u) ? 19660u", "(product > 19661u) ? 19661u"),
}


@pytest.mark.parametrize("name", DEFECTS)
def test_a_planted_defect_is_seen(name: str) -> None:
    plan = measured.PLANS["mean"]
    old, new = DEFECTS[name]
    if new == 14:
        new = old.replace("15", "14")
    files = plan_cases.render(plan)
    source = f"{plan.name}.c"
    assert files[source].count(old) == 1, files[source].count(old)
    assert isinstance(new, str)
    broken = {**files, source: files[source].replace(old, new)}
    assert verify(plan, broken, samples=SAMPLES).mismatch is not None


def test_a_duty_with_the_factor_of_the_slot_of_the_outputs_is_seen() -> None:
    plan = measured.PLANS["mean"]
    files = plan_cases.render(plan)
    source = f"{plan.name}.c"
    drive, duty = files[source].rsplit("s->factor[reading]", 1)
    broken = {**files, source: f"{drive}s->factor[(uint_least8_t)(slot + (0u * reading))]{duty}"}
    mismatch = verify(plan, broken, samples=SAMPLES).mismatch
    assert mismatch is not None and mismatch.field == "duty", str(mismatch)


def test_the_scenarios_lose_the_bus_and_have_it_back() -> None:
    plan = measured.PLANS["mean"]
    harness = Harness(plan, plan_cases.render(plan))
    lost = [0, 0]
    for batch in batches(plan, harness, SAMPLES, 1):
        if batch.scenario in scenarios.SCENARIOS:
            flags = batch.model[batch.fields.index("flags")]
            lost[0] += int(((flags & FLAG_BUS_LOST) == 0).sum())
            lost[1] += int(((flags & FLAG_BUS_LOST) != 0).sum())
    assert min(lost) > SAMPLES / 10


def test_one_call_can_be_run_by_its_name() -> None:
    plan = measured.PLANS["mean"]
    files = plan_cases.render(plan)
    state = Harness(plan, files).fields()
    after = call_once(plan, files, call="bus", state=state, argument=3193)
    assert after["factor_sequence"] == 1 and after["factor_1"] > 34000
