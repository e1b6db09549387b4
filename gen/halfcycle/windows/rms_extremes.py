"""Least and greatest window mean of (sin + d)^2 over every starting phase.

With the phase theta taken at the window's centre the mean square is

    1/2 + d^2 + 2 d D1 sin(theta) - D2 cos(2 theta)/2

with D1 and D2 the window's answers (`kernel`; Dirichlet kernels if all samples count the same) at
the step and at twice the step; they are real, as weights are the same from either end. Its extremes
over theta and d are closed forms. In the step it is smooth, with a second derivative below
C = 2 S (1 + d) in size, S the mean of k^2 about the centre, (samples^2 - 1)/12 where all count the
same: between two steps 2h apart it leaves the range of the two end values by C h^2 / 2 at most.
"""

from __future__ import annotations

import math

import numpy as np

from halfcycle.windows.mean_extremes import Bounds, Floats, rounding, spread

BETWEEN = 2e-8
"""What the grid of steps may leave out, in the mean square."""

MAX_CELLS = 200_000
"""Finest grid; beyond it more is left out (and allowed for)."""


def square_over(
    samples: int, steps: Bounds, greatest_offset: float, *, weights: tuple[int, ...] = (1,)
) -> Bounds:
    """Outer bounds of mean (sin + d)^2 over every phase, step in ``steps`` and |d| <= greatest.

    ``weights``: of equal blocks of the samples, the same from either end."""
    of_samples = shares(samples, weights)
    if of_samples is None:
        curvature = (samples**2 - 1) * (1 + greatest_offset) / 6
    else:
        curvature = 2 * spread(samples, of_samples) * (1 + greatest_offset)
    half = (steps.high - steps.low) / 2
    cells = min(MAX_CELLS, math.ceil(half * math.sqrt(curvature / (2 * BETWEEN))))
    grid = np.linspace(steps.low, steps.high, cells + 1)
    between = curvature / 2 * (half / cells) ** 2 if cells else 0.0
    first, second = kernel(samples, weights, grid), kernel(samples, weights, 2 * grid)
    low = float(_least_square(first, second, greatest_offset).min()) - between
    high = float(_greatest_square(first, second, greatest_offset).max()) + between
    slack = rounding(samples)
    return Bounds(max(0.0, low - slack), high + slack)


def dirichlet(samples: int, step: Floats) -> Floats:
    """sin(samples step / 2) / (samples sin(step / 2)): mean of cos over a centred window."""
    turns = np.round(step / (2 * np.pi))
    near = (step - 2 * np.pi * turns) / 2  # sin(near) is precise where the quotient is 0/0
    top, bottom = np.sin(samples * near), samples * np.sin(near)
    # A whole turn left out changes the sign when the number of samples is even and turns odd.
    sign = 1 - 2 * np.mod(turns * (samples - 1), 2)
    tiny = np.abs(near) < 1e-12
    kernel: Floats = sign * np.where(tiny, 1.0, top / np.where(tiny, 1.0, bottom))
    return kernel


def kernel(samples: int, weights: tuple[int, ...], step: Floats) -> Floats:
    """Weighted mean of cos over a centred window of equal blocks: its answer to a sinusoid that
    steps by ``step`` radians a sample. Weights are the same from either end, else ValueError."""
    if len(set(weights)) == 1:
        return dirichlet(samples, step)
    if weights != weights[::-1]:
        raise ValueError("the weights of blocks must be the same from either end")
    blocks, total = len(weights), sum(weights)
    block = samples // blocks
    places = (np.arange(blocks) - (blocks - 1) / 2) * block
    answer: Floats = dirichlet(block, step) * (
        np.cos(np.multiply.outer(step, places)) @ (np.array(weights) / total)
    )
    return answer


def shares(samples: int, weights: tuple[int, ...]) -> Floats | None:
    """Share of each sample in the reading, the newest first; None where all count the same."""
    if len(set(weights)) == 1:
        return None
    if weights != weights[::-1]:
        raise ValueError("the weights of blocks must be the same from either end")
    block = samples // len(weights)
    return np.repeat(np.array(weights, dtype=np.float64), block) / (block * sum(weights))


def _greatest_square(first: Floats, second: Floats, d: float) -> Floats:
    """Greatest over u = sin(theta) of 1/2 - D2/2 + d^2 + 2 d D1 u + D2 u^2."""
    reach = np.abs(first) * d
    at_end = second + 2 * reach
    bowed = (second < 0) & (reach < -second)  # a crest inside
    inside = reach**2 / np.where(bowed, -second, 1.0)
    greatest: Floats = 0.5 - second / 2 + d**2 + np.where(bowed, inside, at_end)
    return greatest


def _least_square(first: Floats, second: Floats, d: float) -> Floats:
    """Least over u and offsets up to d: with u opposed to D1, w = |u| and e <= d the offset,

    e^2 - 2 e |D1| w + D2 w^2, whose best e is |D1| w as far as d allows.
    """
    first = np.abs(first)
    knee = np.minimum(1.0, d / np.where(first > 0, first, 1.0))
    knee = np.where(first > 0, knee, 1.0)
    at_knee = (second - first**2) * knee**2
    beyond_to = np.clip(d * first / np.where(second > 0, second, 1.0), knee, 1.0)
    trough = np.where(second > 0, beyond_to, 1.0)
    beyond = d**2 - 2 * d * first * trough + second * trough**2
    least: Floats = np.minimum(0.0, at_knee)
    # At knee = 1 there is nothing beyond, and e = d is more than is wanted there.
    least = np.where(knee < 1, np.minimum(least, beyond), least)
    return 0.5 - second / 2 + least
