"""The harness is itself tested: small faults in the C and in the Plan must be noticed.

The outside source is the fault that is put in; what the comparison does not notice must be proven
to change nothing. ``python tests/mutation`` runs all of them; here are a seeded draw, as long as
its time lasts, and the drawing itself.
"""

from __future__ import annotations

import random
import subprocess
import sys
from pathlib import Path

import pytest

from halfcycle.prove.c_source import parse
from halfcycle.verify import compare
from mutation import same_code
from mutation.__main__ import Subject, compared
from mutation.judge import Seen, Work, changed_calls, judge, judge_all
from mutation.mutants import Mutant, line_of, mutants, plan_mutants
from mutation.proofs import prove_all
from mutation.together import compare_all
from support import plan_cases, planted
from support.paths import SPECS, example

HERE = Path(__file__).parent

TEXT = """/* a < b; */
#if X < 2
#endif
int f(struct s *s, int a)
{
    int b = a;
    if (a > 7) {
        s->x = a + 12u;
    }
    return (b < 3) ? b : 0x0F;
}
"""


def test_mutants_of_a_small_function() -> None:
    # Each one worked out by hand; nothing in the comment, the directive or the declarators.
    changes: dict[tuple[int, str, str], set[str]] = {}
    for m in mutants(TEXT):
        place = (line_of(TEXT, m.start)[0], m.kind, m.old)
        changes.setdefault(place, set()).add(m.new)
    relations = {"<", "<=", ">", ">=", "==", "!="}
    assert changes == {
        (6, "name", "a"): {"b"},
        (7, "name", "a"): {"b"},
        (7, "operator", ">"): relations - {">"},
        (7, "constant", "7"): {"8", "6", "0", "14", "3", "5"},
        (7, "branch", "a > 7"): {"!(a > 7)"},
        (8, "name", "a"): {"b"},
        (8, "operator", "+"): {"-", "*", "|"},
        (8, "constant", "12"): {"13", "11", "0", "24", "6", "14"},
        (8, "statement", "s->x = a + 12u;"): {";"},
        (10, "name", "b"): {"a"},
        (10, "operator", "<"): relations - {"<"},
        (10, "constant", "3"): {"4", "2", "0", "6", "1"},
        (10, "constant", "0x0F"): {"0x10", "0xE", "0x0", "0x1E", "0x7", "0xD"},
        (10, "branch", "(b < 3)"): {"!(b < 3)"},
    }


def test_fields_and_neighbours_are_exchanged() -> None:
    text = """void f(struct s *s)
{
    s->x = 1u;
    s->y = 2u;
    s->z[0] = 3u;
}
"""
    found = {(m.kind, m.old, m.new) for m in mutants(text)}
    assert ("field", "x", "y") in found and ("field", "y", "x") in found
    assert not [new for kind, old, new in found if kind == "field" and "z" in (old, new)]
    both = "    s->x = 1u;\n    s->y = 2u;"
    assert ("order", both, "    s->y = 2u;\n    s->x = 1u;") in found


def test_flags_are_exchanged() -> None:
    text = """    flags = (uint16_t)(flags | A_FLAG_MISSED);
    flags |= A_FLAG_OVER;
"""
    found = {(m.old, m.new) for m in mutants(text) if m.kind == "flag"}
    assert found == {("A_FLAG_MISSED", "A_FLAG_OVER"), ("A_FLAG_OVER", "A_FLAG_MISSED")}


def test_every_example_has_a_thousand_mutants() -> None:
    for spec in SPECS:
        name = f"{spec.stem}.c"
        text = (spec.parent / spec.stem / name).read_text(encoding="utf-8")
        assert len(mutants(text)) > 1000, name


@pytest.mark.parametrize("case", ["mean", "moving shaped rms ramped"])
def test_the_plans_constants_move_by_one(case: str) -> None:
    plan = plan_cases.CASES[case]
    moved = set()
    for what, mutant in plan_mutants(plan):
        field = what.split()[0].split("[")[0]
        assert getattr(mutant, field) != getattr(plan, field)
        moved.add(field)
    assert ("block_weights" in moved) == plan.blockwise
    assert {"span_blocks", "target_max", "table"} <= moved


# What the comparison cannot see, by hand: a mask that the conversion to 8 bits does anyway; and the
# same stores in another order, which only a reader of another level could see.
UNSEEN = (
    (
        "(uint_least8_t)((s->window_sequence + 1u) & 255u)",
        "(uint_least8_t)(s->window_sequence + 1u)",
        "==",
    ),
    (
        "    s->scale[sequence & 1u] = scale;\n    s->reading",
        "    s->output_sequence = sequence;\n    s->scale[sequence & 1u] = scale;\n    s->reading",
        "refused",
    ),
    # An index beyond the table, times 0.
    (
        "reed_lamp_quarter[index + 1u]",
        "reed_lamp_quarter[index + 1u + (index >> 6)]",
        "refused",
    ),
    ("reed_lamp_quarter[66]", "reed_lamp_quarter[67]", "=="),
    ("if (error < -57) {", "if (error < -58) {", "seen"),
)
# Of a window of blocks: the last bit does not tell what is below 2; two stores into a slot that no
# reader uses yet.
UNSEEN_OF_BLOCKS = (
    ("- sequence) & 255u);\n    uint32_t sum", "- sequence) & 254u);\n    uint32_t sum", "=="),
    (
        "    s->reading[sequence & 1u] = reading;\n    s->flags[sequence & 1u] = flags;",
        "    s->flags[sequence & 1u] = flags;\n    s->reading[sequence & 1u] = reading;",
        "==",
    ),
    ("(above >= limit)", "(above > limit)", "seen"),
    ("s->unsettled = 5u;\n        }", "s->unsettled = 4u;\n        }", "seen"),
)


@pytest.mark.parametrize(
    ("case", "old", "new", "outcome"),
    [
        *[
            pytest.param("mean", *row, marks=pytest.mark.long if "[66]" in row[0] else ())
            for row in UNSEEN
        ],
        *[
            pytest.param("moving flat", *row, marks=pytest.mark.long if row[2] == "==" else ())
            for row in UNSEEN_OF_BLOCKS
        ],
    ],
)
def test_what_is_not_noticed_is_proven(case: str, old: str, new: str, outcome: str) -> None:
    plan = planted.plan_of(case)
    texts = plan_cases.render(plan)
    name = f"{plan.name}.c"
    assert texts[name].count(old) == 1
    verdict = judge(Work(plan, {**texts, name: texts[name].replace(old, new)}, texts))
    wanted = {"==": Seen.EQUIVALENT, "refused": Seen.REFUSED, "seen": Seen.NOTICED}
    assert verdict.seen is wanted[outcome], verdict


def mutant_of(text: str, old: str, new: str) -> Mutant:
    assert text.count(old) == 1
    return Mutant(text.index(old), old, new, "by hand")


TOGETHER = (
    ("return complete;", "return 1 - complete;", "a difference"),
    ("window_above[sequence & 1u] =", "window_above[sequence * 100000000u] =", "crashes"),
    ("slot < 2u; slot++", "slot < 2u; slot += 0", "does not return"),
    ("return complete;", "return unheard_of;", None),
    ("31113u", "31114u", "a difference"),
    ("(a < b) ? a : b", "(a <= b) ? a : b", ""),
)


def test_mutants_compiled_together_end_as_each_would_alone() -> None:
    # By hand: what each does; "" passes, None does not compile. One that stores far from its state,
    # one that never ends and a table's number among them harm no other.
    plan = planted.plan_of("mean")
    texts = plan_cases.render(plan)
    chosen = [mutant_of(texts["reed_lamp.c"], old, new) for old, new, _ in TOGETHER]
    ended = compare_all(plan, texts, chosen, 1, samples=2000)
    for (_, new, ends), got in zip(TOGETHER, ended, strict=True):
        assert got.compiles == (ends is not None), new
        found = "a difference" if got.noticed_by in compare.NAMES else got.noticed_by
        assert found.split(" (")[0] == (ends or ""), new


def test_the_same_machine_code_is_told_from_another() -> None:
    texts = plan_cases.render(planted.plan_of("mean"))
    rows = (
        ("(a < b) ? a : b", "(a <= b) ? a : b", True),
        ("(a < b) ? a : b", "(a > b) ? a : b", False),
        ("return complete;", "return 1 - complete;", False),
        # A table is no code.
        ("31113u", "31114u", False),
    )
    numbered = {n: mutant_of(texts["reed_lamp.c"], *row[:2]) for n, row in enumerate(rows)}
    alike = same_code.same(texts, "reed_lamp.c", numbered)
    assert alike == {n for n, row in enumerate(rows) if row[2]}


@pytest.mark.long
@pytest.mark.parametrize("case", ["mean", "moving flat"])
def test_judged_together_is_judged_alone(case: str) -> None:
    """60 drawn: the same verdicts as of each compiled, compared with the model and proven alone."""
    plan = planted.plan_of(case)
    texts = plan_cases.render(plan)
    name = f"{plan.name}.c"
    chosen = random.Random(case).sample(mutants(texts[name]), 60)
    verdicts = compared(Subject(plan, texts), chosen, 2)
    left = {n: mutant for n, mutant in enumerate(chosen) if n not in verdicts}
    verdicts |= dict(prove_all(plan, texts, left, 2))
    alone = judge_all([Work(plan, {**texts, name: m.apply(texts[name])}, texts) for m in chosen])
    for number, (mutant, verdict) in enumerate(zip(chosen, alone, strict=True)):
        together = verdicts[number].seen
        equal = together is Seen.SAME_CODE and verdict.seen is Seen.EQUIVALENT
        assert equal or together is verdict.seen, (mutant, verdicts[number], verdict)


def test_only_the_calls_that_a_change_reaches_are_proven_again() -> None:
    plan = planted.plan_of("mean")
    texts = plan_cases.render(plan)
    before = parse(texts, "reed_lamp.c", 32)
    for old, new, calls in (
        ("return complete;", "return 1 - complete;", ["sample"]),
        ("s->integral + step", "s->integral - step", ["update"]),
        ("(value & 255u)", "(value & 254u)", ["set_target_mv", "update", "read", "rms_mv"]),
    ):
        changed = {**texts, "reed_lamp.c": texts["reed_lamp.c"].replace(old, new)}
        assert changed_calls(before, parse(changed, "reed_lamp.c", 32)) == calls


@pytest.mark.parametrize(
    "which",
    [
        pytest.param("weir_pump", marks=pytest.mark.full),
        pytest.param("print_shop", marks=pytest.mark.long),
        pytest.param("plan:moving flat", marks=pytest.mark.long),
        pytest.param("plan:moving two updates", marks=pytest.mark.long),
    ],
)
def test_a_seeded_draw_is_noticed_or_proven_equal(which: str) -> None:
    # ``python tests/mutation`` takes all examples; here one of each kind, with little time.
    words = [which] if which.startswith("plan:") else [example(which)]
    draw = ["--count", "6", "--seed", "3", "--seconds", "20"]
    command = [sys.executable, HERE, *words, *draw]
    ran = subprocess.run(command, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout + ran.stderr
