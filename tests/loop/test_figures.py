"""The loop at window rate: poles, step response and margins against closed forms, textbook
plants and python-control."""

from __future__ import annotations

import json
import math
from fractions import Fraction as F

import control
import numpy as np
import pytest
from scipy import signal

from halfcycle.loop import derivations
from halfcycle.loop.figures import analyse
from halfcycle.loop.frequency_response import margins
from halfcycle.loop.plant import window_plants
from halfcycle.loop.step_response import (
    closed_loop_poles,
    settled_window,
    spectral_radius,
    step_figures,
    step_response,
)
from halfcycle.output.design import loop_json
from support.loop_specs import plants, spec, window

PURE = np.array([[1.0]])


def delay(d):
    """A plant that is a delay of d windows besides the one that the update costs."""
    taps = np.zeros((1, d + 1))
    taps[0, d] = 1.0
    return taps


def greatest_stable(taps, kp=0.0):
    """Largest integral constant with all poles inside, by halving on the poles themselves."""
    low, high = 1e-6, 10.0
    for _ in range(60):
        middle = (low + high) / 2
        inside = spectral_radius(taps, kp, middle)[0] < 1
        low, high = (middle, high) if inside else (low, middle)
    return low


def control_loop(taps, kp, ki):
    """L(z) as python-control's transfer function with one window as its sample time."""
    n = len(taps)
    numerator = np.convolve([kp + ki, -kp], taps)
    denominator = np.convolve([1.0, -1.0], [1.0] + [0.0] * n)
    return control.tf(numerator, denominator, 1.0)


def test_stability_is_jurys():
    """Source: Jury's conditions in closed form (Astrom & Wittenmark ch. 3, from memory), as
    derived in halfcycle.loop.derivations."""
    import sympy  # noqa: PLC0415 (only this test)

    names = derivations.symbols("g Kp Ki")
    conditions = sympy.lambdify(names, derivations.jury_conditions())
    seen = set()
    for kp in np.linspace(-1.1, 1.1, 12):
        for ki in np.linspace(-0.2, 4.1, 14):
            closed = min(conditions(1.3, kp, ki))
            if abs(closed) > 1e-6:
                assert (spectral_radius(1.3 * PURE, kp, ki)[0] < 1) == (closed > 0)
                seen.add(closed > 0)
    assert seen == {True, False}


def test_poles_solve_the_derived_polynomial():
    """Source: sympy's characteristic polynomial with three weights, evaluated at the poles."""
    polynomial = derivations.characteristic_polynomial(3)
    values = {"g": 1.2, "Kp": 0.15, "Ki": 0.4, "h0": 0.6, "h1": 0.3, "h2": 0.1}
    at = dict(zip(derivations.symbols(" ".join(values)), values.values(), strict=True))
    numbers = [float(c.subs(at)) for c in polynomial.all_coeffs()]
    taps = 1.2 * np.array([[0.6, 0.3, 0.1]])
    poles = closed_loop_poles(taps, 0.15, 0.4)[0]
    assert np.abs(np.polyval(numbers, poles)).max() < 1e-12
    assert len(poles) == len(numbers) - 1


@pytest.mark.parametrize("d", [0, 1, 2, 5])
def test_integral_control_of_a_delay(d):
    """Source: Levin & May 1976 (from memory): greatest gain 2 cos(d pi/(2d + 1)), critically
    damped at d^d/(d + 1)^(d + 1). Phase margin 90 deg - (1/2 + d) 2 asin(K/2): from memory."""
    taps = delay(d)
    greatest = 2 * math.cos(d * math.pi / (2 * d + 1))
    assert greatest_stable(taps) == pytest.approx(greatest, rel=1e-9)
    critical = d**d / (d + 1) ** (d + 1)
    below = closed_loop_poles(taps, 0.0, critical * 0.999)[0]
    above = closed_loop_poles(taps, 0.0, critical * 1.001)[0]
    slowest_below, slowest_above = (p[np.abs(p).argmax()] for p in (below, above))
    assert abs(slowest_below.imag) < 1e-9
    assert d == 0 or abs(slowest_above.imag) > 1e-3
    k = 0.6 * greatest
    found = margins(taps, 0.0, k)
    assert found.gain[0] == pytest.approx(1 / 0.6, rel=1e-9)
    phase = 90 - (0.5 + d) * math.degrees(2 * math.asin(k / 2))
    assert found.phase_deg[0] == pytest.approx(phase, abs=1e-7)


def test_ogatas_plant():
    """Source: Ogata, Discrete-Time Control Systems: K/(s(s + 1)) sampled at T = 1 with a hold is
    stable below 2.392. Its integrator is taken as the controller's, the rest as weights."""
    z_plant = signal.cont2discrete(([1.0], [1.0, 1.0, 0.0]), 1.0, method="zoh")
    numerator, denominator = np.ravel(z_plant[0])[1:], np.polydiv(z_plant[1], [1.0, -1.0])[0]
    impulse = signal.lfilter(numerator, denominator, np.eye(1, 60)[0])
    greatest = greatest_stable(impulse[None, :])
    assert greatest == pytest.approx(2.392, abs=1e-3)
    assert margins(impulse[None, :], 0.0, 1.0).gain[0] == pytest.approx(greatest, rel=1e-6)


@pytest.mark.parametrize(
    ("taps", "kp", "ki"),
    [
        ([1.1], 0.0, 0.5),
        ([1.1], 0.2, 0.3),
        ([1.1], 0.55, 0.1),
        ([0.6, 0.5, 0.1], 0.05, 0.3),
        ([0.0, 0.2, 0.9], 0.0, 0.2),
    ],
)
def test_margins_against_python_control(taps, kp, ki):
    """Source: python-control's phase margin, closed-loop poles, impulse response and dense
    frequency response. Not its gain margin: it gives infinity for the first of these loops,
    whose crossing is at z = -1, and 1e-14 for the third; the gain at which its own closed-loop
    poles leave the circle instead."""
    found = margins(np.array([taps]), kp, ki)
    loop = control_loop(taps, kp, ki)
    _, phase, _, _, _, _ = control.stability_margins(loop)
    for factor, inside in ((1 - 1e-6, True), (1 + 1e-6, False)):
        poles = control.feedback(found.gain[0] * factor * loop, 1).poles()
        assert (np.abs(poles).max() < 1) == inside
    for factor in np.linspace(0.02, 0.98, 25):  # and not before
        poles = control.feedback(found.gain[0] * factor * loop, 1).poles()
        assert np.abs(poles).max() < 1
    assert found.phase_deg[0] == pytest.approx(phase, abs=1e-5)
    theta = np.linspace(1e-4, math.pi, 200_001)
    response = loop(np.exp(1j * theta))
    assert found.peak[0] == pytest.approx(np.abs(1 / (1 + response)).max(), rel=1e-7)
    complementary = control.feedback(loop, 1)
    assert found.nyquist[0] == pytest.approx(abs(complementary(-1.0 + 0j)), rel=1e-9)
    _, impulse = control.impulse_response(complementary, T=np.arange(2000.0))
    assert found.noise[0] == pytest.approx(math.sqrt(np.square(impulse).sum()), rel=1e-6)


def test_pure_delay_closed_forms():
    """Source: by hand from L = K/(z - 1): gain margin 2/K, Ms = 2/(2 - K), T(-1) = K/(2 - K),
    noise K/(2 - K) under the root; with Kp the gain margin is Jury's."""
    for k in (0.01, 0.3, 0.9, 1.7):
        found = margins(PURE, 0.0, k)
        assert found.gain[0] == pytest.approx(2 / k)
        assert found.peak[0] == pytest.approx(2 / (2 - k))
        assert found.nyquist[0] == pytest.approx(k / (2 - k))
        assert found.noise[0] == pytest.approx(math.sqrt(k / (2 - k)), rel=1e-4)
    for kp, ki in ((0.1, 0.5), (0.4, 0.1), (-0.1, 0.1), (-0.3, 0.62)):
        jury = min(x for x in (1 / abs(kp), 2 / (2 * kp + ki)) if x > 0)
        assert margins(PURE, kp, ki).gain[0] == pytest.approx(jury, rel=1e-9)


def test_nyquist_gain_is_the_derived_one():
    """Source: sympy's T(-1), halfcycle.loop.derivations."""
    names = derivations.symbols("g Kp Ki")
    exact = derivations.nyquist_transfer().subs(dict(zip(names, (1.2, 0.1, 0.4), strict=True)))
    assert margins(1.2 * PURE, 0.1, 0.4).nyquist[0] == pytest.approx(abs(float(exact)))


def test_a_flipping_reading_moves_the_output_by_the_nyquist_gain():
    """Source: the loop itself, run with a reading that is off by +d and -d in turn."""
    g, kp, ki, d = 1.25, 0.1, 0.35, 0.01
    integral, u, y = 0.0, 0.0, 0.0
    seen = []
    for k in range(400):
        error = 1.0 - (y + d * (-1) ** k)
        integral += ki * error
        u = integral + kp * error
        y = g * u
        seen.append(y)
    assert (max(seen[-20:]) - min(seen[-20:])) / (2 * d) == pytest.approx(
        margins(g * PURE, kp, ki).nyquist[0], rel=1e-9
    )


def test_step_response_is_the_transfer_functions():
    """Source: scipy.signal.lfilter of L/(1 + L) from python-control."""
    taps, kp, ki = [0.7, 0.3, 0.15], 0.1, 0.4
    closed = control.feedback(control_loop(taps, kp, ki), 1)
    numerator, denominator = np.ravel(closed.num[0][0]), np.ravel(closed.den[0][0])
    numerator = np.pad(numerator, (len(denominator) - len(numerator), 0))
    expected = signal.lfilter(numerator, denominator, np.ones(41))[1:]
    got = step_response(np.array([taps]), kp, ki, 40)[:, 0]
    np.testing.assert_allclose(got, expected, atol=1e-12)


@pytest.mark.parametrize("k", [0.05, 0.3, 1.0, 1.5])
def test_settling_of_the_pure_integral(k):
    """Source: the error after n windows is (1 - K)^n."""
    figures = step_figures(PURE, 0.0, k, np.array([True]))
    factor = abs(1 - k)
    expected = 1 if factor == 0 else math.floor(math.log(0.02) / math.log(factor)) + 1
    assert figures.windows[0] == expected
    assert figures.overshoot[0] == pytest.approx(max(k - 1, 0.0), abs=1e-12)


def test_settled_is_for_good():
    y = np.array([0.5, 1.0, 1.05, 0.99, 1.0, 1.0])[:, None]
    assert settled_window(y)[0] == 4
    assert settled_window(np.full((3, 1), 1.01))[0] == 1
    assert settled_window(np.array([[1.0], [0.9]]))[0] == 3


def test_figures_name_the_worst_corner():
    """Slowest at the least gain, least margin at the greatest, by the closed forms above."""
    figures = analyse(plants([0.8, 1.0, 1.3]), 0, F(1, 2), F(1, 50))
    assert figures.worst["settling_ms"] == "gain 0.8"
    assert figures.worst["gain_margin_db"] == "gain 1.3"
    assert figures.settling_ms == pytest.approx(20 * 8)  # 0.6^8 = 0.0168, 0.6^7 = 0.028
    assert figures.gain_margin_db == pytest.approx(20 * math.log10(2 / 0.65))
    assert figures.peak_sensitivity == pytest.approx(2 / (2 - 0.65))
    assert [c.corner for c in figures.corners] == ["gain 0.8", "gain 1", "gain 1.3"]
    assert figures.corners[1].settling_ms == pytest.approx(20 * 6)


@pytest.mark.parametrize("ki", [F(1, 10), F(19, 10), F(30)])
def test_json_holds_no_infinity(ki):
    """An unstable corner gives None, never infinity, and makes the whole unstable."""
    figures = analyse(plants([0.5, 1.5]), 0, ki, F(1, 50))
    text = json.dumps(loop_json(figures).model_dump(), allow_nan=False)
    assert figures.stable == (float(ki) * 1.5 < 2)
    assert figures.corners[1].stable == figures.stable
    assert figures.corners[0].stable == (float(ki) * 0.5 < 2)
    assert (figures.settling_ms is None) == (not figures.stable)
    assert json.loads(text)["corners"][0]["gain"] == 0.5
    if not figures.stable:
        assert figures.worst == {"slowest_pole": "gain 1.5"}


def test_clipping_corner_is_stepped_through_its_curve():
    """A corner that needs drive above 1 settles later than its unclipped gain would, and sooner
    than the slope at rated would; at rest the loop holds the scale that gives rated."""
    own = window_plants(spec(bridge__bus_min_v=F(315)), window())
    figures = analyse(own, 0, F(3, 10), F(1, 50))
    slow = [i for i, c in enumerate(own.corners) if c.drive > 1]
    assert slow
    every = np.ones(len(own.gains), dtype=bool)
    unclipped = step_figures(own.step_taps, 0.0, 0.3, every).windows
    sloped = step_figures(own.taps, 0.0, 0.3, every).windows
    for i in slow:
        assert unclipped[i] <= figures.corners[i].settling_ms / 20 <= sloped[i]
    i = slow[0]
    assert unclipped[i] < sloped[i]
    curve = own.scale_curve()
    held = curve(own.scale_for_rated)
    np.testing.assert_allclose(own.step_gains[i] * held[i], 1.0, atol=1e-9)


def test_late_scale_is_like_a_late_sensor():
    """A scale that takes effect d periods late is seen like a sensor that lags by d periods, as
    the phase is free; the even share is right to the ripple of the sine's own weight, which for
    K half cycles is at most 1/(2 pi K) of the window. Source: the circuit's own weights."""
    win = window(4, 800, F(50), F(50, 10**6))
    own = window_plants(spec(loop__period_us=F(50)), win)
    late = window_plants(spec(loop__period_us=F(50), sensor__delay_us=F(4 + 200 * 50)), win)
    even = own.delayed(200 / 800).weights[:, 0]
    assert abs(even.max() - late.weights[:, 0].max()) < 1 / (8 * math.pi) + 0.01
    assert abs(even.min() - late.weights[:, 0].min()) < 1 / (8 * math.pi) + 0.01
