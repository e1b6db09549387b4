"""Interval arithmetic: every result holds, and its ends are reached."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfcycle.quantise.interval import Interval

NUMBER = st.integers(-(2**40), 2**40)


@st.composite
def interval_and_members(draw: st.DrawFn) -> tuple[Interval, int]:
    low, high = sorted((draw(NUMBER), draw(NUMBER)))
    return Interval(low, high), draw(st.integers(low, high))


@given(interval_and_members(), interval_and_members())
def test_members_stay_inside(a: tuple[Interval, int], b: tuple[Interval, int]) -> None:
    (ia, x), (ib, y) = a, b
    for result, value in (
        (ia + ib, x + y),
        (ia - ib, x - y),
        (ia * ib, x * y),
        (ia.join(ib), x),
    ):
        assert result.low <= value <= result.high


def test_ends_are_reached() -> None:
    a, b = Interval(-3, 5), Interval(-7, 2)
    pairs = [(x, y) for x in range(-3, 6) for y in range(-7, 3)]
    for result, values in (
        (a + b, [x + y for x, y in pairs]),
        (a - b, [x - y for x, y in pairs]),
        (a * b, [x * y for x, y in pairs]),
    ):
        assert (result.low, result.high) == (min(values), max(values))


@given(interval_and_members(), st.integers(1, 64), st.booleans())
def test_headroom_counts_doublings(case: tuple[Interval, int], bits: int, signed: bool) -> None:
    interval, _ = case
    room = interval.headroom(bits, signed)

    def held(times: int) -> bool:
        low = -(1 << (bits - 1)) if signed else 0
        high = (1 << (bits - 1)) - 1 if signed else (1 << bits) - 1
        return low <= interval.low << times and interval.high << times <= high

    if room < 0:
        assert not held(0)
    else:
        assert held(room)
        assert room == bits or not held(room + 1)


def test_an_empty_interval_is_refused() -> None:
    with pytest.raises(ValueError, match="empty"):
        Interval(1, 0)
