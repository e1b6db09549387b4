"""Integer weights of a shaped window: least noise under the zeros asked for, then whole numbers.

A window of B blocks of n samples answers a frequency v by

    W(v) = D(v) C(v),  D(v) = sin(pi n v T) / (n sin(pi v T)),
    C(v) = sum c_i cos(2 pi v n T p_i) / sum c_i,  p_i = i - (B - 1)/2

about its own centre, for weights c_i that are the same from either end. A mean square of a sine is
exact if W(2f) = 0; the other zeros take off a zero offset (f), a wandering frequency (a second one
at 2f) and harmonics (4f, 6f). What D has as a zero already is no condition on the weights; other
zeros count modulo 1/(nT), equal ones once. So many conditions, W(0) = 1 among them, need twice as
many blocks, or one fewer; the rows are then independent, since they are a polynomial of cos(2 pi v
n T) with those zeros (Vandermonde).

The weights of least norm, hence of least noise, under linear conditions A w = e are
w = A' (A A')^-1 e (any text on least squares). In a window that is short for its zeros some come
out below 0: these are held at the least weight that the word has, and the others found anew.
Whole weights near a multiple of them leave a rest at the zeros. Rounding alone leaves 1 % with
few bits; a search over multiples and over steps of one in a few weights at a time leaves some
0.01 %. All decisions are made on whole numbers (in doubles that hold them exactly), so that the
weights are the same on every machine.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from halfcycle.base import precise

MIN_BITS = 4
MAX_BITS = 7
"""Bits of a weight: with 7 of them 12-bit codes about mid-scale still fit a 32-bit sum of squares
over 64 samples."""

REST = Fraction(1, 10_000)
"""Rest at a zero that counts as none: an RMS reading takes half of it over, 0.005 %."""

_UNIT = 1 << 30
"""Rows of the search are whole multiples of 1/_UNIT: sums stay exact in doubles."""
_SOLVE = 1 << 64
"""Rows of the closed form are whole multiples of 1/_SOLVE."""
_STEPS = 2400
"""Moves of the search that are looked at in one round, about."""
_SECOND_ORDER = 10
"""A double zero lets through at a deviation of one percent a tenth or so of what counts."""
_ROUNDS = 40
_STARTS = 32
"""Multiples of the real weights that the search sets out from."""
_NOISE_SHARE = 1e-3
"""What the square of the noise gain counts for, beside a rest of one: 10 % more noise must save
0.02 % of rest. Without it a few commensurate zeros lead far off."""
_TRIED = 8
"""Best moves of a round that are tried against the word."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ZeroSet:
    """Where a shaped window answers nothing: always at 2f, and at what is set here."""

    f: bool = False
    """At f: an offset of the sensor's zero falls out to first order."""
    double_2f: bool = False
    """Twice at 2f: a frequency that is off makes an error of second order."""
    f4: bool = False
    """At 4f: products of the sine with a third or a fifth harmonic fall out."""
    f6: bool = False
    """At 6f: the same of a fifth or a seventh, and the third harmonic's own square."""

    @property
    def multiples(self) -> tuple[int, ...]:
        """Zeros as multiples of f, ascending."""
        chosen = ((1, self.f), (2, True), (4, self.f4), (6, self.f6))
        return tuple(multiple for multiple, wanted in chosen if wanted)

    @property
    def text(self) -> str:
        """In words: ``f, 2f (double), 4f``."""
        names = {1: "f", 2: "2f (double)" if self.double_2f else "2f", 4: "4f", 6: "6f"}
        return ", ".join(names[multiple] for multiple in self.multiples)


@dataclass(frozen=True, slots=True)
class _Condition:
    """A zero of C: at ``turn`` of 1/(nT) modulo one, folded to 0..1/2; of the slope if so."""

    turn: Fraction
    slope: bool
    share: Fraction
    """What a rest of one there counts for, beside one at 2f."""


_SHARES = {1: Fraction(1, 8), 2: Fraction(1), 4: Fraction(1, 8), 6: Fraction(1, 8)}
"""An RMS reading takes over half of |W(2f)|, but twice |W(f)| times an offset of percents of the
peak, and |W(4f)|, |W(6f)| times harmonics of percents."""
_OFF = Fraction(1, 100)
"""Relative deviation of the frequency at which the rest of the slope at 2f is counted (its
factor 2 pi is taken as 6)."""


class NoSuchZeroError(ValueError):
    """A zero that no weights have: at a multiple of the sampling frequency."""


def conditions(
    frequency_hz: Fraction, period_s: Fraction, block_samples: int, zeros: ZeroSet
) -> tuple[_Condition, ...]:
    """The conditions on the weights beside W(0) = 1; what the block's own factor has is left out.

    Raises NoSuchZeroError if a zero lies at a multiple of the sampling frequency.
    """
    found: dict[tuple[Fraction, bool], _Condition] = {}
    for multiple in zeros.multiples:
        turns = multiple * frequency_hz * period_s
        if turns.denominator == 1:
            raise NoSuchZeroError(f"{multiple}f is a multiple of the sampling frequency")
        turn = block_samples * turns % 1
        orders = 2 if multiple == 2 and zeros.double_2f else 1
        if turn == 0:
            # The block's factor has a simple zero here, where C repeats its W(0) = 1.
            if orders == 2:
                raise NoSuchZeroError("a double zero at 2f, where blocks end in step with it")
            continue
        turn = min(turn, 1 - turn)
        for order in range(orders):
            share = _SHARES[multiple] * (6 * _OFF * block_samples * turns if order else 1)
            old = found.get((turn, order == 1))
            share = max(share, old.share if old else share)
            found[turn, order == 1] = _Condition(turn, order == 1, share)
    return tuple(found.values())


def min_blocks(
    frequency_hz: Fraction, period_s: Fraction, block_samples: int, zeros: ZeroSet
) -> int:
    """Fewest blocks that carry the zeros. Raises as `conditions`."""
    rows = conditions(frequency_hz, period_s, block_samples, zeros)
    blocks = 1
    while _missing(blocks, rows):
        blocks += 1
    return blocks


def _bound(blocks: int, rows: Sequence[_Condition]) -> list[_Condition]:
    """The conditions that symmetry does not meet by itself: at half the block rate, weights
    of an even number of blocks cancel in pairs, and the slope of an odd number's does."""
    half = Fraction(1, 2)
    return [row for row in rows if row.turn != half or row.slope != (blocks % 2 == 1)]


def _missing(blocks: int, rows: Sequence[_Condition]) -> bool:
    return 1 + len(_bound(blocks, rows)) > (blocks + 1) // 2


def _row(condition: _Condition, blocks: int) -> list[Fraction]:
    """Coefficients of the condition on each weight, newest first."""
    places = [Fraction(2 * i - blocks + 1, 2) for i in range(blocks)]
    if not condition.slope:
        return [precise.cosine(condition.turn * place) for place in places]
    quarter = Fraction(1, 4)
    # sin(2 pi x) = cos(2 pi (x - 1/4)); the slope by the turn, over 2 pi, has the place as factor.
    return [place * precise.cosine(condition.turn * place - quarter) for place in places]


@lru_cache(maxsize=512)
def least_norm(
    frequency_hz: Fraction,
    period_s: Fraction,
    blocks: int,
    block_samples: int,
    zeros: ZeroSet,
    *,
    floor: Fraction | None = None,
) -> tuple[Fraction, ...] | None:
    """Real weights of least norm with sum 1 and these zeros, the newest first; within 1e-15.

    None if there are fewer blocks than the conditions need. With a ``floor`` no weight is below
    floor / blocks (those that would be are held there, one after the other, which is not always
    the least norm that could be had); None also if that leaves too few.

    Raises NoSuchZeroError if a zero lies at a multiple of the sampling frequency.
    """
    every = conditions(frequency_hz, period_s, block_samples, zeros)
    if _missing(blocks, every):
        return None
    bound = _bound(blocks, every)
    rows = [[_SOLVE] * blocks]
    rows += [[round(value * _SOLVE) for value in _row(condition, blocks)] for condition in bound]
    held = Fraction(0) if floor is None else floor / blocks
    free = list(range(blocks))
    while len(free) >= 2 * len(rows) - 1:
        kept = [[row[i] for i in free] for row in rows]
        wanted = [
            (_SOLVE if number == 0 else 0) - held * (sum(row) - sum(part))
            for number, (row, part) in enumerate(zip(rows, kept, strict=True))
        ]
        gram = [[sum(map(int.__mul__, a, b)) for b in kept] for a in kept]
        factors = _solved(gram, wanted)
        found = {
            i: sum((f * part[n] for f, part in zip(factors, kept, strict=True)), Fraction(0))
            for n, i in enumerate(free)
        }
        if floor is None or min(found.values()) >= held:
            return tuple(found.get(i, held) for i in range(blocks))
        low = min(found.values())
        # The least and its mirror image go together: symmetry stays.
        free = [i for i in free if found[i] != low and found[blocks - 1 - i] != low]
    return None


def _solved(gram: list[list[int]], wanted: list[Fraction]) -> list[Fraction]:
    """Solution of gram x = wanted, exact.

    Whole-number elimination of Bareiss (Math. Comp. 22, 1968): every division comes out even.
    """
    size = len(gram)
    common = math.lcm(*(value.denominator for value in wanted))
    rows = [[*row, int(value * common)] for row, value in zip(gram, wanted, strict=True)]
    before = 1
    for k in range(size - 1):
        for i in range(k + 1, size):
            rows[i] = [
                (rows[i][j] * rows[k][k] - rows[i][k] * rows[k][j]) // before
                for j in range(size + 1)
            ]
        before = rows[k][k]
    solution = [Fraction(0)] * size
    for i in reversed(range(size)):
        rest = rows[i][size] - sum(rows[i][j] * solution[j] for j in range(i + 1, size))
        solution[i] = Fraction(rest) / rows[i][i]
    return [value / common for value in solution]


@lru_cache(maxsize=2048)
def shaped_weights(  # noqa: PLR0917 (the window's own description)
    frequency_hz: Fraction,
    period_s: Fraction,
    blocks: int,
    block_samples: int,
    zeros: ZeroSet,
    bits: int,
) -> tuple[int, ...] | None:
    """Whole weights of 1 to 2^bits - 1 with next to nothing at the zeros, the newest first.

    The same from either end, without a common factor. None if no such weights exist: fewer blocks
    than the conditions need, a zero at a multiple of the sampling frequency, or so few blocks
    that a weight would have to be below 1 of so many bits. How much is left at the zeros:
    `response`, or `rest` for all of them.

    Args:
        frequency_hz, period_s: mains frequency and loop period, exact, above 0.
        blocks, block_samples: blocks of the window and samples in each, 1 and up.
        zeros: where the window is to answer nothing.
        bits: word of a weight, MIN_BITS to MAX_BITS make sense.
    """
    floor = Fraction(2, 1 << bits)
    try:
        ideal = least_norm(frequency_hz, period_s, blocks, block_samples, zeros, floor=floor)
        bound = _bound(blocks, conditions(frequency_hz, period_s, block_samples, zeros))
    except NoSuchZeroError:
        return None
    if ideal is None:
        return None
    half = ideal[: (blocks + 1) // 2]
    pairs = np.full(len(half), 2.0)
    if blocks % 2:
        pairs[-1] = 1
    rows = np.array(
        [
            [round(value * condition.share * _UNIT) for value in _row(condition, blocks)]
            for condition in bound
        ],
        dtype=np.float64,
    ).reshape(len(bound), blocks)[:, : len(half)]
    starts = _multiples(half, (1 << bits) - 1)
    found = _searched(starts, rows * pairs, pairs, (1 << bits) - 1)
    chosen = [int(weight) for weight in found]
    common = int(np.gcd.reduce(chosen))
    chosen = [weight // common for weight in chosen]
    return (*chosen, *reversed(chosen[: blocks // 2]))


def _multiples(half: Sequence[Fraction], greatest: int) -> Floats:
    """Some _STARTS multiples of the ideal weights, rounded: the greatest weight from all of the
    word down to half of it. No weight below 1."""
    top = max(half)
    steps = min(_STARTS, greatest + 1)
    peaks = [greatest - Fraction(greatest * n, 2 * steps) for n in range(steps)]
    rounded = [
        [max(1, int(peak * weight / top + Fraction(1, 2))) for weight in half] for peak in peaks
    ]
    return np.array(rounded, dtype=np.float64)


@lru_cache(maxsize=64)
def _moves(size: int) -> Floats:
    """Steps of one, up or down, in a few of ``size`` weights at a time."""
    most = 1
    while most < size and _count(size, most + 1) <= _STEPS:
        most += 1
    moves = []
    for number in range(max(2, most) + 1):
        for places in itertools.combinations(range(size), min(number, size)):
            for signs in itertools.product((1, -1), repeat=len(places)):
                move = [0] * size
                for place, sign in zip(places, signs, strict=True):
                    move[place] = sign
                moves.append(move)
    return np.array(moves, dtype=np.float64)


def _count(size: int, number: int) -> int:
    total, ways = 0, 1
    for n in range(1, number + 1):
        ways = ways * (size - n + 1) * 2 // n
        total += ways
    return total


def _searched(starts: Floats, rows: Floats, pairs: Floats, greatest: int) -> Floats:
    """The weights with the least rest, of all that steps lead to from the starts; more noise
    counts a little.

    Every number is whole and below 2^53, and so is every sum of them: doubles are exact, in
    whatever order they are added; quotients are rounded as IEEE 754 says. The first of
    equals is taken, so that nothing depends on the machine.
    """
    moves = _moves(starts.shape[1])
    # One row a condition: numpy reduces over the first axis faster.
    moved_rest, moved_sum = rows @ moves.T, moves @ pairs
    moved_squares = (moves * moves) @ pairs
    blocks = float(pairs.sum())

    def cost(weights: Floats) -> Floats:
        rest = np.abs(moved_rest + (rows @ weights)[:, None]).max(axis=0, initial=0)
        total = moved_sum + pairs @ weights
        squares = moved_squares + 2 * (moves @ (weights * pairs)) + (weights * weights) @ pairs
        return np.asarray(
            rest / (total * _UNIT) + _NOISE_SHARE * (squares * blocks / (total * total))
        )

    best: Floats = starts[0]
    least = np.inf
    for start in starts:
        weights, at = start, np.inf
        for _ in range(_ROUNDS):
            costs = cost(weights)
            for _ in range(_TRIED):
                number = int(costs.argmin())
                lower, after = float(costs[number]), weights + moves[number]
                if after.min() >= 1 and after.max() <= greatest:
                    break
                costs[number] = np.inf
            else:
                break
            if not lower < at:
                break
            weights, at = after, lower
        if at < least:
            best, least = weights, at
    return best


def response(
    weights: Sequence[int], block_samples: int, turns: Fraction
) -> tuple[Fraction, Fraction]:
    """W at ``turns`` = v T about the window's centre: real and imaginary part, within 1e-40.

    Args:
        weights: of the blocks, the newest first, any whole numbers with a sum above 0.
        block_samples: samples in a block.
        turns: frequency times loop period, exact.
    """
    blocks, quarter = len(weights), Fraction(1, 4)
    step = block_samples * turns
    real = imaginary = Fraction(0)
    for i, weight in enumerate(weights):
        angle = step * Fraction(2 * i - blocks + 1, 2)
        real += weight * precise.cosine(angle)
        imaginary -= weight * precise.cosine(angle - quarter)
    factor = block_response(block_samples, turns) / sum(weights)
    return real * factor, imaginary * factor


def block_response(block_samples: int, turns: Fraction) -> Fraction:
    """D at ``turns``: the answer of a block, about its centre."""
    if turns.denominator == 1:
        return Fraction(-1 if turns * (block_samples - 1) % 2 else 1)
    sine_of_half, quarter = turns / 2, Fraction(1, 4)
    top = precise.cosine(block_samples * sine_of_half - quarter)
    return top / (block_samples * precise.cosine(sine_of_half - quarter))


def magnitude(weights: Sequence[int], block_samples: int, turns: Fraction) -> float:
    """|W| at ``turns``."""
    real, imaginary = response(weights, block_samples, turns)
    return float(precise.root(real * real + imaginary * imaginary))


def rest(
    frequency_hz: Fraction,
    period_s: Fraction,
    weights: Sequence[int],
    block_samples: int,
    zeros: ZeroSet,
) -> float:
    """Greatest |W| at the zeros that were asked for."""
    return max(
        magnitude(weights, block_samples, multiple * frequency_hz * period_s)
        for multiple in zeros.multiples
    )


def counted_rest(
    frequency_hz: Fraction,
    period_s: Fraction,
    weights: Sequence[int],
    block_samples: int,
    zeros: ZeroSet,
) -> float:
    """The same, each by what it counts for beside one at 2f."""
    turns = frequency_hz * period_s
    counted = [
        _SHARES[multiple] * magnitude(weights, block_samples, multiple * turns)
        for multiple in zeros.multiples
    ]
    if zeros.double_2f:
        beside = (2 * (1 + off) * turns for off in (_OFF, -_OFF))
        # Of the second order there, next to what a single zero lets through.
        counted += [magnitude(weights, block_samples, at) / _SECOND_ORDER for at in beside]
    return float(max(counted))


def noise_gain(weights: Sequence[int]) -> float:
    """Noise of a reading beside a flat window of as many samples, 1 and up."""
    squares = sum(weight * weight for weight in weights)
    return float(precise.root(Fraction(squares * len(weights), sum(weights) ** 2)))
