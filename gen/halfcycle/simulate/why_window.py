"""Why a window at all: what regulating the sine sample by sample would face on the same circuit.

Over the boards at the corners of the tolerances, from closed forms of the averaged circuit:

- the lag at the mains frequency of filter, sensor and computation (one loop period to compute, half
  of one for the hold: common practice, no source), and the volts of apparent error that it makes at
  the reference's zero crossing, sqrt 2 V sin(lag);
- a plain integral loop that follows the sine to within 2 %, which has to cross over at f / 2 %: an
  integrator's loop gain at f is the crossover over f. There is such a loop only if the crossover
  lies below half the loop's rate and the loop is stable on every board (Nyquist's criterion on its
  frequency response, filter's resonance included); without it there is no settling to compare;
- the phase margin of a resonant loop (an integrator turned to the mains frequency) that settles
  the amplitude as fast as the target asks: it crosses over at the mains frequency plus
  ln 50 / (2 pi settling), 90 degrees less the lag there, and has to stay below unity gain at the
  filter's own resonance.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.simulate.boards import Draw, corners, draw
from halfcycle.simulate.case import Setting
from halfcycle.simulate.loads import linear_load
from halfcycle.simulate.parts import transfer
from halfcycle.simulate.run_types import Real

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec

TRACKING_ERROR = SETTLING_BAND
"""Of the plain loop, a share of the sine: as close as a settled output is to its target."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Pairs are (least, greatest) over the corners. Lag in degrees, volts at the output."""

    lag_deg: tuple[float, float]
    lag_from_parts_deg: tuple[float, float]
    """Of the filter and the sensor alone: the part that moves with the tolerances."""
    zero_crossing_v: tuple[float, float]
    plain_crossover_hz: float
    plain_margin_deg: tuple[float, float]
    resonant_crossover_hz: float
    resonant_margin_deg: tuple[float, float]
    resonance_hz: tuple[float, float]
    nyquist_hz: float
    """Half the loop's rate: above it a loop sees nothing as it is."""
    resonance_gain_db: float
    """Of the resonant loop at the filter's resonance, the greatest; above 0 it is unstable."""
    window_settling_ms: float | None
    plain_settling_ms: float | None
    """None if there is no such loop: it crosses over above ``nyquist_hz``, or is unstable on a
    board."""


def reason(setting: Setting) -> Reason:
    """All figures for one spec; the window's settling is the designed one."""
    spec = setting.spec
    boards = draw(spec, range(1, len(corners(spec)) + 1), seed=0)
    mains = float(spec.output.frequency_hz)
    period = float(spec.loop.period_us) * 1e-6
    crest = math.sqrt(2) * setting.rated_v

    at_mains = np.array([_lag(spec, board, mains) for board in boards])
    computing = 360 * mains * 1.5 * period
    apparent = crest * np.sin(np.radians(np.minimum(at_mains + computing, 90.0)))

    plain = mains / TRACKING_ERROR
    settled = math.log(1 / SETTLING_BAND)
    turned = settled / (2 * math.pi * setting.settling_goal_ms / 1000)
    margins = [
        np.array([90 - _lag(spec, board, hertz) - 360 * hertz * 1.5 * period for board in boards])
        for hertz in (plain, mains + turned)
    ]
    rings = np.array([board.filter.resonance_hz for board in boards])
    # Beside its centre the resonant loop's gain is 2 turned r / (r^2 - mains^2) at frequency r.
    gains = [
        2 * turned * ring / abs(ring**2 - mains**2) * abs(_response(spec, board, ring))
        for board, ring in zip(boards, rings.tolist(), strict=True)
    ]
    nyquist = 0.5 / period
    possible = plain < nyquist and all(plain_is_stable(spec, board, plain) for board in boards)
    return Reason(
        lag_deg=_ends(at_mains + computing),
        lag_from_parts_deg=_ends(at_mains),
        zero_crossing_v=_ends(apparent),
        plain_crossover_hz=plain,
        plain_margin_deg=_ends(margins[0]),
        resonant_crossover_hz=mains + turned,
        resonant_margin_deg=_ends(margins[1]),
        resonance_hz=_ends(rings),
        nyquist_hz=nyquist,
        resonance_gain_db=20 * math.log10(max(gains)),
        window_settling_ms=setting.promise.settling_ms,
        plain_settling_ms=1000 * settled / (2 * math.pi * plain) if possible else None,
    )


def plain_is_stable(spec: Spec, board: Draw, crossover_hz: float) -> bool:
    """Whether the plain integral loop is stable on one board, by Nyquist's criterion.

    The loop has one pole at the origin and none to the right. So it is stable if 1 + L turns by
    +90 degrees in all on the way from direct current, where L is -j times infinity, to where
    nothing is left of L.
    """
    delay = board.delay_s + 1.5 * float(spec.loop.period_us) * 1e-6
    ring = board.filter.resonance_hz
    # Beyond 200 resonances the filter leaves less than 1/200^2; close steps about the resonance.
    hertz = np.unique(
        np.concatenate(
            [
                np.geomspace(1e-6 * crossover_hz, 200 * max(ring, crossover_hz), 4000),
                ring * (1 + np.linspace(-0.2, 0.2, 2001)),
            ]
        )
    )
    load = linear_load(spec, board.load, board.power_factor)
    late = np.exp(-2j * math.pi * hertz * delay)
    open_loop = crossover_hz / (1j * hertz) * transfer(board.filter, load, hertz) * late
    total = float(np.angle((1 + open_loop[1:]) / (1 + open_loop[:-1])).sum())
    return abs(total - math.pi / 2) < 0.5


def _ends(values: Real) -> tuple[float, float]:
    return float(values.min()), float(values.max())


def _response(spec: Spec, board: Draw, hertz: float) -> complex:
    """Output over bridge voltage of a board's filter under its load."""
    load = linear_load(spec, board.load, board.power_factor)
    return complex(transfer(board.filter, load, np.array(hertz)))


def _lag(spec: Spec, board: Draw, hertz: float) -> float:
    """Of filter and sensor, degrees. The filter's lies between -90 (a lead) and 180."""
    filter_lag = -math.degrees(cmath.phase(_response(spec, board, hertz)))
    if filter_lag < -90:  # Beyond the resonance the principal value may wrap.
        filter_lag += 360
    return filter_lag + 360 * hertz * board.delay_s
