"""Design of the gains: targets met at every corner, most margin, honest refusals."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction as F

import numpy as np
import pytest

from halfcycle.design import designer
from halfcycle.loop.figures import analyse
from halfcycle.loop.frequency_response import peak_sensitivity
from halfcycle.loop.gains import (
    DESIGN_BAND,
    GainDesign,
    GainRefusal,
    analyse_inside,
    design_gains,
)
from halfcycle.loop.plant import window_plants
from halfcycle.loop.ringing import ringing_lines
from halfcycle.loop.step_response import settled_window, spectral_radius, step_response
from halfcycle.spec.load import load_spec
from support import paths
from support.loop_specs import plants, spec, window

W = F(1, 50)


@pytest.fixture(scope="module")
def example():
    plants, lines = window_plants(spec(), window()), ringing_lines(spec(), window())
    return analyse_inside(plants, lines, 0, F(286, 1000), W)[1]


@pytest.mark.parametrize("ripple", [0.0, 0.005, 0.01])
def test_settling_leaves_room_for_ripple(ripple: float) -> None:
    """Integral control of a pure delay has 1 - y = (1 - K)^n (first-order recursion): what the
    output moves by at rest comes off the band that it has to reach."""
    found = design_gains(plants([1.0]), W, 12 * W, F(5, 100), ripple)
    assert isinstance(found, GainDesign)
    k = float(found.ki)
    assert (1 - k) ** 12 <= DESIGN_BAND - ripple < (1 - k) ** 12 * 1.02
    n = math.ceil(math.log(0.02 - ripple) / math.log(1 - k))
    assert analyse(plants([1.0]), 0, found.ki, W, ripple).settling_ms == pytest.approx(20 * n)


def test_a_ripple_of_the_whole_band_never_settles() -> None:
    found = design_gains(plants([1.0]), W, 12 * W, F(5, 100), 0.02)
    assert isinstance(found, GainRefusal)
    assert found.settling_ms is None


def test_pure_delay_has_a_closed_form():
    """Without spread the least integral constant that settles in n windows is
    1 - band^(1/n), next decimal up, and proportional action adds nothing worth having."""
    for n in (12, 20, 40):
        design = design_gains(plants([1.0]), W, n * W, F(5, 100))
        assert isinstance(design, GainDesign)
        assert design.kp == 0
        exact = 1 - DESIGN_BAND ** (1 / n)
        step = 10.0 ** (math.floor(math.log10(exact)) - 2)
        assert exact <= float(design.ki) <= exact + step
        assert (design.ki * 10**6).denominator == 1, "a short decimal"
        # The definition's band is 2 %: at most two windows sooner than the search's 1.8 %.
        assert 20 * (n - 2) <= design.figures.settling_ms <= 20 * n


@pytest.mark.parametrize(
    ("settling", "overshoot"), [("0.25", "0.05"), ("0.25", "0"), ("0.2", "0.1")]
)
def test_targets_are_met_at_every_corner(example, settling, overshoot):
    """Source: the definition of settling, on each corner by its own plain loop."""
    design = design_gains(example, W, F(settling), F(overshoot))
    assert isinstance(design, GainDesign)
    allowed = math.floor(F(settling) / W)
    for gain, weights in zip(example.gains, example.weights, strict=True):
        u, y, integral = [], [0.0], 0.0
        for _ in range(5 * allowed):
            error = 1.0 - y[-1]
            integral += float(design.ki) * error
            u.append(integral + float(design.kp) * error)
            y.append(gain * sum(h * x for h, x in zip(weights, reversed(u), strict=False)))
        assert max(abs(1.0 - v) for v in y[allowed:]) <= 0.02
        assert max(y) <= 1.0 + float(F(overshoot)) + 1e-6
    assert design.figures.peak_sensitivity <= 2 + 1e-6  # the default


def test_no_constants_have_more_margin(example):
    """Source: a random search over both constants: none that meets the targets has an Ms lower by
    more than the search's own step of 0.01. A little negative proportional action, which is a
    low-pass filter on the integral's output, could gain up to 0.02 and is not looked for: a spec
    may not have it."""
    settling, overshoot = F(1, 4), F(5, 100)
    design = design_gains(example, W, settling, overshoot)
    assert isinstance(design, GainDesign)
    rng = np.random.default_rng(11)
    kp, ki = rng.uniform(-0.25, 0.4, 400), rng.uniform(0.1, 0.6, 400)
    met = 0
    y = step_response(example.taps, kp[:, None], ki[:, None], 40)
    for n in range(400):
        if settled_window(y[:, n], DESIGN_BAND).max() > 12 or y[:, n].max() > 1.05:
            continue
        if spectral_radius(example.taps, kp[n], ki[n]).max() >= 1:
            continue
        met += 1
        peak = peak_sensitivity(example.taps, kp[n], ki[n]).max()
        assert peak >= design.figures.peak_sensitivity - (0.011 if kp[n] >= 0 else 0.02)
    assert met > 10


def test_order_of_corners_does_not_matter(example):
    rows = np.random.default_rng(3).permutation(len(example.gains))
    shuffled = replace(
        example,
        corners=tuple(example.corners[i] for i in rows),
        gains=example.gains[rows],
        weights=example.weights[rows],
        tail=example.tail[rows],
        scale_for_rated=example.scale_for_rated[rows],
        step_gains=example.step_gains[rows],
        sag=example.sag[rows],
    )
    a = design_gains(example, W, F(1, 4), F(5, 100))
    b = design_gains(shuffled, W, F(1, 4), F(5, 100))
    assert (a.kp, a.ki) == (b.kp, b.ki)


def test_last_bits_do_not_matter(example):
    """Another machine's rounding must not give other constants."""
    rng = np.random.default_rng(8)
    for _ in range(3):
        other = replace(
            example,
            gains=example.gains * (1 + 1e-14 * rng.standard_normal(example.gains.shape)),
            weights=example.weights + 1e-14 * rng.standard_normal(example.weights.shape),
        )
        a = design_gains(example, W, F(1, 4), F(5, 100))
        b = design_gains(other, W, F(1, 4), F(5, 100))
        assert (a.kp, a.ki) == (b.kp, b.ki)


def test_refusal_says_what_can_be_had(example):
    """The best settling is what a design for it gives, and the next window sooner is refused."""
    refusal = design_gains(example, W, F(12, 100), F(5, 100))
    assert isinstance(refusal, GainRefusal)
    assert refusal.settling_ms > 120
    assert refusal.corner in {c.label for c in example.corners}
    figures = analyse(example, refusal.kp, refusal.ki, W)
    assert figures.settling_ms == pytest.approx(refusal.settling_ms)
    assert figures.worst["settling_ms"] == refusal.corner
    best = F(refusal.settling_ms).limit_denominator(1000) / 1000
    assert isinstance(design_gains(example, W, best, F(5, 100)), GainDesign)
    assert isinstance(design_gains(example, W, best - W, F(5, 100)), GainRefusal)


def test_settling_below_one_window_is_refused(example):
    refusal = design_gains(example, W, W / 2, F(5, 100))
    assert isinstance(refusal, GainRefusal)
    assert refusal.settling_ms > 20


def test_gain_spread_limits_what_can_be_had():
    """Source: integral action with gains 1 and r: deadbeat for one leaves 1 - 1/r or r - 1 at the
    other. A spread of 3 cannot settle in 3 windows, a spread of 1.02 can."""
    assert isinstance(design_gains(plants([1.0, 1.02]), W, 3 * W, F(5, 100)), GainDesign)
    wide = design_gains(plants([1.0, 3.0]), W, 3 * W, F(5, 100))
    assert isinstance(wide, GainRefusal)
    assert wide.corner in {"gain 1", "gain 3"}


def test_unreachable_rated_is_refused_not_looped():
    own = window_plants(spec(bridge__bus_min_v=F(200)), window())
    refusal = design_gains(own, W, F(1, 4), F(5, 100))
    assert isinstance(refusal, GainRefusal)
    assert refusal.settling_ms is None
    assert "bus 200 V" in refusal.corner


@pytest.mark.parametrize(
    ("measure", "tolerance_hz", "keys"),
    [
        ("mean", F(0), {"loop.measure"}),
        ("rms", F(1), {"output.frequency_tolerance_hz"}),
        ("mean", F(1), {"output.frequency_tolerance_hz", "loop.measure"}),
    ],
)
def test_a_drifting_frequency_is_named_as_the_cause(
    measure: str, tolerance_hz: F, keys: set[str]
) -> None:
    """It was put down to too few points in a half cycle, for which to sample faster is no cure."""
    own = load_spec(paths.example("peat_cabin"))
    changes = {
        "output": {"frequency_tolerance_hz": tolerance_hz},
        "loop": {"measure": measure, "weighting": "flat", "updates_per_window": 1},
        "targets": {"settling_ms": F(600), "voltage_tolerance_percent": F(6, 5)},
    }
    own = own.model_copy(
        update={name: getattr(own, name).model_copy(update=to) for name, to in changes.items()}
    )
    made = designer.design(own)
    found = {f.key for f in made.findings if f.level == "warning"}
    assert found - {"targets.voltage_tolerance_percent"} == keys
