"""The share of a change that a weighted window with one update shows, at each phase of the sine.

Such a window begins with each update, so a change has all of it; but what the change needs to pass
the filter, and the time by which an update is late, are lost from the blocks at the window's
beginning. Those weigh more or less than others, and the sine there is near a crest or a crossing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.loop.periodic import PeriodicLoop, periodic_loop
from halfcycle.loop.periodic_margins import judged_lateness

if TYPE_CHECKING:
    from halfcycle.bench.capture_types import Floats
    from halfcycle.loop.filter_model import FilterCircuit
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

ANSWER_UPDATES = 24
"""Updates after which a filter has answered to a step, but for a ringing that readings average."""


def shares_by_phase(
    spec: Spec, window: Window, circuits: Sequence[FilterCircuit]
) -> tuple[float, float]:
    """The least and the greatest share of a change in the first update's time, over the circuits,
    the phases at which it may come, and an update at once or as late as the spec allows."""
    lates = judged_lateness(spec, window)
    every = [_shares(periodic_loop(spec, window, circuits, late)) for late in lates]
    return min(float(each.min()) for each in every), max(float(each.max()) for each in every)


def _shares(loop: PeriodicLoop) -> Floats:
    """Of each circuit and phase: 1 less the mean delay of a step of the scale, in updates."""
    step, reading = loop.open_steps()
    updates, order = loop.grid.updates, loop.response.order
    turn = np.ones(loop.size)
    turn[:order] = -1.0 if loop.grid.turned else 1.0
    state = np.zeros((*step.shape[:3], loop.size))
    # The scale that is computed at the first update, and held from then on.
    state[..., loop.integral : loop.integral + 2] = 1.0
    shown = []
    for count in range(ANSWER_UPDATES + updates):
        at = (np.arange(updates) + count) % updates
        shown.append(np.einsum("coqs,coqs->coq", reading[:, :, at], state))
        state = np.einsum("coqst,coqt->coqs", step[:, :, at], state)
        state = np.where((at == updates - 1)[:, None], state * turn, state)
    answer = np.stack(shown, axis=-1)
    rest = answer[..., ANSWER_UPDATES:].mean(axis=-1, keepdims=True)
    return np.asarray(1.0 - (1.0 - answer[..., :ANSWER_UPDATES] / rest).sum(axis=-1))
