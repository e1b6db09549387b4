"""Frama-C's WP on contracts made of the Plan: all proven on good C, and it sees what is planted.

The outside source is the analyser itself, with Why3 and z3. Which report counts as a proof is
tested on reports.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

import pytest

from halfcycle.base.state import State
from halfcycle.generate.pipeline import generate
from halfcycle.prove import wp
from halfcycle.prove.prove import contracted
from halfcycle.spec.load import load_spec
from support import plan_cases, planted
from support.effort import the_rest_long
from support.paths import example
from support.tools import need_tool

NEEDED = ["reed_lamp_lesser_ensures_lesser", "reed_lamp_round_shift_by_4_ensures_rounded"]
GOOD = """[kernel] Parsing reed_lamp.c (with preprocessing)
[wp] Running WP plugin...
[wp] Warning: Missing RTE guards
[wp] 3 goals scheduled
[wp] [Z3 4.8.12] Goal typed_reed_lamp_lesser_ensures_lesser : Valid (Qed:4ms) (10ms) (36622)
[wp] [Qed] Goal typed_reed_lamp_lesser_assigns_part1 : Valid (0.94ms)
[wp] [Z3 4.8.12] Goal typed_reed_lamp_round_shift_by_4_ensures_rounded : Valid (Qed:2ms) (20ms) (9)
[wp] Proved goals:    3 / 3
  Qed:             1  (0.94ms-2ms-4ms)
  Z3 4.8.12:       2  (10ms-20ms)
"""

RATED_STEP = f"UINT32_C({plan_cases.TURNING.rated_step})"
HIGH_STEP = f"UINT32_C({plan_cases.TURNING.high_step})"
SEEN = {
    # function: (what it is, text, its replacement), of the case "mean".
    "round_shift": (
        "ties down",
        "(UINT32_C(1) << shift) >> 1)",
        "(UINT32_C(1) << shift) >> 1) - 1u",
    ),
    "round_shift_signed": ("ties up", "(uint32_t)-value, shift)", "(uint32_t)-value - 1u, shift)"),
    "scale_by": ("part dropped", "(value & 255u)", "(value & 127u)"),
    "lesser": ("the greater", "(a < b) ? a : b", "(a < b) ? b : a"),
    "safe": ("limit off by one", "((reading < 300) && (scale", "((reading <= 300) && (scale"),
    "lean": ("limit off by one", "((above >= limit) &&", "((above > limit) &&"),
    "alike": ("limit off by one", "(before < (2 * lean))", "(before <= (2 * lean))"),
    "aim": (
        "slot",
        "    int16_t target = s->target[first & 1u];",
        "    int16_t target = s->target[0];",
    ),
    "hold": ("nothing", "s->hold_pending = 1u;", ";"),
    "publish": (
        "slot",
        "    s->scale[sequence & 1u] = scale;",
        "    s->scale[before & 1u] = scale;",
    ),
    "clear": ("every flag", "(flags & (raised ^ cleared))", "(raised ^ cleared)"),
    "set_target_mv": ("constant", "UINT32_C(3331000)", "UINT32_C(3331001)"),
    "regulate": ("no anti-windup", "after = (rest > s->integral) ? rest : s->integral;", ";"),
    "rms_mv": ("shift", f"{planted.RATIO}, 17u", f"{planted.RATIO}, 16u"),
    "scale": ("slot", "    scale = s->scale[first & 1u];", "    scale = s->scale[0];"),
    "flags": (
        "slot",
        "    flags = s->flags[first & 1u];",
        "    flags = s->flags[(first ^ 1u) & 1u];",
    ),
}
MORE = {
    "round_shift": ("shift", "(UINT32_C(1) << shift) >> 1)", "(UINT32_C(1) << shift) >> 2)"),
    "round_shift_signed": ("sign", "-(int32_t)reed_lamp_round", "(int32_t)reed_lamp_round"),
    "set_target_mv": ("limit too low", "rms_mv > REED_LAMP_TARGET_MAX_MV", "rms_mv > 252900"),
    "regulate": (
        "limit off by one",
        "if (after > top) {",
        "if (after >= (top - 1)) {",
    ),
}
CONSTANT = {"regulate": ("constant", "INT32_C(11000) * error", "INT32_C(10999) * error")}
BLOCKS = {
    "weigh": ("block counted twice", "sum += s->ring[3];", "sum += s->ring[2];"),
    "span": (
        "count off by one",
        "0u;\n        s->span_due = 4u;\n    }\n    s->",
        "0u;\n        s->span_due = 3u;\n    }\n    s->",
    ),
    "limited": ("one block too many", "u) {\n        due = 5u;", "u) {\n        due = 6u;"),
    "due": ("hole not seen", "if ((elapsed < 2u) &&", "if ((elapsed < 3u) &&"),
    "zero_there": ("part dropped", ") + part + move;", ") + move;"),
    "zero_held": ("limit off by one", "(part > INT32_C(384))", "(part >= INT32_C(384))"),
}
TURN = {
    "turn_reset": ("step", f"t->step[1] = {RATED_STEP}", f"t->step[1] = {RATED_STEP} + 1u"),
    "turn_next": ("wrap off by one", "(advance - left) - 1u", "(advance - left)"),
    "turn_set_millihertz": (
        "beyond the band",
        f"advance = {HIGH_STEP}",
        f"advance = {HIGH_STEP} + 1u",
    ),
}
ROUNDS = {
    "oscillator": ("mean integral only", TURN),
    "one of each": ("mean", SEEN),
    "another of each": ("mean", MORE),
    "constant": ("mean", CONSTANT),
    "blocks": ("moving tracked", BLOCKS),
}


def need_tools() -> None:
    for tool in ("frama-c", "why3", "z3"):
        need_tool(tool)


def functions_of(goals: Iterable[str], name: str) -> set[str]:
    """The functions that goals are of: the longest name that fits."""
    plans = [planted.plan_of(case) for case in ("moving tracked", "mean integral only")]
    known = sorted({one for plan in plans for one in wp.functions(plan)}, key=len)
    found = (goal.removeprefix(f"{name}_") for goal in goals)
    return {[one for one in known if goal.startswith(f"{one}_")][-1] for goal in found}


def test_only_a_report_with_all_goals_proven_is_a_proof() -> None:
    # Lines as Frama-C 25 prints them.
    assert wp.judge(GOOD, NEEDED)[0] is State.PASSED
    assert wp.judge(GOOD, [*NEEDED, "reed_lamp_alike_ensures_alike"])[0] is State.FAILED
    for old, new in (
        ("3 / 3", "2 / 3"),
        ("3 / 3", "4 / 4"),
        ("lesser_ensures_lesser : Valid", "lesser_ensures_lesser : Timeout"),
        ("lesser_assigns_part1 : Valid", "lesser_assigns_part1 : Failed"),
        (GOOD, "[kernel] User Error: no such file"),
        (GOOD, ""),
    ):
        assert old in GOOD
        state, detail = wp.judge(GOOD.replace(old, new), NEEDED)
        assert state is State.FAILED, new
        assert "Timeout" not in new or "reed_lamp_lesser_ensures_lesser" in detail


@pytest.mark.parametrize("case", plan_cases.CASES)
def test_contracts_go_before_their_functions_and_change_nothing_else(case: str) -> None:
    plan = planted.plan_of(case)
    text = plan_cases.render(plan)[f"{plan.name}.c"]
    copy = wp.annotated(plan, text)
    for name, contract in wp.contracts(plan).items():
        assert copy.count(f"{contract}\n") == 1, name
        copy = copy.replace(f"{contract}\n", "", 1)
    assert copy == text


def test_a_contract_stands_for_what_the_plan_has() -> None:
    made = wp.contracts(planted.plan_of("mean"))
    assert "11000 * error, 16)" in made["regulate"] and "2900 * error, 8)" in made["regulate"]
    assert "-nearest" not in made["regulate"] and "top <= 20131840" in made["regulate"]
    integral_only = wp.contracts(planted.plan_of("mean integral only"))["regulate"]
    assert "nearest_away(push, 0 * error, 1)" in integral_only


@pytest.mark.parametrize("case", plan_cases.CASES)
def test_what_the_contracts_take_as_axioms_holds_of_integers(case: str) -> None:
    # C99 6.5.7: the right shift of what is not negative is a quotient; 6.5.10 for the mask.
    text = wp.contracts(planted.plan_of(case))["preamble"]
    shifts = re.findall(r"\(x >> (\d+)\) == x / (\d+);", text)
    assert shifts and text.count("axiom ") == len(shifts) + 2
    assert all(2 ** int(shift) == int(unit) for shift, unit in shifts)
    assert "(x & 255) == x % 256;" in text and "(x & 1) == x % 2;" in text


@pytest.mark.parametrize("change", ["gone", "twice", "another head"])
def test_a_function_that_is_not_there_once_is_refused(change: str) -> None:
    plan = planted.plan_of("mean")
    text = plan_cases.render(plan)["reed_lamp.c"]
    head = (
        "static int16_t reed_lamp_lesser(int16_t a, int16_t b)\n{\n    return (a < b) ? a : b;\n}\n"
    )
    assert text.count(head) == 1
    changed = {"gone": "", "twice": head * 2, "another head": head.replace("\n{", " {")}[change]
    with pytest.raises(ValueError, match="reed_lamp_lesser"):
        wp.annotated(plan, text.replace(head, changed))


@pytest.mark.parametrize("package", ["frama-c-base", "why3", "z3"])
def test_without_a_tool_it_is_skipped_with_the_package(
    package: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def which(name: str, path: str | None = None) -> str | None:
        return None if name == package.removesuffix("-base") else f"/usr/bin/{name}"

    monkeypatch.setattr("shutil.which", which)
    plan = planted.plan_of("mean")
    (skipped,) = contracted(plan, plan_cases.render(plan))
    assert skipped.passed and skipped.state is State.SKIPPED
    assert f"apt install {package}" in skipped.detail


def test_a_z3_that_why3_does_not_know_is_no_fault_of_the_c(monkeypatch: pytest.MonkeyPatch) -> None:
    plan = planted.plan_of("mean")
    monkeypatch.setattr(wp, "missing", list)
    monkeypatch.setattr(wp, "_run", lambda words, folder: "0 prover(s) added")
    for row in contracted(plan, plan_cases.render(plan)):
        assert row.state is State.SKIPPED and "apt install z3" in row.detail
    monkeypatch.setattr(
        wp, "_run", lambda words, folder: "Found prover Z3" if words[0] == "why3" else ""
    )
    for row in contracted(plan, plan_cases.render(plan)):
        assert row.state is State.FAILED and "no result" in row.detail


def test_c_without_a_contracted_function_is_a_failed_row(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wp, "missing", list)
    plan = planted.plan_of("mean")
    files = {**plan_cases.render(plan), "reed_lamp.c": ""}
    shown = {row.name: row for row in contracted(plan, files)}
    assert shown.keys() == {"WP, 16-bit int", "WP, 32-bit int"}
    assert all(row.state is State.FAILED for row in shown.values())


@pytest.mark.parametrize(
    ("case", "int_bits"),
    [
        pytest.param("mean", 16, marks=pytest.mark.full),
        pytest.param("moving tracked", 16, marks=pytest.mark.long),
    ],
)
def test_variants_are_proven(case: str, int_bits: int) -> None:
    need_tools()
    plan = planted.plan_of(case)
    state, detail = wp.analyse(plan, plan_cases.render(plan), int_bits)
    assert state is State.PASSED, detail


@pytest.mark.long
@pytest.mark.parametrize(("name", "int_bits"), [("ferry_galley", 32)])
def test_examples_are_proven(name: str, int_bits: int) -> None:
    need_tools()
    generation = generate(load_spec(example(name)))
    state, detail = wp.analyse(generation.plan, generation.texts, int_bits)
    assert state is State.PASSED, detail


def test_every_contracted_function_has_a_planted_defect() -> None:
    plan = planted.plan_of("moving tracked")
    # Of latch the contract says no more than that it takes numbers and changes nothing else.
    assert set(wp.functions(plan)) == SEEN.keys() | BLOCKS.keys() | {"latch"}
    turning = wp.functions(planted.plan_of("mean integral only"))
    assert set(turning) - SEEN.keys() - {"latch"} == TURN.keys()


@pytest.mark.parametrize(
    "planting", the_rest_long(ROUNDS, ["oscillator", "constant", "blocks"], pytest.mark.full)
)
def test_planted_defects_are_not_proven_and_the_rest_is(planting: str) -> None:
    """Each function is proven from the contracts of those it calls, so that several defects can
    stand in one C, one a function."""
    need_tools()
    case, defects = ROUNDS[planting]
    plan = planted.plan_of(case)
    files = plan_cases.render(plan)
    text = files[f"{plan.name}.c"]
    for kind, old, new in defects.values():
        assert text.count(old) == 1, kind
        text = text.replace(old, new)
    names = wp.functions(plan) if planting == "one of each" else tuple(defects)
    report = wp.report(
        plan, {**files, f"{plan.name}.c": text}, 16, names, goal_s=1 if case == "mean" else 2
    )
    assert wp.judge(report, wp.goals(plan, names))[0] is State.FAILED
    assert functions_of(wp.open_goals(report), plan.name) == defects.keys()
