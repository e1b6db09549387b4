"""A letter for each corner that has the worst of some figure, in one order for all who show it."""

from __future__ import annotations

from halfcycle.base.text import letters
from halfcycle.generate.pipeline import IntegerDesign

SHOWN_FIRST = (
    "settling_ms",
    "overshoot_percent",
    "gain_margin_db",
    "phase_margin_deg",
    "peak_sensitivity",
)
"""Figures of the loop in the order in which a reader meets them."""


def worst_corners(integer_design: IntegerDesign) -> dict[str, str]:
    """Corner, as figures name it, to its letter: of the loop's figures, of the movement at rest, of
    the greatest drive, of the figures that are seldom shown."""
    design, rest = integer_design.design, integer_design.quantised.rest
    worst, plants = design.loop.worst, design.plants
    later = [key for key in worst if key not in SHOWN_FIRST]
    return letters(
        [
            *(worst[key] for key in SHOWN_FIRST if key in worst),
            *([rest.corner] if rest is not None and rest.hunting_v else []),
            plants.corners[plants.hardest].label,
            *(worst[key] for key in sorted(later)),
        ]
    )
