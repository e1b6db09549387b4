"""Step response and closed-loop poles of the loop at window rate, for many plants at once.

Plants are given as ``taps`` (C, n): ``y[k] = sum_i taps_i u[k - i]``, rated per unit of scale, that
is gain times weights. The controller is the firmware's, without its clamp:
``I += Ki e; u = I + Kp e`` with e the error of the window just read; or that of
``law``. Where a plant is not linear (clipping, a sagging bus), ``curve`` maps the scales (..., C)
to what is left of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from halfcycle.base.clipped_sine import SETTLING_BAND
from halfcycle.loop.filter_model import Complex, Real
from halfcycle.loop.normalised import STEPS, StepLaw

ScaleCurve = Callable[[Real], Real]

_HORIZON = 64
_MAX_HORIZON = 4096
_DUST = 1e-12


def steps(  # noqa: PLR0917 (the plants, the loop, how long)
    taps: Real,
    kp: ArrayLike,
    ki: ArrayLike,
    windows: int,
    curve: ScaleCurve | None = None,
    law: StepLaw | None = None,
) -> Iterator[Real]:
    """Readings (..., C), window by window, after the target steps from 0 to 1 with the loop at
    rest. The first is that of the window driven by the first update that saw the new target.

    ``kp`` and ``ki`` broadcast against (..., C); pass (G, 1) for G gains at every plant. ``law``:
    the normalised one, with the plants' scales at rest; None: the plain one.
    """
    if law is not None:
        yield from law.steps(taps, kp, ki, windows, curve)
        return
    kp, ki = np.asarray(kp, dtype=float), np.asarray(ki, dtype=float)
    shape = np.broadcast_shapes(kp.shape, ki.shape, (len(taps),))
    columns = np.ascontiguousarray(taps.T)
    n = len(columns)
    held = np.zeros((n, *shape))
    integral = np.zeros(shape)
    error = np.ones(shape)
    for k in range(windows):
        integral = integral + ki * error
        scale = integral + kp * error
        held[k % n] = scale if curve is None else curve(scale)
        y = columns[0] * held[k % n]
        for i in range(1, min(k + 1, n)):
            y += columns[i] * held[(k - i) % n]
        error = 1.0 - y
        yield y


def judged_steps(  # noqa: PLR0917 (as ``steps``)
    taps: Real,
    kp: ArrayLike,
    ki: ArrayLike,
    windows: int,
    curve: ScaleCurve | None = None,
    law: StepLaw | None = None,
) -> tuple[Iterator[Real], ...]:
    """The steps by which gains are judged, each as :func:`steps` has it, as shares of the step: up
    from zero; with a ``law``, which is not linear, down to half as well."""
    if law is None:
        return (steps(taps, kp, ki, windows, curve),)
    return tuple(law.steps(taps, kp, ki, windows, curve, step) for step in STEPS)


def step_response(  # noqa: PLR0917 (as ``steps``)
    taps: Real,
    kp: ArrayLike,
    ki: ArrayLike,
    windows: int,
    curve: ScaleCurve | None = None,
    law: StepLaw | None = None,
) -> Real:
    """All readings of :func:`steps`: (windows, ..., C)."""
    return np.stack(list(steps(taps, kp, ki, windows, curve, law)))


def settled_window(y: Real, band: float | Real = SETTLING_BAND) -> NDArray[np.int64]:
    """Number (1 and up) of the first window from which ``y`` (windows, ..., C) stays within
    ``band`` (one for all, or (C,)) of 1; windows + 1 if the last one is still outside."""
    outside = ~(np.abs(1.0 - y) <= band)
    last = len(y) - np.argmax(outside[::-1], axis=0)
    return np.where(outside.any(axis=0), last + 1, 1).astype(np.int64)


@dataclass(frozen=True, slots=True)
class StepFigures:
    """``windows`` (C,): first settled window, 0 if it does not settle within 4096;
    ``overshoot`` (C,): greatest reading above the target, share of the step."""

    windows: NDArray[np.int64]
    overshoot: Real


def step_figures(  # noqa: PLR0917 (steps' arguments, then what is asked of them)
    taps: Real,
    kp: float,
    ki: float,
    stable: NDArray[np.bool_],
    curve: ScaleCurve | None = None,
    band: float | Real = SETTLING_BAND,
    law: StepLaw | None = None,
) -> StepFigures:
    """Settling into ``band`` and overshoot, run until every stable loop has been settled for as
    long as it took. Loops that are not stable get 0 and infinity."""
    windows = np.zeros(len(taps), dtype=np.int64)
    overshoot = np.full(len(taps), np.inf)
    if not stable.any():
        return StepFigures(windows, overshoot)
    bands = np.broadcast_to(band, len(taps))[stable]
    horizon = _HORIZON
    while True:
        with np.errstate(over="ignore", invalid="ignore"):
            courses = [
                np.stack(list(course))[:, stable]
                for course in judged_steps(taps, kp, ki, horizon, curve, law)
            ]
        settled = np.max([settled_window(y, bands) for y in courses], axis=0)
        never = bool((bands <= 0).any())
        if settled.max() <= horizon // 2 or never or horizon >= _MAX_HORIZON:
            windows[stable] = np.where(settled > horizon, 0, settled)
            top = np.max([y.max(axis=0) for y in courses], axis=0)
            over = np.maximum(top - 1.0, 0.0)
            # A share of a step that is taken down is not exact to the last digit.
            overshoot[stable] = over if law is None else np.where(over < _DUST, 0.0, over)
            return StepFigures(windows, overshoot)
        horizon *= 2


def closed_loop_poles(taps: Real, kp: float, ki: float) -> Complex:
    """Roots (C, n + 1) of ``z^n (z - 1) + ((Kp + Ki) z - Kp) sum_i taps_i z^(n-1-i)``."""
    count, n = taps.shape
    coefficients = np.zeros((count, n + 2))
    coefficients[:, 0], coefficients[:, 1] = 1.0, -1.0
    coefficients[:, 1 : n + 1] += (kp + ki) * taps
    coefficients[:, 2 : n + 2] -= kp * taps
    companion = np.zeros((count, n + 1, n + 1))
    companion[:, 0, :] = -coefficients[:, 1:]
    companion[:, np.arange(1, n + 1), np.arange(n)] = 1.0
    return np.linalg.eigvals(companion).astype(np.complex128)


def spectral_radius(taps: Real, kp: float, ki: float) -> Real:
    """Size (C,) of the greatest pole: below 1 the loop is stable."""
    return np.asarray(np.abs(closed_loop_poles(taps, kp, ki)).max(axis=1), dtype=np.float64)
