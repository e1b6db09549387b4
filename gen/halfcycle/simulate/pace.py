"""How long a designed loop takes: to come to rest, to its drive limit, and back from there.

From the model that the design was made with, at every corner: the same taps, constants and clipped
sine. The virtual boards are judged at these times, so none is called steady before its loop can be.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.loop.drive import effective_scale
from halfcycle.loop.normalised import share_of
from halfcycle.loop.step_response import spectral_radius, step_figures
from halfcycle.simulate.run_types import Real

if TYPE_CHECKING:
    from halfcycle.design.types import Design
    from halfcycle.loop.plant_types import Plants

REST_SHARE = 0.02
"""At rest: what is left of a step from zero to rated is this share of the voltage tolerance."""
MAX_UPDATES = 4096
"""Longer is not waited for: the run then shows that it has not happened."""


@dataclass(frozen=True, slots=True)
class Pace:
    """Times of a loop over all its corners, seconds.

    ``rest_s``: from a step of the target from zero to rated until no more than REST_SHARE of the
    voltage tolerance is left of it. Changes of load and bus leave less. ``recovery_s``: from the
    end of an overload that held the drive at its limit until within 2 % of rated for good.
    ``climb_s``: from zero drive to the limit while the bus gives too little.
    """

    rest_s: float
    recovery_s: float
    climb_s: float


def pace(design: Design, overload_share: float) -> Pace:
    """The times of ``design``. ``overload_share``: what the overload case leaves of rated at the
    drive limit (above 0, below 1)."""
    update_s = float(design.window.update_s)
    # A window that the firmware adds up in blocks has to fill before the first step.
    fill_s = float(design.window.duration_s) if design.window.blocks > 1 else 0.0
    return Pace(
        rest_s=update_s * rest_updates(design) + fill_s,
        recovery_s=update_s * recovery_updates(design),
        climb_s=update_s * climb_updates(design, overload_share) + fill_s,
    )


def rest_updates(design: Design) -> int:
    """Updates from a step of the target from zero to rest, at the slowest corner."""
    plants, kp, ki = design.plants, float(design.kp), float(design.ki)
    stable = np.asarray(spectral_radius(plants.taps, kp, ki) < 1.0)
    share = REST_SHARE * float(design.spec.targets.voltage_tolerance_percent) / 100
    windows = step_figures(
        plants.step_taps, kp, ki, stable, plants.scale_curve(), share, plants.step_law()
    ).windows
    return int(np.where(windows > 0, windows, MAX_UPDATES).max())


def recovery_updates(design: Design) -> int:
    """Updates from the end of an overload until every corner stays within 2 % of rated.

    The integrator was held at the drive limit, so the output starts from what the limit gives on a
    healthy bus, which may be further from rated than a step from zero is. One window is added: the
    overload ends inside it, so its readings are in part of the one and in part of the other.
    """
    plants, limit = design.plants, float(design.spec.bridge.scale_max)
    rated = float(design.spec.output.rated_rms_v)
    band = SETTLING_BAND - design.chosen.faults.ripple_v / rated
    curve = _clipping(plants)
    count, depth = plants.step_taps.shape
    taps = plants.step_taps
    held = np.repeat(curve(np.full(count, limit))[None, :], depth, axis=0)
    integral = np.full(count, limit)
    shares = np.zeros(count)
    last = 0
    for update in range(1, MAX_UPDATES + 1):
        reading = np.einsum("cn,nc->c", taps, held)
        error = 1.0 - reading
        if (np.abs(error) > band).any():
            last = update
        elif update > 2 * last + depth:
            break
        if design.law is None:
            integral = np.clip(integral + float(design.ki) * error, 0.0, limit)
            scale = np.clip(integral + float(design.kp) * error, 0.0, limit)
        else:
            integral, shares = _moved(design, integral, error, shares)
            scale = integral
        held = np.roll(held, 1, axis=0)
        held[0] = curve(scale)
    return last + design.window.updates


def climb_updates(design: Design, share: float) -> int:
    """Updates in which the integrator climbs from zero to the drive limit if even that gives
    only ``share`` of rated."""
    limit = float(design.spec.bridge.scale_max)
    curve = _clipping(design.plants)
    count = len(design.plants.gains)
    gain = share / curve(np.full(count, limit))
    scale = np.zeros(count)
    for update in range(MAX_UPDATES):
        if (scale >= limit).all():
            return update
        error = 1.0 - gain * curve(scale)
        if design.law is None:
            scale = scale + float(design.ki) * error
        else:
            scale, _ = _moved(design, scale, error, np.asarray(error))
    return MAX_UPDATES


def _moved(design: Design, drive: Real, error: Real, before: Real) -> tuple[Real, Real]:
    """The drive after a step of the normalised law at the rated target, and the error's share."""
    assert design.law is not None
    share = share_of(error, 1.0)
    kp, ki = np.array(float(design.kp)), np.array(float(design.ki))
    return design.law.moved(drive, share, 1.0, before, kp, ki), share


def _clipping(plants: Plants) -> Callable[[Real], Real]:
    """What clipping and a sagging bus leave of scales (C,), one for each corner."""
    return lambda scale: effective_scale(scale, plants.sag, plants.measure)
