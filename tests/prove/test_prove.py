"""The SMT proof: it holds on good C, it sees every planted defect, and its C is the compiler's."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest

from halfcycle.base.errors import ToolMissingError
from halfcycle.base.state import State
from halfcycle.check import checks
from halfcycle.check.checks import Files
from halfcycle.generate.pipeline import generate
from halfcycle.prove import frama_c
from halfcycle.prove.c_operators import Number
from halfcycle.prove.c_source import parse
from halfcycle.prove.c_types import Widths
from halfcycle.prove.claims import Claims
from halfcycle.prove.executor import Machine
from halfcycle.prove.invariants import invariant
from halfcycle.prove.prove import INT_BITS, analyse, prove, require
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import field_names
from halfcycle.regulator.turn import call_names
from halfcycle.spec.load import load_spec
from halfcycle.verify import adversarial
from halfcycle.verify.harness import Harness
from support import plan_cases, planted
from support.effort import examples, the_rest_long


@pytest.mark.parametrize(
    "case",
    # The root of a sum in two parts takes z3 half a minute, and ten with a zero that is tracked;
    # what a tracked zero's lean per code is of such a root takes minutes.
    plan_cases.in_sets(
        ("mean integral only", "rms wide high ramped", "moving flat", "mean tracked"),
        ("moving latched", "normalised"),
    ),
)
def test_good_code_is_proven(case: str) -> None:
    plan = planted.plan_of(case)
    proofs = prove(plan, plan_cases.render(plan))
    assert len(proofs) == len(call_names(plan)) * len(INT_BITS)
    assert not [proof for proof in proofs if not proof.passed]


@pytest.mark.parametrize("spec", examples("quay_kiosk", "weir_pump"))
def test_examples_are_proven(spec: Path) -> None:
    generation = generate(load_spec(spec))
    assert not [proof for proof in prove(generation.plan, generation.texts) if not proof.passed]


@pytest.mark.parametrize("kind", the_rest_long(planted.BY_KIND, planted.IN_CI))
def test_planted_defect_is_seen_where_it_is_one(kind: str) -> None:
    defect = planted.BY_KIND[kind]
    proofs = prove(planted.plan_of(defect.case), planted.plant(defect), [defect.call])
    failed = {proof.name for proof in proofs if not proof.passed}
    wanted = {f"{defect.call}, {bits}-bit int" for bits in defect.int_bits}
    assert wanted <= failed
    if defect.int_bits != planted.BOTH:
        assert failed == wanted


def test_failure_names_line_claim_and_example() -> None:
    (defect,) = [
        defect for defect in planted.PLANTED if defect.kind == "removed clamp of the level"
    ]
    proofs = prove(planted.plan_of("mean"), planted.plant(defect), ["drive"])
    detail = next(proof.detail for proof in proofs if not proof.passed)
    assert "reed_lamp.c:" in detail and "not proven that level stays in its range" in detail
    assert "phase = " in detail and "scale[" in detail


@pytest.mark.parametrize("least", [-40, -39, -7, 0, 12, 39, 40])
def test_bounds_are_the_tightest_there_are(least: int) -> None:
    """Of a number in steps of three, with values at its ends and without, by counting them."""
    claims = Claims()
    third = claims.unknown("third", -20, 20)
    number = 3 * third + 1
    claims.assume(number >= least)
    claims.path.append(third <= 14)
    values = [3 * n + 1 for n in range(-20, 15) if 3 * n + 1 >= least]
    low, high = max(-40, min(values)), min(40, max(values))
    assert claims.bounds(number, -40, 40) == (low, high)
    assert claims.bounds(number, low, high) == (low, high)
    assert claims.bounds(7, -40, 40) == (7, 7)


def test_unreadable_code_fails_the_proof() -> None:
    plan = planted.plan_of("mean")
    files = plan_cases.render(plan)
    for old, new in (("    return complete;", "    return complete"), ("#include", "#inlude")):
        broken = files["reed_lamp.c"].replace(old, new)
        proofs = prove(plan, {**files, "reed_lamp.c": broken}, ["scale"])
        assert not any(proof.passed for proof in proofs)


def test_code_beyond_the_semantics_fails_the_proof() -> None:
    plan = planted.plan_of("mean")
    files = plan_cases.render(plan)
    cut = files["reed_lamp.c"].replace(
        "    return complete;", "    goto out; out: return complete;"
    )
    failed = {
        proof.name
        for proof in prove(plan, {**files, "reed_lamp.c": cut}, ["sample", "flags"])
        if not proof.passed
    }
    assert failed == {"sample, 16-bit int", "sample, 32-bit int"}


# C99 6.4.4.1 and 6.3.1.8, worked by hand: (text, width of int, bits, signed).
CONSTANTS = (
    ("1", 16, 16, True),
    ("40000", 16, 32, True),
    ("0x9C40", 16, 16, False),
    ("40000u", 16, 16, False),
    ("70000u", 16, 32, False),
    ("40000", 32, 32, True),
    ("0xFFFFFFFF", 32, 32, False),
    ("2147483648", 32, 64, True),
    ("1L", 32, 32, True),
)


@pytest.mark.parametrize(("text", "int_bits", "bits", "signed"), CONSTANTS)
def test_constants_have_the_types_of_c(text: str, int_bits: int, bits: int, signed: bool) -> None:
    value, kind = Widths(int_bits).constant(text)
    assert value == int(text.rstrip("uL"), 0)
    assert (kind.bits, kind.signed) == (bits, signed)


def test_conversions_have_the_types_of_c() -> None:
    narrow, wide = Widths(16), Widths(32)
    u8, u16, i16 = (
        narrow.named(["unsigned", "char"]),
        narrow.of("short", False),
        narrow.of("short", True),
    )
    assert str(narrow.promoted(u8)) == "int16" and str(wide.promoted(u16)) == "int32"
    assert str(narrow.promoted(u16)) == "uint16"  # int of 16 bits does not hold it: 6.3.1.1
    assert str(narrow.common(u16, i16)) == "uint16" and str(wide.common(u16, i16)) == "int32"
    assert str(narrow.common(narrow.of("int", False), narrow.of("long", True))) == "int32"
    # int and long of one width: neither holds all of unsigned int, so unsigned long (6.3.1.8).
    mixed = wide.common(wide.of("int", False), wide.of("long", True))
    assert (mixed.rank, mixed.signed) == (wide.of("long", True).rank, False)


def machine_for(plan: Plan, files: dict[str, str], values: dict[str, int]) -> Machine:
    """The prover's machine on a known state: it then computes instead of proving."""
    source = parse(files, f"{plan.name}.c", 32)
    (fields,) = source.structs.values()
    state: dict[str, list[Any]] = {
        name: [values[f"{name}_{n}"] for n in range(length)] if length else [values[name]]
        for name, (_, length, _) in fields.items()
    }
    return Machine(source, Claims(), state, lambda *_: None)


def fields_of(plan: Plan, machine: Machine) -> dict[str, int]:
    values = dict.fromkeys(field_names(plan), 0)
    for name, elements in machine.state.items():
        names = [name] if name in values else [f"{name}_{n}" for n in range(len(elements))]
        values |= dict(zip(names, elements, strict=True))
    return values


@pytest.mark.parametrize(
    "case",
    plan_cases.in_sets(("rms wide high ramped",), ("moving flat",)),
)
def test_its_c_computes_what_the_compiled_c_computes(case: str) -> None:
    # Against the compiler at hand: on known numbers the prover's semantics are an interpreter.
    plan = planted.plan_of(case)
    files = plan_cases.render(plan)
    compiled = Harness(plan, files)
    updates = adversarial.update_states(plan, random.Random(5), 20)
    samples, codes = adversarial.sample_states(plan, random.Random(5), 20)
    for call, rows, given in (("update", updates, None), ("sample", samples, codes)):
        wanted = compiled.single_calls(rows, given)
        for index, row in enumerate(rows):
            machine = machine_for(
                plan, files, dict(zip(field_names(plan), row.tolist(), strict=True))
            )
            kind = machine.source.types["uint16_t"]
            arguments = [] if given is None else [Number(int(codes[index]), kind)]
            machine.call(f"{plan.name}_{call}", arguments, call)
            got = list(fields_of(plan, machine).values())
            assert got == wanted[index][: len(got)].tolist()


@pytest.mark.parametrize("case", ["rms wide high ramped", "moving high", "moving two updates"])
def test_states_of_a_long_run_are_inside_the_declared_ranges(case: str) -> None:
    # The ranges are assumptions of the proof: states that the model reaches must satisfy them.
    plan = planted.plan_of(case)
    regulator, chance = Regulator(plan), random.Random(3)
    source = parse(plan_cases.render(plan), f"{plan.name}.c", 32)
    (fields,) = source.structs.values()
    for tick in range(40 * plan.samples):
        if tick % 977 == 0:
            regulator.set_target_mv(chance.randrange(-1000, 400_000))
        if regulator.sample(chance.choice((0, 65535, 32768, chance.randrange(65536)))):
            regulator.update()
        values = regulator.fields()
        state = {
            name: [values[f"{name}_{n}"] for n in range(length)] if length else [values[name]]
            for name, (_, length, _) in fields.items()
        }
        assert all(holds for _, holds in invariant(plan, state))


def test_check_shows_one_line_for_each_call(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(frama_c, "command", lambda: None)  # test_eva.py has it
    plan = planted.plan_of("mean")
    files = plan_cases.render(plan)
    (defect,) = [
        defect for defect in planted.PLANTED if defect.kind == "removed clamp of the level"
    ]
    shown = {
        check.name: check.passed for check in checks.proofs(plan, Files(planted.plant(defect)))
    }
    failed = {name for name, passed in shown.items() if not passed}
    assert {"proof: drive, 16-bit int", "proof: drive, 32-bit int"} <= failed
    assert shown["proof: sample, 16-bit int"]
    (missing,) = checks.proofs(plan, Files({"reed_lamp.h": files["reed_lamp.h"]}))
    assert not missing.passed and "reed_lamp.c is missing" in missing.detail


def test_without_eva_the_rest_is_proven(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(frama_c, "command", lambda: None)
    plan = planted.plan_of("mean")
    (skipped,) = analyse(plan, plan_cases.render(plan))
    assert skipped.passed and skipped.state is State.SKIPPED and "Frama-C" in skipped.detail


def test_a_missing_prover_names_its_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None if name == "z3" else object())
    with pytest.raises(ToolMissingError, match=r"z3-solver.*pip install z3-solver pycparser"):
        require()
