"""MISRA C:2012 where the checker's addon is blind: the tree of the generated C, and the prover.

The rules are from memory. 13.2: one access of a volatile object in an expression; 13.5: none behind
&& and ||; 14.4: what controls is boolean; 10.1: bits are of unsigned operands; 10.8: no cast of
what operators made to another category or a wider type; 14.3: no condition that is always the same,
which the prover's paths show. And no declaration after a statement, as C90 had it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import pytest

from halfcycle.regulator.state import field_names
from halfcycle.regulator.turn import call_names
from support import misra_rules, plan_cases, planted
from support.constant_conditions import equal_with_conditions, listed_conditions
from support.misra_page import anonymous, by_hand, statements
from support.paths import ROOT, SPECS

FOLDERS = [spec.with_suffix("") for spec in SPECS]


def all_faults(files: Mapping[str, str], name: str) -> list[str]:
    """What the regulator's C and its self-test break."""
    sources = (f"{name}.c", f"{name}_selftest.c")
    return [fault for source in sources for fault in misra_rules.faults(files, source)]


@pytest.mark.parametrize("case", plan_cases.CASES)
def test_no_variant_breaks_a_rule(case: str) -> None:
    plan = plan_cases.CASES[case]
    assert all_faults(plan_cases.render(plan), plan.name) == []


@pytest.mark.parametrize("case", plan_cases.CASES)
def test_a_function_that_nothing_called_was_left_in_a_latched_design(case: str) -> None:
    """Compilers warn of it, as of any static function that is not used."""
    plan = plan_cases.CASES[case]
    text = plan_cases.render(plan)[f"{plan.name}.c"]
    defined = re.findall(r"^static [\w ]*?(\w+)\(", text, re.MULTILINE)
    assert len(defined) > 5
    assert [name for name in defined if len(re.findall(rf"\b{name}\(", text)) < 2] == []


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_no_example_breaks_a_rule(folder: Path) -> None:
    files = {path.name: path.read_text(encoding="utf-8") for path in folder.iterdir()}
    assert all_faults(files, folder.name) == []


def test_a_typed_constant_of_16_bits_was_signed_on_some_compilers() -> None:
    """Their UINT16_C leaves the constant as it is, an int, where int has 32 bits (C99 7.18.4.1 asks
    for the promoted type): bits were then set with it, and counts compared with it."""
    plan = plan_cases.CASES["mean"]
    files = plan_cases.render(plan)
    header = f"{plan.name}.h"
    text = re.sub(r"(_SAMPLES|_FLAG_\w+) (\w+)u\b", r"\1 UINT16_C(\2)", files[header])
    assert text.count("UINT16_C") == 9
    faults = all_faults({**files, header: text}, plan.name)
    assert {fault.split()[0] for fault in faults} >= {"10.1", "10.4"}
    assert any("|= REED_LAMP_FLAG_OVER" in fault for fault in faults)
    assert any("(count + 1u) < REED_LAMP_SAMPLES" in fault for fault in faults)


# Each of the first eight and the first of uint_fast16_t stood in the templates once.
PLANTED = (
    ("mean", "scale = s->scale[first & 1u];", "scale = s->scale[s->output_sequence & 1u];", "13.2"),
    ("mean", "= s->target[first & 1u];", "= s->target[s->target_sequence & 1u];", "13.2"),
    (
        "moving flat",
        "last = s->reading[now];",
        "last = s->reading[s->output_sequence & 1u];",
        "13.2",
    ),
    (
        "moving flat",
        "if (target == 0) {\n            s->i",
        "if (s->target[s->target_sequence & 1u] == 0) {\n            s->i",
        "13.2",
    ),
    ("mean ramped", "(int32_t)raised", "(int32_t)((uint32_t)aim << 8)", "10.8"),
    ("mean ramped", "(int16_t)reached", "(int16_t)((uint32_t)ramp >> 8)", "10.8"),
    (
        "mean",
        "    s->scale[sequence & 1u] = scale;\n",
        "    s->scale[sequence & 1u] = scale;\n    const int16_t more = 0;\n",
        "mixed",
    ),
    (
        "mean",
        "if (complete != 0) {\n            early = 1;\n        }",
        "early |= complete;",
        "10.1",
    ),
    ("mean", "if (complete != 0) {", "if (complete) {", "14.4"),
    ("mean", "(uint32_t)rise * (uint32_t)along", "(uint32_t)(rise * along)", "10.8"),
    ("mean", "(uint_fast16_t)upper;", "(uint_fast16_t)(wide >> 16);", "10.8"),
    ("mean", "s->window_sequence = sequence;", "s->window_sequence++;", "13.2"),
    (
        "mean",
        "if ((elapsed != 0u) && (ended < 2u)) {",
        "if ((elapsed != 0u) && (s->window_sequence != 1u)) {",
        "13.5",
    ),
    ("mean", "if ((elapsed != 0u) && (ended < 2u)) {", "while (elapsed) {", "14.4"),
)


@pytest.mark.parametrize(("case", "old", "new", "rule"), PLANTED)
def test_a_planted_deviation_is_seen(case: str, old: str, new: str, rule: str) -> None:
    plan = plan_cases.CASES[case]
    files = plan_cases.render(plan)
    changed = {name: text.replace(old, new) for name, text in files.items()}
    assert changed != files
    assert rule in {fault.split()[0] for fault in all_faults(changed, plan.name)}


@pytest.mark.long
def test_each_condition_listed_as_always_the_same_is_so_somewhere() -> None:
    """That no other one is: ``test_good_code_is_equal_on_every_input``."""
    cases = ("mean", "mean one sample", "moving each sample", "moving two updates")
    found = [equal_with_conditions(case, call_names(planted.plan_of(case))) for case in cases]
    assert all(proof.passed for proofs, _ in found for proof in proofs)
    assert frozenset[str]().union(*(conditions for _, conditions in found)) == listed_conditions()


def test_a_step_of_the_zero_at_every_window_counted_down_from_one() -> None:
    """And compared what is 0 always: no condition and no field is left of it."""
    each, second = (plan_cases.CASES[case] for case in ("mean tracked each", "mean tracked"))
    assert (each.tracking, second.tracking) != (None, None)
    files = plan_cases.render(each)
    text = files[f"{each.name}.h"] + files[f"{each.name}.c"]
    assert "_move_zero(s, (int32_t)above - (int32_t)below);" in text
    assert not re.search(r"\bs->zero_(?:due|lean)\b| zero_due;| zero_lean;|\bdue\b", text)
    assert not {"zero_due", "zero_lean"} & set(field_names(each))
    assert {"zero_due", "zero_lean"} <= set(field_names(second))


def test_a_clip_that_cannot_act_is_left_out() -> None:
    """Bug: up to a scale of 1.0 the sine was held below what it cannot pass."""
    plan = plan_cases.make(scale_max=16384)
    assert "(wide > " not in plan_cases.render(plan)["reed_lamp.c"]
    assert "(rounded > " not in plan_cases.render(plan)["reed_lamp.c"]
    above = plan_cases.make(scale_max=16385)
    assert "(wide > UINT32_C(0x7FFFFFFF)) ? 32767u" in plan_cases.render(above)["reed_lamp.c"]


PLAIN = re.compile(r"\b(?:char|short|int|long|signed|unsigned|float|double)\b")
CALLED_MACRO = re.compile(r"\s*#\s*define\s+\w+\(")
EXTENSION = re.compile(r"\b__(?!cplusplus|STRICT_ANSI__|FLASH|flash\))\w+")


def language_deviations(files: Mapping[str, str], name: str) -> set[tuple[str, str]]:
    """Lines that use a type without its size (Dir 4.6) or what C99 does not have (1.2), or define a
    macro that looks like a function (Dir 4.9)."""
    rows = set()
    for text in files.values():
        for line in statements(text):
            if line.startswith("#error"):
                continue
            if PLAIN.search(line):
                rows.add(("Dir4.6", anonymous(line, name)))
            if EXTENSION.search(line):
                rows.add(("1.2", anonymous(line, name)))
            if CALLED_MACRO.match(line):
                rows.add(("Dir4.9", anonymous(line, name)))
    return rows


def test_no_variant_has_two_blank_lines_in_a_row() -> None:
    for plan in plan_cases.CASES.values():
        for name, text in plan_cases.render(plan).items():
            assert "\n\n\n" not in text and not text.endswith("\n\n"), name


def test_types_without_a_size_and_extensions_are_listed_and_no_others() -> None:
    found: set[tuple[str, str]] = set()
    for plan in plan_cases.CASES.values():
        found |= language_deviations(plan_cases.render(plan), plan.name)
    listed = {row for row in by_hand() if row[0] in ("Dir4.6", "Dir4.9", "1.2")}
    rows = "\n".join(f"| {rule} | `{line}` | WHY |" for rule, line in sorted(found))
    assert found == listed, f"now:\n{rows}"


CONTROL = re.compile(r"\b(?:if|while) \((.*)\)(?: \{.*|;)?$", re.MULTILINE)
BLOCK = re.compile(r"```c\n(.*?)```", re.DOTALL)
COMPARED = re.compile(r"[=!<>]=|[<>]")


def documented() -> dict[str, str]:
    """The C that a reader of the docs is shown."""
    pages = [ROOT / "README.md", *sorted(ROOT.glob("docs/**/*.md"))]
    texts = {
        str(page): "\n".join(BLOCK.findall(page.read_text(encoding="utf-8"))) for page in pages
    }
    projects = sorted(ROOT.glob("docs/projects/**/*.c"))
    texts |= {str(page): page.read_text(encoding="utf-8") for page in projects}
    headers = sorted(ROOT.glob("docs/examples/*/*.h"))
    return texts | {str(page): page.read_text(encoding="utf-8") for page in headers}


def not_boolean(text: str) -> list[str]:
    """Conditions of `if` and `while` without a comparison."""
    code = re.sub(r"/\*.*?\*/", "", text)
    controlling = list(CONTROL.findall(code))
    calls = re.findall(r"[^\n]*_(?:sample|flags)\([^\n]*", code)
    used = [line for line in calls if re.search(r"\|= |&& \w+_sample| \? |&&|\|\|", line)]
    return [text for text in (*controlling, *used) if not COMPARED.search(text)]


def test_the_documented_use_has_boolean_conditions() -> None:
    texts = documented()
    assert sum("_sample(" in text for text in texts.values()) >= 4
    assert {page: faults for page, text in texts.items() if (faults := not_boolean(text))} == {}


@pytest.mark.parametrize(
    "text",
    [
        "    if (hut_sample(&s, code)) {\n",
        "        complete |= hut_sample(&s[i], code);\n",
        "    if (complete) {\n",
        "/* timer */   if (hut_sample(&s, adc)) { /* request the update */ }\n",
    ],
)
def test_a_condition_that_is_not_boolean_is_seen_in_the_docs(text: str) -> None:
    assert not_boolean(text)
