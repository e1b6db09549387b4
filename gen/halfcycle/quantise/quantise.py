"""The quantiser: the Plan of a Design whose integer loop comes to rest.

The reading's resolution is the one free choice. It starts just coarser than the output's steps and
is coarsened until the integer loop, run at every corner, stands still: rounding to ADC codes can
make the finest reading skip the very count that is asked for.
"""

from __future__ import annotations

from dataclasses import replace

from halfcycle.design.types import Design
from halfcycle.quantise.fixed_point import Quantised, Rest, fixed_point
from halfcycle.quantise.limit_cycle import rest_findings, run_to_rest

MOST_COARSER = 3
SHARE = 0.25
"""A coarser reading is tried only while its dead band stays within this share of the tolerance."""


def quantise(design: Design) -> Quantised:
    """The finest Plan whose integer loop rests, or the one that moves least where none does.

    Findings of level "error" mean that it must not ship. Raises InputError where given gains are
    too large for any format. An unstable loop (of given gains) is quantised but not run.
    """
    if not design.loop.stable:  # the design's own findings say so
        return fixed_point(design)
    tried: list[tuple[Quantised, Rest]] = []
    for coarser in range(MOST_COARSER + 1):
        numbers = fixed_point(design, coarser)
        if tried and numbers.dead_band_v > SHARE * design.chosen.tolerance_v:
            break
        tried.append((numbers, run_to_rest(design, numbers)))
        if tried[-1][1].hunting_v == 0:
            break
    numbers, rest = min(tried, key=lambda pair: pair[1].hunting_v)
    findings = numbers.findings + tuple(rest_findings(design, rest))
    return replace(numbers, rest=rest, findings=findings)
