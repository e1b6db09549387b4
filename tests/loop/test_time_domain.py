"""The loop in time against a plain run of the same circuit by a general solver."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from fractions import Fraction as F

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid, solve_ivp

from halfcycle.generate.pipeline import design_integers
from halfcycle.loop.circuit_flow import circuit_flow
from halfcycle.loop.filter_model import FilterCircuit, LoadImpedance, resistive_load
from halfcycle.loop.time_domain import HALF_CYCLE_POINTS, Boards, Event, Sampling, _Run, run
from halfcycle.regulator.model import Regulator
from halfcycle.spec.load import load_spec
from support import paths

LIGHT = FilterCircuit(600e-6, 15e-6, 0.5, LoadImpedance("none"))
RATED = FilterCircuit(600e-6, 15e-6, 0.5, resistive_load("rated", 500.0, 120.0))
MOTOR = FilterCircuit(
    600e-6, 15e-6, 0.5, LoadImpedance("motor", resistance_ohm=23.0, inductance_h=0.046)
)


def sampling(weights, **changes):
    weights = np.asarray(weights, dtype=float)
    usual = Sampling(
        period_s=F(1, 1000),
        frequency_hz=F(60),
        delay_s=F(10, 10**6),
        late_s=F(3, 10000),
        weights=weights / weights.sum(),
        every=1,
        measure="rms",
        top=1.1,
        bus_ohm=0.0,
    )
    return replace(usual, **changes)


@dataclass
class Plain:
    """The same loop, one board, step by step: Kirchhoff's equations written out, integrated by
    scipy's solver, and the firmware's law as a few lines of scalars."""

    s: Sampling
    before: FilterCircuit
    after: FilterCircuit
    bus: tuple[float, float]
    sensor: float
    zero: float
    kp: float
    ki: float

    def run(self, event: Event, phase: float, scale: float):
        s, t_ = self.s, float(self.s.period_s)
        at = event.lead + event.samples + float(event.share)
        w = 2 * math.pi * float(s.frequency_hz)
        angle = phase - w * at * t_

        def steady(t):
            c = self.before
            z_load = 1 / self.admittance(c, 1j * w)
            z = z_load / (1 + 1j * w * c.capacitance_f * z_load)
            ratio = z / (z + c.resistance_ohm + 1j * w * c.inductance_h)
            u = scale * self.bus[0] * np.exp(1j * (angle + w * t))
            v, i = ratio * u, u * (1 - ratio) / (c.resistance_ohm + 1j * w * c.inductance_h)
            return [i.imag, v.imag, (v * self.admittance(c, 1j * w)).imag]

        lag = float(s.delay_s)
        history = {j: steady(j * t_ - lag)[1] for j in range(1 - len(s.weights), 1)}
        times, volts = [0.0], [steady(0.0)[1]]
        y, integral, u = steady(0.0), scale, scale
        pending, total = [], event.lead + event.samples + event.periods
        reading = 0.0
        for k in range(total):
            target = event.target_after if k >= event.lead else event.target_before
            if (k - event.lead) % s.every == 0:
                seen = np.array([history[k - m] for m in range(len(s.weights) - 1, -1, -1)])
                seen = seen * self.sensor + self.zero
                if s.measure == "rms":
                    reading = math.sqrt(s.weights @ seen**2)
                else:
                    reading = math.pi / (2 * math.sqrt(2)) * float(s.weights @ abs(seen))
                u_new, integral = self.law(target - reading, integral)
                pending.append((k + float(s.late_s) / t_, u_new))
            cuts = {float(k), k + 1.0, *(p for p, _ in pending if k < p < k + 1)}
            cuts = sorted(cuts | ({at} if k < at < k + 1 else set()))
            for a, b in itertools.pairwise(cuts):
                while pending and pending[0][0] <= a + 1e-9:
                    u = pending.pop(0)[1]
                last = a >= at - 1e-9
                if abs(a - at) < 1e-9 and self.after is not self.before:
                    y = [y[0], y[1], 0.0]
                dense = solve_ivp(
                    self.slope(last, u, angle, w),
                    (a * t_, b * t_),
                    y,
                    rtol=1e-9,
                    atol=1e-9,
                    dense_output=True,
                    max_step=t_ / 20,
                )
                grid = np.linspace(a * t_, b * t_, 200)
                out = dense.sol(grid)
                times += list(grid[1:])
                volts += list(out[1, 1:])
                y = out[:, -1]
            sensed = (k + 1) * t_ - lag
            recent = float(np.interp(sensed, times[-900:], volts[-900:]))
            history[k + 1] = recent if sensed >= 0 else steady(sensed)[1]
        return np.array(times) - at * t_, np.array(volts), reading

    @staticmethod
    def admittance(c, s):
        if c.load.inductance_h:
            return 1 / (c.load.resistance_ohm + s * c.load.inductance_h)
        return c.load.conductance_s + 1e-15

    def slope(self, after, u, angle, w):
        c = self.after if after else self.before
        bus = self.bus[1] if after else self.bus[0]

        def slope(t, y):
            duty = min(max(u * math.sin(angle + w * t), -1.0), 1.0)
            bridge = duty * (bus - self.s.bus_ohm * duty * y[0])
            load = y[2] if c.load.inductance_h else c.load.conductance_s * y[1]
            turned = (
                (y[1] - c.load.resistance_ohm * y[2]) / c.load.inductance_h
                if c.load.inductance_h
                else 0.0
            )
            return [
                (bridge - c.resistance_ohm * y[0] - y[1]) / c.inductance_h,
                (y[0] - load) / c.capacitance_f,
                turned,
            ]

        return slope

    def law(self, error, integral):
        top = self.s.top
        after, push = integral + self.ki * error, self.kp * error
        if after + push > top and self.ki * error > 0:
            after = min(after, max(integral, top - push))
        elif after + push < 0 and self.ki * error < 0:
            after = max(after, min(integral, -push))
        integral = min(max(after, 0.0), top)
        return min(max(integral + push, 0.0), top), integral


def compare(plain: Plain, event: Event, phase: float, scale: float):
    """Greatest difference in half-cycle RMS from the event on, and that of the last reading."""
    boards = Boards(
        [plain.before],
        [plain.after],
        np.array([plain.bus[0]]),
        np.array([plain.bus[1]]),
        np.array([plain.sensor]),
        plain.zero,
    )
    one = [np.array([[value]]) for value in (plain.kp, plain.ki, phase, scale)]
    course = run(plain.s, boards, event, *one)
    times, volts, reading = plain.run(event, phase, scale)
    energy = cumulative_trapezoid(volts**2, times, initial=0.0)
    half = 0.5 / float(plain.s.frequency_hz)
    # The half cycles that ended at the event are known in closed form only: both are run from it.
    ends = course.times_s
    mean = (np.interp(ends, times, energy) - np.interp(ends - half, times, energy)) / half
    brute = plain.sensor * np.sqrt(mean)
    return float(np.abs(brute - course.half_rms[:, 0, 0]).max()), abs(
        reading - course.reading[0, 0]
    )


NINE = (21, 27, 31, 31, 27, 31, 31, 27, 21)


@pytest.mark.parametrize(
    ("before", "after", "bus", "share"),
    [
        (LIGHT, RATED, (1.8, 1.8), F(0)),
        (MOTOR, LIGHT, (1.7, 1.7), F(1, 2)),
        (RATED, RATED, (1.65, 1.95), F(1, 3)),
    ],
)
@pytest.mark.parametrize("measure", ["rms", "mean"])
def test_steps_of_load_and_bus_are_those_of_a_general_solver(before, after, bus, share, measure):
    """scipy.integrate.solve_ivp on Kirchhoff's equations; half cycles by a dense trapezoid."""
    s = sampling(NINE, measure=measure)
    plain = Plain(s, before, after, bus, 1.01, 0.004, 0.12, 0.06)
    off, reading = compare(plain, Event(1.0, 1.0, 26, s.lead, 0, share), 0.7, 0.8)
    assert off < 2e-5
    assert reading < 2e-5


def test_a_step_of_the_target_with_blocks_and_a_delay_of_more_than_a_sample():
    s = sampling(np.ones(25), every=5, delay_s=F(13, 10000), late_s=F(1, 1000), measure="mean")
    plain = Plain(s, RATED, RATED, (1.8, 1.8), 0.99, 0.0, 0.1, 0.15)
    off, reading = compare(plain, Event(0.5, 1.0, 40, s.lead), 2.1, 0.4)
    assert off < 2e-5
    assert reading < 2e-5


def test_a_half_cycle_that_is_no_whole_number_of_samples():
    """50/3 Hz sampled every 1.1 ms."""
    s = sampling(
        np.ones(28), every=7, period_s=F(11, 10000), frequency_hz=F(50, 3), late_s=F(4, 10000)
    )
    plain = Plain(s, RATED, LIGHT, (1.8, 1.8), 1.0, 0.002, 0.0, 0.2)
    off, _ = compare(plain, Event(1.0, 1.0, 60, 35, 3, F(1, 2)), 0.2, 0.78)
    assert off < 2e-5


@pytest.mark.parametrize("bus_ohm", [0.0, 0.6])
def test_clipping_and_a_sagging_bus_are_those_of_a_general_solver(bus_ohm):
    """What is averaged over short steps: within a thousandth of rated."""
    s = sampling(NINE, bus_ohm=bus_ohm, late_s=F(0))
    plain = Plain(s, RATED, RATED, (1.15, 1.9), 1.0, 0.0, 0.1, 0.06)
    event = Event(1.0, 1.0, 26, s.lead + 30)
    off, reading = compare(plain, event, 0.7, 1.1)
    assert off < 1.5e-3
    assert reading < 1.5e-3


def test_a_board_that_clips_on_the_way_does_not_disturb_the_others():
    s = sampling(NINE)
    both = Boards([RATED, RATED], [RATED, RATED], *(np.array([1.3, 1.9]),) * 2, np.ones(2))
    event = Event(0.0, 1.0, 40, s.lead)
    gains = [np.array([[0.3]]), np.array([[0.12]]), np.array([[0.0, 1.0]]), np.zeros((1, 1))]
    course = run(s, both, event, *gains)
    for row in (0, 1):
        alone = run(s, both.rows(np.array([row])), event, *gains)
        assert np.allclose(alone.half_rms[:, 0], course.half_rms[:, row], atol=1e-12)
    assert course.scale[0].max() <= 1.1


def test_energy_is_the_integral_of_the_square():
    flow = circuit_flow((LIGHT, MOTOR), 2 * math.pi * 60)
    z = np.array([0.3, -0.2, 0.1, 0.5, 0.9, 0.2])
    t = np.linspace(0, 2.7e-3, 20001)
    out = flow.rows(t[::40]) @ z
    brute = cumulative_trapezoid(out**2, t[::40])[:, -1]
    assert np.einsum("i,bij,j->b", z, flow.energy(2.7e-3), z) == pytest.approx(brute, rel=1e-4)


def test_the_grid_of_half_cycles_leaves_out_next_to_nothing():
    """Eight times as many points: a half cycle in between lies farther out by 0.1 % of rated at
    most, and the settling given is late by one point of the grid at most."""
    s = sampling(NINE, every=9)
    boards = Boards([LIGHT], [LIGHT], np.array([1.9]), np.array([1.6]), np.ones(1))
    event = Event(1.0, 1.0, 200, s.lead, 4, F(1, 2))
    given = [np.array([[v]]) for v in (0.1, 0.3)]
    phases, scale = np.arange(6.0)[None, :], np.array([[0.74]])
    usual = run(s, boards, event, *given, phases, scale)
    dense = run(s, boards, event, *given, phases, scale, 128)

    def settled(course, n, band):
        outside = np.abs(course.half_rms[:, 0, n] - 1) > band
        return float(course.times_s[len(outside) - outside[::-1].argmax()])

    step = 1 / 120 / HALF_CYCLE_POINTS
    for n, band in itertools.product(range(6), (0.01, 0.02, 0.05)):
        truly = settled(dense, n, band)
        assert settled(usual, n, band) <= truly + step + 1e-9
        assert truly <= settled(usual, n, band - 1e-3) + 1e-9


def test_the_law_is_the_firmwares_within_its_rounding():
    """In the model's own units, over errors that reach both limits."""
    plan = design_integers(load_spec(paths.EXAMPLES / "weir_pump.toml"), "x").quantised.plan
    top = float(plan.drive_max)
    loop = object.__new__(_Run)
    loop.sampling, loop.law = sampling(NINE, top=top), None
    loop.kp = np.array([[plan.proportional / 2.0**plan.proportional_shift]])
    loop.ki = np.array([[plan.integral / 2.0**plan.integral_shift]])
    regulator = Regulator(plan)
    rng = np.random.default_rng(1)
    errors = rng.integers(-plan.target_rated, plan.target_rated, 400).tolist()
    limits = 0
    for error in errors:
        regulator.integral = before = int(rng.integers(0, plan.drive_max + 1))
        drive = regulator._regulate(error, plan.drive_max)
        scale, integral = loop._law(np.array([[float(error)]]), np.array([[float(before)]]), 1.0)
        assert abs(scale[0, 0] - drive) <= 2
        assert abs(integral[0, 0] - regulator.integral) <= 2
        limits += drive in {0, plan.drive_max}
    assert 0 < limits < len(errors)
