"""The generated C in the compiled circuit, noise apart: what boards do at rest."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from halfcycle.generate import emit
from halfcycle.generate.pipeline import design_integers
from halfcycle.quantise.quantised import Rest
from halfcycle.regulator.plan import FLAG_LIMIT
from halfcycle.simulate.boards import draw
from halfcycle.simulate.case import Case
from halfcycle.simulate.loads import drawn_load
from halfcycle.simulate.setup import board, timing
from halfcycle.simulate.simulate import compiled, prepare
from halfcycle.spec.load import parse_spec

TAIL = 24
"""Windows at the end of a run by which it is judged."""


@dataclass(frozen=True, slots=True)
class AtRest:
    """Peak-to-peak movement over boards: of the true output, volts RMS, and of the scale, steps;
    beside what the design says of it."""

    output_v: float
    steps: int
    moving: int
    claimed: Rest


def at_rest(text: str, boards: int, seed: int = 1) -> AtRest:
    """Run ``boards`` of a spec's boards without noise, with their own zeros, for three settling
    times and a few windows; those at the drive limit are left out."""
    made = design_integers(parse_spec(text, "x"), "x")
    assert made.quantised.rest is not None
    prepared = prepare(made.design, made.quantised, emit.render(made.design, made.quantised))
    setting = prepared.setting
    targets = setting.spec.targets
    settling_ms = max(float(targets.settling_ms), made.design.loop.settling_ms or 0.0)
    span_s = (settling_ms + float(targets.ramp_ms)) / 1000
    case = Case("rest", "", drawn_load, 0.0, 0.0, 3 * span_s + 40 * setting.window_s, ())
    quiet = [
        replace(board(setting, case, place), noise_codes=0.0)
        for place in draw(setting.spec, range(boards), seed)
    ]
    history = compiled(prepared.name, prepared.texts).run(timing(setting, case), quiet)
    end = int(history.window_count.min())
    last = slice(end - TAIL, end)
    inside = ~((history.window_flags[:, last] & FLAG_LIMIT) != 0).any(axis=1)
    steps = np.ptp(history.window_scale[inside, last], axis=1)
    return AtRest(
        output_v=float(np.ptp(history.window_rms[inside, last], axis=1).max()),
        steps=int(steps.max()),
        moving=int((steps > 0).sum()),
        claimed=made.quantised.rest,
    )
