"""What the C is run through, tick by tick, beside the model: seeded, from the Plan alone.

Each scenario is a function of (Plan, random generator, ticks). Closed ones put a simple static
plant between drive and ADC; open ones give the codes. Amplitudes are in ADC codes.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator.bus_plan import BusPlan
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import (
    CODE_MAX,
    FLAG_IN_BAND,
    SCALE_ONE,
    SEQUENCE_MASK,
    WORD_MASK,
    Plan,
)

Codes = NDArray[np.uint16]
RATED_SCALE = 0.85
"""Scale at which the static plant gives the rated voltage; nothing depends on its value."""


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedPlant:
    """What a closed loop puts between the drive and the ADC; all arrays (ticks,), ADC codes.

    The code is ``zero + add`` plus ``wave * scale`` clipped at ``+-limit``, or ``force`` if that
    is 0 or more.
    """

    wave: NDArray[np.int32]
    limit: NDArray[np.int32]
    add: NDArray[np.int32]
    force: NDArray[np.int32]

    def part(self, start: int, stop: int) -> SimulatedPlant:
        """The ticks from ``start`` up to ``stop``."""
        cut = slice(start, stop)
        return SimulatedPlant(self.wave[cut], self.limit[cut], self.add[cut], self.force[cut])


@dataclass(frozen=True, slots=True, eq=False)
class Scenario:
    """One recording to run. ``codes`` is filled in by the run if there is a plant."""

    name: str
    codes: Codes
    targets: tuple[tuple[int, int], ...] = ()
    """(tick, millivolts), ascending: set before that tick's sample."""
    updates: NDArray[np.uint8] | None = None
    """Calls of update after each tick's sample; None: one after each whole block."""
    plant: SimulatedPlant | None = None
    holds: tuple[int, ...] = ()
    """Ticks before whose sample a limiter acts (one call of hold), ascending."""
    bus: NDArray[np.int32] | None = None
    """Code of a measured bus before each tick's sample, below 0 for no call; None: none."""
    cold: bool = False
    """Starts from reset; else from the rated voltage, which a slow ramp may never reach here."""


Maker = Callable[[Plan, np.random.Generator, int], Scenario]


def build(name: str, plan: Plan, seed: int, ticks: int) -> Scenario:
    """The scenario ``name`` (a key of ``SCENARIOS``), the same for the same arguments."""
    generator = np.random.default_rng([seed, zlib.crc32(name.encode())])
    scenario = SCENARIOS[name](plan, generator, ticks)
    if plan.bus is None:
        return scenario
    generator = np.random.default_rng([seed, zlib.crc32(f"{name} bus".encode())])
    return replace(scenario, bus=bus_codes(plan, plan.bus, generator, ticks))


def bus_codes(
    plan: Plan, bus: BusPlan, generator: np.random.Generator, ticks: int
) -> NDArray[np.int32]:
    """What a measured bus reads, or -1: near its nominal most often, anywhere in its range and
    beside it, moving at every tick, or not read at all, for half a window to twelve at a time."""
    edges = [bus.read_low, bus.read_low - 1, bus.read_high, bus.read_high + 1, bus.high_code + 1]
    places = [bus.nominal_code] * 8 + [*edges, 0, CODE_MAX, -1, -1]
    level = _pieces(plan, generator, ticks, _chosen(generator, *places))
    moving = _pieces(plan, generator, ticks, _chosen(generator, 0, 0, 1)) > 0
    anywhere = generator.integers(bus.read_low - 2, bus.read_high + 3, ticks)
    codes = np.where(moving, anywhere, level + generator.integers(-2, 3, ticks))
    codes = np.where(level < 0, -1, np.clip(codes, 0, CODE_MAX))
    return codes.astype(np.int32)


def steady_state(plan: Plan) -> dict[str, int]:
    """Every state field of a regulator that holds the static plant at the rated voltage."""
    scale = min(round(RATED_SCALE * SCALE_ONE), plan.scale_top)
    regulator = Regulator(plan)
    regulator.set_target_mv(plan.rated_mv)
    regulator.integral = scale << plan.scale_shift
    regulator.ramp = plan.target_rated << plan.ramp_bits if plan.ramped else 0
    regulator.out_scale = [scale, scale]
    regulator.reading = [plan.target_rated, plan.target_rated]
    regulator.out_flags = [FLAG_IN_BAND, FLAG_IN_BAND]
    regulator.blocks_due, regulator.unsettled, regulator.undriven = 1, 0, 0
    squared = plan.target_rated if plan.measure == "rms" else 1
    block = (plan.target_rated * squared << plan.reading_shift) // sum(plan.block_weights)
    regulator.ring = [block & WORD_MASK] * (plan.blocks - 1)
    regulator.ring_high = [block >> 32] * (plan.blocks - 1)
    return regulator.fields()


def rated_peak(plan: Plan) -> float:
    """Peak of the sine at the ADC, in codes, that reads as the rated voltage."""
    total = plan.target_rated * (plan.target_rated if plan.measure == "rms" else 1)
    average = total * 2.0**plan.reading_shift / plan.weighted_samples
    return math.sqrt(2 * average) if plan.measure == "rms" else average * math.pi / 2


def _closed(
    plan: Plan,
    generator: np.random.Generator,
    ticks: int,
    name: str,
    *,
    gain: NDArray[np.float64] | float = 1.0,
    limit: NDArray[np.float64] | float = np.inf,
    add: NDArray[np.int32] | int = 0,
    force: NDArray[np.int32] | int = -1,
    drift: float = 0.0,
    targets: tuple[tuple[int, int], ...] = (),
) -> Scenario:
    """``gain`` 1 is the nominal plant, ``limit`` in rated peaks, ``drift`` of the frequency."""
    peak = rated_peak(plan)
    turns = plan.half_cycles / (2 * plan.samples) * (1 + drift)
    sine = np.sin(2 * np.pi * (turns * np.arange(ticks) + generator.random()))
    all_ticks = np.zeros(ticks)
    noise = generator.integers(-2, 3, ticks, dtype=np.int32)
    plant = SimulatedPlant(
        wave=_codes32(sine * peak / RATED_SCALE * gain),
        limit=_codes32(all_ticks + np.minimum(limit, 1e4) * peak),
        add=noise + np.asarray(add, dtype=np.int32),
        force=_codes32(all_ticks + force),
    )
    return Scenario(name, np.zeros(ticks, np.uint16), targets, plant=plant)


def _codes32(values: NDArray[np.float64]) -> NDArray[np.int32]:
    return np.clip(np.rint(values), -1e8, 1e8).astype(np.int32)


def _pieces(
    plan: Plan,
    generator: np.random.Generator,
    ticks: int,
    values: Callable[[int], NDArray[np.float64]],
) -> NDArray[np.float64]:
    """Piecewise constant over the ticks: pieces of half a window to twelve windows."""
    lengths: list[int] = []
    covered = 0
    while covered < ticks:
        lengths.append(max(1, int(plan.samples * generator.uniform(0.5, 12))))
        covered += lengths[-1]
    return np.repeat(values(len(lengths)), lengths)[:ticks]


def _chosen(
    generator: np.random.Generator, *choices: float
) -> Callable[[int], NDArray[np.float64]]:
    return lambda size: generator.choice(np.asarray(choices, dtype=np.float64), size)


def _limited(
    scenario: Scenario, plan: Plan, generator: np.random.Generator, ticks: int
) -> Scenario:
    """With a limiter that acts at times: in some blocks of a third of the run."""
    acts = _pieces(plan, generator, ticks, _chosen(generator, 0, 0, 1)) > 0
    at = np.flatnonzero(acts & (generator.random(ticks) * plan.block_samples < 1.5))
    return replace(scenario, holds=tuple(at.tolist()))


def _start_up(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    scenario = _closed(plan, generator, ticks, "start_up")
    return replace(scenario, cold=True, targets=((0, plan.rated_mv),))


def _target_steps(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    count = max(4, ticks // (8 * plan.samples))
    at = np.sort(generator.integers(0, ticks, count)).tolist()
    special = [0, 1, -1, plan.rated_mv, plan.target_max_mv, plan.target_max_mv + 1]
    special += [2**31 - 1, -(2**31), plan.rated_mv // 2]
    millivolts = generator.integers(0, plan.target_max_mv + 1, count).tolist()
    steps = [mv if k % 2 else int(generator.choice(special)) for k, mv in enumerate(millivolts)]
    pairs = tuple(zip(at, steps, strict=True))
    scenario = _closed(plan, generator, ticks, "target_steps", targets=pairs)
    return _limited(scenario, plan, generator, ticks)


def _load_steps(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    gain = _pieces(plan, generator, ticks, lambda size: generator.uniform(0.7, 1.2, size))
    return _closed(plan, generator, ticks, "load_steps", gain=gain)


def _overload(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    gain = _pieces(plan, generator, ticks, _chosen(generator, 1.0, 0.3, 1.0, 0.6))
    scenario = _closed(plan, generator, ticks, "overload", gain=gain)
    return _limited(scenario, plan, generator, ticks)


def _brownout(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    limit = _pieces(plan, generator, ticks, _chosen(generator, 0.5, 0.9, 1.2, 5.0))
    return _closed(plan, generator, ticks, "brownout", limit=limit)


def _saturated_adc(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    gain = _pieces(plan, generator, ticks, _chosen(generator, 1.0, 30.0, 3.0))
    return _closed(plan, generator, ticks, "saturated_adc", gain=gain)


def _stuck_codes(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    stuck = _chosen(
        generator,
        *(-1, 0, plan.adc_max, CODE_MAX, plan.zero_code + 1),
        *generator.integers(0, CODE_MAX + 1, 8),
    )
    force = _pieces(plan, generator, ticks, stuck).astype(np.int32)
    return _closed(plan, generator, ticks, "stuck_codes", force=force)


def _disconnected(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    force = _pieces(plan, generator, ticks, _chosen(generator, -1, plan.zero_code))
    return _closed(plan, generator, ticks, "disconnected", force=force.astype(np.int32))


def _zero_offset(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    most = max(2, int(rated_peak(plan) / 10))
    add = _pieces(plan, generator, ticks, _chosen(generator, 0, 1, -1, most, -most, most // 2))
    return _closed(plan, generator, ticks, "zero_offset", add=add.astype(np.int32))


def _frequency_drift(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    return _closed(plan, generator, ticks, "frequency_drift", drift=generator.uniform(-0.05, 0.05))


def _target_each_tick(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    """A target change at another tick of each window, so that over the run it meets them all."""
    windows = ticks // plan.samples
    stride = max(1, plan.samples // max(1, windows))
    pairs = tuple(
        (
            window * plan.samples + (window * stride) % plan.samples,
            int(generator.integers(0, plan.target_max_mv + 1)),
        )
        for window in range(windows)
    )
    return _closed(plan, generator, ticks, "target_each_tick", targets=pairs)


def _random_codes(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    del plan
    return Scenario("random_codes", generator.integers(0, CODE_MAX + 1, ticks, dtype=np.uint16))


def _random_near_rated(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    peak = rated_peak(plan) * _pieces(
        plan, generator, ticks, lambda size: generator.uniform(0.0, 2.4, size)
    )
    codes = plan.zero_code + peak * generator.uniform(-1, 1, ticks)
    return Scenario("random_near_rated", np.clip(codes, 0, plan.adc_max).astype(np.uint16))


def _rails(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    """Both ends of the ADC, codes beyond it and the zero, held or changing at every tick."""
    ends = [0, plan.adc_max, min(plan.adc_max + 1, CODE_MAX), CODE_MAX, plan.zero_code]
    held = _pieces(plan, generator, ticks, _chosen(generator, *ends))
    changing = generator.choice(np.asarray(ends, dtype=np.float64), ticks)
    is_held = _pieces(plan, generator, ticks, _chosen(generator, 0, 1))
    return Scenario("rails", np.where(is_held > 0, held, changing).astype(np.uint16))


def _late_updates(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    """Every update comes some ticks after its block's end, up to the last tick before the next."""
    ends = np.arange(plan.block_samples - 1, ticks, plan.block_samples)
    at = ends + generator.integers(0, plan.block_samples, len(ends))
    updates = np.zeros(ticks, dtype=np.uint8)
    updates[at[at < ticks]] = 1
    scenario = _closed(plan, generator, ticks, "late_updates")
    return replace(scenario, updates=updates)


def _odd_updates(plan: Plan, generator: np.random.Generator, ticks: int) -> Scenario:
    """Updates missed, doubled and called without a block; one long gap wraps the sequence."""
    updates = np.zeros(ticks, dtype=np.uint8)
    ends = np.arange(plan.block_samples - 1, ticks, plan.block_samples)
    if plan.blockwise:
        updates[ends[_taken(plan, generator, len(ends))]] = 1
    else:
        updates[ends] = generator.choice(np.asarray([0, 1, 1, 2, 3], dtype=np.uint8), len(ends))
    updates[generator.integers(0, ticks, len(ends) // 2 + 1)] += 1
    gap = (SEQUENCE_MASK + 2) * plan.block_samples
    # Some fewer or more: as if none had been missed, if that were not seen to.
    gap += int(generator.integers(-2, 3)) * plan.block_samples
    if ticks > 2 * gap:
        start = int(generator.integers(0, ticks - gap))
        updates[start : start + gap] = 0
    scenario = _closed(plan, generator, ticks, "odd_updates")
    return replace(scenario, updates=updates)


def _taken(plan: Plan, generator: np.random.Generator, blocks: int) -> NDArray[np.bool_]:
    """Blocks that an update takes: holes of one block to a window, at every moment of a filling
    ring and after it."""
    taken = np.zeros(blocks, dtype=np.bool_)
    at = 0
    while at < blocks:
        run = int(generator.integers(1, 3 * plan.blocks))
        taken[at : at + run] = True
        at += run + int(generator.choice([1, 1, 1, 2, plan.blocks]))
    return taken


SCENARIOS: dict[str, Maker] = {
    "start_up": _start_up,
    "target_steps": _target_steps,
    "load_steps": _load_steps,
    "overload": _overload,
    "brownout": _brownout,
    "saturated_adc": _saturated_adc,
    "stuck_codes": _stuck_codes,
    "disconnected": _disconnected,
    "zero_offset": _zero_offset,
    "frequency_drift": _frequency_drift,
    "target_each_tick": _target_each_tick,
    "random_codes": _random_codes,
    "random_near_rated": _random_near_rated,
    "rails": _rails,
    "late_updates": _late_updates,
    "odd_updates": _odd_updates,
}
