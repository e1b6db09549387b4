"""Virtual boards with a measured bus: how far a step of it moves the output, and what a lost one
does."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from halfcycle.generate.pipeline import design_integers, generate
from halfcycle.regulator.plan import FLAG_BUS_LOST
from halfcycle.simulate.boards import draw
from halfcycle.simulate.cases import cases
from halfcycle.simulate.measurements import Measured, measure
from halfcycle.simulate.run_types import History
from halfcycle.simulate.setup import board, timing
from halfcycle.simulate.simulate import Prepared, compiled, prepare, simulate
from halfcycle.spec.load import parse_spec
from support import measured

TEXT = measured.SPEC.read_text(encoding="utf-8")
BOARDS = 200


@cache
def prepared(*changes: tuple[str, str]) -> Prepared:
    text = TEXT
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    spec = parse_spec(text, "x.toml")
    done = design_integers(spec, "x.toml")
    return prepare(done.design, done.quantised, generate(spec, "x.toml").texts)


def run(ready: Prepared, name: str) -> tuple[Measured, History]:
    setting = ready.setting
    case = cases(setting)[name]
    drawn = draw(setting.spec, range(BOARDS), 1, setting.inside)
    boards = [board(setting, case, one) for one in drawn]
    history = compiled(ready.name, ready.texts).run(timing(setting, case), boards)
    return measure(setting, case, drawn, boards, history), history


def moves_percent(ready: Prepared, name: str) -> float:
    """How far the half-cycle RMS of any start goes from where it rests, of rated."""
    found, history = run(ready, name)
    gains = [one.gain for one in draw(ready.setting.spec, range(BOARDS), 1, ready.setting.inside)]
    rest = history.rest_rms * np.array(gains) / ready.setting.rated_v
    away = np.maximum(found.response.highest - rest, rest - found.response.lowest)
    return float(100 * away.max())


@pytest.mark.parametrize("name", ["bus-step-up", "bus-step-down"])
def test_a_step_of_a_fifth_moves_the_output_by_less_than_1_percent(name: str) -> None:
    """360 to 440 V and back, at once, on the worst of the boards; read every 50 us."""
    assert 0.2 < moves_percent(prepared(), name) < 1.0


def test_a_bad_reading_in_the_step_of_a_bus_raised_the_output_by_a_fifth() -> None:
    """Bug: the bus was led from that reading on; it stood at 122 % and went back in a second."""
    assert 0.2 < moves_percent(prepared(), "bus-bad-reading") < 1.0


SLOW = (
    ("period_us = 500\n", "period_us = 1000\n"),
    ("\nperiod_us = 50\n", "\n"),
    ("settling_ms = 80", "settling_ms = 120"),
)
"""Loop and bus every millisecond."""


def test_read_every_millisecond_it_moves_by_less_than_10_percent() -> None:
    assert 2.0 < moves_percent(prepared(*SLOW), "bus-step-up") < 10.0
    assert moves_percent(prepared(*SLOW), "bus-step-down") < 10.0


def test_without_the_sensor_it_moves_by_the_step() -> None:
    """The same case by the same C, of which no reading is taken."""
    ready = prepared()
    setting = ready.setting
    case = cases(setting)["bus-step-up"]
    drawn = draw(setting.spec, range(4), 1, setting.inside)
    boards = [board(setting, case, one) for one in drawn]
    dead = [replace(one, bus_codes_per_volt=0.0) for one in boards]
    loop = compiled(ready.name, ready.texts)
    history = loop.run(timing(setting, case), dead)
    assert (history.highest_rms / history.rest_rms).max() > 1.15


def test_every_case_of_the_bus_holds() -> None:
    """On the first boards, the corners among them; the whole set has them all."""
    ready = prepared()
    names = [name for name in cases(ready.setting) if name.startswith(("bus-", "motor"))]
    assert names == [
        *("bus-sag", "bus-swell", "bus-step-up", "bus-step-down", "bus-bad-reading"),
        *("motor-start", "bus-ripple", "bus-lost", "bus-unread", "bus-back"),
    ]
    for one in simulate(ready, names, range(60), 1, jobs=1):
        assert one.failed == 0, (one.case, one.failures[:2])


def test_the_end_of_an_overload_does_not_throw_the_output_up() -> None:
    """The drive at its limit is what the sagging bus needs, and no more once it is back: 112 % of
    rated at most, on the worst board."""
    found, _ = run(prepared(), "overload")
    assert found.response.highest.max() < 1.12


def test_a_lost_bus_is_led_without_a_step() -> None:
    found, history = run(prepared(), "bus-lost")
    assert found.response.highest.max() < 1.01 and found.response.lowest.min() > 0.99
    assert (found.flagged.end & FLAG_BUS_LOST != 0).all()
    # The scale took over what the factor was: boards of 360 and 440 V end a fifth apart.
    scales = found.flagged.rests
    assert scales.max() / scales.min() > 1.15
    assert history.window_count.min() > 80


def test_a_ripple_is_followed() -> None:
    """A tenth peak to peak makes 2.5 % of third harmonic if it is not."""
    found, _ = run(prepared(), "bus-ripple")
    plain, _ = run(prepared(), "noise")
    assert np.nanmax(found.wave.thd - plain.wave.thd) < 0.002


def test_a_spec_without_the_sensor_has_no_such_case() -> None:
    text = TEXT[: TEXT.index("[bus_sensor]")] + TEXT[TEXT.index("[filter]") :]
    spec = parse_spec(text.replace("settling_ms = 80", "settling_ms = 200"), "x.toml")
    done = design_integers(spec, "x.toml")
    ready = prepare(done.design, done.quantised, generate(spec, "x.toml").texts)
    assert not {"bus-lost", "motor-start", "bus-ripple"} & set(cases(ready.setting))
