"""Gain and delay from logs of boards whose gain and delay the tests know."""

from __future__ import annotations

import math
from dataclasses import replace

import control
import numpy as np
import pytest
from scipy import stats

from halfcycle.bench.fit_rows import FitRows, MovingRows, block_shares, fit_rows, rated_units
from halfcycle.bench.log_check import LogCheck
from halfcycle.bench.log_readings import ReadingsOf
from halfcycle.bench.log_rows import LogRows
from halfcycle.bench.plant_fit import NoFit, PlantFit, fit_plant
from halfcycle.bench.reading_noise import correlation
from halfcycle.bench.tolerance_interval import reach, share_inside
from halfcycle.regulator.plan import Plan
from support.bench_logs import board_log
from support.plan_cases import CASES, NINE, of_blocks

SHAPED_RMS = of_blocks("gull_buoy", NINE, 8, measure="rms", samples=9)
PLANS = {"mean": CASES["mean"], "moving flat": CASES["moving flat"], "moving rms": SHAPED_RMS}


def step(plan: Plan, share_of_rated: float = 0.9, at: int = 60) -> list[tuple[int, int]]:
    """The gentle step of the documentation, windows from the start."""
    return [(0, int(share_of_rated * plan.rated_mv)), (at * plan.updates, plan.rated_mv)]


def rows_of(plan: Plan, rows: LogRows) -> FitRows:
    moving = MovingRows(plan)
    kinds = np.full(len(rows), 2, dtype=np.int64)
    moving.feed(rows, ReadingsOf(plan).of(rows), kinds)
    return fit_rows(plan, moving.pieces())


def fitted(plan: Plan, gain: float, share: float, noise: float, seed: int) -> PlantFit:
    log = board_log(plan, gain, share, step(plan), 110 * plan.updates, noise, seed)
    fit = fit_plant(plan, rows_of(plan, log.arrays()))
    assert isinstance(fit, PlantFit), fit
    return fit


def covered(plan: Plan, boards: range) -> tuple[int, int]:
    """Boards whose gain and whose share of delay are inside their intervals."""
    gains = shares = 0
    for seed in boards:
        rng = np.random.default_rng(10_000 + seed)
        gain, share = rng.uniform(1.05, 1.35), rng.uniform(0.5, 1.0)
        fit = fitted(plan, gain, share, 10 ** rng.uniform(-3.4, -2.7), seed)
        gains += fit.gain.low <= gain <= fit.gain.high
        shares += fit.share is not None and fit.share.low <= share <= fit.share.high
    return gains, shares


@pytest.mark.parametrize("case", ["mean", "moving flat"])
def test_intervals_hold_the_truth_of_a_few_boards(case: str) -> None:
    """Of 40 boards, as many as a coin of 95 % gives in all but one of 10^4 draws."""
    least = int(stats.binom.ppf(1e-4, 40, 0.95))
    assert min(covered(PLANS[case], range(40))) >= least > 30


@pytest.mark.parametrize(
    ("case", "boards"),
    [
        *(pytest.param(case, 200, marks=pytest.mark.full) for case in ("mean", "moving flat")),
        *(pytest.param(case, 1000, marks=pytest.mark.long) for case in PLANS),
    ],
)
def test_95_of_100_intervals_hold_the_truth(case: str, boards: int) -> None:
    """So many boards and noise levels: within what a coin of 95 % gives in 99.9 % of all draws."""
    low, high = stats.binom.interval(0.999, boards, 0.95)
    for count in covered(PLANS[case], range(boards)):
        assert low <= count <= high


@pytest.mark.parametrize("case", PLANS)
def test_without_noise_the_truth_comes_out(case: str) -> None:
    plan = PLANS[case]
    fit = fitted(plan, 1.23, 0.7, 0.0, 1)
    assert fit.gain.value == pytest.approx(1.23, rel=max(1e-5, 0.6 / rated_units(plan)))
    assert fit.gain.low <= 1.23 <= fit.gain.high
    assert fit.share is not None
    assert fit.share.value == pytest.approx(0.7, abs=2e-2)


def test_a_clipped_drive_has_the_same_gain() -> None:
    """At a gain of 0.95 rated needs a drive above 1: the sine's curve is allowed for."""
    fit = fitted(PLANS["mean"], 0.95, 0.8, 5e-4, 2)
    assert fit.rows.scale.max() > 1.05
    assert fit.gain.low <= 0.95 <= fit.gain.high


def test_a_step_of_the_load_makes_two_levels() -> None:
    plan = PLANS["mean"]
    log = board_log(
        plan, 0, 0.8, step(plan), 200, 5e-4, 4, gain_of=lambda update: 1.25 if update < 110 else 1.2
    )
    fit = fit_plant(plan, rows_of(plan, log.arrays()))
    assert isinstance(fit, PlantFit)
    assert [level.gain.value for level in fit.levels] == pytest.approx([1.25, 1.2], rel=1e-3)
    assert abs(fit.levels[1].update - 111) <= 3
    assert fit.share is not None
    assert fit.share.value == pytest.approx(0.8, abs=0.05)


@pytest.mark.parametrize("case", PLANS)
def test_windows_in_which_a_limiter_acts_are_no_part_of_the_fit(case: str) -> None:
    """Their readings are a fifth less than what the plant makes of the scale."""
    plan = PLANS[case]
    step_at = 60 * plan.updates
    limited = (step_at + 2 * plan.updates, step_at + 9 * plan.updates)
    count = 110 * plan.updates
    log = board_log(plan, 1.2, 0.8, step(plan), count, 5e-4, 6, limited=limited)
    rows = log.arrays(sums=True, integral=True)
    check, moving, readings = LogCheck(plan), MovingRows(plan), ReadingsOf(plan).of(rows)
    moving.feed(rows, readings, check.feed(rows, readings))
    assert check.done().first is None and check.done().held >= 2
    fit = fit_plant(plan, fit_rows(plan, moving.pieces()))
    assert isinstance(fit, PlantFit), fit
    assert len(fit.levels) == 1 and fit.gain.value == pytest.approx(1.2, rel=1e-3)
    assert fit.share is not None
    assert fit.share.value == pytest.approx(0.8, abs=0.05)


def test_a_board_at_rest_tells_its_gain_alone() -> None:
    plan = PLANS["mean"]
    log = board_log(plan, 1.2, 0.8, [(0, plan.rated_mv)], 300, 5e-4, 1).arrays()
    fit = fit_plant(plan, rows_of(plan, log.rows(slice(150, 300))))
    assert isinstance(fit, PlantFit) and fit.share is None and "share of delay" in fit.doubt
    assert fit.gain.low <= 1.2 <= fit.gain.high
    short = fit_plant(plan, rows_of(plan, log.rows(slice(0, 8))))
    assert isinstance(short, NoFit) and "too few" in short.reason


def test_a_textbook_process_of_first_order_with_delay() -> None:
    """K e^(-Ls) / (1 + sT) sampled with a hold, K = 1.2, T much below the sampling time, and a dead
    time of 0.3 of it (Astrom & Wittenmark, Computer-Controlled Systems, ch. 2, from memory): the
    sampled response has the taps K (1 - a), K a with a = 0.3 but for T. python-control's own
    discretisation of a Pade form simulates it."""
    plan, dead, lag = PLANS["mean"], 0.3, 0.02
    fine = 200
    system = control.ss(control.tf([1.2], [lag, 1.0]))
    rng = np.random.default_rng(0)
    scale = np.repeat([0.6, 0.75, 0.65, 0.8], 30)
    time = np.arange(len(scale) * fine) / fine
    drive = np.repeat(scale, fine)
    late = round(dead * fine)
    drive = np.concatenate([np.full(late, drive[0]), drive[:-late]])
    response = control.forced_response(system, time, drive, X0=0.6 * 1.2 / float(system.C[0, 0]))
    # A plain window reads the mean over each sampling time.
    reading = response.outputs.reshape(-1, fine).mean(axis=1)
    reading += rng.normal(0, 1e-4, len(reading))
    now, later = scale, np.concatenate([[scale[0]], scale[:-1]])
    rows = FitRows(
        reading[2:],
        now[2:],
        later[2:],
        scale[2:],
        np.zeros(len(scale) - 2, dtype=np.int64),
        np.ones(len(scale) - 2),
        np.arange(2, len(scale)),
        np.arange(len(scale) - 2),
    )
    fit = fit_plant(replace(plan, half_cycles=2), rows)
    assert isinstance(fit, PlantFit)
    assert fit.gain.value == pytest.approx(1.2, rel=2e-4)
    assert fit.share is not None
    assert fit.share.value == pytest.approx(1 - dead - lag, abs=0.003)


def test_intervals_are_those_of_a_bootstrap() -> None:
    """Residuals drawn anew 400 times (Efron & Tibshirani 1993, from memory)."""
    plan = PLANS["mean"]
    fit = fitted(plan, 1.2, 0.8, 1e-3, 3)
    rows, rng = fit.rows, np.random.default_rng(1)
    left = rows.reading - fit.predicted
    left *= math.sqrt(len(left) / fit.freedom)
    gains, shares = [], []
    for _ in range(400):
        drawn = replace(rows, reading=fit.predicted + rng.choice(left, len(left)))
        again = fit_plant(plan, drawn)
        assert isinstance(again, PlantFit)
        gains.append(again.gain.value)
        assert again.share is not None
        shares.append(again.share.value)
    assert fit.share is not None
    factor = float(stats.t.ppf(0.975, fit.freedom))
    assert factor * np.std(gains) == pytest.approx(fit.gain.uncertainty, rel=0.15)
    assert factor * np.std(shares) == pytest.approx(fit.share.uncertainty, rel=0.15)


def test_readings_that_overlap_go_together_as_their_windows() -> None:
    """Against noise that is averaged in plain code."""
    plan = SHAPED_RMS
    weights = np.array(plan.block_weights, dtype=float)
    noise = np.convolve(np.random.default_rng(1).standard_normal(200_000), weights, "valid")
    for lag, expected in enumerate(correlation(plan)):
        got = np.corrcoef(noise[: len(noise) - lag], noise[lag:])[0, 1]
        assert got == pytest.approx(expected, abs=0.01)
    assert block_shares(plan) == pytest.approx(weights / weights.sum())


def test_the_share_of_all_boards_turns_the_tolerance_interval_round() -> None:
    values = [1.1, 1.15, 1.2, 1.22, 1.18, 1.14]
    half, mean = reach(values, 0.97), float(np.mean(values))
    assert half is not None
    assert share_inside(values, mean - half, mean + half) == pytest.approx(0.97)
    assert share_inside(values, 1.3, 1.4) == 0.0
    # Two-sided factor for n = 10, 99 % of all with 95 % confidence: 4.433 (tables, from memory);
    # Howe's approximation is within half a percent.
    ten = stats.norm.ppf((np.arange(10) + 0.5) / 10).tolist()
    got = reach(ten, 0.99)
    assert got is not None and got / np.std(ten, ddof=1) == pytest.approx(4.433, rel=5e-3)


@pytest.mark.parametrize("case", ["moving flat", "moving rms"])
@pytest.mark.parametrize("lag", [0.1, 0.5, 0.8])
@pytest.mark.parametrize("first", [0.5, 0.9])
def test_the_models_own_error_makes_no_second_level(case: str, lag: float, first: float) -> None:
    """A filter that answers for longer than an update, without noise: one gain, and no level that
    nobody set."""
    plan = PLANS[case]
    log = board_log(plan, 1.2, 0.8, step(plan, first), 110 * plan.updates, lag=lag)
    fit = fit_plant(plan, rows_of(plan, log.arrays()))
    assert isinstance(fit, PlantFit), fit
    assert len(fit.levels) == 1 and fit.gain.value == pytest.approx(1.2, rel=1e-2)


@pytest.mark.parametrize("case", ["moving flat", "moving rms"])
@pytest.mark.parametrize("lag", [0.0, 0.3])
def test_a_step_of_a_tenth_is_found_in_a_moving_window(case: str, lag: float) -> None:
    plan = PLANS[case]
    at = 85 * plan.updates
    log = board_log(
        plan,
        0,
        0.8,
        step(plan),
        125 * plan.updates,
        5e-4,
        gain_of=lambda update: 1.2 if update < at else 1.32,
        lag=lag,
    )
    fit = fit_plant(plan, rows_of(plan, log.arrays()))
    assert isinstance(fit, PlantFit), fit
    assert [level.gain.value for level in fit.levels] == pytest.approx([1.2, 1.32], rel=3e-3)
    assert abs(fit.levels[1].update - at) <= 3 * plan.updates


def test_the_share_of_a_moving_window_is_judged_by_the_window() -> None:
    """An update is a ninth of this window: what is a tenth of the window is known well enough."""
    plan = PLANS["moving rms"]
    fit = fitted(plan, 1.2, 0.8, 6e-3, 3)
    assert fit.share is not None and 0.1 < fit.share.uncertainty < 0.1 * plan.updates
    assert fit.gain.low <= 1.2 <= fit.gain.high
