"""A spec whose shortest window ripples by all of the band: what can be had is of longer ones."""

from __future__ import annotations

import html
import re
from dataclasses import replace

import pytest

from halfcycle.design import refusal
from halfcycle.design.designer import design
from halfcycle.design.lost_in_ripple import lost
from halfcycle.design.refusal import UnmetError
from halfcycle.report.refused_page import Refused, render
from halfcycle.report.weighed_windows import best_ms, by_time
from halfcycle.spec.load import parse_spec
from halfcycle.spec.models import Spec
from halfcycle.spec.start import start_text


def followed(settling_ms: str) -> Spec:
    """The spec of ``start`` with an output that follows a source within 1 Hz, of plain windows."""
    keys = {
        "frequency_tolerance_hz": "1",
        "updates_per_window": "1",
        "weighting": '"flat"',
        "settling_ms": settling_ms,
        "voltage_tolerance_percent": "2",
    }
    text = start_text("gauge_hut", "x")
    for key, value in keys.items():
        text, count = re.subn(rf"(?m)^{key} = \S+", f"{key} = {value}", text)
        assert count == 1, key
    return parse_spec(text, "x")


def test_a_refusal_by_the_ripple_of_the_reading_had_no_best_and_no_cause(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One window of 20 ms was tried, in which nothing settles: "the best: none", while longer ones
    settle. The best that is named is had if it is asked for."""
    # What would help besides takes half a minute.
    monkeypatch.setattr(refusal, "_help", lambda *_, **__: "")
    spec = followed("25")
    with pytest.raises(UnmetError) as caught:
        design(spec, "x")
    error = caught.value
    assert 0 < len(lost(spec, error.trials)) < len(error.trials)
    (told,) = error.findings
    assert "plain windows, whose reading ripples by +-4.6 V or more as the freq" in told.text
    assert "clock the loop from the source" in told.text
    named = re.search(r"settling ([\d.]+) ms within that overshoot", told.text)
    best = best_ms(by_time(error.trials)[0])
    assert named is not None and best is not None and float(named[1]) == pytest.approx(best)
    assert design(followed(named[1]), "x").chosen.on_target
    page = render(Refused(spec, error.findings, error.trials, "", ""))
    words = " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page)).split())
    assert "The best that can be had: 6 half cycles, 60 ms a window" in words.replace("\xa0", " ")
    assert "its reading ripples by" in words

    # Bug: it spoke of settling alone where no reading stays inside the tolerance, either.
    least_v = min(trial.faults.spread_v for trial in error.trials)
    narrow = [replace(trial, tolerance_v=0.9 * least_v) for trial in error.trials]
    enough = [replace(trial, tolerance_v=least_v) for trial in error.trials]
    assert [each.code for each in refusal.unmet(spec, enough, "x")] == ["targets-unmet"]
    _, off = refusal.unmet(spec, narrow, "x")
    assert off.code == "window-error" and f"the least is +-{least_v:.3g} V" in off.text


def test_a_clock_from_the_source_is_tried_if_the_ripple_is_too_much() -> None:
    """The remedy of the cause was not among those that are tried."""
    spec = followed("25")
    (changed,) = [
        each for words, each in refusal._changes(spec, drifts=True) if "as of a loop" in words
    ]
    assert changed.output.frequency_tolerance_hz == 0
    assert not any("as of a loop" in words for words, _ in refusal._changes(spec, drifts=False))
