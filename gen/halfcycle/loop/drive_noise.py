"""Noise of the drive as a window reads it: through the filter, whose ringing the window folds.

Each period of the drive is wrong by a share of its own. The filter rings from it, and a window of
few samples takes that ringing for a change of the sine. How much it takes is found backwards from
the samples: of the filter's modes, what one of them makes in a sample of the time before it is a
sum of exponentials, and so are the squares of what all periods of the drive add to the reading.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from halfcycle.loop.envelope import Timing
from halfcycle.loop.filter_model import Complex, FilterCircuit, Modes, Real, modes

PHASES = 8
"""At which the window begins, over half a period of the sine."""
WHOLE = 1e-9
FINE = 4
"""Steps in a period of the drive, at least, if a loop period does not hold a whole number: what
the drive's holding leaves of the ringing is then counted by itself."""


def read_noise(
    circuits: Sequence[FilterCircuit], timing: Timing, weights: NDArray[np.int64], periods: float
) -> Real:
    """Standard deviation of a window's reading over its true value, if every period of the drive is
    wrong by 1 time its right value, standard deviation, each by itself. Shape (circuits,): at the
    phase that is worst for each.

    ``weights``: of the window's samples, the newest first. ``periods`` of the drive, 1 or more, are
    in a loop period; if that is not a whole number, their places among the samples go round, and
    what comes of it is the mean over them, the ringing as at the worst rate beside its own.
    """
    response = modes(circuits, timing.angular)
    is_whole = abs(periods - round(periods)) < WHOLE
    whole = round(periods) if is_whole else FINE * math.ceil(periods)
    period = float(timing.period_s) / whole
    starts = np.pi * (np.arange(PHASES) + 0.5) / PHASES
    turns = timing.angular * float(timing.period_s) * np.arange(len(weights))[::-1]
    shares = _sensitivities(timing, weights.astype(float), starts[:, None] + turns)
    total = np.zeros((len(circuits), PHASES))
    sums = _Sums(response, timing.angular, period, whole)
    held = np.zeros((len(circuits), PHASES, 3), dtype=complex)
    for place in range(len(weights)):
        held += shares[None, :, place, None]
        total += sums.of(held, starts + turns[place], last=place == len(weights) - 1)
        held = held * sums.decay[:, None]
    squares = total.max(axis=1) * whole / periods
    if is_whole:
        return np.asarray(np.sqrt(squares))
    averaged = 1.5 * float((weights**2).sum()) / float(weights.sum()) ** 2 / periods
    held_back = _held_back(response, timing, float(timing.period_s) / periods, period)
    return np.asarray(np.sqrt(averaged + np.maximum(squares - averaged, 0) * held_back**2))


def _held_back(response: Modes, timing: Timing, held: float, step: float) -> Real:
    """What holding the drive for ``held`` seconds leaves of the noise that makes the filter ring,
    over what holding it for ``step`` does: shape (circuits,), the most over the rates at which the
    sine carries it to the ringing's, and a little beyond."""
    ringing = np.abs(response.poles.imag).max(axis=1) / (2 * math.pi)
    hertz = timing.angular / (2 * math.pi)
    beside = ringing[:, None] + hertz * np.linspace(-2, 2, 17)
    share = np.abs(np.sinc(beside * held)).max(axis=1)
    return np.asarray(share / np.sinc((ringing + 2 * hertz) * step))


def _sensitivities(timing: Timing, weights: Real, angles: Real) -> Real:
    """By how much the reading over its true value moves with each sample over the output's RMS,
    shape as ``angles``: phases of the sine at the samples."""
    share = weights / weights.sum()
    if timing.measure == "mean":
        return np.asarray(math.pi / math.sqrt(8) * share * np.sign(np.sin(angles)))
    values = math.sqrt(2) * np.sin(angles)
    reading = np.sqrt((share * values**2).sum(axis=1, keepdims=True))
    return np.asarray(share * values / reading**2)


class _Sums:
    """Sums of squares over the periods of the drive up to a sample."""

    def __init__(self, response: Modes, angular: float, period: float, whole: int) -> None:
        """``whole`` periods, of ``period`` seconds, from one sample to the next."""
        poles, jw = response.poles, 1j * angular
        self.decay = np.exp(poles * period * whole)
        residues = response.steady * (jw - poles)
        # A bridge voltage that makes an output of 1 V RMS, as half the sum of two exponentials.
        drive = (math.sqrt(2) / response.transfer / 2j)[:, None]
        down, up = poles - jw, poles + jw
        self._down = residues * drive * np.expm1(down * period) / down
        self._up = residues * drive.conj() * np.expm1(up * period) / up
        step: Complex = np.exp(np.concatenate([down, up], axis=1) * period)
        pairs = step[:, :, None] * step[:, None, :]
        self._last = 1 / (1 - pairs)
        self._some = (1 - pairs**whole) * self._last

    def of(self, held: Complex, angle: Real, *, last: bool) -> Real:
        """(B, P): of the periods between a sample and the one before, or of all before if it is the
        ``last`` one going back. ``held`` (B, P, 3): what each mode would have added to the reading
        at the sample; ``angle`` (P,): of the sine, in it."""
        turned = np.exp(1j * angle)[None, :, None]
        down, up = held * self._down[:, None] * turned, held * self._up[:, None] / turned
        both = np.concatenate([down, up], axis=2)
        squares = np.einsum("bpi,bij,bpj->bp", both, self._last if last else self._some, both)
        return np.asarray(squares.real)
