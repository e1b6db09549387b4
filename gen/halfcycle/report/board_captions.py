"""What the captions of the virtual boards say of a case: its rules, its zero, a lost sensor."""

from __future__ import annotations

import math

import numpy as np

from halfcycle.base.text import counted
from halfcycle.report.board_runs import CaseRun
from halfcycle.report.parts import decimal

JUDGED = {
    "settling": "settling",
    "overshoot": "overshoot",
    "steady": "steady error",
    "dc": "DC",
    "limits": "limit curves",
    "brownout": "brownout flagged",
    "noticed": "fault flagged in time, and afterwards no more drive than before it",
    "bounded": "bounded drive until then",
    "held": "output left",
    "latched": "no drive until reset",
}
"""The rules of ``halfcycle.simulate.criteria`` in words."""
FAR = 115.0
"""Percent of rated above which the drawing of a lost sensor says what becomes of the output."""


def judged(run: CaseRun, rule: str) -> str:
    """A rule of a case in words."""
    words = JUDGED.get(rule, rule)
    if rule != "held":
        return words
    most = 100 * run.case.held_most
    if not math.isfinite(most):
        return f"{words} (any, as the held drive may reach its limit)"
    given = "rated" if most <= 100 else f"{decimal(most)} % of rated, the most of a held drive here"
    return f"{words} (no more than at the fault, or than {given})"


def before_zero(run: CaseRun) -> str:
    """Of a case that begins before its zero: from where its figures count."""
    case = run.case
    if case.zero_s <= case.first_s:
        return ""
    earlier = (run.edges[1:] <= 0) & ~np.isnan(run.low)
    span = f"{decimal(run.low[earlier].min())} to {decimal(run.high[earlier].max())} %"
    return (
        f" Zero is {case.zero_is}: figures count from there, not what is drawn before it ({span})."
    )


def lost_sensor(run: CaseRun, most: float) -> str:
    """What becomes of an output that a lost sensor lets rise far."""
    if most <= FAR or "noticed" not in run.case.rules:
        return ""
    end = decimal(float(run.high[~np.isnan(run.high)][-1]))
    stays = run.tally.high_at_end
    if stays:
        on = counted(stays, "board") if run.tally.boards > 1 else "it"
        told = (
            "The drive is held from when the fault is seen, and corrects nothing any more: on "
            f"{on} the output stays above 120 % to the end of the run, at up to {end} %, so the "
            "longest time above 120 % is that of the run, not of the event."
        )
    else:
        told = (
            "The output rises until the firmware sees that its only sensor is out of order; at the "
            f"end of the run it is at {end} % or less."
        )
    return f" {told} Over-voltage protection in hardware has to act."
