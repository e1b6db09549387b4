"""The windows that are worth a try, by their kind, from the cheapest kind to the dearest.

A plain window takes one addition a sample and one step of the regulator a window; a moving one
keeps the sums of its blocks and steps more often; a shaped one multiplies them by weights too.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from fractions import Fraction
from functools import cached_property
from itertools import groupby
from typing import get_args

from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.base.errors import RefusedError
from halfcycle.spec.models import Spec
from halfcycle.windows.candidates import allowed_windows, moving_candidates
from halfcycle.windows.output_ripple import per_action, reading_ripple, zero_offset
from halfcycle.windows.search import Window, WindowKind
from halfcycle.windows.zeros import zeros_of

KINDS: tuple[WindowKind, ...] = get_args(WindowKind)
"""From the cheapest to the dearest."""

MAX_PLAIN = 12
"""Plain windows tried before giving up; each longer one settles more slowly."""
MAX_LENGTHS = {"moving flat": 2, "shaped": 1, "moving shaped": 2}
"""Lengths tried of the other kinds, the shortest ones; and the shortest with a zero at f, if none
of these has one: an error of the sensor's zero may be all that is wrong with them."""
UPDATES_ENOUGH = 8
"""Updates per half cycle beyond which a loop is no faster: what is left of the wait is a
sixteenth of a half cycle."""
LEAST_ACTION = 0.75
"""A loop that settles in time has at least this share of the constant that a pure integrator needs
for the time that window, half cycle and lateness leave; with any proportional one, half of it acts
on a reading's ripple at f, times the cotangent of half its angle per update."""

Row = tuple[Window, ...]
"""Windows of one length and the same weights but for their blocks, from the fewest updates on."""


class Candidates:
    """The windows that a spec allows; ``file`` is how messages name it.

    Raises RefusedError if there is none at all, and InputError if a key asks for what cannot be.
    """

    def __init__(self, spec: Spec, file: str) -> None:
        self.spec, self.file = spec, file
        loop = spec.loop
        self._plain: tuple[Window, ...] = ()
        usual = (loop.weighting, loop.updates_per_window, loop.samples) == ("auto",) * 3
        if usual:
            # Dear candidates are not made before they are needed.
            try:
                self._plain = allowed_windows(spec, file)
            except RefusedError:
                usual = False
        if not usual:
            self._plain = self._of_kind("plain")
        self.kinds = _allowed_kinds(spec)

    def _of_kind(self, kind: WindowKind) -> tuple[Window, ...]:
        return tuple(window for window in self._all if window.kind == kind)

    @cached_property
    def _all(self) -> tuple[Window, ...]:
        return moving_candidates(self.spec, self.file)

    def worth_trying(self, kind: WindowKind) -> tuple[Row, ...]:
        """Rows of windows of one kind, the shortest first; none longer than the settling time, as
        the loop must see a window before it rests."""
        windows = self._plain if kind == "plain" else self._of_kind(kind)
        limit_ms = self.spec.settling_limit_ms
        rows = [_enough_updates(row) for _, row in groupby(windows, key=_same_row)]
        if limit_ms is not None:
            rows = [
                row
                for at, row in enumerate(rows)
                if (kind == "plain" and at == 0) or row[0].duration_s * 1000 <= limit_ms
            ]
        rows = [row for row in rows if not self._surely_dc(row[-1])]
        if kind == "plain":
            most = MAX_PLAIN if limit_ms is not None or self.spec.gains is not None else 2
            return tuple(rows[:most])
        shortest = rows[: MAX_LENGTHS[kind]]
        steady = next(filter(has_zero_at_f, rows), None)
        if steady is not None and not any(map(has_zero_at_f, shortest)):
            shortest.append(steady)
        return tuple(shortest)

    def likeliest(self, kind: WindowKind) -> Window:
        """The one of a kind that has windows worth a try that may well do: the shortest that a
        wrong zero does not move, or the shortest of all, with the most updates."""
        rows = self.worth_trying(kind)
        return next(filter(has_zero_at_f, rows), rows[0])[-1]

    def _surely_dc(self, window: Window) -> bool:
        """Whether a window of blocks makes more DC than is allowed by the zero's error, with
        about any constants that settle in time. The fastest is taken to settle in three windows
        and a cycle."""
        if window.blocks == 1 or self.spec.gains is not None:
            return False
        limit_ms = self.spec.settling_limit_ms
        time_s = 3 * window.duration_s + 1 / window.frequency_hz
        if limit_ms is not None:
            time_s = limit_ms / 1000
        half_cycle_s = 1 / (2 * window.frequency_hz)
        time_s -= window.duration_s + half_cycle_s + self.spec.update_within_s
        time_s = max(time_s, window.update_s)
        angle = 2 * math.pi * float(window.frequency_hz * window.update_s % 1)
        ki = LEAST_ACTION * (1 - SETTLING_BAND ** float(window.update_s / time_s))
        offset = zero_offset(self.spec, window)
        ripple = reading_ripple(window, self.spec.loop.measure, offset, Fraction(0))
        per_gain = abs(ki / 2 / math.tan(angle / 2)) if angle else 0.0
        percent = 100 * per_action(window, 1, 0) * ripple.at_f * per_gain
        return percent > float(self.spec.output.dc_percent)


def has_zero_at_f(row: Sequence[Window]) -> bool:
    """Whether an error of the sensor's zero does not ripple the reading of these windows."""
    return zeros_of(row[0]).f


def _enough_updates(windows: Iterable[Window]) -> Row:
    """One row, from the fewest updates on, up to those beyond which more gain nothing."""
    row = sorted(windows, key=lambda window: window.updates)
    enough = [at for at, window in enumerate(row) if window.update_s <= _enough_s(window)]
    return tuple(row[: enough[0] + 1]) if enough else tuple(row)


def _enough_s(window: Window) -> Fraction:
    return 1 / (2 * window.frequency_hz * UPDATES_ENOUGH)


def _same_row(window: Window) -> tuple[int, tuple[int, ...]]:
    return window.samples, window.block_weights if window.shaped else ()


def _allowed_kinds(spec: Spec) -> tuple[WindowKind, ...]:
    """The kinds that weighting and updates per window leave, the cheapest first."""
    weighting, updates = spec.loop.weighting, spec.loop.updates_per_window
    if spec.loop.law == "normalised":
        return ("plain",)

    def allowed(kind: WindowKind) -> bool:
        shaped, moving = kind.endswith("shaped"), kind.startswith("moving")
        if weighting != "auto" and shaped != (weighting == "shaped"):
            return False
        return updates == "auto" or moving == (updates > 1)

    return tuple(kind for kind in KINDS if allowed(kind))
