"""``word_bits = 16`` earns its name: no type and no product wider than 32 bits, on any path.

The types are those of C99 6.3.1.8, worked out for each operation of the generated C on every path
by ``halfcycle.prove.prove`` (itself held to a compiler in test_prove.py), for both widths of int.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from halfcycle.generate.pipeline import generate
from halfcycle.prove.c_operators import Arithmetic, Number
from halfcycle.prove.prove import prove
from halfcycle.spec.load import load_spec
from support.paths import SPECS

NARROW = [spec for spec in SPECS if re.search(r"^word_bits = 16", spec.read_text(), re.MULTILINE)]
WIDE_WORDS = re.compile(r"int64|long\s+long|INT64_C|\b\d+[uU]?[lL]{2}\b|float|double")


def widths(spec: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[set[int], set[int]]:
    """(bits of every operation's type, bits of every product's value's type)."""
    every: set[int] = set()
    products: set[int] = set()
    plain = Arithmetic.binary

    def recorded(self: Arithmetic, sign: str, left: Number, right: Number, where: str) -> Number:
        result = plain(self, sign, left, right, where)
        every.add(result.type.bits)
        if sign == "*":
            products.add(result.type.bits)
        return result

    monkeypatch.setattr(Arithmetic, "binary", recorded)
    made = generate(load_spec(spec))
    assert all(proof.passed for proof in prove(made.plan, made.texts))
    return every, products


@pytest.mark.parametrize("spec", NARROW, ids=lambda spec: spec.stem)
def test_no_operation_is_wider_than_32_bits(spec: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    every, products = widths(spec, monkeypatch)
    # Of 16 bits: an index doubled, on a machine whose int has 16.
    assert products == {16, 32}, "there are products, and none is wider"
    assert max(every) == 32


@pytest.mark.parametrize("spec", SPECS, ids=lambda spec: spec.stem)
def test_no_wide_type_is_named(spec: Path) -> None:
    made = generate(load_spec(spec))
    for name in (f"{made.plan.name}.c", f"{made.plan.name}.h"):
        code = re.sub(r"/\*.*?\*/", "", made.texts[name], flags=re.DOTALL)
        assert not WIDE_WORDS.search(code)


def test_there_are_narrow_examples() -> None:
    assert len(NARROW) >= 2


@pytest.mark.parametrize("spec", NARROW[:1], ids=lambda spec: spec.stem)
def test_a_wide_product_would_be_seen(spec: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = generate(load_spec(spec))
    source = f"{made.plan.name}.c"
    old = "(value >> 8) * gain"
    assert old in made.texts[source]
    wide = made.texts[source].replace(old, "(uint32_t)((value >> 8) * 1ULL * gain)")
    seen: set[int] = set()
    plain = Arithmetic.binary

    def recorded(self: Arithmetic, sign: str, left: Number, right: Number, where: str) -> Number:
        result = plain(self, sign, left, right, where)
        seen.add(result.type.bits)
        return result

    monkeypatch.setattr(Arithmetic, "binary", recorded)
    prove(made.plan, {**made.texts, source: wide}, ["rms_mv"])
    assert 64 in seen and WIDE_WORDS.search(wide)
