"""The board with the least phase margin of a moving window, against the margins of each board."""

from __future__ import annotations

import pytest

from halfcycle.generate.pipeline import design_integers
from halfcycle.loop.corner_filters import corner_filters, resonance_line, ringing_loads
from halfcycle.loop.corner_plants import board_label
from halfcycle.loop.periodic_margins import board_gains, periodic_margins
from halfcycle.loop.plant import window_timing
from halfcycle.report.figure_rows import loop_rows
from halfcycle.report.loop_section import corners
from halfcycle.spec.load import load_spec
from support.paths import EXAMPLES


@pytest.mark.parametrize("name", ["ridge_relay", "loom_bench"])
def test_the_phase_margin_of_a_moving_window_names_its_corner(name: str) -> None:
    """It was the only margin without one."""
    spec = load_spec(EXAMPLES / f"{name}.toml")
    integer_design = design_integers(spec)
    design = integer_design.design
    told = design.loop.worst["phase_margin_deg"]
    rows = {row.name: row for row in loop_rows(spec, design.loop, corners(integer_design))}
    assert rows["phase margin"].where == corners(integer_design).letters[told]

    # The margin of that board alone, by its circuit and its end of the gain.
    timing = window_timing(spec, design.window)
    circuits = [
        *corner_filters(spec),
        *(each for load in ringing_loads(spec) for each in resonance_line(spec, load, timing)),
    ]
    gain = float(spec.sensor.gain_tolerance_percent) / 100
    ends = ((float(spec.bridge.bus_min_v), 1 - gain), (float(spec.bridge.bus_max_v), 1 + gain))
    boards = {
        board_label(spec, circuit, *ends[end]): (circuit, end)
        for circuit in circuits
        for end in (0, 1)
    }
    circuit, end = boards[told]
    both = board_gains(spec, [circuit])
    margins = [
        float(
            periodic_margins(
                spec, design.window, [circuit], design.kp, design.ki, gains=both[:, [at, at]]
            ).phase_margin_deg[0]
        )
        for at in (0, 1)
    ]
    assert margins[end] == min(margins)
    assert margins[end] == pytest.approx(design.loop.phase_margin_deg, abs=0.02)
