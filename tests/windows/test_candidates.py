"""Which windows a spec gets: nearly whole ones, and their words."""

from __future__ import annotations

import math
from contextlib import suppress
from fractions import Fraction

import numpy as np
import pytest

from halfcycle.base.errors import RefusedError
from halfcycle.base.text import signed_ppm
from halfcycle.design import designer
from halfcycle.design.designer import design
from halfcycle.design.trial import try_window
from halfcycle.design.types import Trial
from halfcycle.spec.load import load_spec
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import allowed_windows, reading_faults
from halfcycle.windows.reading_errors import mean_error, work_for_each
from halfcycle.windows.search import Window, candidate_windows
from support import paths
from support.call_count import calls_of


def changed(**tables):
    """The 60 Hz example with other values: ``changed(loop={"period_us": ...})``."""
    spec = load_spec(paths.EXAMPLES / "quay_kiosk.toml")
    return spec.model_copy(
        update={
            name: getattr(spec, name).model_copy(update=values) for name, values in tables.items()
        }
    )


def nearly_whole(half_cycles: object = "auto"):
    return changed(
        output={"frequency_hz": Fraction(60), "frequency_tolerance_hz": Fraction(0)},
        loop={
            "period_us": Fraction("130.2083"),
            "half_cycles": half_cycles,
            "longest_window_ms": Fraction(60),
            "measure": "mean",
        },
    )


@pytest.mark.parametrize("half_cycles", ["auto", 2])
def test_a_quarter_of_a_ppm_is_not_refused(half_cycles: object) -> None:
    windows = allowed_windows(nearly_whole(half_cycles), "spec")
    assert windows[0].within_clock
    assert windows[0].samples == (64 if half_cycles == "auto" else 128)


def test_the_bounds_hold_what_a_nearly_whole_window_misses_by() -> None:
    """Source: the mean of |sin| at the exact sample instants, over a sweep of the phase."""
    spec = nearly_whole()
    window = allowed_windows(spec, "spec")[0]
    faults = reading_faults(spec, window)
    step = math.pi * float(window.half_cycles_per_sample)
    at = np.arange(window.samples) * step
    phases = np.linspace(0, math.pi, 4001)
    error = np.abs(np.sin(at + phases[:, None])).mean(axis=1) * math.pi / 2 - 1
    volts = float(spec.output.rated_rms_v)
    assert (error.max() - error.min()) / 2 * volts <= faults.spread_v + 1e-9
    assert faults.spread_v <= (error.max() - error.min()) / 2 * volts * 1.02
    assert not faults.fixed


def test_a_nearly_whole_window_is_noted() -> None:
    codes = {finding.code: finding for finding in design(nearly_whole()).findings}
    assert codes["nearly-whole-window"].level == "note"
    assert "partial-window" not in codes


@pytest.mark.parametrize(
    ("ppm", "words"),
    [(-0.256, "-0.256 ppm"), (-0.0004, "-0.0004 ppm"), (2500.4, "+2500 ppm"), (99.5, "+99.5 ppm")],
)
def test_a_mismatch_never_reads_as_minus_0_ppm(ppm: float, words: str) -> None:
    assert signed_ppm(ppm) == words


def test_a_long_list_of_windows_of_a_wandering_frequency_is_bounded_soon() -> None:
    """40 windows up to 10 s, 4.99 Hz off either way, took 50 s; the bounds stay outside. Source:
    the mean of |sin + d| at frequencies and phases inside the tolerance."""
    windows = candidate_windows(Fraction(50), Fraction(50, 10**6), Fraction(10))
    assert len(windows) == 40
    work, deviation = work_for_each(len(windows)), Fraction(499, 100)
    bounds: list[tuple[float, float]] = []

    def bound_all() -> None:
        bounds.extend(mean_error(window, 0.005, deviation, work) for window in windows)

    assert calls_of(bound_all) < 500_000  # 173,316 when this was written.
    phases = np.linspace(0, 2 * math.pi, 61)[:, None]
    for window, (low, high) in list(zip(windows, bounds, strict=True))[::13]:
        for off in (-0.0998, -0.03, 0.0, 0.07, 0.0998):
            step = math.pi * float(window.half_cycles_per_sample) * (1 + off)
            wave = np.abs(np.sin(np.arange(window.samples) * step + phases) + 0.005)
            error = wave.mean(axis=1) * math.pi / 2 - 1
            assert low <= error.min() and error.max() <= high
        assert high - low < 2.1


@pytest.mark.parametrize("deviation", [Fraction(499, 100), Fraction(0)])
def test_extreme_specs_are_designed_or_refused_by_a_few_trials(
    deviation: Fraction, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A tenth of the frequency off, and windows to be tried up to 10 s, took a minute."""
    # Of the drifting one the plain windows are enough: there are the most of them.
    kinds = {"weighting": "flat", "updates_per_window": 1} if deviation else {}
    spec = changed(
        output={"frequency_hz": Fraction(1000001, 20000), "frequency_tolerance_hz": deviation},
        loop={"longest_window_ms": Fraction(10_000), "period_us": Fraction(500), **kinds},
        targets={"settling_ms": Fraction(20_000)},
    )
    tried = []

    def counted(spec: Spec, window: Window, file: str = "spec", *, finer: bool = True) -> Trial:
        tried.append(window)
        return try_window(spec, window, file, finer=finer)

    monkeypatch.setattr(designer, "try_window", counted)
    with suppress(RefusedError):  # That is an answer too.
        window = design(spec).window
        assert window.shaped or window.within_clock
    assert 0 < len(tried) <= 15, len(tried)
