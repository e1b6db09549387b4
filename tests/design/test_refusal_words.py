"""The words of a refusal agree with its figures."""

from __future__ import annotations

from dataclasses import replace

from halfcycle.design import refusal
from halfcycle.design.trial import try_window
from halfcycle.loop.moving import MovingRefusal
from halfcycle.spec.load import parse_spec
from halfcycle.spec.start import start_text
from halfcycle.windows.candidates import moving_candidates


def test_a_bound_below_the_time_asked_for_read_as_a_time_that_meets_it() -> None:
    """Of 60 ms asked it was said that windows which do not meet them settle in 52.9 ms or more."""
    text = start_text("gauge_hut", "x")
    changed = text.replace("settling_ms = 250", "settling_ms = 60")
    assert changed != text
    spec = parse_spec(changed, "x")
    window = next(w for w in moving_candidates(spec) if w.kind == "moving flat")
    trial = try_window(spec, window, "x")
    assert isinstance(trial.refusal, MovingRefusal)
    below = replace(trial, refusal=replace(trial.refusal, settling_ms=None, at_least_ms=52.91))
    assert refusal._others(spec, [below]) == (
        "a shorter search over fewer boards rules out the other one for 60 ms; its best was not "
        "looked for, it is no less than 52.9 ms; "
    )
    above = replace(trial, refusal=replace(trial.refusal, settling_ms=None, at_least_ms=75.0))
    told = refusal._others(spec, [above, below])
    assert "the other 2 for 60 ms" in told and "no less than 52.9 ms" in told
    best = replace(trial, refusal=replace(trial.refusal, settling_ms=90.0))
    assert refusal._others(spec, [best]) == ""
