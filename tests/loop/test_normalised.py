"""The normalised law in real numbers: the same gain on every board, its start, its way down.

Outside: python-control for the linearised loop, mpmath for the clipped sine's elasticity, and the
result that gain controls are known for which change their gain in proportion to what it is: they
settle in a constant time whatever the level (US 5,838,194, from memory).
"""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction as F
from types import SimpleNamespace

import control
import mpmath
import numpy as np
import pytest

from halfcycle.design.trial import with_law
from halfcycle.loop.drive import needed_scale
from halfcycle.loop.figures import analyse
from halfcycle.loop.frequency_response import margins
from halfcycle.loop.gains import GainDesign, design_gains
from halfcycle.loop.normalised import LEAST_SHARE, STEPS, Normalised, StepLaw, share_of
from halfcycle.loop.step_response import judged_steps, steps
from support.loop_specs import plants

GAINS = (0.6, 0.9, 1.3, 1.8)
SPILLS = ((0.85, 0.12, 0.03),)


def with_the_law(gains=GAINS, weights=SPILLS, limit=2.5):
    made = plants(gains, weights)
    spec = SimpleNamespace(
        loop=SimpleNamespace(law="normalised"), bridge=SimpleNamespace(scale_max=F(limit))
    )
    return with_law(spec, replace(made, scale_for_rated=1 / made.gains))


def test_settling_is_constant_whatever_the_gain() -> None:
    """Source: gain controls that settle in a constant time (US 5,838,194, from memory): from one
    state of rest to another every board takes the same course."""
    made = with_the_law()
    law = made.step_law()
    down = np.stack(list(law.steps(made.step_taps, 0.1, 0.7, 12, None, STEPS[1])))
    assert np.abs(down - down[:, :1]).max() < 1e-12
    plain = np.stack(list(steps(made.step_taps, 0.1, 0.5, 12)))
    assert np.ptp(plain, axis=1).max() > 0.3, "the plain law's course is not"


@pytest.mark.parametrize(("kp", "ki"), [(0.0, 0.7), (0.15, 0.6), (-0.1, 0.5)])
def test_margins_are_python_controls_of_the_linearised_loop(kp: float, ki: float) -> None:
    """The law is linearised by differences about rest, on a board of any gain; python-control says
    what that loop's gain margin is, and whether it is stable just below and above it."""
    made = with_the_law()
    law, taps = made.law, made.step_taps[2]
    rest, n, small = 1 / taps.sum(), made.step_taps.shape[1], 1e-6

    def after(state):
        """Held scales (the newest first), share before -> the same a window on."""
        held, before = state[:n], state[n]
        share = share_of(np.array(1.0 - taps @ held), 1.0)
        drive = law.moved(held[:1], share, 1.0, before, kp, ki)
        return np.array([float(drive[0]), *held[:-1], float(share)])

    at_rest = np.array([rest] * n + [0.0])
    matrix = np.stack(
        [(after(at_rest + small * unit) - at_rest) / small for unit in np.eye(n + 1)], axis=1
    )
    numerator = np.convolve([kp + ki, -kp], SPILLS[0])
    loop = control.tf(numerator, np.convolve([1.0, -1.0], [1.0] + [0.0] * n), 1.0)
    poles = np.sort_complex(control.feedback(loop, 1).poles())
    found = np.sort_complex(np.linalg.eigvals(matrix))
    nonzero = found[np.abs(found) > 1e-4]
    for pole in nonzero:
        assert np.abs(poles - pole).min() < 1e-4
    factor = float(margins(made.taps, kp, ki).gain[2])
    for over, stable in ((0.999, True), (1.001, False)):
        radius = np.abs(control.feedback(over * factor * loop, 1).poles()).max()
        assert (radius < 1) == stable


def test_the_loops_gain_is_the_elasticity_where_the_sine_clips() -> None:
    """Sources: mpmath's quadrature and derivative; 0.63 at a drive of 1.05 and 0.39 at 1.2 as the
    design document has them."""

    def rms(drive):
        t = mpmath.asin(1 / drive)
        under = mpmath.quad(lambda x: (drive * mpmath.sin(x)) ** 2, [0, t])
        return mpmath.sqrt(2 / mpmath.pi * (under + mpmath.pi / 2 - t))

    for drive, known in ((1.05, 0.63), (1.2, 0.39)):
        wanted = float(drive * mpmath.diff(rms, drive) / rms(drive))
        assert wanted == pytest.approx(known, abs=0.006)
        gain = np.array([1 / (math.sqrt(2) * float(rms(drive)))])
        scale, slope = needed_scale(gain, np.zeros(1), "rms")
        assert scale[0] == pytest.approx(drive)
        one = plants((float(slope[0]),))
        clipped = replace(
            one,
            corners=(replace(one.corners[0], drive=drive),),
            scale_for_rated=scale,
            law=Normalised(F(1, 3), 1.5),
        )
        assert clipped.loop_gains[0] == pytest.approx(wanted, rel=1e-6)


def test_the_floor_is_below_the_rest_of_every_board() -> None:
    for strongest in (0.7, 1.2, 1.9, 40.0):
        law = Normalised.of(strongest, 1.2)
        assert 0 < law.floor <= F(1, 2)
        assert float(law.floor) <= 1 / (1.5 * strongest)
        assert float(law.floor) > min(0.5, 1 / (1.5 * strongest)) - 0.001 or strongest > 30


def test_the_start_from_zero_follows_the_logistic_map() -> None:
    """A pure delay: below the floor the drive climbs by the error, above it v' = v + k v (1 - v)
    (worked by hand), and it never overshoots if k is 1 or less."""
    made = with_the_law((1.0,), ((1.0,),))
    (y,) = np.stack(list(steps(made.step_taps, 0.0, 0.8, 12, None, made.step_law()))).T
    v, floor = 0.0, float(made.law.floor)
    for reading in y:
        v += 0.8 * max(v, floor) * (1 - v)
        assert reading == pytest.approx(v, abs=1e-12)
    assert y.max() <= 1.0


@pytest.mark.parametrize("gain", GAINS)
def test_a_low_target_is_reached_as_fast_as_a_high_one(gain: float) -> None:
    """The floor scales with the target: a fixed one would hold the drive up, and never settle."""
    law = with_the_law().law
    courses = []
    for target in (1.0, 0.1):
        drive, before, y = np.zeros(1), np.zeros(1), 0.0
        course = []
        for _ in range(10):
            share = share_of(np.array([target - y]), target)
            drive = law.moved(drive, share, target, before, 0.0, 0.8)
            before, y = share, gain * float(drive[0])
            course.append(y / target)
        courses.append(course)
    assert courses[0] == pytest.approx(courses[1], abs=1e-12)
    assert abs(courses[0][-1] - 1) < 0.02


def test_a_step_down_would_collapse_without_the_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    """1 to 0.5 dips to 42 % of the target without it, and stays above 80 % with it (as tried in the
    design document, at an integral constant near 1 with a spill)."""
    made = with_the_law((1.2,), ((0.8, 0.2),))

    def lowest() -> float:
        course = list(made.step_law().steps(made.step_taps, 0.0, 0.8, 20, None, STEPS[1]))
        return 1.0 - float(np.max(course)) * 0.5

    assert lowest() / 0.5 >= 0.8
    monkeypatch.setattr("halfcycle.loop.normalised.LEAST_SHARE", -10.0)
    assert lowest() / 0.5 < 0.6
    assert LEAST_SHARE == -0.5


def test_gains_are_judged_by_the_way_down_too() -> None:
    made = with_the_law((1.1, 1.8))
    found = design_gains(made, F(1, 50), F(14, 100), F(2, 100))
    assert isinstance(found, GainDesign)
    figures = analyse(made, found.kp, found.ki, F(1, 50))
    assert figures.settling_ms is not None and figures.settling_ms <= 140
    courses = judged_steps(
        made.step_taps, float(found.kp), float(found.ki), 40, None, made.step_law()
    )
    assert len(courses) == 2
    top = max(float(np.max(list(course))) for course in courses)
    assert 100 * (top - 1) == pytest.approx(figures.overshoot_percent or 0.0, abs=1e-9)
    assert 100 * (top - 1) <= 2


def test_the_plain_law_is_what_it_was() -> None:
    made = plants(GAINS, SPILLS)
    assert made.step_law() is None
    assert (made.loop_gains == made.gains).all()
    assert len(judged_steps(made.step_taps, 0.0, 0.3, 5)) == 1
    assert StepLaw(Normalised(F(1, 3), 1.0), np.ones(1)).law.limit == 1.0
