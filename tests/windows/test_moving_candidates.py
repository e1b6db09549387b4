"""Candidates of every kind of window, and the faults of keys that insist on one."""

from __future__ import annotations

from fractions import Fraction

import pytest

from halfcycle.base.errors import InputError, RefusedError
from halfcycle.spec.load import load_spec
from halfcycle.windows import weights
from halfcycle.windows.candidates import allowed_windows, moving_candidates, reading_faults
from halfcycle.windows.weights import ZeroSet
from halfcycle.windows.zeros import sets_of_zeros, zeros_called_for, zeros_finding, zeros_of
from support import paths
from support.call_count import calls_of

KINDS = ["plain", "moving flat", "shaped", "moving shaped"]


def changed(**tables):
    """The 50 Hz example on 60 Hz and 1 ms with a clock of its own, and with other values."""
    spec = load_spec(paths.EXAMPLES / "quay_kiosk.toml")
    first = {
        "output": {"frequency_hz": Fraction(60), "frequency_tolerance_hz": Fraction(0)},
        "loop": {"period_us": Fraction(1000), "half_cycles": "auto", "measure": "rms"},
        "sensor": {"zero_tolerance_codes": Fraction(4)},
    }
    for name, values in tables.items():
        first[name] = {**first.get(name, {}), **values}
    return spec.model_copy(
        update={
            name: getattr(spec, name).model_copy(update=values) for name, values in first.items()
        }
    )


def faults(**loop):
    with pytest.raises(InputError) as caught:
        moving_candidates(changed(loop=loop), "spec.toml")
    return caught.value.faults


def test_the_cheapest_kind_comes_first_and_the_shortest_of_it():
    windows = moving_candidates(changed())
    assert sorted(windows, key=lambda w: (KINDS.index(w.kind), w.samples, w.updates)) == list(
        windows
    )
    assert {w.kind for w in windows} == set(KINDS)
    assert windows[: len(allowed_windows(changed(), "spec"))] == allowed_windows(changed(), "spec")
    assert all(w.updates in (1, w.blocks) for w in windows)
    assert len(set(windows)) == len(windows)


def test_shaped_windows_come_as_seldom_and_as_often_updated():
    windows = moving_candidates(changed())
    seldom = [(w.samples, w.block_weights) for w in windows if w.kind == "shaped"]
    often = [(w.samples, w.block_weights) for w in windows if w.kind == "moving shaped"]
    assert seldom == often
    assert min(samples for samples, _ in seldom) < 10
    assert max(samples for samples, _ in seldom) == 25


@pytest.mark.parametrize(
    ("frequency", "period_us"),
    [("16.7", "1000"), ("60", "130.2"), ("50", "913"), ("400", "100.37")],
)
def test_a_period_that_fits_no_window_is_not_refused(frequency, period_us):
    """16.7 Hz at 1 ms and 130.2 us were refused."""
    spec = changed(
        output={"frequency_hz": Fraction(frequency)},
        loop={"period_us": Fraction(period_us), "longest_window_ms": Fraction(120)},
    )
    windows = moving_candidates(spec)
    assert {w.kind for w in windows} == {"shaped", "moving shaped"}
    rated = float(spec.output.rated_rms_v)
    for window in windows:
        assert reading_faults(spec, window).spread_v < 0.0003 * rated
        assert window.duration_s * window.frequency_hz <= Fraction(8, 5)


def test_zeros_follow_from_the_spec():
    zero, none = {"zero_tolerance_codes": Fraction(4)}, {"zero_tolerance_codes": Fraction(0)}
    wanders = {"frequency_tolerance_hz": Fraction(1, 2)}
    assert zeros_called_for(changed(sensor=none)) == ZeroSet(f4=True, f6=True)
    assert zeros_called_for(changed(sensor=zero)) == ZeroSet(f=True, f4=True, f6=True)
    assert zeros_called_for(changed(sensor=zero, output=wanders)) == ZeroSet(True, True, True, True)
    # Four samples a cycle cannot tell 4f from nothing.
    few = changed(output={"frequency_hz": Fraction(50)}, loop={"period_us": Fraction(5000)})
    assert not zeros_called_for(few).f4
    assert sets_of_zeros(changed(loop={"measure": "mean"})) == (zeros_called_for(changed()),)


def test_every_candidate_has_the_zeros_of_some_set():
    spec = changed(output={"frequency_tolerance_hz": Fraction(1, 2)})
    for window in moving_candidates(spec):
        if window.shaped:
            found = zeros_of(window)
            assert found.double_2f
            assert found.f4
            assert found.f or window.samples < 20


def test_a_finding_says_which_zeros_and_why():
    spec = changed()
    shaped = [w for w in moving_candidates(spec) if w.kind == "moving shaped"]
    full = zeros_finding(spec, shaped[-1])
    assert full.code == "window-zeros"
    assert "f: an error of the sensor's zero" in full.text
    assert "without" in zeros_finding(spec, shaped[0]).text
    with pytest.raises(ValueError, match="flat"):
        zeros_finding(spec, moving_candidates(spec)[0])


def test_keys_are_honoured():
    def kinds(**loop):
        return moving_candidates(changed(loop=loop))

    assert {w.kind for w in kinds(weighting="flat")} == {"plain", "moving flat"}
    assert {w.kind for w in kinds(weighting="shaped")} == {"shaped", "moving shaped"}
    assert {w.kind for w in kinds(updates_per_window=1)} == {"plain", "shaped"}
    assert {w.updates for w in kinds(updates_per_window=5)} == {5}
    assert {w.samples for w in kinds(samples=25)} == {25}
    assert {w.samples for w in kinds(samples=17)} == {17}
    assert {w.samples for w in kinds(half_cycles=3)} == {25}
    assert max(w.duration_ms for w in kinds(longest_window_ms=Fraction(30))) <= 30
    assert {w.samples for w in kinds(samples=75, weighting="flat")} == {75}


@pytest.mark.parametrize(
    ("loop", "key", "remedy"),
    [
        ({"samples": 3}, "samples", "7 or 8"),
        ({"samples": 17, "weighting": "flat"}, "samples", "25"),
        ({"samples": 40, "weighting": "flat"}, "samples", "25 or 50"),
        ({"samples": 20, "half_cycles": 3}, "samples", "25"),
        ({"samples": 200}, "samples", "120"),
        ({"samples": 67, "weighting": "shaped"}, "samples", "66 or 68"),
        ({"samples": 25, "updates_per_window": 4}, "updates_per_window", "1 or 5"),
        ({"weighting": "flat", "updates_per_window": 7}, "updates_per_window", "4 or 5"),
    ],
)
def test_what_cannot_be_had_is_named_with_what_can(loop, key, remedy):
    (fault,) = faults(**loop)
    assert (fault.file, fault.key) == ("spec.toml", f"loop.{key}")
    assert f"use {remedy}" in fault.remedy


def test_what_a_fault_advises_is_taken():
    for loop in ({"samples": 25}, {"samples": 66, "weighting": "shaped"}, {"samples": 8}):
        assert moving_candidates(changed(loop=loop))


def test_all_faults_at_once():
    assert len(faults(samples=17, weighting="flat", updates_per_window=4)) == 2


def test_nothing_at_all_is_refused_with_a_remedy():
    spec = changed(
        output={"frequency_hz": Fraction("16.7")}, loop={"longest_window_ms": Fraction(10)}
    )
    with pytest.raises(RefusedError) as caught:
        moving_candidates(spec)
    assert caught.value.findings[0].key == "loop.period_us"
    flat = changed(loop={"weighting": "shaped", "longest_window_ms": Fraction(4)})
    with pytest.raises(RefusedError) as caught:
        moving_candidates(flat)
    assert caught.value.findings[0].code == "no-shaped-window"


def test_a_length_without_zeros_was_blamed_on_the_loop_period():
    with pytest.raises(RefusedError) as caught:
        moving_candidates(changed(loop={"weighting": "shaped", "samples": 50}))
    (told,) = caught.value.findings
    assert (told.code, told.key) == ("no-shaped-window", "loop.samples")
    assert "no window of 50 samples" in told.text and told.text.endswith("leave loop.samples out")


def test_a_mean_is_shaped_only_if_the_sampling_is_fast():
    slow = moving_candidates(changed(loop={"measure": "mean"}))
    assert {w.kind for w in slow} == {"plain", "moving flat"}
    fast = moving_candidates(changed(loop={"measure": "mean", "period_us": Fraction(50)}))
    assert {w.kind for w in fast} == set(KINDS)


def test_candidates_are_listed_without_a_long_search():
    weights.shaped_weights.cache_clear()
    weights.least_norm.cache_clear()
    spec = changed(loop={"period_us": Fraction(997)})
    assert calls_of(lambda: moving_candidates(spec)) < 1_500_000  # 508,439 when this was written.
