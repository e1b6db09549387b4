"""What the keys of a spec's loop insist on about its window: faults if it cannot be had."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import islice
from typing import TYPE_CHECKING

from halfcycle.base.errors import Fault
from halfcycle.base.exact import text
from halfcycle.windows import weights
from halfcycle.windows.search import CLOCK_PPM
from halfcycle.windows.shaped import MAX_BLOCKS, Wanted, nearest_samples, shapes
from halfcycle.windows.weights import NoSuchZeroError

if TYPE_CHECKING:
    from halfcycle.spec.models import Spec


def window_faults_of(spec: Spec, file: str) -> list[Fault]:
    """Every fault of samples, half_cycles, weighting and updates_per_window beside each other."""
    return [*_length_faults(spec, file), *_update_faults(spec, file)]


def _length_faults(spec: Spec, file: str) -> Iterator[Fault]:
    samples = spec.loop.samples
    if samples == "auto":
        return
    step = 2 * spec.output.frequency_hz * spec.loop.period_us / 1_000_000
    wanted = Wanted.of(spec)
    longest = wanted.longest

    def fault(problem: str, remedy: str) -> Fault:
        return Fault(file, "loop.samples", problem, remedy)

    held = f"{samples} samples hold {float(samples * step):.6g} half cycles"
    if samples > longest:
        yield fault(
            f"{samples} samples take {float(samples * spec.loop.period_us / 1000):.6g} ms",
            f"use {longest} or fewer, or a longer longest_window_ms than "
            f"{text(spec.loop.longest_window_ms)}",
        )
    elif spec.loop.half_cycles != "auto" and samples != round(spec.loop.half_cycles / step):
        fitting = max(1, round(spec.loop.half_cycles / step))
        yield fault(
            f"{held}, not half_cycles = {spec.loop.half_cycles}",
            f'use {fitting}, or half_cycles = "auto"',
        )
    elif spec.loop.weighting == "flat" and not (
        is_whole(samples, step) or spec.loop.accept_partial_window
    ):
        yield fault(
            f"{held}, which is not a whole number",
            f'use {_whole_near(samples, step)}, or weighting = "shaped"',
        )
    elif (spec.loop.weighting == "shaped" or not is_whole(samples, step)) and not any(
        shapes(wanted, zeros) for zeros in wanted.sets
    ):
        yield fault(*_uncarried(wanted, samples))


def is_whole(samples: int, step: Fraction) -> bool:
    """Whether so many samples hold whole half cycles, as well as a clock can."""
    held = samples * step
    return round(held) > 0 and abs(held / round(held) - 1) * 1_000_000 <= CLOCK_PPM


def _whole_near(samples: int, step: Fraction) -> str:
    below = step.denominator * max(1, samples // step.denominator)
    if below >= samples:
        return str(below)
    return f"{below} or {below + step.denominator}"


def _uncarried(wanted: Wanted, samples: int) -> tuple[str, str]:
    """What is wrong with a shaped window of so many samples, and what to do."""
    zeros = wanted.sets[-1]
    near = sorted(islice(nearest_samples(wanted, samples), 2))
    advice = f"use {' or '.join(map(str, near))}" if near else "use a shorter loop period"
    try:
        needed = weights.min_blocks(wanted.frequency_hz, wanted.period_s, 1, zeros)
    except NoSuchZeroError as error:
        return str(error), "use a shorter loop period"
    if samples < needed:
        problem = f"{samples} samples are too few for weights with zeros at {zeros.text}, which "
        return f"{problem}need {needed}", advice
    return (
        f"{samples} samples have no blocks (2 to {MAX_BLOCKS} of equal length) whose weights have "
        f"zeros at {zeros.text} and are all above 0",
        advice,
    )


def _update_faults(spec: Spec, file: str) -> Iterator[Fault]:
    updates, samples = spec.loop.updates_per_window, spec.loop.samples
    if updates == "auto" or samples == "auto" or samples % updates == 0:
        return
    dividing = [n for n in range(1, MAX_BLOCKS + 1) if samples % n == 0]
    away = {n: abs(n - updates) for n in dividing}
    near = sorted(sorted(dividing, key=away.__getitem__)[:2])
    fitting = sorted({updates * max(1, samples // updates), updates * (samples // updates + 1)})
    yield Fault(
        file,
        "loop.updates_per_window",
        f"{updates} updates do not divide a window of {samples} samples",
        f"use {' or '.join(map(str, near))}, or samples = {' or '.join(map(str, fitting))}",
    )
