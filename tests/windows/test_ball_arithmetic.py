"""Every bound of a window's faults proven by ball arithmetic: nothing passes it, and it is reached.

Outside source: Arb's midpoint-radius arithmetic (F. Johansson, IEEE Trans. Computers 66(8), 2017)
by way of python-flint. The reading is enclosed over whole boxes of phase, phase step and offset by
the mean-value form, and boxes are halved until each is certain to stay inside the bound. Neither
the pieces between zero crossings nor any closed form of the package is used here.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction
from typing import Literal

import pytest

from halfcycle.windows import reading_errors
from halfcycle.windows.mean_extremes import SHARE, TOLERANCE, Bounds
from halfcycle.windows.search import Window

flint = pytest.importorskip("flint")
arb, fmpq = flint.arb, flint.fmpq

US = Fraction(1, 1_000_000)
ROUNDING = 2e-15
"""What doubles may lose in a bound that is a closed form: a few last places of 1."""
MAX_BOXES = 60_000

Ball = "arb"
Box = tuple[tuple[Fraction, Fraction], ...]
"""Per axis, centre and half width: phase and step in half turns, offset in peaks."""
Reading = Callable[["Ball", "Ball", "Ball"], tuple["Ball", tuple["Ball", "Ball", "Ball"]]]


def exact(value: Fraction) -> Ball:
    return arb(fmpq(value.numerator, value.denominator))


def widened(centre: Fraction, half: Fraction) -> Ball:
    """A ball that holds [centre - half, centre + half]."""
    return exact(centre - half).union(exact(centre + half)) if half else exact(centre)


def placed(w: Window) -> list[tuple[Ball, Ball]]:
    """Place of each sample about the window's centre, and its share of the reading."""
    total = w.block_samples * sum(w.block_weights)
    return [
        (
            exact(Fraction(2 * k - w.samples + 1, 2)),
            exact(Fraction(w.block_weights[k // w.block_samples], total)),
        )
        for k in range(w.samples)
    ]


def rectified_mean(w: Window) -> Reading:
    """mean |sin + d| over its true value 2/pi, and its derivatives (enclosed where it bends)."""
    places = placed(w)
    either = arb(0, 1)

    def reading(phase: Ball, step: Ball, offset: Ball) -> tuple[Ball, tuple[Ball, Ball, Ball]]:
        total = slope = by_step = by_offset = arb(0)
        for place, part in places:
            sine, cosine = (phase + place * step).sin_cos_pi()
            x = sine + offset
            if x > 0:
                sign = 1
            elif x < 0:
                sign = -1
            else:
                sign = either
            total += part * abs(x)
            turned = part * sign * cosine
            slope += turned
            by_step += place * turned
            by_offset += part * sign
        half_turn = arb.pi()
        share = half_turn / 2
        return total * share, (
            slope * share * half_turn,
            by_step * share * half_turn,
            by_offset * share,
        )

    return reading


def mean_square(w: Window) -> Reading:
    """Mean of (sin + d)^2 over its true value 1/2, and its derivatives.

    By the sums of angles it is 1 + 2 d^2 + 4 d C1 sin(phase) - C2 cos(2 phase), where C1 and C2 are
    the means of cos(k step) and cos(2 k step); both are added up sample by sample. Weights that are
    the same from either end leave no sines of k step.
    """
    places = placed(w)

    def reading(phase: Ball, step: Ball, offset: Ball) -> tuple[Ball, tuple[Ball, Ball, Ball]]:
        once = twice = once_by_step = twice_by_step = arb(0)
        for place, part in places:
            sine, cosine = (place * step).sin_cos_pi()
            once += part * cosine
            twice += part * (2 * place * step).cos_pi()
            once_by_step -= part * place * sine
            twice_by_step -= 2 * part * place * (2 * place * step).sin_pi()
        half_turn = arb.pi()
        sine, cosine = phase.sin_cos_pi()
        sine_twice, cosine_twice = (2 * phase).sin_cos_pi()
        value = 1 + 2 * offset**2 + 4 * offset * once * sine - twice * cosine_twice
        by_phase = half_turn * (4 * offset * once * cosine + 2 * twice * sine_twice)
        by_step = 4 * offset * once_by_step * sine - twice_by_step * cosine_twice
        return value, (by_phase, by_step * half_turn, 4 * (offset + once * sine))

    return reading


def clipped_mean(w: Window) -> Reading:
    """Half the difference of mean |sin + d| and mean |sin - d|, over 2/pi: the mean of the sine
    clipped at +-d, sample by sample. Its derivatives by the phase alone."""
    places = placed(w)

    def reading(phase: Ball, step: Ball, offset: Ball) -> tuple[Ball, tuple[Ball, Ball, Ball]]:
        total = slope = arb(0)
        for place, part in places:
            sine, cosine = (phase + place * step).sin_cos_pi()
            if sine > offset:
                total += part * offset
            elif sine < -offset:
                total -= part * offset
            else:
                inside = sine < offset and sine > -offset
                total += part * (sine if inside else sine.max(-offset).min(offset))
                slope += part * (cosine if inside else cosine.union(arb(0)))
        share = arb.pi() / 2
        return total * share, (slope * share * arb.pi(), arb(0), arb(0))

    return reading


def flipping_rms(w: Window) -> Reading:
    """Half the difference of the RMS readings at an offset and at the opposite one, over the true
    RMS. Its derivatives by the phase alone."""
    square = mean_square(w)

    def reading(phase: Ball, step: Ball, offset: Ball) -> tuple[Ball, tuple[Ball, Ball, Ball]]:
        (plus, by_plus), (minus, by_minus) = (square(phase, step, d) for d in (offset, -offset))
        plus, minus = plus.sqrt(), minus.sqrt()
        slope = (by_plus[0] / plus - by_minus[0] / minus) / 4
        return (plus - minus) / 2, (slope, arb(0), arb(0))

    return reading


def enclosed(reading: Reading, box: Box) -> tuple[Ball, Ball, int]:
    """The reading over the whole box and at its centre, and the axis that matters most."""
    direct, slopes = reading(*(widened(*side) for side in box))
    middle, _ = reading(*(exact(centre) for centre, _ in box))
    around = [slope * arb(0, exact(half)) for slope, (_, half) in zip(slopes, box, strict=True)]
    by_mean_value = middle + sum(around, arb(0))
    reach = [float(part.abs_upper()) for part in around]
    return by_mean_value.intersection(direct), middle, reach.index(max(reach))


def halves(box: Box, axis: int) -> Iterator[Box]:
    centre, half = box[axis][0], box[axis][1] / 2
    for side in (centre - half, centre + half):
        yield (*box[:axis], (side, half), *box[axis + 1 :])


def prove(reading: Reading, boxes: list[Box], low: float, high: float) -> None:
    """Fails unless the reading stays in [low, high] all over the boxes."""
    left = list(boxes)
    for _ in range(MAX_BOXES):
        if not left:
            return
        box = left.pop()
        values, middle, axis = enclosed(reading, box)
        assert not (middle < low or middle > high), f"{middle} at {box}, outside {low} to {high}"
        if not (values >= low and values <= high):
            left += halves(box, axis)
    pytest.fail(f"{len(left)} boxes are undecided after {MAX_BOXES}")


def witness(reading: Reading, boxes: list[Box], level: float, side: Literal[-1, 1]) -> None:
    """Fails unless a reading at or below (``side`` -1), or at or above (1), ``level`` is found."""
    number = itertools.count()
    heap: list[tuple[float, int, Box, int]] = []

    def look(box: Box) -> bool:
        values, middle, axis = enclosed(reading, box)
        heapq.heappush(heap, (-float((side * values).upper()), next(number), box, axis))
        return bool(side * middle >= side * arb(level))

    if any(look(box) for box in boxes):
        return
    for _ in range(MAX_BOXES):
        best, _, box, axis = heapq.heappop(heap)
        assert -best >= side * level - 1e-9, f"no reading comes near {level}: {-side * best}"
        if any(look(half) for half in halves(box, axis)):
            return
    pytest.fail(f"no reading reaches {level}; {-side * heap[0][0]} is not ruled out")


def start(window: Window, offset: float, deviation: Fraction, parts: int) -> list[Box]:
    """Boxes over every phase, every step and every offset. A half turn of the phase and the
    offset's sign change nothing together, so offsets from 0 up suffice over a whole turn."""
    step = window.half_cycles_per_sample
    turn = Fraction(2 if offset else 1)
    if window.whole and not window.shaped and not deviation and not offset:
        # The samples are N equal parts of the half turn: a part further they read the same.
        turn = Fraction(1, window.distinct_points)
    half_step = step * deviation / window.frequency_hz
    half = Fraction(offset) / 2
    width = turn / parts / 2
    return [(((2 * n + 1) * width, width), (step, half_step), (half, half)) for n in range(parts)]


def window(half_cycles: int, samples: int, us: Fraction | int, f: Fraction | int = 50) -> Window:
    return Window(half_cycles, samples, Fraction(f), us * US)


WHOLE = [
    window(1, 1, 10_000),
    window(1, 2, 5000),
    window(2, 3, Fraction(20_000, 3)),
    window(2, 25, 800),
    window(4, 50, 800),
    window(3, 25, 1000, 60),
    window(6, 50, 1000, 60),
    window(1, 25, 50, 400),
    window(1, 60, 500, Fraction(50, 3)),
    window(1, 2000, 5),
    window(7, 1000, 70),
]
PARTIAL = [
    window(1, 3, 3333),
    window(2, 1, 19_000),
    window(1, 10, 997),
    window(2, 20, 997),
    window(1, 33, 900, Fraction(50, 3)),
    window(1, 12, 104, 400),
    window(3, 26, 957, 60),
    window(1, 61, 164),
]


def shaped(w: Window, *half: int) -> Window:
    """The window with these weights, which are mirrored about its middle block."""
    return replace(w, block_weights=(*half, *half[-2::-1]))


SHAPED = [
    shaped(window(1, 9, 1000, 60), 21, 27, 31, 31, 27),
    shaped(window(2, 17, 1000, 60), 26, 28, 29, 29, 29, 30, 31, 29, 27),
    shaped(window(3, 25, 1000, 60), 22, 11, 9, 14, 24, 33, 38, 35, 33, 38, 44, 47, 49),
    shaped(window(2, 25, 800), 3, 9, 14),
    shaped(window(1, 21, 500, Fraction("16.7")), 4, 1, 7, 9),
]
"""With zeros of their own; the last two with weights of no design, in blocks of several samples."""


def label(w: Window) -> str:
    name = f"{w.half_cycles}-in-{w.samples}-at-{w.frequency_hz}Hz".replace("/", "over")
    return f"{name}-in-{w.blocks}-blocks" if w.shaped else name


@pytest.fixture(autouse=True)
def precision() -> Iterator[None]:
    """100 bits: doubles have 53."""
    before, flint.ctx.prec = flint.ctx.prec, 100
    yield
    flint.ctx.prec = before


def assert_proven(reading: Reading, boxes: list[Box], bound: Bounds, gap: float) -> None:
    """That nothing passes ``bound`` (of the reading over its true value), and something comes
    within ``gap`` of either end."""
    prove(reading, boxes, bound.low - ROUNDING, bound.high + ROUNDING)
    witness(reading, boxes, bound.low + gap, -1)
    witness(reading, boxes, bound.high - gap, 1)


def assert_mean_proven(w: Window, offset: float, deviation: Fraction, gap: float) -> None:
    error = reading_errors.mean_error(w, offset, deviation)
    parts = 1 if w.whole and not w.shaped and not offset and not deviation else w.samples
    bound = Bounds(1 + error.low, 1 + error.high)
    assert_proven(rectified_mean(w), start(w, offset, deviation, parts), bound, gap)


def assert_rms_proven(w: Window, offset: float, deviation: Fraction, gap: float) -> None:
    error = reading_errors.rms_error(w, offset, deviation)
    square = Bounds((1 + error.low) ** 2, (1 + error.high) ** 2)
    boxes = start(w, offset, deviation, max(4, 2 * w.half_cycles))
    assert_proven(mean_square(w), boxes, square, gap)


@pytest.mark.parametrize("w", WHOLE, ids=label)
def test_sampling_of_whole_windows(w: Window) -> None:
    assert_mean_proven(w, 0.0, Fraction(0), 1e-12)
    assert_rms_proven(w, 0.0, Fraction(0), 1e-12)


@pytest.mark.parametrize("w", PARTIAL, ids=label)
def test_sampling_of_partial_windows(w: Window) -> None:
    assert_mean_proven(w, 0.0, Fraction(0), 1e-11)
    assert_rms_proven(w, 0.0, Fraction(0), 1e-7)


SHORT = [w for w in WHOLE + PARTIAL if 1 < w.samples <= 33]


@pytest.mark.parametrize("offset", [0.02, 0.25])
@pytest.mark.parametrize("w", SHORT, ids=label)
def test_zero_offset(w: Window, offset: float) -> None:
    error = reading_errors.mean_error(w, offset)
    assert_mean_proven(w, offset, Fraction(0), allowed(error))
    assert_rms_proven(w, offset, Fraction(0), 1e-7)


@pytest.mark.parametrize("deviation", [Fraction(1, 100), Fraction(1, 10)])
@pytest.mark.parametrize("w", SHORT, ids=label)
def test_frequency_deviation(w: Window, deviation: Fraction) -> None:
    hertz = deviation * w.frequency_hz
    error = reading_errors.mean_error(w, 0.0, hertz)
    assert_mean_proven(w, 0.0, hertz, allowed(error))
    assert_rms_proven(w, 0.0, hertz, 1e-7)


@pytest.mark.parametrize("w", SHORT, ids=label)
def test_zero_offset_and_frequency_deviation(w: Window) -> None:
    hertz = w.frequency_hz / 50
    error = reading_errors.mean_error(w, 0.01, hertz)
    assert_mean_proven(w, 0.01, hertz, allowed(error))
    assert_rms_proven(w, 0.01, hertz, 1e-7)


@pytest.mark.parametrize(
    ("w", "faults"),
    [
        # Both faults in 25 blocks of one sample take as long as all others.
        pytest.param(
            *(w, faults),
            id=f"{faults}-{label(w)}",
            marks=[pytest.mark.long] * (w is SHAPED[2] and faults == "both"),
        )
        for faults in ("sampling", "zero", "frequency", "both")
        for w in SHAPED
    ],
)
def test_shaped_windows(w: Window, faults: str) -> None:
    offset = 0.02 if faults in ("zero", "both") else 0.0
    hertz = w.frequency_hz / 100 if faults in ("frequency", "both") else Fraction(0)
    error = reading_errors.mean_error(w, offset, hertz)
    assert_mean_proven(w, offset, hertz, allowed(error))
    assert_rms_proven(w, offset, hertz, 1e-7)


@pytest.mark.parametrize("offset", [0.01, 0.3])
@pytest.mark.parametrize("w", [w for w in SHORT if w.odd] + [SHAPED[0], SHAPED[3]], ids=label)
def test_the_flipping_part_of_a_zero_offset(w: Window, offset: float) -> None:
    boxes = [
        (phase, step, (Fraction(offset), Fraction(0)))
        for phase, step, _ in start(w, offset, Fraction(0), w.samples)
    ]
    for measure, reading in (("mean", clipped_mean), ("rms", flipping_rms)):
        most = reading_errors.alternation(w, offset, measure)  # type: ignore[arg-type]
        prove(reading(w), boxes, -most - ROUNDING, most + ROUNDING)
        witness(reading(w), boxes, most - 1e-11, 1)


@pytest.mark.parametrize("end", ["low", "high"])
def test_a_bound_that_is_a_billionth_short_is_refused(end: str) -> None:
    w = window(1, 10, 997)
    error = reading_errors.mean_error(w)
    bound = Bounds(1 + error.low, 1 + error.high)
    short = bound._replace(**{end: getattr(bound, end) + (1e-9 if end == "low" else -1e-9)})
    boxes = start(w, 0.0, Fraction(0), w.samples)
    with pytest.raises(AssertionError, match="outside"):
        prove(rectified_mean(w), boxes, *short)


def allowed(error: Bounds) -> float:
    """What `mean_error` says that its bound may be outside the truth, and a little for rounding."""
    return max(TOLERANCE, SHARE * max(abs(error.low), abs(error.high))) + 1e-11
