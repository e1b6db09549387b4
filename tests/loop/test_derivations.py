"""The symbolic derivations against the formulas of the design document, and the numeric modules
against the derivations."""

from __future__ import annotations

import math

import numpy as np
import pytest
import sympy

from halfcycle.loop import derivations
from halfcycle.loop.drive import reading_of_scale

G, KP, KI = derivations.symbols("g Kp Ki")


def test_characteristic_polynomial_of_the_pure_delay():
    """Source: docs/theory.md, z^2 + (g(Kp + Ki) - 1) z - g Kp."""
    expected = [1, G * (KP + KI) - 1, -G * KP]
    got = derivations.characteristic_polynomial().all_coeffs()
    assert [sympy.expand(a - b) for a, b in zip(got, expected, strict=True)] == [0, 0, 0]


def test_jury_conditions():
    """Source: docs/theory.md: |g Kp| < 1, g Ki > 0, g(2 Kp + Ki) < 2."""
    expected = [G * KI, 2 - G * (2 * KP + KI), 1 - G * KP, 1 + G * KP]
    for got, want in zip(derivations.jury_conditions(), expected, strict=True):
        assert sympy.expand(got - want) == 0


def test_jury_conditions_agree_with_the_roots():
    """Source: numpy.roots, over a sweep on both sides of every condition."""
    conditions = sympy.lambdify((G, KP, KI), derivations.jury_conditions())
    seen = set()
    for kp in np.linspace(-1.2, 1.2, 13):
        for ki in np.linspace(-0.3, 4.2, 16):
            stable = min(conditions(1.0, kp, ki)) > 0
            radius = np.abs(np.roots([1.0, kp + ki - 1.0, -kp])).max()
            if abs(radius - 1.0) > 1e-9:
                assert stable == (radius < 1.0)
                seen.add(stable)
    assert seen == {True, False}


def test_nyquist_gain():
    """By hand: x/(x - 1) with x = g(Kp + Ki/2); the margin is 1/x."""
    x = G * (KP + KI / 2)
    assert sympy.simplify(derivations.nyquist_transfer() - x / (x - 1)) == 0
    assert sympy.simplify(derivations.nyquist_margin() - 1 / x) == 0


@pytest.mark.parametrize("drive", [1.05, 1.2, 1.5])
def test_clipped_sine(drive):
    """Source: docs/theory.md's closed forms, and the module that uses them."""
    m, t = sympy.Symbol("m", positive=True), sympy.Symbol("t", positive=True)
    at = {m: drive, t: math.asin(1 / drive)}
    got = {name: float(value.subs(at)) for name, value in derivations.clipped_sine().items()}
    angle = at[t]
    fundamental = 2 * drive / math.pi * (angle + math.sqrt(1 - drive**-2) / drive)
    square = 2 / math.pi * (drive**2 * (angle / 2 - math.sin(2 * angle) / 4) + math.pi / 2 - angle)
    mean = 2 / math.pi * (drive * (1 - math.cos(angle)) + math.pi / 2 - angle)
    assert got["fundamental"] == pytest.approx(fundamental, rel=1e-12)
    assert got["mean_square"] == pytest.approx(square, rel=1e-12)
    assert got["mean"] == pytest.approx(mean, rel=1e-12)
    reading, _ = reading_of_scale(np.array([drive]), "mean")
    assert reading[0] == pytest.approx(got["mean"] * math.pi / 2, rel=1e-12)
    reading, _ = reading_of_scale(np.array([drive]), "rms")
    assert reading[0] == pytest.approx(math.sqrt(2 * got["mean_square"]), rel=1e-12)
    if drive == 1.2:
        assert got["fundamental"] == pytest.approx(1.104474, abs=5e-7)
        assert math.sqrt(got["mean_square"]) == pytest.approx(0.783108, abs=5e-7)
        assert got["mean"] == pytest.approx(0.714517, abs=5e-7)
