"""Weights of shaped windows: against least squares and filter responses of scipy, and the zeros."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import linalg, signal

from halfcycle.base import precise
from halfcycle.windows import weights
from halfcycle.windows.weights import NoSuchZeroError, ZeroSet, least_norm, shaped_weights
from support.call_count import calls_of

MS = Fraction(1, 1000)
SIXTY = Fraction(60)
EVERY_ZERO = ZeroSet(f=True, double_2f=True, f4=True, f6=True)

IN_STEP = (SIXTY, Fraction("130.2") / 10**6, 12, 8, ZeroSet(f4=True))
CASES = [
    (SIXTY, MS, 9, 1, ZeroSet(f4=True)),
    (SIXTY, MS, 17, 1, ZeroSet(f=True, f4=True)),
    (SIXTY, MS, 17, 1, ZeroSet(double_2f=True, f4=True)),
    (SIXTY, MS, 25, 1, EVERY_ZERO),
    (SIXTY, MS, 24, 1, EVERY_ZERO),
    (Fraction(50), Fraction(800, 10**6), 30, 1, EVERY_ZERO),
    (Fraction(50), Fraction(100, 10**6), 24, 10, EVERY_ZERO),
    (Fraction(50, 3), MS, 14, 5, ZeroSet(f=True)),
    IN_STEP,
    (Fraction(400), Fraction(100, 10**6), 34, 1, EVERY_ZERO),
]


def per_sample(blocks, block_samples):
    return np.repeat(np.asarray(blocks, dtype=float), block_samples)


@pytest.mark.parametrize(("f", "period", "blocks", "n", "zeros"), CASES)
def test_closed_form_is_the_least_norm_of_scipy(f, period, blocks, n, zeros):
    """Outside source: scipy.linalg.lstsq (LAPACK gelsd), which returns the least norm. Its rows are
    plain exponentials over the samples, no symmetry assumed."""
    places = np.arange(blocks * n) - (blocks * n - 1) / 2
    rows, wanted = [np.ones(blocks)], [1.0]
    for multiple in zeros.multiples:
        angle = 2 * math.pi * float(multiple * f * period) * places
        of_samples = [np.cos(angle), np.sin(angle)]
        if multiple == 2 and zeros.double_2f:
            of_samples += [places * np.sin(angle), places * np.cos(angle)]
        rows += [values.reshape(blocks, n).mean(axis=1) for values in of_samples]
        wanted += [0.0] * len(of_samples)
    expected = linalg.lstsq(np.array(rows), np.array(wanted), cond=1e-10)[0]
    found = least_norm(f, period, blocks, n, zeros)
    assert found is not None
    assert [float(w) for w in found] == pytest.approx(expected, abs=1e-11)


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("bits", [5, 6, 7])
def test_whole_weights_leave_little_at_their_zeros(case, bits):
    """Outside source: scipy.signal.freqz on the samples' weights."""
    f, period, blocks, n, zeros = case
    found = shaped_weights(f, period, blocks, n, zeros, bits)
    assert found is not None
    assert found == found[::-1]
    assert min(found) >= 1
    assert max(found) < 1 << bits
    assert math.gcd(*found) == 1
    samples = per_sample(found, n) / (n * sum(found))
    at = [float(2 * math.pi * multiple * f * period) for multiple in zeros.multiples]
    answers = np.abs(signal.freqz(samples, worN=at)[1])
    for multiple, answer in zip(zeros.multiples, answers, strict=True):
        turns = multiple * f * period
        assert weights.magnitude(found, n, turns) == pytest.approx(answer, abs=1e-12)
        # What it comes to: half of it at 2f, two hundredths at f, five hundredths at harmonics.
        least = 4e-4 if multiple == 2 else 2e-3
        # Blocks in step with the mains leave few combinations; five bits are too few there.
        assert answer < (6e-3 if case == IN_STEP and bits == 5 else least)
    ideal = np.array([float(w) for w in least_norm(f, period, blocks, n, zeros)])
    least = math.sqrt(float((ideal**2).sum()) * blocks)
    assert weights.noise_gain(found) < 1.06 * least


@pytest.mark.parametrize(
    ("blocks", "zeros", "bits", "half"),
    [
        (9, ZeroSet(f4=True), 5, (21, 27, 31, 31, 27)),
        (17, ZeroSet(f=True, f4=True), 5, (26, 28, 29, 29, 29, 30, 31, 29, 27)),
    ],
)
def test_sixty_hertz_at_a_millisecond(blocks, zeros, bits, half):
    """These were found by a search of another kind, when the method was tried."""
    found = shaped_weights(SIXTY, MS, blocks, 1, zeros, bits)
    assert found is not None
    assert found[: len(half)] == half
    assert weights.magnitude(found, 1, Fraction(120, 1000)) < 1e-4


def test_a_double_zero_is_flat_about_2f():
    single = shaped_weights(SIXTY, MS, 17, 1, ZeroSet(f4=True), 6)
    double = shaped_weights(SIXTY, MS, 17, 1, ZeroSet(double_2f=True, f4=True), 6)
    for hertz in (119, 121):
        at = Fraction(hertz, 1000)
        assert weights.magnitude(single, 1, at) > 7e-3
        assert weights.magnitude(double, 1, at) < 2e-4


def test_the_search_beats_plain_rounding():
    ideal = least_norm(SIXTY, MS, 25, 1, EVERY_ZERO)
    rounded = [round(31 * w / max(ideal)) for w in ideal]
    found = shaped_weights(SIXTY, MS, 25, 1, EVERY_ZERO, 5)
    at = Fraction(120, 1000)
    assert weights.magnitude(found, 1, at) * 10 < weights.magnitude(rounded, 1, at)


def test_short_windows_keep_every_weight_above_0():
    """14 blocks with zeros at f, 2f and 4f: the least norm of all has a weight below 0."""
    zeros = ZeroSet(f=True, f4=True)
    assert min(least_norm(SIXTY, MS, 14, 1, zeros)) < 0
    found = shaped_weights(SIXTY, MS, 14, 1, zeros, 7)
    assert min(found) >= 1
    assert weights.rest(SIXTY, MS, found, 1, zeros) < 2e-4


@pytest.mark.parametrize(
    ("zeros", "fewest"),
    [(ZeroSet(), 3), (ZeroSet(f4=True), 5), (ZeroSet(f=True, f4=True), 7), (EVERY_ZERO, 11)],
)
def test_fewest_blocks(zeros, fewest):
    """Half as many conditions as blocks, rounded up, W(0) = 1 counted."""
    assert weights.min_blocks(SIXTY, MS, 1, zeros) == fewest
    assert least_norm(SIXTY, MS, fewest - 1, 1, zeros) is None
    assert least_norm(SIXTY, MS, fewest, 1, zeros) is not None
    assert shaped_weights(SIXTY, MS, fewest - 1, 1, zeros, 7) is None


def test_a_zero_at_the_sampling_frequency_is_impossible():
    """4f = 1/T: four samples a cycle look still to it."""
    period = Fraction(1, 200)
    with pytest.raises(NoSuchZeroError):
        least_norm(Fraction(50), period, 9, 1, ZeroSet(f4=True))
    assert shaped_weights(Fraction(50), period, 9, 1, ZeroSet(f4=True), 6) is None
    # 2f is half the sampling frequency here: an even count of blocks has that zero by itself.
    assert shaped_weights(Fraction(50), period, 2, 1, ZeroSet(), 6) == (1, 1)
    assert shaped_weights(Fraction(50), period, 3, 1, ZeroSet(), 6) == (1, 2, 1)


def test_equal_zeros_count_once():
    """Six samples a cycle: 4f = 1/T - 2f is the same place as 2f."""
    assert weights.min_blocks(Fraction(50), Fraction(1, 300), 1, ZeroSet()) == 3
    assert weights.min_blocks(Fraction(50), Fraction(1, 300), 1, ZeroSet(f4=True)) == 3


def test_blocks_that_hold_half_cycles_have_the_zero_themselves():
    """10 ms of samples are flat and whole at 50 Hz: nothing is left for the weights to do."""
    found = shaped_weights(Fraction(50), MS, 3, 10, ZeroSet(), 5)
    assert found == (1, 1, 1)
    assert weights.block_response(10, Fraction(1, 10)) == pytest.approx(0, abs=1e-40)


@settings(max_examples=60, deadline=None)
@given(
    st.fractions(Fraction(1, 40), Fraction(1, 5), max_denominator=1000),
    st.integers(3, 40),
    st.integers(1, 3),
    st.booleans(),
    st.booleans(),
)
def test_any_period_gives_weights_that_hold(step, blocks, n, f, f4):
    zeros = ZeroSet(f=f, f4=f4)
    found = shaped_weights(Fraction(50), step / 50, blocks, n, zeros, 6)
    if found is not None:
        assert found == found[::-1]
        assert min(found) >= 1
        assert max(found) <= 63
        samples = per_sample(found, n) / (n * sum(found))
        for multiple in zeros.multiples:
            answer = abs(signal.freqz(samples, worN=[float(2 * math.pi * multiple * step)])[1][0])
            assert weights.magnitude(found, n, multiple * step) == pytest.approx(answer, abs=1e-12)


def test_weights_are_found_without_a_long_search():
    weights.shaped_weights.cache_clear()
    weights.least_norm.cache_clear()
    zeros, period = ZeroSet(f=True, f4=True), Fraction("0.0009131")
    calls = calls_of(
        lambda: [
            shaped_weights(Fraction(50), period, count, 1, zeros, 6) for count in range(13, 23)
        ]
    )
    assert calls < 600_000  # 198,749 when this was written.


def test_cosines_against_another_library():
    """Outside source: mpmath, 60 digits."""
    mpmath = pytest.importorskip("mpmath")
    with mpmath.workdps(60):
        for turn in (Fraction(n, 97) for n in range(-200, 300, 7)):
            true = mpmath.cospi(2 * mpmath.mpf(turn.numerator) / turn.denominator)
            value = precise.cosine(turn)
            found = mpmath.mpf(value.numerator) / value.denominator
            assert abs(found - true) < mpmath.mpf(2) ** -160
    assert precise.cosine(Fraction(1, 3)) == Fraction(-1, 2)
    assert precise.cosine(Fraction(3, 4)) == 0
