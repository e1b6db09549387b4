"""The derivations: each result of the design from its formula, with this design's numbers."""

from __future__ import annotations

from collections.abc import Iterator

from halfcycle.made import Made
from halfcycle.report import math_limits, math_loop, math_measuring
from halfcycle.report.contents import Derivation
from halfcycle.report.drive_section import limit


def derivation_list(made: Made) -> tuple[Derivation, ...]:
    """All derivations, in the order of the design."""
    return tuple(_all(made))


def _all(made: Made) -> Iterator[Derivation]:
    yield math_measuring.window(made)
    yield math_measuring.reading(made)
    yield math_measuring.plant(made)
    yield math_loop.controller(made)
    yield math_loop.stability(made)
    if made.design.chosen.faults.alternation_v > 0:
        yield math_loop.offset(made)
    yield math_limits.dead_band(made)
    yield math_limits.limit_cycle(made)
    if limit(made.design) > 1:
        yield math_limits.clipped(made)
