"""The bit-exact comparison: clean C passes, planted defects of each kind are found and replayed.

Defects are made by changing the C's text, so the oracle is the defect itself: the comparison must
see it, with the field that the changed statement writes among those that differ there.
"""

from __future__ import annotations

import random
import re
from collections import Counter
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import FLAG_IMPLAUSIBLE, FLAGS, Plan
from halfcycle.regulator.state import field_names
from halfcycle.simulate.compiled_loop import CompiledLoop
from halfcycle.verify import adversarial, compare, scenarios
from halfcycle.verify.harness import Harness, StateOverrunError
from support import plan_cases

SAMPLES = 60_000


@cache
def code(case: str) -> dict[str, str]:
    return plan_cases.render(plan_cases.CASES[case])


def broken(case: str, old: str, new: str) -> dict[str, str]:
    name = plan_cases.CASES[case].name + ".c"
    text = code(case)[name]
    assert old in text, f"nothing to break: {old}"
    return {**code(case), name: text.replace(old, new)}


@pytest.mark.parametrize("by", [-1, 1])
@pytest.mark.parametrize("case", ["mean", "mean ramped", "moving flat", "rms"])
def test_the_last_place_of_the_greatest_safe_drive_was_never_looked_at(case: str, by: int) -> None:
    """Of 65536 targets one in some thousand tells one gain from the next: none was drawn."""
    plan = plan_cases.CASES[case]
    other = replace(plan, enough_gain=plan.enough_gain + by)
    result = compare.verify(other, code(case), samples=1000, scenario="update_states")
    assert result.mismatch is not None


@pytest.mark.parametrize("case", plan_cases.in_sets(("mean", "rms", *plan_cases.IN_CI), ()))
def test_generated_code_equals_the_model(case: str) -> None:
    calls: list[tuple[int, int]] = []
    result = compare.verify(
        plan_cases.CASES[case],
        code(case),
        samples=SAMPLES,
        progress=lambda done, whole: calls.append((done, whole)),
    )
    assert result.mismatch is None
    assert result.samples >= SAMPLES and result.calls > 16 * 65536
    assert calls[-1] == (result.samples, result.samples)


SCALE_IN_FORCE = "(uint16_t)s->scale[slot];"
AT_DRIVE = "round_shift((uint32_t)drive, 10u)"


def tie(value: str, *, even: bool) -> str:
    """C that rounds ``value`` / 2^10 with ties down, or to even."""
    parity = f" + (({value} >> 10) & 1u)" if even else ""
    return f"round_shift(({value} + 511u{parity}) & 0xFFFFFC00u, 10u)"


# All of these once passed as bit-exact: drive was asked with slot 0 in use and one scale a turn,
# no scale was half way between two, no window ended as the 256th that no update took but where
# its number is 127, none added up to next to nothing, and the scale was not the one held.
ONCE_MISSED = [
    ("sequence + 254u) & 255u", "sequence + 254u) & 127u", "window_sequence"),
    ("sequence + 254u) & 255u", "sequence + 255u) & 255u", "window_sequence"),
    ("sequence == s->taken_sequence", "sequence == s->window_sequence", "window_sequence"),
    ("_lean(above, below, 0u)", "_lean(above, below, 2u)", "lean"),
    ("(scale >= 4000)", "(scale > 4000)", ""),
    (SCALE_IN_FORCE, "(uint16_t)s->scale[(phase >= 0xFC00u) ? 0u : slot];", "drive"),
    (SCALE_IN_FORCE, "(uint16_t)s->scale[(phase >= 0xFC00u) ? 1u : slot];", "drive"),
    (SCALE_IN_FORCE, "(uint16_t)s->scale[(phase == 0x1234u) ? 0u : slot];", "drive"),
    (AT_DRIVE, tie("(uint32_t)drive", even=True), "scale"),
    (AT_DRIVE, tie("(uint32_t)drive", even=False), "scale"),
]


@pytest.mark.parametrize(("old", "new", "field"), ONCE_MISSED)
def test_what_once_passed_as_bit_exact_is_seen(old: str, new: str, field: str) -> None:
    result = compare.verify(plan_cases.CASES["mean"], broken("mean", old, new), samples=SAMPLES)
    assert result.mismatch is not None
    assert result.mismatch.field.startswith(field)


@pytest.mark.parametrize(
    ("case", "new"),
    [
        ("mean tracked", r"(reading <= \1) && (scale < \2)"),
        ("moving flat", r"(reading <= \1) && (scale < \2)"),
        ("shaped once", r"(reading < \1 - 1) && (scale < \2)"),
        ("normalised wide ramped", r"(reading <= \1) && (scale < \2)"),
    ],
)
def test_a_stuck_sensor_that_reads_just_what_a_lost_one_does_was_in_no_state(
    case: str, new: str
) -> None:
    plan = plan_cases.CASES[case]
    files = plan_cases.render(plan)
    name = f"{plan.name}.c"
    old = r"\(reading < (\d+)\) && \(scale < (\d+)\)"
    changed, count = re.subn(old, new, files[name])
    assert count == 1
    mismatch = compare.verify(plan, {**files, name: changed}, samples=30_000).mismatch
    assert mismatch is not None and mismatch.field in {"scale_0", "scale_1", "integral"}


def test_an_inverse_that_was_off_by_one_at_few_targets_is_seen() -> None:
    """Bug: of what set_target_mv leaves, the target alone was compared with the model."""
    plan = plan_cases.CASES["normalised"]
    files = plan_cases.render(plan)
    name = f"{plan.name}.c"
    changed, count = re.subn(r"\(multiple <= ", "(multiple < ", files[name])
    assert count == 1
    mismatch = compare.verify(plan, {**files, name: changed}, samples=SAMPLES).mismatch
    assert mismatch is not None and mismatch.field in ("inverse", "aim_inverse")


@pytest.mark.parametrize("kept_below", ["0xFF00u", "0x8000u"])
def test_a_stale_scale_at_some_phases_is_seen(kept_below: str) -> None:
    # Seen only if the scale changes within a turn.
    kept = "    static int16_t kept;\n"
    kept += f"    if (phase < {kept_below}) {{ kept = s->scale[s->output_sequence & 1u]; }}\n"
    files = broken("mean", SCALE_IN_FORCE, "(uint16_t)kept;")
    text = files["reed_lamp.c"].replace(
        "    const uint_fast16_t scale =", f"{kept}    const uint_fast16_t scale ="
    )
    changed = {**files, "reed_lamp.c": text}
    result = compare.verify(plan_cases.CASES["mean"], changed, samples=SAMPLES)
    assert result.mismatch is not None and result.mismatch.scenario == "drive"


@cache
def states_of_updates(case: str) -> list[dict[str, int]]:
    """States that the comparison calls update from."""
    plan = plan_cases.CASES[case]
    names = field_names(plan)
    states = adversarial.update_states(plan, random.Random(1), 4000).tolist()
    return [dict(zip(names, state, strict=True)) for state in states]


@pytest.mark.parametrize("case", plan_cases.in_sets(("mean", *plan_cases.IN_CI), ()))
def test_ties_of_every_rounding_are_tried(case: str) -> None:
    # Half way between two: 2^(shift - 1) is what is left of the number.
    plan = plan_cases.CASES[case]
    met: Counter[str] = Counter()
    regulator = Regulator(plan)
    for state in states_of_updates(case):
        regulator.load(state)
        regulator.update()
        if not plan.has_proportional and not regulator.flags() & FLAG_IMPLAUSIBLE:
            rest = regulator.integral & ((1 << plan.scale_shift) - 1)
            met["drive"] += rest == 1 << (plan.scale_shift - 1)
    assert plan.has_proportional or met["drive"] > 20


@pytest.mark.parametrize("case", plan_cases.CASES)
def test_stuck_and_lost_sensors_are_tried(case: str) -> None:
    plan = plan_cases.CASES[case]
    met: Counter[str] = Counter()
    regulator = Regulator(plan)
    for state in states_of_updates(case):
        regulator.load(state)
        scale = regulator.scale()
        regulator.update()
        met["above"] += regulator.lean > 0
        met["below"] += regulator.lean < 0
        if regulator.flags() & FLAG_IMPLAUSIBLE:
            met["falls"] += regulator.scale() < scale
            met["rests"] += regulator.scale() == scale
    assert min(met[name] for name in ("above", "below", "falls", "rests")) > 20, met


DEFECTS = [
    ("mean", "s->above += magnitude", "s->above += magnitude + (s->above > 40000u)", None),
    ("mean", "s->below += magnitude", "s->below += magnitude + (s->below > 40000u)", None),
    ("mean", "(count + 1u) < REED_LAMP_SAMPLES", "(count + 1u) <= REED_LAMP_SAMPLES", None),
    ("mean", "adc_code > 4095u", "adc_code > 4096u", "above"),
    ("rms", "code - 2048u", "code - 2047u", None),
    ("mean", "below <= (above >> 3)", "below < (above >> 3)", "lean"),
    ("mean", "above <= (below >> 3)", "above <= (below >> 4)", "lean"),
    ("mean", "lean < (2 * before)", "lean <= (2 * before)", None),
    ("mean", "before < (2 * lean)", "before <= (2 * lean)", None),
    ("mean", "lean > (2 * before)", "lean >= (2 * before)", None),
    ("moving flat", "lean < (2 * before)", "lean <= (2 * before)", None),
    ("moving flat", "before < (2 * lean)", "before <= (2 * lean)", None),
    ("moving flat", "lean > (2 * before)", "lean >= (2 * before)", None),
    ("mean", "before = 0; /*", "/*", None),
    ("mean", "s->least[1] = last;", "", "least_1"),
    ("mean", "(reading < 300) && (scale < 4000)", "scale < 4000", None),
    ("mean", "lesser(present, least)", "lesser(last, least)", None),
    ("mean", "held < s->integral", "held > s->integral", "integral"),
    # The least sum that leans, which no state ended a span at.
    ("moving flat", "(above >= limit)", "(above > limit)", "lean"),
    ("moving flat", "(below >= limit)", "(below > limit)", "lean"),
    ("moving flat", "s->lean = 0;\n        s->span_above", "s->span_above", None),
    ("moving flat", "s->span_due = 4u;\n    }\n    span_above", "}\n    span_above", None),
    ("moving flat", "5u;\n            s->unsettled = 5u;", "5u;", "unsettled"),
    ("moving flat", "flags & 215u", "flags & 223u", "flags"),
    ("moving flat", "(elapsed < 2u) &&", "(elapsed < 3u) &&", None),
    ("moving flat", "s->ring[2] = s->ring[1];", "s->ring[2] = s->ring[0];", "ring_2"),
    ("moving flat", "s->undriven = undriven;", "", "undriven"),
    ("moving flat", "sequence + 254u", "sequence + 255u", "window_"),
    ("shaped once", "s->blocks_due = 5u;\n        due", "s->blocks_due = 4u;\n        due", None),
    ("moving high", "+ below_high + 1u)", "+ below_high)", None),
    ("moving high", "upper += lower >> 16;", "upper += lower >> 17;", None),
    ("moving high", "s->ring_high[n] = newer_high;", "s->ring_high[n] = older_high;", "ring_high"),
    ("moving flat", "span_above = s->span_above + above;", "span_above = above;", None),
    ("moving flat", "s->least[1] = present;", "s->least[1] = scale;", "least_1"),
    ("moving flat", "s->least[0] = 19660;", "s->least[0] = scale;", "least_0"),
    ("mean", "(UINT32_C(1) << shift) >> 1", "(UINT32_C(1) << shift) >> 2", None),
    ("mean", "error < -57", "error <= -57", "flags"),
    ("mean", "(error > 57)", "(error >= 57)", "flags"),
    ("mean", "error <= 57", "error < 57", "flags"),
    ("mean", "scale >= 4000", "scale > 4000", None),
    ("mean", "(reading < 300) ?", "(reading <= 300) ?", None),
    ("mean", "rms_mv > REED_LAMP_TARGET_MAX_MV", "rms_mv > REED_LAMP_RATED_MV", "target"),
    ("mean", "(rest > s->integral) ? rest :", "(rest > s->integral) ? rest + 1 :", "integral"),
    ("mean", "(rest < s->integral) ? rest :", "(rest < s->integral) ? rest + 1 :", "integral"),
    ("mean", "if (target == 0)", "if (target <= 1)", None),
    ("mean", "elapsed > 1u", "elapsed > 2u", "flags"),
    ("mean", "s->taken_sequence = sequence;", "s->taken_sequence++;", "taken_sequence"),
    ("mean", "(wide > UINT32_C(0x7FFFFFFF)) ? 32767u", "(wide > 0u) ? 32766u", "drive"),
    ("mean", "(rounded > 1500u) ? 1500u", "(rounded > 1500u) ? 1499u", "duty"),
    ("mean", "upper + 4u) >> 3", "upper + 3u) >> 3", "duty"),
    ("mean", "s->target_sequence = sequence;", "s->target_sequence = 1u;", None),
    ("mean", "s->window_sequence = 0u;", "", "window_sequence"),
    ("mean ramped", "climb < goal", "climb <= goal + 1", "ramp"),
    ("rms", "remainder > result", "remainder >= result", None),
    ("rms", "UINT32_C(1) << 24", "UINT32_C(1) << 22", None),
    (
        "rms wide high ramped",
        "s->above = (square - room) - 1u;",
        "s->above = square - room;",
        "above",
    ),
    ("rms wide high ramped", "(below > room) ? 1u : 0u", "0u", None),
    ("moving tracked", "zero_lean - known", "zero_lean", "zero"),
    ("moving tracked", "(part > INT32_C(384))", "(part >= INT32_C(384))", "zero"),
    ("moving tracked", "(part < -INT32_C(384))", "(part <= -INT32_C(384))", "zero"),
    ("moving tracked", "flags & 204u", "flags & 200u", "zero"),
    ("moving tracked", "there > INT32_C(2048)", "there > INT32_C(2049)", "zero"),
    ("mean tracked", "s->zero_slot = spare;", "", "zero"),
    ("mean tracked", "s->zero_due - 1u", "s->zero_due - 2u", "zero"),
    (
        "mean tracked",
        "const uint16_t zero = s->zero[zero_slot];",
        "const uint16_t zero = 2048u;",
        None,
    ),
]


@pytest.mark.parametrize(
    ("case", "old", "new", "field"),
    # CI takes those of which it is known in what field they show.
    [pytest.param(*row, marks=[pytest.mark.long] * (row[3] is None)) for row in DEFECTS],
)
def test_planted_defect_is_found_and_replayed(
    case: str, old: str, new: str, field: str | None
) -> None:
    plan, text = plan_cases.CASES[case], broken(case, old, new)
    mismatch = compare.verify(plan, text, samples=SAMPLES).mismatch
    assert mismatch is not None
    again = compare.replay(
        plan, text, samples=SAMPLES, seed=1, scenario=mismatch.scenario, tick=mismatch.tick
    )
    assert again is not None
    batch, place = again
    row = batch.fields.index(mismatch.field)
    assert int(batch.model[row, place]) == mismatch.model
    assert int(batch.compiled[row, place]) == mismatch.compiled
    differs = batch.model[:, place] != batch.compiled[:, place]
    named = [name for name, other in zip(batch.fields, differs.tolist(), strict=True) if other]
    assert field is None or any(field in name for name in named), named
    assert mismatch.model != mismatch.compiled
    assert f"--scenario {mismatch.scenario} --tick {mismatch.tick}" in mismatch.replay_options()


def test_first_difference_is_the_earliest_tick() -> None:
    model = np.zeros((2, 5), dtype=np.int64)
    compiled = model.copy()
    compiled[0, 4], compiled[1, 2] = 7, 9
    batch = compare.Batch("rails", 100, ("a", "b"), model, compiled, {})
    mismatch = compare._first_difference(batch, 3, 10)
    assert mismatch is not None
    assert (mismatch.tick, mismatch.field, mismatch.model, mismatch.compiled) == (102, "b", 0, 9)


def test_replay_of_no_such_tick() -> None:
    given = {"samples": 1000, "seed": 1, "scenario": "reset", "tick": 5}
    assert compare.replay(plan_cases.CASES["mean"], code("mean"), **given) is None  # type: ignore[arg-type]


@pytest.mark.parametrize("name", scenarios.SCENARIOS)
def test_scenarios_are_reproducible_and_of_the_length_asked(name: str) -> None:
    plan = plan_cases.CASES["mean"]
    first, second = (scenarios.build(name, plan, 9, 5000) for _ in range(2))
    other = scenarios.build(name, plan, 10, 5000)
    assert first.name == name and len(first.codes) == 5000
    assert list(first.targets) == sorted(first.targets, key=lambda pair: pair[0])

    def stimulus(scenario: scenarios.Scenario) -> bytes:
        plant = scenario.plant
        parts = [scenario.codes] if plant is None else [plant.wave, plant.add, plant.force]
        calls = repr((scenario.targets, scenario.holds))
        return b"".join(part.tobytes() for part in parts) + calls.encode()

    assert stimulus(first) == stimulus(second) != stimulus(other)


def test_scenarios_reach_every_flag_and_both_limits() -> None:
    """Coverage of what a regulator can report: no flag of plan.FLAGS goes untried."""
    plan = plan_cases.CASES["mean ramped"]
    harness = Harness(plan, code("mean ramped"))
    seen: Counter[str] = Counter()
    for batch in compare.batches(plan, harness, 200_000, 1):
        if batch.scenario not in scenarios.SCENARIOS:
            continue
        flags = batch.model[batch.fields.index("flags")]
        seen.update({name: int(((flags & bit) != 0).sum()) for name, bit, _ in FLAGS})
        scale = batch.model[batch.fields.index("scale")]
        seen.update({"top": int((scale == plan.scale_max).sum()), "zero": int((scale == 0).sum())})
    assert min(seen[name] for name, _, _ in FLAGS) > 0, seen
    assert seen["top"] and seen["zero"]


@pytest.mark.parametrize("case", plan_cases.CASES)
def test_state_goes_in_and_out_whole(case: str) -> None:
    plan = plan_cases.CASES[case]
    harness = Harness(plan, code(case))
    assert harness.fields() == Regulator(plan).fields()
    values = {name: number + 1 for number, name in enumerate(field_names(plan))}
    harness.load(values)
    highs = [name for name in values if "_high" in name]
    absent = [] if plan.block_high else highs
    absent += [] if plan.ramped else ["ramp"]
    assert harness.fields() == {**values, **dict.fromkeys(absent, 0)}


def test_names_of_the_harness_do_not_clash() -> None:
    """A regulator may be called like a part of the harness (prefix or file)."""
    for name in ("harness", "regulator", "plant", "state_fields", "store", "take", "HC_HEADER"):
        plan = plan_cases.make(name=name)
        result = compare.verify(plan, plan_cases.render(plan), samples=1000, scenario="rails")
        assert result.mismatch is None and result.samples > 0


def test_plan_too_wide_for_its_words_is_noticed() -> None:
    """A gain that overflows the C's 32-bit product (2^40 is its limit) cannot pass unseen."""
    plan: Plan = plan_cases.make(target_gain=6_000_000)
    mismatch = compare.verify(plan, plan_cases.render(plan), samples=1000).mismatch
    assert mismatch is not None and mismatch.field.startswith("target")


@pytest.mark.parametrize("name", ["take", "record", "regulator", "circuit"])
def test_names_of_the_simulation_do_not_clash(name: str) -> None:
    """simulate.c had a function take_sample, and another record_update, of its own."""
    CompiledLoop(name, plan_cases.render(plan_cases.make(name=name)))


def test_a_write_past_the_end_of_the_state_is_noticed() -> None:
    """The ring is the state's end: what lay beyond it went into the heap, and nothing showed it."""
    old = "for (n = 0u; n < 4u; n++) {"
    with pytest.raises(StateOverrunError, match="past the end"):
        Harness(
            plan_cases.CASES["moving flat"], broken("moving flat", old, old.replace("4u", "8u"))
        )


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("if (after == top) {", "if (after > top) {"),
        ("} else if (after == 0) {", "} else if (after < 0) {"),
    ],
    ids=["drive limit", "zero"],
)
def test_a_push_back_from_a_limit_is_noticed(old: str, new: str) -> None:
    """What a negative proportional gain did once at either limit."""
    case = "mean negative proportional"
    result = compare.verify(plan_cases.CASES[case], broken(case, old, new), samples=SAMPLES)
    assert result.mismatch is not None
