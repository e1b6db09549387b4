"""Another machine's libm, LAPACK or processor change no byte of the examples' files.

Only the square root is exact by IEEE 754; the last place of a sine, and the order and the last
places of eigenvalues, are not the same everywhere. ``support.another_libm`` moves them at random.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from halfcycle.base import precise
from halfcycle.design.designer import design
from halfcycle.generate import pipeline
from halfcycle.generate.pipeline import generate
from halfcycle.quantise import resolution
from halfcycle.quantise.quantise import quantise
from halfcycle.regulator.plan import Plan
from halfcycle.spec.load import load_spec, parse_spec
from support import another_libm, goldens

MILLION = 2.0**20 * another_libm.ULP

EXAMPLES = pytest.mark.parametrize("spec", goldens.specs(), ids=lambda path: path.stem)


@pytest.fixture(autouse=True)
def no_kept_designs() -> Iterator[None]:
    """What this machine designed says nothing of another one."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "kept", lambda _stage, _spec, work: work())
        yield


@EXAMPLES
@pytest.mark.parametrize(
    ("seed", "size"), [(1, another_libm.ULP), (2, another_libm.ULP), (3, MILLION)]
)
def test_the_same_bytes(
    spec: Path, seed: int, size: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a million last places: so far are the search for gains, the run to rest and the
    banner's figures from a tie."""
    moved = another_libm.install(monkeypatch, seed, size)
    fresh = goldens.fresh(spec)
    monkeypatch.undo()
    assert moved[0] > 100_000, "the functions were not replaced"
    for path, text in fresh.items():
        assert text == path.read_text(), path.name


def test_the_design_does_feel_another_libm(monkeypatch: pytest.MonkeyPatch) -> None:
    """Else the tests here would hold of anything."""
    spec = load_spec(goldens.specs()[0])
    before = design(spec).plants.gains
    another_libm.install(monkeypatch, 1)
    after = design(spec).plants.gains
    assert 0 < np.abs(after / before - 1).max() < 1e-13


@EXAMPLES
def test_constants_use_no_libm_at_all(spec: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Functions that are off by a thousandth change neither the table nor any conversion."""
    made = design(load_spec(spec))
    before = quantise(made).plan
    another_libm.install(monkeypatch, 1, 1e-3)
    bits = before.table_bits
    centre = resolution.reading_centre(made)
    counts = resolution.counts_per_volt(made.spec, made.window, centre, before.reading_shift)
    assert resolution.drive_table(bits) == before.table
    assert round(counts / 1000 * 2**before.target_shift) == before.target_gain
    assert round(1000 / counts * 2**before.millivolt_shift) == before.millivolt_gain


def plan_of(spec: Path) -> Plan:
    return replace(quantise(design(load_spec(spec))).plan, signals=())


@EXAMPLES
def test_no_constant_is_near_a_tie(spec: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Irrational numbers that are off by far more than their error round to the same Plan."""
    before = plan_of(spec)
    root, pi, sine = precise.root, precise.pi(), precise.sine
    for off in (1 + Fraction(1, 2**100), 1 - Fraction(1, 2**100)):

        def moved_root(value: Fraction, off: Fraction = off) -> Fraction:
            found = root(value)
            return found if found * found == value else found * off

        def moved_sine(turn: Fraction, off: Fraction = off) -> Fraction:
            found = sine(turn)
            return found if found.denominator <= 2 else found * off

        monkeypatch.setattr(precise, "root", moved_root)
        monkeypatch.setattr(precise, "sine", moved_sine)
        monkeypatch.setattr(precise, "pi", lambda off=off: pi * off)
        assert plan_of(spec) == before


def test_an_overshoot_that_is_mere_rounding_differed_from_one_libm_to_the_next(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """These gains overshoot by 8.7e-10 percent, and the banner gave three digits of that."""
    spec = next(path for path in goldens.specs() if path.stem == "apron_cart")
    text = spec.read_text() + "\n[gains]\nproportional = 0\nintegral_per_s = 315.85\n"
    parsed = parse_spec(text, "spec")
    before = generate(parsed).texts
    assert "overshoot 0 %" in before["apron_cart.h"]
    for seed in range(1, 4):
        another_libm.install(monkeypatch, seed)
        assert generate(parsed).texts == before
        monkeypatch.undo()


OTHER_PROCESSOR = """
import hashlib, sys
from halfcycle.design.designer import design
from halfcycle.generate.pipeline import generate
from halfcycle.spec.load import load_spec
weights, texts = hashlib.sha256(), hashlib.sha256()
for spec in sys.argv[1:]:
    loaded = load_spec(spec)
    weights.update(design(loaded, weigh_double=False).plants.weights.tobytes())
    for name, text in sorted(generate(loaded).texts.items()):
        texts.update(text.encode())
print(weights.hexdigest(), texts.hexdigest())
"""


def test_an_older_processor_gives_the_same_bytes(tmp_path: Path) -> None:
    """numpy without its vector instructions and OpenBLAS as on a processor of 2004: every
    example's plant differs in its last places, and no file does."""
    found = np.show_config(mode="dicts")["SIMD Extensions"].get("found", [])  # type: ignore[index]
    older = {"NPY_DISABLE_CPU_FEATURES": " ".join(found), "OPENBLAS_CORETYPE": "Prescott"}

    def digests(environment: dict[str, str]) -> list[str]:
        # Nothing kept from one to the other.
        environment["XDG_CACHE_HOME"] = str(tmp_path / str(len(environment)))
        return subprocess.run(
            [sys.executable, "-c", OTHER_PROCESSOR, *map(str, goldens.specs())],
            env=os.environ | environment,
            capture_output=True,
            text=True,
            check=True,
        ).stdout.split()

    here, there = digests({}), digests(older)
    assert here[1] == there[1]
    if here[0] == there[0]:
        pytest.skip("this processor has nothing that could be switched off")
