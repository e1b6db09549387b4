"""What a count of the reading is worth, exactly: the sampled mean's centre, and whole limits."""

from __future__ import annotations

from fractions import Fraction

import pytest

from halfcycle.design.designer import design
from halfcycle.generate.pipeline import design_integers
from halfcycle.quantise import resolution
from halfcycle.quantise.fixed_point import fixed_point
from halfcycle.spec.load import load_spec, parse_spec
from support import goldens


@pytest.mark.parametrize("path", goldens.specs(), ids=lambda path: path.stem)
def test_the_centre_is_the_middle_of_the_bounds(path) -> None:
    made = design_integers(load_spec(path)).design
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


def test_a_threshold_that_is_a_whole_count_was_one_too_high() -> None:
    """By hand: the root of 25 squares is 5 counts per code of 0.11 V, so that 5 % of 110 V is 250
    counts. In doubles it came to 250.00000000000003, and its ceiling to 251."""
    path = next(path for path in goldens.specs() if path.stem == "apron_cart")
    text = path.read_text().replace("rated_rms_v = 115", "rated_rms_v = 110")
    plan = fixed_point(design(parse_spec(text, path.name))).plan
    assert (plan.samples, plan.reading_shift) == (25, 0)
    assert plan.hold_reading == 250
