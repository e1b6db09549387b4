"""The middle of the sampled mean's range: the closed form against the bounds it stands for."""

from __future__ import annotations

from fractions import Fraction

import pytest

from halfcycle.design.designer import design
from halfcycle.quantise import resolution
from halfcycle.spec.load import load_spec, parse_spec
from support import goldens


@pytest.mark.parametrize("path", goldens.specs(), ids=lambda path: path.stem)
def test_the_centre_is_the_middle_of_the_bounds(path) -> None:
    made = design(load_spec(path))
    centre = resolution.reading_centre(made)
    if made.spec.loop.measure == "rms":
        assert centre == 1
    else:
        low, high = made.chosen.faults.mean_error
        assert float(centre) == pytest.approx(made.reading_centre, abs=1e-14)
        assert 1 + low < centre < 1 + high


def test_a_wandering_frequency_takes_seven_decimals_of_the_bounds() -> None:
    path = next(path for path in goldens.specs() if path.stem == "ferry_galley")
    text = path.read_text().replace("[output]\n", "[output]\nfrequency_tolerance_hz = 0.05\n")
    made = design(parse_spec(text, path.name))
    centre = resolution.reading_centre(made)
    assert (centre * 10**7).denominator == 1
    assert abs(centre - Fraction(made.reading_centre)) <= Fraction(1, 2 * 10**7)
