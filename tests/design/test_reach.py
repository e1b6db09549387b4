"""Rated voltage within the drive limit: judged of every window, and what would do is enough."""

from __future__ import annotations

import re
from fractions import Fraction

import numpy as np
import pytest

from halfcycle.design import designer
from halfcycle.design.designer import design
from halfcycle.design.reach import reach, reaches
from halfcycle.design.refusal import UnmetError
from halfcycle.loop.drive import needed_scale
from halfcycle.loop.plant import window_plants
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import allowed_windows
from halfcycle.windows.search import Window
from support.spec_text import changed_spec


def cabin(bus_min_v: float, scale_max: str = "1.0") -> Spec:
    """The cabin's spec with that least bus and that drive limit."""
    return changed_spec(bridge__bus_min_v=bus_min_v, bridge__scale_max=float(scale_max))


class WindowTriedError(Exception):
    """The first window that is tried."""


def test_rated_voltage_was_out_of_reach_if_it_was_with_the_first_window(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A plain window that begins at the wrong phase reads 0.07 % low, a moving one does not."""
    spec = cabin(330.68)
    assert not any(reaches(spec, window) for window in allowed_windows(spec, "x"))

    def first(_spec: Spec, window: Window, _file: str, *, finer: bool) -> None:
        raise WindowTriedError(window, finer)

    monkeypatch.setattr(designer, "try_window", first)
    with pytest.raises(WindowTriedError) as tried:
        design(spec, "x")
    window: Window = tried.value.args[0]
    assert window.kind == "moving flat"
    assert reaches(spec, window)
    assert not reaches(cabin(330.0), window)


@pytest.mark.full
def test_a_design_that_only_a_moving_window_reaches_was_refused() -> None:
    designed = design(cabin(330.68), "x")
    assert designed.window.kind == "moving flat"
    assert "rated-unreachable" not in {each.code for each in designed.findings}


@pytest.mark.parametrize("bus_min_v", [330.0, 310.5, 300.1])
def test_the_drive_limit_that_a_finding_named_was_not_enough(bus_min_v: float) -> None:
    """The scale that is needed was rounded to the nearest thousandth."""
    spec = cabin(bus_min_v)
    window = allowed_windows(spec, "x")[0]
    plants = window_plants(spec, window)
    (told,) = reach(spec, plants, window)
    assert told.code == "rated-unreachable"
    named = re.search(r"raise bridge.scale_max to ([\d.]+) or more", told.text)
    assert named is not None
    assert plants.reach_rated(float(cabin(bus_min_v, named[1]).bridge.scale_max))
    assert float(named[1]) < plants.scale_for_rated.max() + 0.001
    assert float(named[1]) > plants.scale_for_rated.max()


def test_gains_that_were_no_doubles_were_read_as_such() -> None:
    """The bytes of an array of integers or of short floats were taken for doubles."""
    wide = needed_scale(np.array([1.0, 2.0, 4.0]), np.zeros(3), "mean")
    for other in (np.float32, np.int64):
        narrow = needed_scale(np.array([1, 2, 4], dtype=other), np.zeros(3, dtype=other), "mean")
        np.testing.assert_array_equal(narrow, wide)
    np.testing.assert_allclose(wide[0], [1.0, 0.5, 0.25])


def test_volts_beyond_the_bus_were_laid_on_the_window(monkeypatch: pytest.MonkeyPatch) -> None:
    """290 V at a bus of 350 V took minutes, and the refusal named neither that bus nor the volts
    that can be had. Each figure that it names is enough, and little less is not."""
    spec = changed_spec(
        output__rated_rms_v=290.0,
        sensor__volts_per_code=0.3,
        bridge__bus_nominal_v=385.0,
        bridge__bus_min_v=350.0,
        bridge__scale_max=1.2,
    )

    def first(_spec: Spec, window: Window, _file: str, *, finer: bool) -> None:
        raise WindowTriedError(window, finer)

    monkeypatch.setattr(designer, "try_window", first)
    with pytest.raises(UnmetError) as refused:
        design(spec, "x")
    assert refused.value.beyond is not None and not refused.value.trials
    (told,) = refused.value.findings
    assert "above the drive limit 1.2" in told.text and "a bus of 350 V gives at most" in told.text
    volts = re.search(r"output.rated_rms_v = ([\d.]+)", told.text)
    bus = re.search(r"raise bridge.bus_min_v to ([\d.]+) V or more", told.text)
    assert volts is not None and bus is not None
    window = allowed_windows(spec, "x")[0]

    def with_key(table: str, key: str, value: float) -> bool:
        part = getattr(spec, table).model_copy(update={key: Fraction(value)})
        return reaches(spec.model_copy(update={table: part}), window)

    for share, enough in ((1.0, True), (1.01, False)):
        assert with_key("output", "rated_rms_v", share * float(volts[1])) is enough
        assert with_key("bridge", "bus_min_v", float(bus[1]) / share) is enough
