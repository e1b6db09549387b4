"""Whether an RMS reading stays true while the sine clips depends on where the samples fall."""

from __future__ import annotations

import math

import numpy as np
import pytest

from halfcycle.base import clipped_sine
from halfcycle.design.harmonics import TRUE, clipped_rms_error
from halfcycle.generate.pipeline import design_integers
from halfcycle.report import overload_section, window_section
from halfcycle.spec.load import load_spec
from support.paths import example


@pytest.mark.parametrize(("name", "true"), [("marsh_gauge", True), ("ridge_relay", False)])
def test_an_rms_reading_was_said_to_stay_true_where_the_sampling_folds(
    name: str, true: bool
) -> None:
    made = design_integers(load_spec(example(name)))
    design = made.design
    limit = float(design.spec.bridge.scale_max)
    (told,) = (entry.text for entry in made.findings if entry.code == "clipped-rms")
    off = clipped_rms_error(design.window, limit)
    assert ("stays true" in told) is true is (off <= TRUE)
    caption = overload_section.reporting_figure(design).caption
    assert ("stays true" in caption) is true
    if not true:
        assert f"off by up to {100 * off:.2g} %" in told
    assert ("holds for any shape of wave." in window_section.shape_note(design)) is (
        name == "marsh_gauge"
    )


def test_the_error_is_that_of_the_worst_phase() -> None:
    """Against weighted samples of the clipped sine at phases of a finer grid, in a loop."""
    window = design_integers(load_spec(example("ridge_relay"))).design.window
    weights = [w for w in window.block_weights[::-1] for _ in range(window.block_samples)]
    turn = math.pi * float(window.half_cycles_per_sample)
    worst = 0.0
    for phase in np.linspace(0, math.pi, 1111):
        square = sum(
            weight * max(-1.0, min(1.0, 1.1 * math.sin(turn * k + phase))) ** 2
            for k, weight in enumerate(weights)
        )
        worst = max(worst, abs(math.sqrt(square / sum(weights)) / clipped_sine.rms(1.1) - 1))
    assert clipped_rms_error(window, 1.1) == pytest.approx(worst, rel=2e-3)
