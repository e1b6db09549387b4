"""The derivations: each result of the design from its formula, with this design's numbers."""

from __future__ import annotations

from collections.abc import Iterator

from halfcycle.generate.pipeline import IntegerDesign
from halfcycle.report import derive_limits, derive_loop, derive_measuring
from halfcycle.report.overload_section import limit
from halfcycle.report.parts import Derivation


def derivation_list(made: IntegerDesign) -> tuple[Derivation, ...]:
    """All derivations, in the order of the design."""
    return tuple(_all(made))


def _all(made: IntegerDesign) -> Iterator[Derivation]:
    yield derive_measuring.window(made)
    yield derive_measuring.reading(made)
    yield derive_measuring.plant(made)
    yield derive_loop.controller(made)
    yield derive_loop.stability(made)
    if made.design.chosen.faults.alternation_v > 0:
        yield derive_loop.offset(made)
    yield derive_limits.dead_band(made)
    yield derive_limits.limit_cycle(made)
    if limit(made.design) > 1:
        yield derive_limits.clipped(made)
