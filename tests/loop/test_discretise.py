"""Continuous and per-window PI constants."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from scipy.signal import cont2discrete

from halfcycle.loop import derivations
from halfcycle.loop.discretise import ContinuousGains, WindowGains, to_continuous, to_window

SCIPY_NAME = {"backward": "backward_diff", "forward": "euler", "trapezoidal": "bilinear"}


@pytest.mark.parametrize("form", SCIPY_NAME)
@pytest.mark.parametrize("window", [Fraction(1, 50), Fraction(1, 40), Fraction(3, 400)])
def test_matches_scipy(form, window):
    """Source: scipy.signal.cont2discrete of kp + ki/s = (kp s + ki)/s."""
    gains = ContinuousGains(Fraction(1, 8), Fraction(17, 2))
    per_window = to_window(gains, window, form)
    numerator, denominator, _ = cont2discrete(
        ([float(gains.proportional), float(gains.integral_per_s)], [1.0, 0.0]),
        float(window),
        method=SCIPY_NAME[form],
    )
    # Kp + Ki z/(z - 1) = ((Kp + Ki) z - Kp)/(z - 1)
    kp, ki = float(per_window.proportional), float(per_window.integral_per_window)
    np.testing.assert_allclose(np.ravel(numerator), [kp + ki, -kp], rtol=1e-12)
    np.testing.assert_allclose(denominator, [1.0, -1.0], rtol=1e-12)


@pytest.mark.parametrize("form", SCIPY_NAME)
def test_round_trip_is_exact(form):
    gains = WindowGains(Fraction("0.123"), Fraction("0.0457"))
    window = Fraction(3, 140)
    assert to_window(to_continuous(gains, window, form), window, form) == gains


def test_integral_constant_is_proportional_to_the_window():
    """1 ms to 25 ms: 25 times (common practice, no source)."""
    gains = ContinuousGains(Fraction(0), Fraction(8))
    short = to_window(gains, Fraction(1, 1000))
    long = to_window(gains, Fraction(25, 1000))
    assert long.integral_per_window == 25 * short.integral_per_window


@pytest.mark.parametrize("form", SCIPY_NAME)
def test_matches_the_symbolic_substitution(form):
    """Source: the substitution for s itself, expanded by sympy."""
    window, kp, ki = Fraction(1, 50), Fraction(1, 3), Fraction(7)
    expected_kp, expected_ki = derivations.window_constants(form)
    numbers = dict(zip(derivations.symbols("kp ki W"), (kp, ki, window), strict=True))
    got = to_window(ContinuousGains(kp, ki), window, form)
    assert Fraction(str(expected_kp.subs(numbers))) == got.proportional
    assert Fraction(str(expected_ki.subs(numbers))) == got.integral_per_window
