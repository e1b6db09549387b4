"""Which kind of window is chosen: the cheapest that does, or the fastest; and never too much DC."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from functools import cache

import numpy as np
import pytest

from halfcycle.base.errors import InputError, RefusedError
from halfcycle.design.designer import design
from halfcycle.design.harmonics import _seen
from halfcycle.design.kinds import KINDS, Candidates
from halfcycle.design.refusal import SAME_LOOK
from halfcycle.design.types import Design
from halfcycle.generate.pipeline import design_integers
from halfcycle.loop.moving_figures import MovingFigures
from halfcycle.spec.load import parse_spec
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import moving_candidates
from halfcycle.windows.zeros import zeros_of
from support.goal_units import SIXTY, designed, unit
from support.paths import example

RELAY = example("ridge_relay").read_text()
"""RMS at 60 Hz and 1 ms, back within 60 ms: no plain window does."""
CABIN = example("peat_cabin").read_text()


def with_keys(text: str, table: str, **keys: str) -> str:
    """``text`` with keys of one table set anew."""
    for key, value in keys.items():
        lines = [line for line in text.splitlines() if not line.startswith(f"{key} = ")]
        at = lines.index(f"[{table}]") + 1
        text = "\n".join([*lines[:at], f"{key} = {value}", *lines[at:]])
    return text


@cache
def made(text: str, look_ahead: bool = False) -> Design:
    spec = parse_spec(text, "x")
    return design_integers(spec, "x", look_ahead=look_ahead).design


def cheaper(design_: Design) -> list[str]:
    """Kinds that are cheaper than the chosen window's."""
    return list(KINDS[: KINDS.index(design_.window.kind)])


def test_auto_takes_the_cheapest_kind_that_does() -> None:
    relay = made(RELAY)
    assert relay.window.kind == "moving shaped"
    assert relay.chosen.in_question
    tried = {trial.window.kind for trial in relay.trials}
    assert set(cheaper(relay)) <= tried
    assert not any(t.in_question for t in relay.trials if t.window.kind in cheaper(relay))
    settles = relay.loop.settling_ms
    assert settles is not None and settles <= 60
    assert isinstance(relay.loop, MovingFigures)
    assert (relay.loop.periodic_gain_margin or 0) >= 2
    assert relay.loop.lateness_us == 1000
    assert "window-zeros" in {remark.code for remark in relay.findings}


def test_a_plain_window_that_does_is_kept_and_the_next_kind_is_said() -> None:
    cabin = made(CABIN, look_ahead=True)
    assert cabin.window.kind == "plain"
    dearer = cabin.dearer
    assert dearer is not None and dearer.window.kind == "moving flat"
    sooner, settles = dearer.loop.settling_ms, cabin.loop.settling_ms
    assert sooner is not None and settles is not None and sooner < settles
    remark = next(r for r in cabin.findings if r.code == "dearer-window")
    assert f"{sooner:.4g} ms instead of {settles:.4g} ms" in remark.text


@pytest.mark.long
def test_what_the_next_kind_would_buy_can_be_had() -> None:
    """The figure in the finding is met if it is asked for. It was refused as the search tried a few
    constants of least Ms alone, although its own fastest ones did."""
    cabin = made(CABIN, look_ahead=True)
    assert cabin.dearer is not None
    sooner = cabin.dearer.loop.settling_ms
    asked = made(with_keys(CABIN, "targets", settling_ms=f"{math.ceil(sooner or 0) + 1}"))
    assert asked.window.kind == "moving flat" and asked.chosen.in_question


def test_no_choice_makes_more_dc_than_is_allowed() -> None:
    """The moving flat window of three half cycles is fast enough, and makes 0.02 % and more of DC;
    with more DC allowed it is taken, as it is cheaper."""
    relay = made(RELAY)
    assert relay.chosen.output.dc_percent <= 0.02
    flat = next(t for t in relay.trials if t.window.kind == "moving flat" and t.on_target)
    assert flat.output.dc_percent > 0.02 and not flat.in_question
    allowed = made(with_keys(RELAY, "output", dc_percent="0.1"))
    assert allowed.window.kind == "moving flat"
    assert 0.02 < allowed.chosen.output.dc_percent <= 0.1


def test_a_refusal_for_dc_says_how_near_the_zero_must_be() -> None:
    """One half cycle: its zero makes DC. What is said of the zero is enough, as the remedy says."""
    kiosk = example("quay_kiosk").read_text()
    tight = with_keys(kiosk, "output", dc_percent="0.001")
    tight = with_keys(tight, "loop", longest_window_ms="10", updates_per_window="1")
    tight = with_keys(tight, "loop", weighting='"flat"')
    with pytest.raises(RefusedError) as refused:
        made(tight)
    remark = next(r for r in refused.value.findings if r.code == "too-much-dc")
    codes = re.search(r"Trim the zero to ([0-9.]+) codes, allow ([0-9.]+) %", remark.text)
    assert codes is not None
    trimmed = made(with_keys(tight, "sensor", zero_tolerance_codes=codes[1]))
    assert trimmed.chosen.output.dc_percent <= 0.001
    more = made(with_keys(tight, "output", dc_percent=codes[2]))
    assert more.chosen.output.dc_percent <= float(codes[2])


def test_the_fastest_is_as_fast_as_any_that_was_tried() -> None:
    fastest = made(with_keys(RELAY, "targets", settling_ms='"fastest"'))
    assert fastest.window.kind == "moving shaped" and fastest.chosen.in_question
    settles = fastest.loop.settling_ms
    assert settles is not None
    for trial in fastest.trials:
        if trial.in_question:
            assert (trial.loop.settling_ms or math.inf) >= settles - 0.05
    asked = made(RELAY).loop.settling_ms
    assert asked is not None and settles <= asked


@pytest.mark.parametrize(
    ("keys", "holds"),
    [
        ({"weighting": '"flat"', "updates_per_window": "1"}, lambda w: w.kind == "plain"),
        ({"weighting": '"shaped"', "updates_per_window": "1"}, lambda w: w.kind == "shaped"),
        ({"weighting": '"flat"', "updates_per_window": "5"}, lambda w: w.updates == 5),
        ({"samples": "25", "updates_per_window": "5"}, lambda w: (w.samples, w.updates) == (25, 5)),
    ],
)
def test_insisted_keys_leave_only_such_windows(
    keys: dict[str, str], holds: Callable[..., bool]
) -> None:
    candidates = Candidates(parse_spec(with_keys(RELAY, "loop", **keys), "x"), "x")
    rows = [row for kind in candidates.kinds for row in candidates.worth_trying(kind)]
    assert rows and all(holds(window) for row in rows for window in row)


def test_what_cannot_be_had_is_bad_input_with_its_key() -> None:
    for keys, key in (
        ({"samples": "26", "weighting": '"flat"'}, "loop.samples"),
        ({"samples": "2", "weighting": '"shaped"'}, "loop.samples"),
        ({"samples": "25", "updates_per_window": "4"}, "loop.updates_per_window"),
        ({"samples": "26", "half_cycles": "3"}, "loop.samples"),
    ):
        with pytest.raises(InputError) as caught:
            made(with_keys(RELAY, "loop", **keys))
        assert key in {fault.key for fault in caught.value.faults}


@pytest.mark.long
def test_a_refusal_names_another_kind_and_a_narrower_bus_and_they_help() -> None:
    """The remedies are designed: each one that "meets the targets" does so in its turn."""
    plain = with_keys(CABIN, "loop", weighting='"flat"', updates_per_window="1")
    tight = with_keys(plain, "targets", settling_ms="130")
    with pytest.raises(RefusedError) as refused:
        made(tight)
    remark = next(r for r in refused.value.findings if r.code == "targets-unmet")
    assert (
        'loop.weighting and loop.updates_per_window = "auto" (meets the targets, moving flat)'
        in (remark.text)
    )
    free = with_keys(tight, "loop", weighting='"auto"', updates_per_window='"auto"')
    assert made(free).window.kind == "moving flat"
    bus = re.search(
        r"a bus held to \+-1 %, as dividing by a measured one is \(([^)]*)\)", remark.text
    )
    assert bus is not None
    held = with_keys(tight, "bridge", bus_min_v="381.15", bus_max_v="388.85")
    if bus[1] == "meets the targets":
        assert made(held).loop.settling_ms is not None
    else:
        sooner = with_keys(held, "targets", settling_ms=bus[1].removesuffix(" ms"))
        assert made(sooner).chosen.on_target


def test_harmonics_are_seen_by_the_weights_of_the_window() -> None:
    """All samples counted alike: a shaped window's zeros were not seen. Source: the reading itself,
    a weighted mean square of a sine with a thousandth of a harmonic, over phases."""
    spec = parse_spec(RELAY, "x")
    window = next(
        w for w in moving_candidates(spec) if w.kind == "moving shaped" and w.samples > 12
    )
    orders = np.array([3.0, 5.0, 7.0])
    seen = _seen(spec, window, orders)
    weights = np.repeat(window.block_weights[::-1], window.block_samples).astype(float)
    weights /= weights.sum()
    turns = math.pi * float(window.half_cycles_per_sample) * np.arange(window.samples)
    small = 1e-4
    for order, share in zip(orders, seen, strict=True):
        worst = 0.0
        for start in np.linspace(0, math.pi, 48, endpoint=False):
            sine = np.sin(turns + start)
            for phase in np.linspace(0, 2 * math.pi, 24, endpoint=False):
                wave = sine + small * np.sin(order * (turns + start) + phase)
                change = math.sqrt(weights @ wave**2) / math.sqrt(weights @ sine**2) - 1
                worst = max(worst, abs(change) / small)
        assert share == pytest.approx(worst, rel=0.05, abs=2e-4)
    flat = replace(window, block_weights=(1,) * window.blocks)
    # Third and fifth make products at 2f to 6f; the seventh makes one at 8f, which has no zero.
    assert _seen(spec, flat, orders)[:2].min() > 100 * seen[:2].max()


def damped(**targets: object) -> Spec:
    """60 Hz from an outside source, with a large filter."""
    text = SIXTY.replace("scale_max = 1.0", "scale_max = 1.2").replace("= 800", "= 1000")
    text = text.replace("capacitance_uf = 15", "capacitance_uf = 20")
    text = text.replace("rated_va = 600", "rated_va = 600\nlowest_power_factor = 0.8")
    return unit(text, frequency_tolerance_hz=Fraction(1, 2), **targets)


@pytest.mark.long
def test_a_spec_was_refused_that_a_longer_window_with_a_zero_at_f_meets() -> None:
    """Two lengths of each kind were tried, and the shortest two make DC of the sensor's zero."""
    chosen = design(damped(settling_ms=80), "x")
    assert zeros_of(chosen.window).f and chosen.chosen.in_question
    short = [trial for trial in chosen.trials if trial.window.kind == "moving shaped"]
    assert not short[0].little_dc and not zeros_of(short[0].window).f


@pytest.mark.long
def test_the_best_that_can_be_had_is_what_the_fastest_gives() -> None:
    """A refusal told of 200 ms, a plain window's, if moving ones came close and did not do: asked
    for the fastest the same spec gave 108 ms."""
    with pytest.raises(RefusedError) as refused:
        design(damped(settling_ms=50), "x")
    (text,) = (f.text for f in refused.value.findings if f.code == "targets-unmet")
    best = float(re.search(r"settling ([0-9.]+) ms within", text)[1])  # type: ignore[index]
    fastest = design(damped(), "x").loop.settling_ms
    assert fastest is not None and best <= (1 + SAME_LOOK) * fastest


@pytest.mark.long
def test_a_tracked_zero_made_the_fastest_loop_slower() -> None:
    """Windows that were too short for the DC that was left took the places of one that is not."""
    plain, tracked = (
        designed(track_zero=track, zero_tolerance_codes=6).design for track in (False, True)
    )
    assert plain.loop.settling_ms is not None and tracked.loop.settling_ms is not None
    assert tracked.loop.settling_ms <= plain.loop.settling_ms
