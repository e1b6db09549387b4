"""The published voltage limits: their points, and histories that keep or break them."""

from __future__ import annotations

import numpy as np
import pytest

from halfcycle.simulate.limit_curves import (
    CURVES,
    EN_50160,
    ITI,
    SEMI_F47,
    LimitCurve,
    breaches,
    corridor,
    longest_excursion,
)


def dip(percent: float, seconds: float, step: float = 0.01) -> tuple[np.ndarray, np.ndarray]:
    """One excursion inside 100 %, in half cycles of ``step``."""
    count = round(seconds / step)
    level = np.concatenate([[100.0] * 5, [percent] * count, [100.0] * 5])
    return level[None, :], np.full((1, len(level)), step)


@pytest.mark.parametrize(
    ("curve", "percent", "inside_s", "outside_s"),
    [
        # ITI (CBEMA) 2000 application note: 70 % for 0.5 s, 80 % for 10 s, interruption of 20 ms,
        # 120 % for 0.5 s, 110 % for good (from memory, checked against a meter maker's drawing).
        (ITI, 0.0, 0.02, 0.03),
        (ITI, 69.0, 0.02, 0.03),
        (ITI, 71.0, 0.5, 0.51),
        (ITI, 81.0, 10.0, 10.01),
        (ITI, 91.0, 60.0, None),
        (ITI, 109.0, 60.0, None),
        (ITI, 119.0, 0.5, 0.51),
        (ITI, 121.0, 0.0, 0.01),
        # SEMI F47-0706: ride through 50 % for 0.2 s, 70 % for 0.5 s (from memory).
        (SEMI_F47, 51.0, 0.2, 0.21),
        (SEMI_F47, 71.0, 0.5, 0.51),
        (SEMI_F47, 81.0, 60.0, None),
        # EN 50160: +-10 % (checked against meter makers' manuals).
        (EN_50160, 90.5, 60.0, None),
        (EN_50160, 89.5, 0.0, 0.01),
        (EN_50160, 110.5, 0.0, 0.01),
    ],
)
def test_points(
    curve: LimitCurve, percent: float, inside_s: float, outside_s: float | None
) -> None:
    assert not breaches(curve, *dip(percent, inside_s)).any()
    if outside_s is not None:
        assert breaches(curve, *dip(percent, outside_s)).all()


def test_excursions_do_not_add_up_over_a_recovery() -> None:
    level = np.array([[65.0, 65.0, 100.0, 65.0, 65.0]])
    assert not breaches(ITI, level, np.full((1, 5), 0.01)).any()
    level[0, 2] = 66.0
    assert breaches(ITI, level, np.full((1, 5), 0.01)).all()


def test_what_is_no_number_is_inside() -> None:
    assert not breaches(EN_50160, np.array([[np.nan, 100.0]]), np.full((1, 2), 0.01)).any()


def test_longest_excursion_of_many_boards() -> None:
    outside = np.array([[True, True, False, True], [False] * 4])
    found = longest_excursion(outside, np.array([[1.0, 2.0, 4.0, 8.0]] * 2))
    assert found.tolist() == [8.0, 0.0]


def test_corridor_is_the_curve() -> None:
    low, high = corridor(ITI, np.array([0.001, 0.1, 1.0, 20.0]))
    assert low.tolist() == [0.0, 70.0, 80.0, 90.0]
    assert high.tolist() == [np.inf, 120.0, 110.0, 110.0]
    assert all(curve.source for curve in CURVES)
