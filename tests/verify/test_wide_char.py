"""The C where char has 16 bits, and no type has 8: it compiles, and computes the same.

Emulated with a stdint.h of such a machine (C99 7.18.1.1, 7.18.1.2); the C names no char and takes
the size of nothing, so it cannot tell the difference otherwise.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import pytest
from pycparser.c_parser import ParseError

from halfcycle.generate.pipeline import generate
from halfcycle.prove import hand_over
from halfcycle.prove.c_source import parse
from halfcycle.prove.equality import prove_equal
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import CALL_NAMES, fields_of
from halfcycle.spec.load import load_spec
from halfcycle.verify import bounded, compare, compiler, harness
from support import plan_cases, planted, wide_char
from support.effort import examples

NAMED = re.compile(r"\bu?int8_t\b|\bchar\b|\bsizeof\b|\bCHAR_BIT\b|\bU?INT8_")
COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
QUICK = ("mean", "moving flat")


def verified(plan: Plan, files: Mapping[str, str], samples: int) -> compare.Mismatch | None:
    """``compare.verify`` with the harness, too, built on 16-bit chars."""
    result = compare.verify(plan, files, samples=samples, flags=("-O2", *wide_char.FLAGS))
    return result.mismatch


@pytest.fixture
def on_wide_char(monkeypatch: pytest.MonkeyPatch) -> None:
    """The harness gets the header, too."""
    plain = harness.sources

    def sources(plan: Plan, generated: Mapping[str, str]) -> tuple[dict[str, str], list[str]]:
        contents, names = plain(plan, generated)
        return wide_char.with_wide_char(contents), names

    monkeypatch.setattr(harness, "sources", sources)


def self_test_status(plan: Plan, files: dict[str, str]) -> int | None:
    program = compiler.build_program(
        wide_char.with_wide_char(files),
        [f"{plan.name}.c", f"{plan.name}_selftest.c"],
        flags=("-O2", "-Wall", "-Wextra", "-Wconversion", "-Werror", *wide_char.FLAGS),
    )
    return bounded.run([str(program)], compiler.COMPILE_LIMITS).status


@pytest.mark.parametrize("case", plan_cases.CASES)
def test_the_c_names_no_type_of_8_bits(case: str) -> None:
    for name, text in plan_cases.render(plan_cases.CASES[case]).items():
        assert not NAMED.findall(COMMENT.sub("", text)), name


@pytest.mark.usefixtures("on_wide_char")
@pytest.mark.parametrize("case", plan_cases.in_sets(QUICK))
def test_it_computes_the_same(case: str) -> None:
    plan = planted.plan_of(case)
    files = plan_cases.render(plan)
    assert verified(plan, files, 60_000) is None
    assert self_test_status(plan, files) == 0


@pytest.mark.usefixtures("on_wide_char")
@pytest.mark.parametrize("spec", examples("quay_kiosk", "weir_pump"))
def test_every_example_computes_the_same(spec: Path) -> None:
    generation = generate(load_spec(spec))
    assert verified(generation.plan, generation.texts, 200_000) is None
    assert self_test_status(generation.plan, dict(generation.texts)) == 0


@pytest.mark.usefixtures("on_wide_char")
@pytest.mark.parametrize(
    ("case", "old", "new"),
    [
        # The conversion to 8 bits hides these elsewhere.
        (
            "mean",
            "(uint_least8_t)((s->window_sequence + 1u) & 255u)",
            "(uint_least8_t)(s->window_sequence + 1u)",
        ),
        (
            "mean",
            "(uint_least8_t)(((sequence + 256u) - s->taken_sequence) & 255u)",
            "(uint_least8_t)((sequence + 256u) - s->taken_sequence)",
        ),
        (
            "moving flat",
            "(uint_least8_t)((sequence + 254u) & 255u)",
            "(uint_least8_t)(sequence + 254u)",
        ),
    ],
)
def test_a_counter_without_its_mask_is_seen(case: str, old: str, new: str) -> None:
    plan = planted.plan_of(case)
    files = plan_cases.render(plan)
    name = f"{plan.name}.c"
    assert files[name].count(old) == 1
    assert verified(plan, {**files, name: files[name].replace(old, new)}, 60_000) is not None


def test_a_type_of_8_bits_is_refused() -> None:
    plan = plan_cases.CASES["mean"]
    files = plan_cases.render(plan)
    name = f"{plan.name}.c"
    text = files[name].replace("const uint_least8_t before", "const uint8_t before")
    with pytest.raises(compiler.CompileError, match="uint8_t"):
        self_test_status(plan, {**files, name: text})


def test_the_prover_knows_no_type_of_8_bits() -> None:
    """`check --prove` refuses what would not compile on such a machine."""
    plan = planted.plan_of("mean")
    files = plan_cases.render(plan)
    text = files["reed_lamp.h"].replace("uint_least8_t", "uint8_t")
    with pytest.raises(ParseError, match=r"Missing type in declaration|Invalid specifier list"):
        parse({**files, "reed_lamp.h": text}, "reed_lamp.c", 16)


@pytest.mark.parametrize(
    "case", ["mean", pytest.param("moving two updates", marks=pytest.mark.long)]
)
def test_it_is_proven_equal(case: str) -> None:
    plan = planted.plan_of(case)
    source = parse(plan_cases.render(plan), f"{plan.name}.c", 16, char_bits=16)
    (declared,) = source.structs.values()
    small = {field.name for field in fields_of(plan) if field.c_type(plan) == "uint_least8_t"}
    assert small and {declared[name][0].bits for name in small} == {16}
    assert not [*hand_over.declaration_faults(plan, source)]
    for call in CALL_NAMES:
        outcome = prove_equal(plan, source, call=call)
        assert outcome.equal and not outcome.faults, call


def test_a_counter_without_its_mask_is_not_proven() -> None:
    plan = planted.plan_of("mean")
    files = plan_cases.render(plan)
    text = files["reed_lamp.c"].replace(
        "((s->window_sequence + 1u) & 255u)", "(s->window_sequence + 1u)"
    )
    changed = {**files, "reed_lamp.c": text}
    narrow = parse(changed, "reed_lamp.c", 16)
    assert prove_equal(plan, narrow, call="sample").equal
    wide = parse(changed, "reed_lamp.c", 16, char_bits=16)
    assert not prove_equal(plan, wide, call="sample").equal
