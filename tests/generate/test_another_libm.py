"""Another machine's libm, LAPACK or processor change no byte of the examples' files.

Only the square root is exact by IEEE 754; the last place of a sine, and the order and the last
places of eigenvalues, are not the same everywhere. ``support.another_libm`` moves them at random.
"""

from __future__ import annotations

import json
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
from halfcycle.generate.pipeline import design_integers, generate
from halfcycle.quantise import resolution
from halfcycle.quantise.fixed_point import fixed_point, integer_error_v
from halfcycle.quantise.quantise import MAX_COARSER
from halfcycle.regulator.plan import Plan
from halfcycle.spec.load import load_spec, parse_spec
from support import another_libm, goldens

MILLION = 2.0**20 * another_libm.ULP
LAST_PLACE = "weir_pump"
"""The example that is designed with functions off by a last place too, as real ones are."""

EXAMPLES = pytest.mark.parametrize("spec", goldens.specs(), ids=lambda path: path.stem)


def effort(spec: Path) -> list[pytest.MarkDecorator]:
    """CI takes a mean with gains of its own, both ways, an RMS and a law that divides."""
    return [pytest.mark.long] * (spec.stem not in {LAST_PLACE, "quay_kiosk"})


@pytest.fixture
def nothing_kept() -> Iterator[None]:
    """What this machine designed, or another one in the test before, says nothing of the next."""
    for name, module in list(sys.modules.items()):
        if name.startswith(("halfcycle.design.", "halfcycle.loop.")):
            for member in vars(module).values():
                getattr(member, "cache_clear", lambda: None)()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "kept", lambda _stage, _spec, work: work())
        yield


@pytest.mark.usefixtures("nothing_kept")
@pytest.mark.parametrize(
    ("spec", "seed", "size"),
    [
        pytest.param(path, seed, size, id=f"{path.stem}-{seed}", marks=effort(path))
        for path in goldens.specs()
        for seed, size in ((1, another_libm.ULP), (3, MILLION))
        if size == MILLION or path.stem == LAST_PLACE
    ],
)
def test_the_same_bytes(
    spec: Path, seed: int, size: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a million last places: so far are the search for gains, the run to rest and the
    banner's figures from a tie. What such a move leaves alone, one of a last place does too."""
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
    done = design_integers(load_spec(spec))
    made, before = done.design, done.quantised.plan
    another_libm.install(monkeypatch, 1, 1e-3)
    bits = before.table_bits
    centre = resolution.reading_centre(made)
    counts = resolution.counts_per_volt(made.spec, made.window, centre, before.reading_shift)
    assert resolution.drive_table(bits) == before.table
    assert round(counts / 1000 * 2**before.target_shift) == before.target_gain
    assert round(1000 / counts * 2**before.millivolt_shift) == before.millivolt_gain


@EXAMPLES
def test_no_constant_is_near_a_tie(spec: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Irrational numbers that are off by far more than their error round to the same Plan, at
    every resolution that the reading may get; and the windows tried are as good as they were."""
    done = design_integers(load_spec(spec))
    meeting = [trial for trial in done.design.trials if trial.meets]
    root, pi, sine = precise.root, precise.pi(), precise.sine

    def rounded() -> tuple[list[Plan], list[float]]:
        plans = [fixed_point(done.design, coarser).plan for coarser in range(MAX_COARSER + 1)]
        errors = [integer_error_v(replace(done.design, chosen=trial)) for trial in meeting]
        return [replace(plan, signals=()) for plan in plans], errors

    before = rounded()
    assert replace(done.quantised.plan, signals=()) in before[0]
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
        assert rounded() == before


@pytest.mark.long
@pytest.mark.usefixtures("nothing_kept")
def test_an_overshoot_that_is_mere_rounding_differed_from_one_libm_to_the_next(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """These gains overshoot by 8.7e-10 percent, and the banner gave three digits of that: none of
    them is the same with a million last places."""
    spec = next(path for path in goldens.specs() if path.stem == "apron_cart")
    text = spec.read_text().replace("[loop]", '[loop]\nweighting = "flat"\nupdates_per_window = 1')
    text += "\n[gains]\nproportional = 0\nintegral_per_s = 315.85\n"
    parsed = parse_spec(text, "spec")
    before = generate(parsed).texts
    assert "overshoot 0 %" in before["apron_cart.h"]
    another_libm.install(monkeypatch, 1, MILLION)
    assert generate(parsed).texts == before


OTHER_PROCESSOR = """
import hashlib, json, sys
from halfcycle.design.designer import design
from halfcycle.generate.pipeline import generate
from halfcycle.spec.load import load_spec
weights = design(load_spec(sys.argv[1]), weigh_double=False).plants.weights.tobytes()
texts = [generate(load_spec(spec)).texts for spec in sys.argv[2:]]
print(json.dumps([hashlib.sha256(weights).hexdigest(), texts]))
"""


@pytest.mark.long
def test_an_older_processor_gives_the_same_bytes(tmp_path: Path) -> None:
    """numpy without its vector instructions and OpenBLAS as on a processor of 2004: the plant of
    the first example differs in its last places, and no example's file does."""
    found = np.show_config(mode="dicts")["SIMD Extensions"].get("found", [])  # type: ignore[index]
    older = {"NPY_DISABLE_CPU_FEATURES": " ".join(found), "OPENBLAS_CORETYPE": "Prescott"}
    specs = goldens.specs()

    def ran(*generated: Path, environment: dict[str, str]) -> tuple[str, list[dict[str, str]]]:
        done = subprocess.run(
            [sys.executable, "-c", OTHER_PROCESSOR, *map(str, (specs[0], *generated))],
            # Nothing kept from this processor.
            env=os.environ | {"XDG_CACHE_HOME": str(tmp_path)} | environment,
            capture_output=True,
            text=True,
            check=True,
        )
        weights, texts = json.loads(done.stdout)
        return weights, texts

    here, _ = ran(environment={})
    there, made = ran(*specs, environment=older)
    for spec, texts in zip(specs, made, strict=True):
        for name, text in texts.items():
            # What this processor makes: test_goldens.
            assert text == (spec.with_suffix("") / name).read_text(), name
    if here == there:
        pytest.skip("this processor has nothing that could be switched off")
