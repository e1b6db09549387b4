"""Constants between those of the coarse grid: whatever time the fastest of them settle in may be
asked for, and more time is never refused."""

from __future__ import annotations

from fractions import Fraction

from halfcycle.design.trial import asking_for_the_fastest, try_window
from halfcycle.loop.moving import moving_design
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import moving_candidates
from halfcycle.windows.search import Window
from halfcycle.windows.zeros import zeros_of
from support.goal_units import unit


def within(spec: Spec, settling_ms: float) -> Spec:
    """The spec with that settling time."""
    targets = spec.targets.model_copy(update={"settling_ms": Fraction(settling_ms)})
    return spec.model_copy(update={"targets": targets})


def fourteen() -> tuple[Spec, Window]:
    """Fourteen weighed samples, updated with each."""
    spec = unit(weighting="shaped", samples=14, updates_per_window=14)
    (window,) = moving_candidates(spec)
    return spec, window


def test_the_time_of_the_fastest_could_not_be_asked_for() -> None:
    spec, window = fourteen()
    coarse = moving_design(spec, window, finer=False).figures.settling_ms
    fastest = try_window(asking_for_the_fastest(spec), window).loop.settling_ms
    assert coarse is not None and fastest is not None and fastest < coarse
    for time in (fastest, (fastest + coarse) / 2, coarse, 1.2 * coarse):
        met = try_window(within(spec, time), window)
        assert met.refusal is None, time
        assert met.loop.settling_ms is not None and met.loop.settling_ms <= time
    assert try_window(within(spec, 0.98 * fastest), window).refusal is not None


def test_fourteen_samples_at_60_hz_carry_a_zero_at_f() -> None:
    """They have three half cycles' worth of zeros (f, 2f, 4f, 6f) with weights above 0, and noise
    21 % above that of a flat window as long: fifteen were the fewest."""
    shortest = min(
        (w for w in moving_candidates(unit(weighting="shaped")) if zeros_of(w).f),
        key=lambda window: window.samples,
    )
    weights = shortest.block_weights
    assert shortest.samples == 14 and min(weights) > 0 and zeros_of(shortest).f4
    noise = 14 * sum(w * w for w in weights) / sum(weights) ** 2
    assert 1.2**2 < noise <= 1.25**2
