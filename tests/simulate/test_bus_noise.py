"""Noise of the bus readings on virtual boards whose filter rings, against what is stated."""

from __future__ import annotations

from dataclasses import replace

from halfcycle.generate.pipeline import design_integers, generate
from halfcycle.simulate.boards import draw
from halfcycle.simulate.cases import cases
from halfcycle.simulate.setup import board, timing
from halfcycle.simulate.simulate import compiled, prepare
from halfcycle.spec.load import parse_spec
from support import measured

PHASES = 16
WORST = {"inductance_h": 1.125e-3, "capacitance_f": 7.2e-6}
"""The ends at which the spec's filter rings next to the loop's rate less the mains frequency."""


def test_noise_of_the_bus_was_stated_without_the_filters_ringing() -> None:
    """Bug: 0.6 V were stated, three standard deviations, of a unit that showed 2.1 V."""
    text = measured.SPEC.read_text(encoding="utf-8")
    noisy = text.replace("noise_codes_rms = 1\nperiod", "noise_codes_rms = 30\nperiod")
    assert noisy != text
    spec = parse_spec(noisy, "x.toml")
    integers = design_integers(spec)
    prepared = prepare(integers.design, integers.quantised, generate(spec).texts)
    case = replace(cases(prepared.setting)["noise"], end_s=6.0, events=())
    (drawn,) = draw(spec, range(1), 1, prepared.setting.inside)
    drawn = replace(drawn, filter=replace(drawn.filter, **WORST), power_factor=1.0)
    drawn = replace(drawn, bus_v=360.0, bus_gain=1.0, gain=1.0, load=0.02, late=0.0)
    boards = [
        board(prepared.setting, case, replace(drawn, number=n, phase=n / PHASES, noise_key=n))
        for n in range(PHASES)
    ]
    history = compiled(prepared.name, prepared.texts).run(timing(prepared.setting, case), boards)
    windows = history.window_rms[:, 40 : history.window_count.min() - 1]
    stated = integers.design.chosen.noise_v
    # Of the worst phase; that board's own ringing is within 2 % of the worst filter's.
    assert 0.8 * stated < 3 * windows.std(axis=1).max() < 1.15 * stated
