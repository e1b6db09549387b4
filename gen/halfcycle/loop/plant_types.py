"""The plants that the loop sees, once per window, as values: corners, gains and weights.

``y[k] = g sum_i h_i u[k - i]``: y is the reading in units of rated, u the amplitude scale.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from halfcycle.loop.drive import effective_scale
from halfcycle.loop.envelope import Measure
from halfcycle.loop.filter_model import Real
from halfcycle.loop.normalised import Normalised, StepLaw
from halfcycle.loop.step_response import ScaleCurve


@dataclass(frozen=True, slots=True)
class Corner:
    """One corner. ``sensor`` is the sensor's gain over nominal; ``phase_deg`` the phase of the
    bridge's sine when the scale changes; ``drive`` is the scale at which the gain is a slope (0:
    the gain holds from zero up to where the sine clips). ``load`` describes the load, of which
    ``load_share`` is the share of rated VA and ``power_factor`` the power factor. ``inside``: the
    filter lies inside its tolerances, not at their ends. ``late``: its updates end as late as the
    spec allows, not at once."""

    label: str
    bus_v: float
    inductance_h: float
    capacitance_f: float
    load: str
    sensor: float
    phase_deg: float
    drive: float = 0.0
    load_share: float = 0.0
    power_factor: float = 1.0
    inside: bool = False
    late: bool = False


@dataclass(frozen=True, slots=True)
class Plants:
    """All C corners. ``gains`` (C,): rated per unit of scale. ``weights`` (C, n), sums of 1.
    ``tail`` (C,): bound on the weight folded into the last one. ``scale_for_rated`` (C,):
    steady scale that gives rated, clipping included; ``inf`` if no scale does. ``step_gains``
    (C,): gain from zero scale up, which is ``gains`` but where that is a slope at rated; ``sag``
    (C,): share of the bus lost at full scale. ``law``: the normalised one; None: the plain one."""

    corners: tuple[Corner, ...]
    gains: Real
    weights: Real
    tail: Real
    scale_for_rated: Real
    step_gains: Real
    sag: Real
    measure: Measure
    law: Normalised | None = None

    @property
    def loop_gains(self) -> Real:
        """What the loop's constants are multiplied by (C,), for small changes about rated: the
        gains; with the normalised law the elasticity of the reading, 1 up to where it clips."""
        if self.law is None:
            return self.gains
        clipped = np.array([corner.drive > 0 for corner in self.corners])
        rest = np.where(np.isfinite(self.scale_for_rated), self.scale_for_rated, 0.0)
        return np.where(clipped, self.gains * rest, 1.0)

    @property
    def taps(self) -> Real:
        """Gain times weights (C, n), for small changes about rated, as the loop has them."""
        return np.asarray(self.loop_gains[:, None] * self.weights, dtype=np.float64)

    def step_law(self, rows: NDArray[np.intp] | None = None) -> StepLaw | None:
        """The law with the scales at rest of the given corners (all of them by default); None if it
        is the plain one."""
        rows = np.arange(len(self.gains)) if rows is None else rows
        return StepLaw(self.law, self.scale_for_rated[rows]) if self.law else None

    @property
    def step_taps(self) -> Real:
        """Taps (C, n) for a step from zero, on scales that went through
        :meth:`scale_curve`."""
        return np.asarray(self.step_gains[:, None] * self.weights, dtype=np.float64)

    def scale_curve(self, rows: NDArray[np.intp] | None = None) -> ScaleCurve | None:
        """Map from a scale to what clipping and a sagging bus leave of it, for the given corners
        (all of them by default); None if there is neither on the way to rated."""
        rows = np.arange(len(self.gains)) if rows is None else rows
        return scale_curve(self.scale_for_rated[rows], self.sag[rows], self.measure)

    def reach_rated(self, limit: float) -> bool:
        """Whether rated voltage can be had at every corner with a scale of ``limit``."""
        return float(self.scale_for_rated[self.hardest]) <= limit

    @property
    def strongest(self) -> int:
        """Index of the corner with the greatest gain."""
        return int(np.argmax(self.gains))

    @property
    def weakest(self) -> int:
        """Index of the corner with the least gain."""
        return int(np.argmin(self.gains))

    @property
    def hardest(self) -> int:
        """Index of the corner that needs the greatest scale for rated."""
        return int(np.argmax(self.scale_for_rated))

    def delayed(self, share: float) -> Plants:
        """The same plants if a new scale takes effect ``share`` of a window late (0 and up):
        each window then holds that share of the scale before."""
        whole, part = divmod(share, 1.0)
        weights = np.pad(self.weights, ((0, 0), (int(whole), 1)))
        later = np.pad(self.weights, ((0, 0), (int(whole) + 1, 0)))
        return replace(self, weights=(1.0 - part) * weights + part * later)

    def with_late(self, share: float) -> Plants:
        """These corners, and each of them again with every update ``share`` of a window late."""
        later = self.delayed(share)
        corners = (
            replace(corner, label=f"{corner.label}, update late", late=True)
            for corner in self.corners
        )
        return self.joined(replace(later, corners=tuple(corners)))

    @property
    def at_once(self) -> Plants:
        """The corners whose updates end at once."""
        rows = np.array([not corner.late for corner in self.corners])
        if rows.all():
            return self
        return replace(
            self,
            corners=tuple(corner for corner in self.corners if not corner.late),
            gains=self.gains[rows],
            weights=self.weights[rows],
            tail=self.tail[rows],
            scale_for_rated=self.scale_for_rated[rows],
            step_gains=self.step_gains[rows],
            sag=self.sag[rows],
        )

    def joined(self, more: Plants) -> Plants:
        """These corners, then those of ``more`` (same measure)."""
        longest = max(self.weights.shape[1], more.weights.shape[1])

        def padded(weights: Real) -> Real:
            return np.pad(weights, ((0, 0), (0, longest - weights.shape[1])))

        return Plants(
            corners=self.corners + more.corners,
            gains=np.concatenate([self.gains, more.gains]),
            weights=np.concatenate([padded(self.weights), padded(more.weights)]),
            tail=np.concatenate([self.tail, more.tail]),
            scale_for_rated=np.concatenate([self.scale_for_rated, more.scale_for_rated]),
            step_gains=np.concatenate([self.step_gains, more.step_gains]),
            sag=np.concatenate([self.sag, more.sag]),
            measure=self.measure,
            law=self.law,
        )


def scale_curve(scale_for_rated: Real, sag: Real, measure: Measure) -> ScaleCurve | None:
    """Map from scales (..., C) to what clipping and a sagging bus leave of them; None if no plant
    clips or sags on its way to rated. ``scale_for_rated`` and ``sag`` (C,) as in
    :class:`Plants`."""
    curved = np.nonzero((scale_for_rated > 1.0) | (sag > 0.0))[0]
    if not len(curved):
        return None
    sag = sag[curved]

    def left_of(scale: Real) -> Real:
        left = scale.copy()
        left[..., curved] = effective_scale(scale[..., curved], sag, measure)
        return left

    return left_of
