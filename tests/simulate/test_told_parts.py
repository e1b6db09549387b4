"""Findings on a reported RMS: the parts that are told add up, and the remedy fits the window."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from halfcycle.simulate.findings import findings
from halfcycle.simulate.reading_error import ReadingError
from halfcycle.windows.search import Window
from support.virtual_boards import prepared_example

OFF = ReadingError("noise", 12, False, 0.0210, 0.0, 0.0011, 0.0180, 0.0, 0.0007, 0.0012, 0.0)


def told(window: Window | None = None) -> str:
    setting = prepared_example().setting
    setting = setting if window is None else replace(setting, window=window)
    (entry,) = (
        entry for entry in findings(setting, {}, [], [OFF], 0) if entry.code == "report-sampling"
    )
    return entry.text


def test_the_parts_that_were_told_did_not_add_up_to_the_whole() -> None:
    whole, *parts = map(float, re.findall(r"([+-][\d.]+) %", told()))
    assert len(parts) == 2 and sum(parts) == pytest.approx(whole, abs=1e-9)
    assert "by the rest" in told()


def test_a_whole_window_was_advised_to_those_who_have_one() -> None:
    whole = prepared_example().setting.window
    assert whole.whole and "whole window" not in told()
    assert 'sample faster, or use measure = "rms"' in told()
    partial = replace(whole, samples=whole.samples - 1)
    assert not partial.within_clock and "change loop.period_us for a whole window" in told(partial)
