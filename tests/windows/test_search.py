"""The exact window search against brute force and the trade's practice."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfcycle.windows import search
from halfcycle.windows.search import Window

MS = Fraction(1, 1000)
US = Fraction(1, 1_000_000)
frequencies = st.fractions(10, 500, max_denominator=12)
periods = st.fractions(20, 3000, max_denominator=20).map(lambda us: us * US)


def test_sixty_hertz_at_one_millisecond() -> None:
    # Common practice, no source: 25 samples of 1 ms hold three half cycles of 60 Hz.
    found = search.whole_windows(Fraction(60), MS, 120 * MS)
    assert [(w.half_cycles, w.samples) for w in found] == [(3, 25), (6, 50), (9, 75), (12, 100)]
    first = found[0]
    assert (first.whole, first.odd, first.duration_ms, first.mismatch) == (True, True, 25.0, 0)
    assert first.distinct_points == found[3].distinct_points == 25


@given(frequencies, periods, st.integers(5, 60))
def test_whole_windows_against_brute_force(f: Fraction, period: Fraction, ms: int) -> None:
    # Definition: 2fT times the samples is an integer.
    counts = range(1, min(int(ms * MS // period), 4000) + 1)
    expected = [m for m in counts if (2 * f * period * m).denominator == 1]
    found = [w for w in search.whole_windows(f, period, ms * MS, 4000) if w.samples <= 4000]
    assert [w.samples for w in found] == expected
    assert all(w.whole and w.half_cycles == 2 * f * period * w.samples for w in found)


@given(frequencies, periods, st.integers(15, 60))
def test_nearest_misses_against_brute_force(f: Fraction, period: Fraction, ms: int) -> None:
    """Every sample count with its nearest half cycles is tried; none beats the list at its length.

    (Only counts of half cycles with their nearest sample count compete, as in the list.)
    """
    step = 2 * f * period
    if step > Fraction(1, 2):
        return
    most = min(int(ms * MS // period), 1500)
    everyone = [
        Window(k, round(k / step), f, period)
        for k in range(1, int(most * step) + 2)
        if 1 <= round(k / step) <= most
    ]
    listed = search.nearest_misses(f, period, most * period, limit=10_000)
    assert bool(listed) == bool(everyone)
    for window in everyone:
        rivals = [abs(w.mismatch) for w in listed if w.samples <= window.samples]
        assert rivals
        assert min(rivals) <= abs(window.mismatch)
    assert [w.samples for w in listed] == sorted(w.samples for w in listed)
    assert all(w.samples * period <= ms * MS for w in listed)


def test_candidates_are_misses_only_without_a_whole_window() -> None:
    f = Fraction(50)
    assert all(w.whole for w in search.candidate_windows(f, 800 * US, 120 * MS))
    misses = search.candidate_windows(f, 997 * US, 120 * MS)
    assert misses
    assert not any(w.whole for w in misses)
    assert search.candidate_windows(f, 997 * US, 9 * MS) == ()


def test_lists_are_bounded_and_keep_the_best() -> None:
    f, period = Fraction(50), Fraction(10)
    assert len(search.whole_windows(f, Fraction(1, 100_000), Fraction(10))) == search.LIST_LIMIT
    # No window has more samples than a 16-bit counter holds.
    long = search.whole_windows(f, US, Fraction(10))
    assert [w.samples for w in long] == [10_000 * n for n in range(1, 7)]
    # Keeping two of many misses keeps the two nearest.
    f = Fraction(50_003, 1000)
    many = search.nearest_misses(f, 997 * US, period)
    two = search.nearest_misses(f, 997 * US, period, limit=2)
    assert len(many) > 2
    assert max(abs(w.mismatch) for w in two) <= sorted(abs(w.mismatch) for w in many)[1]


def test_mismatch_sign_and_size() -> None:
    # 10 samples of 1.01 ms last 10.1 ms: 1 % longer than a half cycle of 50 Hz.
    window = Window(1, 10, Fraction(50), 1010 * US)
    assert window.mismatch == Fraction(1, 100)
    assert window.mismatch_ppm == 10_000
    assert not window.whole


def test_distinct_points_are_counted() -> None:
    for f, us in ((50, 800), (60, 1000), (50, 1000), (50, 4000), (Fraction(50, 3), 500)):
        for window in search.whole_windows(Fraction(f), us * US, 300 * MS):
            places = {k * window.half_cycles_per_sample % 1 for k in range(window.samples)}
            assert window.distinct_points == len(places)


def test_bad_windows() -> None:
    with pytest.raises(ValueError, match="at least one"):
        Window(0, 10, Fraction(50), MS)
    with pytest.raises(ValueError, match="above 0"):
        Window(1, 10, Fraction(50), Fraction(0))


def test_a_mismatch_below_what_a_crystal_holds_counts_as_whole() -> None:
    """130.2083 us for 1/7680 s misses 60 Hz by 0.26 ppm: no clock tells it from a whole window."""
    period = Fraction("130.2083") * US
    listed = search.nearly_whole_windows(Fraction(60), period, 60 * MS)
    assert [(w.half_cycles, w.samples) for w in listed[:3]] == [(1, 64), (2, 128), (3, 192)]
    assert all(w.within_clock and not w.whole for w in listed)
    assert len({w.mismatch for w in listed}) == 1
    assert not search.nearly_whole_windows(Fraction(60), Fraction(130) * US, 20 * MS)


@pytest.mark.parametrize(("ppm", "counts"), [(20, True), (Fraction(201, 10), False)])
def test_a_window_counts_as_whole_up_to_the_clocks_tolerance(ppm: Fraction, counts: bool) -> None:
    period = Fraction(1, 1000) * (1 + Fraction(ppm) / 1_000_000)
    assert Window(1, 10, Fraction(50), period).within_clock is counts
