"""The steady error with the sensor's zero and gain, beside what boards do."""

from __future__ import annotations

import json
import re

import numpy as np
from click.testing import CliRunner

from halfcycle.cli import cli
from halfcycle.design.error_parts import with_sensor
from halfcycle.generate.pipeline import design_integers
from halfcycle.simulate.boards import draw
from halfcycle.simulate.cases import cases
from halfcycle.simulate.measurements import measure
from halfcycle.simulate.setup import board, timing
from halfcycle.simulate.simulate import compiled, prepare
from support.paths import EXAMPLES
from support.spec_text import changed_spec

SPEC = EXAMPLES / "moor_signal.toml"
"""A mean over an odd window, with a zero that moves it."""


def test_no_board_is_off_by_more_than_the_total_with_the_sensor() -> None:
    """The sensor's zero and gain were in no total: a reader had to add them up."""
    integer_design = design_integers(changed_spec("moor_signal"))
    design, quantised = integer_design.design, integer_design.quantised
    ready = prepare(design, quantised, integer_design.texts())
    setting, case = ready.setting, cases(ready.setting)["target-step"]
    draws = draw(setting.spec, range(48), seed=1, inside=setting.inside)
    boards = [board(setting, case, drawn) for drawn in draws]
    history = compiled(ready.name, ready.texts).run(timing(setting, case), boards)
    steady = measure(setting, case, draws, boards, history).steady
    off_v = np.abs(steady.true_v - setting.rated_v)
    whole = with_sensor(design.spec, design.chosen, quantised.steady_error_v)
    # Boards at the ends of the sensor's tolerances come near it, and the regulator's own error
    # alone is far from what they do.
    assert quantised.steady_error_v < 0.6 * off_v.max() < 0.6 * whole.total_v
    assert off_v.max() > 0.7 * whole.total_v


def test_the_command_says_the_total_with_the_sensor() -> None:
    runner = CliRunner()
    document = json.loads(runner.invoke(cli, ["design", str(SPEC), "--json"]).output)
    total_v = document["steady_error_with_sensor_v"]
    assert total_v > document["steady_error_v"]
    text = runner.invoke(cli, ["design", str(SPEC)]).output
    assert re.search(rf"with the sensor +±{total_v:.3g} V RMS, ", text)
