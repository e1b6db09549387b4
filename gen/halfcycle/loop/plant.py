"""The plant as the loop sees it, once a window, at every corner of the spec's tolerances.

``y[k] = g sum_i h_i u[k - i]``: y is the reading in units of rated, u the amplitude scale. The gain
is ``g = Vbus/sqrt(2) |H(jw)| sensor/rated`` and the weights come from ``halfcycle.loop.envelope``.
A corner takes each of bus, inductor, capacitor, load and sensor gain at an end of its range, and
the sine's phase at the window's start at the two values that make the first weight least and
greatest. ``corner_filters`` adds filters inside the tolerances that are worse than those
at their ends.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from halfcycle.base.errors import Fault, InputError
from halfcycle.loop.corner_filters import corner_filters
from halfcycle.loop.drive import needed_scale, worth
from halfcycle.loop.envelope import Measure, Timing, Weights, worst_weights
from halfcycle.loop.filter_model import Circuit, Modes, Real, modes

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec
    from halfcycle.windows.search import Window

_LOCAL = 0.98
"""A corner is added for its slope at rated where that is below this share of the gain."""
_RINGS_ON = 0.02
"""Greatest share of a step that may still be ringing after the longest weights."""


@dataclass(frozen=True, slots=True)
class Corner:
    """One corner. ``sensor`` is the sensor's gain over nominal; ``phase_deg`` the phase of the
    bridge's sine when the scale changes; ``drive`` is the scale at which the gain is a slope (0:
    the gain holds from zero up to where the sine clips)."""

    label: str
    bus_v: float
    inductance_h: float
    capacitance_f: float
    load: str
    sensor: float
    phase_deg: float
    drive: float = 0.0


@dataclass(frozen=True, slots=True)
class Plants:
    """All C corners. ``gains`` (C,): rated per unit of scale. ``weights`` (C, n), sums of 1.
    ``tail`` (C,): bound on the weight folded into the last one. ``scale_for_rated`` (C,):
    steady scale that gives rated, clipping included; ``inf`` where no scale does. ``step_gains``
    (C,): gain from zero scale up, which is ``gains`` but where that is a slope at rated; ``sag``
    (C,): share of the bus lost at full scale."""

    corners: tuple[Corner, ...]
    gains: Real
    weights: Real
    tail: Real
    scale_for_rated: Real
    step_gains: Real
    sag: Real
    measure: Measure

    @property
    def taps(self) -> Real:
        """Gain times weights (C, n), for small changes about rated."""
        return np.asarray(self.gains[:, None] * self.weights, dtype=np.float64)

    @property
    def step_taps(self) -> Real:
        """Taps (C, n) for a step from zero, on scales that went through :meth:`bend`."""
        return np.asarray(self.step_gains[:, None] * self.weights, dtype=np.float64)

    def bend(self, rows: NDArray[np.intp] | None = None) -> Callable[[Real], Real] | None:
        """What clipping and a sagging bus leave of a scale, for the given corners (all of them
        by default); None where there is neither on the way to rated."""
        rows = np.arange(len(self.gains)) if rows is None else rows
        curved = np.nonzero((self.scale_for_rated[rows] > 1.0) | (self.sag[rows] > 0.0))[0]
        if not len(curved):
            return None
        sag, measure = self.sag[rows][curved], self.measure

        def bent(scale: Real) -> Real:
            out = scale.copy()
            out[..., curved] = worth(scale[..., curved], sag, measure)
            return out

        return bent

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
        """The same plants where a new scale takes effect ``share`` of a window late (0 and up):
        each window then holds that share of the scale before."""
        whole, part = divmod(share, 1.0)
        weights = np.pad(self.weights, ((0, 0), (int(whole), 1)))
        later = np.pad(self.weights, ((0, 0), (int(whole) + 1, 0)))
        return replace(self, weights=(1.0 - part) * weights + part * later)


def window_plants(spec: Spec, window: Window, file: str = "spec") -> Plants:
    """Plants of ``spec`` for ``window`` over all corners; ``file`` is how a fault names the spec.

    Raises ``InputError`` where the filter has so little damping that a step never dies out, or
    where every sample falls on the same point of the half cycle.
    """
    timing = Timing(
        samples=window.samples,
        period_s=window.period_s,
        frequency_hz=window.frequency_hz,
        delay_s=spec.sensor.delay_us / 1_000_000,
        measure=spec.loop.measure,
    )
    try:
        circuits = corner_filters(spec, timing)
        response = modes(circuits, timing.angular)
        weights = worst_weights(response, timing)
    except ValueError as error:
        raise InputError(
            [Fault(file, "loop.period_us", str(error), "choose another loop period")]
        ) from error
    if weights.tail.max() > _RINGS_ON:
        raise InputError(
            [
                Fault(
                    file,
                    "filter.winding_resistance_ohm",
                    "the filter rings on for longer than the loop can be analysed",
                    "give the winding's real resistance, or raise load.lightest_percent",
                )
            ]
        )
    return _assemble(spec, timing, circuits, response, weights)


def _assemble(
    spec: Spec, timing: Timing, circuits: list[Circuit], response: Modes, weights: Weights
) -> Plants:
    """Every circuit at its two phases, with each bus voltage and sensor gain."""
    rated = float(spec.output.rated_rms_v)
    tolerance = float(spec.sensor.gain_tolerance_percent) / 100.0
    buses = sorted({float(spec.bridge.bus_min_v), float(spec.bridge.bus_max_v)})
    sensors = sorted({1.0 - tolerance, 1.0 + tolerance})
    # A sine of current drawn through a bridge of duty s sin(wt) loads the bus with s^2 sin^2(wt):
    # 3/4 of the bus's resistance stands in series for the current in phase, at scale 1.
    lost = 0.75 * float(spec.bridge.bus_resistance_ohm) * response.admittance.real
    size = np.abs(response.transfer)

    corners: list[Corner] = []
    gains: list[float] = []
    rows: list[tuple[int, int]] = []
    sag_of: list[float] = []
    for (b, circuit), bus, sensor, side in itertools.product(
        enumerate(circuits), buses, sensors, (0, 1)
    ):
        phase = float(weights.phase_deg[b, side])
        label = (
            f"bus {bus:g} V, {_off('L', circuit.inductance_h, spec.filter.inductance_uh)}, "
            f"{_off('C', circuit.capacitance_f, spec.filter.capacitance_uf)}, "
            f"load {circuit.load.label}, sensor {100.0 * (sensor - 1.0):+g} %, "
            f"window starts at {phase:.0f} deg"
        )
        corners.append(
            Corner(
                label=label,
                bus_v=bus,
                inductance_h=circuit.inductance_h,
                capacitance_f=circuit.capacitance_f,
                load=circuit.load.label,
                sensor=sensor,
                phase_deg=phase,
            )
        )
        ratio = float(weights.ratio[b, side])
        gains.append(bus / math.sqrt(2.0) * float(size[b]) * sensor / rated * ratio)
        rows.append((b, side))
        sag_of.append(float(lost[b]))

    gain, sag = np.array(gains), np.array(sag_of)
    scale, slope = needed_scale(gain, sag, timing.measure)
    order = list(range(len(corners)))
    for i, corner in enumerate(corners[:]):
        if np.isfinite(scale[i]) and slope[i] < _LOCAL * gain[i]:
            text = f"{corner.label}, at drive {scale[i]:.3f}"
            corners.append(replace(corner, label=text, drive=float(scale[i])))
            order.append(i)
    b_rows, side_rows = np.array([rows[i] for i in order]).T
    return Plants(
        corners=tuple(corners),
        gains=np.concatenate([gain, slope[order[len(gain) :]]]),
        weights=weights.weights[b_rows, side_rows],
        tail=weights.tail[b_rows],
        scale_for_rated=scale[order],
        step_gains=gain[order],
        sag=sag[order],
        measure=timing.measure,
    )


def _off(name: str, value: float, nominal_micro: Fraction) -> str:
    """``L +25 %``: how far a part is off its nominal."""
    off = 100.0 * (value / (float(nominal_micro) * 1e-6) - 1.0)
    return f"{name} {round(off, 2) + 0.0:+g} %"
