"""Equality of C and model by SMT: it holds on good C, and what differs is shown and replayed.

The other side is what is known by hand: the planted defects, whose width of int follows from C99,
``math.isqrt`` for the root, and the model run on plain numbers for every path.
"""

from __future__ import annotations

import itertools
import math
import operator
import random
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from halfcycle.generate.pipeline import generate
from halfcycle.prove import model_run, root_proof
from halfcycle.prove.c_source import parse
from halfcycle.prove.equality import prove_equal
from halfcycle.prove.paths import Paths, UndecidedError
from halfcycle.prove.prove import equal
from halfcycle.prove.replay import tried
from halfcycle.regulator import arithmetic
from halfcycle.regulator.model import Regulator, drive_wave
from halfcycle.regulator.plan import TURN, Plan
from halfcycle.regulator.state import field_names, fields_of
from halfcycle.regulator.turn import call_names
from halfcycle.spec.load import load_spec
from halfcycle.verify import adversarial
from support import plan_cases, planted
from support.constant_conditions import equal_with_conditions, listed_conditions
from support.effort import examples, the_rest_long


def drive_of(plan: Plan) -> tuple[list[str], tuple[int, int]]:
    """All that drive and duty depend on: their text and tables, and the scale's range."""
    text = plan_cases.render(plan)[f"{plan.name}.c"]
    text = text.replace(plan.name, "NAME").replace(plan.name.upper(), "NAME")
    own = re.compile(r"NAME_(drive\(|duty\(|quarter\[|counts\[)")
    parts = [part for part in text.split("\n\n") if own.search(part.partition("{")[0])]
    assert len(parts) == 4
    (scale,) = (field for field in fields_of(plan) if field.name == "scale")
    return parts, scale.bounds(plan)


# Those of other kinds take half a minute to five minutes each; one is an example, below.
EQUAL = plan_cases.in_sets(["mean"], ["mean integral only", "mean tracked", "rms"])


@pytest.mark.parametrize("case", EQUAL)
def test_good_code_is_equal_on_every_input(case: str) -> None:
    """And no condition on the way is always the same (MISRA C:2012, 14.3, from memory), but for
    those that docs/misra.md lists."""
    plan = planted.plan_of(case)
    # Each drive once: another window has the same.
    is_known = case != "mean" and drive_of(plan) == drive_of(planted.plan_of("mean"))
    calls = [call for call in call_names(plan) if call not in ("drive", "duty") or not is_known]
    proofs, conditions = equal_with_conditions(case, calls)
    assert [proof.name for proof in proofs] == [
        *(f"{call} equal" for call in calls),
        "hand-over",
    ]
    assert not [proof for proof in proofs if not proof.passed]
    assert conditions <= listed_conditions()


@pytest.mark.parametrize("spec", examples("quay_kiosk"))
def test_examples_are_equal_on_every_input(spec: Path) -> None:
    generation = generate(load_spec(spec))
    assert not [proof for proof in equal(generation.plan, generation.texts) if not proof.passed]


CHANGES_NO_VALUE = ("mask removed", "no point after the crest")
"""Planted defects that only the ranges see: an unsigned conversion does what the mask did; the
point after the crest is multiplied by 0, but a table that falls there makes a difference wrap."""


@pytest.mark.parametrize("kind", the_rest_long(planted.BY_KIND, planted.IN_CI))
def test_planted_defect_is_not_equal(kind: str) -> None:
    defect = planted.BY_KIND[kind]
    plan, files = planted.plan_of(defect.case), planted.plant(defect)
    for bits in defect.int_bits:
        source = parse(files, f"{plan.name}.c", bits)
        if defect.header:
            continue  # Another type in the struct: the hand-over's declarations see it.
        outcome = prove_equal(plan, source, call=defect.call)
        assert outcome.equal == (defect.kind in CHANGES_NO_VALUE), outcome


def test_what_tells_them_apart_is_replayed_in_the_compiled_c() -> None:
    plan = planted.plan_of("mean")
    files = plan_cases.render(plan)
    text = files["reed_lamp.c"].replace("if (error < -57) {", "if (error <= -57) {")
    (proof, _) = equal(plan, {**files, "reed_lamp.c": text}, ["update"])
    assert not proof.passed
    assert "the model has" in proof.detail and "the C has" in proof.detail
    (proof, _) = equal(plan, {**files, "reed_lamp.c": text}, ["update"], run=False)
    assert not proof.passed and "(not run)" in proof.detail


# Faults that the bit-exact comparison once took for equal: the other slot for some phases, and
# ties to even or down.
DRIVE_READS = """(uint16_t)s->scale[slot];
    /* doubled"""
UNSEEN = (
    (
        "drive",
        DRIVE_READS,
        DRIVE_READS.replace("[slot]", "[(phase >= 0xFC00u) ? 0u : slot]"),
    ),
    ("update", "round_shift((uint32_t)drive, 10u)", "round_shift((uint32_t)drive - 1u, 10u)"),
    ("update", "held = (uint32_t)scale << 10;", "held = ((uint32_t)scale << 10) | 1u;"),
)


@pytest.mark.parametrize(("call", "old", "new"), UNSEEN)
def test_what_the_comparison_once_missed_is_not_equal(call: str, old: str, new: str) -> None:
    plan = planted.plan_of("mean")
    files = plan_cases.render(plan)
    assert files["reed_lamp.c"].count(old) == 1
    changed = {**files, "reed_lamp.c": files["reed_lamp.c"].replace(old, new)}
    outcome = prove_equal(plan, parse(changed, "reed_lamp.c", 32), call=call)
    assert outcome.example is not None


@pytest.mark.long
def test_a_digit_that_is_made_up_for_by_the_rounding_is_proven_equal() -> None:
    # Without the equality a square's last digits come out as ones, and the rounding adds 1: by hand
    # (16: 3 and 7 left, to nearest 4).
    plan = planted.plan_of("rms")
    files = plan_cases.render(plan)
    text = files["reed_lamp.c"].replace("if (remainder >= trial)", "if (remainder > trial)")
    source = parse({**files, "reed_lamp.c": text}, "reed_lamp.c", 32)
    assert prove_equal(plan, source, call="update").equal


ROOT_CHANGES = (
    ("place >>= 2", "place >>= 1"),
    ("remainder > result) ?", "remainder >= result) ?"),
    ("remainder -= trial", "remainder -= place"),
    ("uint32_t result = 0u", "uint32_t result = 1u"),
)


@pytest.mark.parametrize(("old", "new"), ROOT_CHANGES)
def test_another_root_is_not_proven(old: str, new: str) -> None:
    plan = planted.plan_of("rms")
    files = plan_cases.render(plan)
    assert files["reed_lamp.c"].count(old) == 1
    changed = {**files, "reed_lamp.c": files["reed_lamp.c"].replace(old, new)}
    outcome = prove_equal(plan, parse(changed, "reed_lamp.c", 32), call="update")
    assert outcome.example is not None and "the root of" in outcome.example.why
    replay = tried(plan, changed, "update", outcome.example)
    assert replay.trouble or replay.model != replay.compiled


def test_a_root_that_starts_too_late_is_not_proven() -> None:
    # From the place 4^k on, digits hold numbers below 4^(k + 1).
    plan = planted.plan_of("rms")
    files = plan_cases.render(plan)
    first = f"UINT32_C(1) << {plan.root_place}"
    source = parse(files, "reed_lamp.c", 32)
    # That all of the update is equal then is seen above, of every case.
    assert root_proof.prove(source, "reed_lamp_root") == (4 << plan.root_place) - 1
    late = files["reed_lamp.c"].replace(first, f"UINT32_C(1) << {plan.root_place - 2}")
    source = parse({**files, "reed_lamp.c": late}, "reed_lamp.c", 32)
    assert root_proof.prove(source, "reed_lamp_root") == (1 << plan.root_place) - 1
    assert not prove_equal(plan, source, call="update").equal


def test_digits_of_the_root_end_at_the_nearest_one() -> None:
    # Python's math.isqrt: r to nearest is the greatest with r (r - 1) < value.
    numbers = [0, 1, 2, 3, 2**32 - 1, *(random.Random(1).randrange(2**32) for _ in range(500))]
    for value in numbers:
        floor = math.isqrt(value)
        assert arithmetic.root(value) == floor + (value > floor * (floor + 1))


def on_pinned_unknowns(plan: Plan, state: dict[str, list[int]]) -> list[list[int]]:
    """The model's state after update, path by path, from unknowns that can have one value only."""
    paths = Paths()
    seen: list[list[int]] = []

    def number(value: Any) -> int:
        if isinstance(value, int):
            return value
        return int(paths.model().eval(value.term, model_completion=True).as_long())

    def once() -> None:
        unknown = {
            name: [paths.unknown(name, value, value + 1) for value in elements]
            for name, elements in state.items()
        }
        for name, elements in unknown.items():
            for symbol, value in zip(elements, state[name], strict=True):
                paths.assume(symbol.term == value)
        after, _ = model_run.run(model_run.copy(paths, {}), plan, unknown, "update", [])
        seen.append([number(value) for field in fields_of(plan) for value in after[field.name]])

    paths.explore(once)
    return seen


def test_the_model_runs_on_unknowns_as_on_numbers() -> None:
    plan = planted.plan_of("mean ramped")
    for row in adversarial.update_states(plan, random.Random(2), 25).tolist():
        plain = Regulator(plan)
        plain.load(dict(zip(field_names(plan), row, strict=True)))
        plain.update()
        before = dict(zip(field_names(plan), row, strict=True))
        state = {f.name: [before[name] for name in f.elements(plan)] for f in fields_of(plan)}
        after = plain.fields()
        wanted = [after[name] for field in fields_of(plan) for name in field.elements(plan)]
        assert on_pinned_unknowns(plan, state) == [wanted]


def test_drive_of_one_phase_is_the_whole_turns() -> None:
    plan = planted.plan_of("mean")
    regulator = Regulator(plan)
    for scale in (0, 1, 9999, 16384, plan.scale_max):
        regulator.out_scale = [scale, 7]
        turn = drive_wave(plan, scale, np.arange(TURN))
        phases = range(0, TURN, 61)
        assert [regulator.drive(phase) for phase in phases] == turn[::61].tolist()


def test_every_path_is_taken_once() -> None:
    paths = Paths()
    ends: list[tuple[int, bool]] = []

    def once() -> None:
        number = paths.unknown("number", -3, 3)
        side = "below" if number < 0 else "zero" if number == 0 else "above"
        value = paths.model().eval(number.term).as_long()
        assert (value < 0, value == 0, value > 0) == tuple(
            side == name for name in ("below", "zero", "above")
        )
        ends.append((len(ends), bool(abs(number) < 4)))

    paths.explore(once)
    assert len(ends) == paths.count == 3 and all(inside for _, inside in ends)


def test_bits_of_two_long_unknowns_are_refused() -> None:
    paths = Paths()
    paths._restart([])
    a, b = paths.unknown("a", 0, 1 << 16), paths.unknown("b", 0, 9)
    assert (a << 4 | b).bounds == (0, (1 << 20) + 9)
    with pytest.raises(UndecidedError):
        a | b


@pytest.mark.parametrize("sign", [operator.and_, operator.or_, operator.xor])
def test_bits_of_two_short_unknowns_are_those_of_the_numbers(
    sign: Callable[[Any, Any], Any],
) -> None:
    for x, y in itertools.product(range(6), range(10)):
        paths = Paths()
        paths._restart([])
        a, b = paths.unknown("a", 0, 5), paths.unknown("b", 0, 9)
        value = sign(a, b)
        paths.assume(a.term == x, b.term == y)
        assert paths.model().eval(value.term, model_completion=True).as_long() == sign(x, y)


@pytest.mark.parametrize(
    ("condition", "shown"),
    [
        # 65536 for slot 1 if int has 32 bits, 0 if it has 16.
        ("((first & 1u) + 65535u) < 65535u", "for an int of 16 bits"),
        ("((first & 1u) + 65535u) > 65535u", "the C has 0"),
    ],
    ids=["16", "32"],
)
def test_what_is_wrong_for_one_width_of_int_is_not_equal(condition: str, shown: str) -> None:
    """Both widths share one run of the model: each must still be looked at."""
    plan = planted.plan_of("mean")
    files = plan_cases.render(plan)
    old, new = "return flags;", f"return ({condition}) ? 0u : flags;"
    assert files["reed_lamp.c"].count(old) == 1
    changed = {**files, "reed_lamp.c": files["reed_lamp.c"].replace(old, new)}
    proof = next(p for p in equal(plan, changed, ["flags"]) if p.name == "flags equal")
    assert not proof.passed and shown in proof.detail
