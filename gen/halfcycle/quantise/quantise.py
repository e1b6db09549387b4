"""The quantiser: the Plan of a Design whose integer loop comes to rest.

The reading's resolution is the one free choice. It starts just coarser than the output's steps and
is coarsened until the integer loop, run at every corner, stands still: rounding to ADC codes can
make the finest reading skip the very count that is asked for. A loop of blocks seldom stands quite
still, and is quiet enough below a share of the tolerance.
"""

from __future__ import annotations

import math
from dataclasses import replace

from halfcycle.base.errors import InputError
from halfcycle.design.types import Design
from halfcycle.quantise.fixed_point import fixed_point
from halfcycle.quantise.healthy_start import start_findings
from halfcycle.quantise.limit_cycle import run_sine, run_to_rest
from halfcycle.quantise.quantised import Quantised
from halfcycle.quantise.rest_findings import rest_findings
from halfcycle.quantise.rest_runs import Run
from halfcycle.spec.models import Spec

MAX_COARSER = 3
SHARE = 0.25
"""A coarser reading is tried only while its dead band stays within this share of the tolerance."""
QUIET = 1 / 16
"""Share of the tolerance below which movement is no reason for a coarser reading if a window of
blocks has it: its readings come from all over the sine, so that their roundings never stop."""


def quantise(design: Design) -> Quantised:
    """The finest Plan whose integer loop rests, or the one that moves least where none does.

    Findings of level "error" mean that it must not ship. Raises InputError where given gains are
    too large for any format. An unstable loop (of given gains) is quantised but not run.
    """
    if not design.loop.stable:  # the design's own findings say so
        return fixed_point(design)
    numbers, sine = _finest_at_rest(design)
    rest = run_to_rest(design, numbers, sine)

    def moved(spec: Spec) -> float:
        other = replace(design, spec=spec)
        try:
            return run_to_rest(other, *_finest_at_rest(other)).hunting_v
        except InputError:  # Its sums fit no format.
            return math.inf

    findings = [*numbers.findings, *rest_findings(design, rest, moved)]
    findings += start_findings(design, numbers.plan)
    return replace(numbers, rest=rest, findings=tuple(findings))


def _finest_at_rest(design: Design) -> tuple[Quantised, Run]:
    """The Plan that moves least, of the finest readings, and its run on the sine."""
    candidates: list[tuple[Quantised, Run]] = []
    for coarser in range(MAX_COARSER + 1):
        candidate = fixed_point(design, coarser)
        coarse = candidate.dead_band_v > SHARE * design.chosen.tolerance_v
        if candidates and (coarse or candidate.steady_error_v > design.chosen.tolerance_v):
            break
        run = run_sine(design, candidate)
        candidates.append((candidate, run))
        quiet_v = QUIET * design.chosen.tolerance_v if candidate.plan.blocks > 1 else 0.0
        if run.moved_v.max() <= quiet_v:
            break
    return min(candidates, key=lambda candidate: float(candidate[1].moved_v.max()))
