"""Bit-exact comparison of the compiled C with the model, every field at every tick.

Both sides get the same stimulus and are laid side by side in batches; the first difference ends
the run and can be replayed by its scenario and tick alone.
"""

from __future__ import annotations

import random
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfcycle.base import command_words
from halfcycle.regulator.model import Regulator, drive_wave, duty_wave, fed_scales, inverse_of
from halfcycle.regulator.plan import TURN, Plan, Turning
from halfcycle.regulator.state import READERS, READING, field_names
from halfcycle.regulator.trace import (
    Ints,
    reading_names,
    record_names,
    scale_by,
    targets_of,
    trace,
)
from halfcycle.regulator.turn import TURN_CALL_NAMES, TURN_FIELD_NAMES, Turn, call_of
from halfcycle.verify import adversarial, scenarios
from halfcycle.verify.harness import Harness

DEFAULT_SAMPLES = 1_000_000
DEFAULT_SEED = 1
CHUNK = 16_200
"""Ticks compared at a time: the records stay in the cache, and their rows are not a power of two
apart (which would map them all onto the same cache lines and cost five times the time)."""
VALUES = 20_000
"""Arguments tried of a function of one number."""
STATES = 10_000
"""States that update and sample are called from, at most: ten of them take a millisecond."""
MIN_WINDOWS = 24
"""Windows that each scenario runs at least, however few samples are asked for."""

RESULT = "result"
"""What one call returns, beside the fields; 0 if nothing."""
SINGLE: tuple[str, ...] = (
    *(
        "update_states",
        "sample_states",
        "bus_states",
        "readings",
        "targets",
        "millivolts",
        "drive",
        "turn",
    ),
)
"""Checks of single calls from chosen states; their "tick" is the number of the call."""
NAMES: tuple[str, ...] = ("reset", *SINGLE, *scenarios.SCENARIOS)


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """Consecutive ticks of one scenario, model and C beside each other."""

    scenario: str
    start: int
    fields: tuple[str, ...]
    model: Ints
    """Shape (len(fields), ticks)."""
    compiled: Ints
    inputs: Mapping[str, Ints]
    """What went in at each tick, each of shape (ticks,)."""


@dataclass(frozen=True, slots=True)
class Mismatch:
    """The first place where the C and the model differ."""

    scenario: str
    tick: int
    field: str
    model: int
    compiled: int
    seed: int
    samples: int

    def replay_options(self) -> str:
        """Options of ``halfcycle check SPEC DIR`` that show this place again."""
        return command_words.replay(
            seed=self.seed, samples=self.samples, scenario=self.scenario, tick=self.tick
        )

    def __str__(self) -> str:
        return (
            f"scenario {self.scenario}, tick {self.tick}, field {self.field}: "
            f"the model has {self.model}, the C has {self.compiled}"
        )


@dataclass(frozen=True, slots=True)
class Verification:
    """What was compared, and the first difference if there is one."""

    samples: int
    """Calls of sample, each followed by a comparison of the whole state."""
    calls: int
    """Single calls compared besides: update, hold, clear, read, set_target_mv, rms_mv, drive,
    duty, the phase."""
    seed: int
    mismatch: Mismatch | None


def verify(
    plan: Plan,
    generated: Mapping[str, str],
    *,
    samples: int = DEFAULT_SAMPLES,
    seed: int = DEFAULT_SEED,
    scenario: str | None = None,
    progress: Callable[[int, int], None] | None = None,
    flags: Sequence[str] = ("-O2",),
) -> Verification:
    """Compile ``generated`` (file name to text) and compare it with the model of ``plan``.

    ``samples``: ticks over all scenarios, at least (each runs ``MIN_WINDOWS`` windows anyway).
    ``scenario``: one of ``NAMES`` alone. ``progress`` is told (ticks done, ticks in all).
    ``flags``: for the compiler, such as a sanitizer's.
    Raises ToolMissingError without a compiler, compiler.CompileError if it refuses the code.
    """
    harness = Harness(plan, generated, flags)
    whole = len(scenarios.SCENARIOS) * _ticks(plan, samples)
    done = calls = 0
    for batch in batches(plan, harness, samples, seed, scenario):
        mismatch = _first_difference(batch, seed, samples)
        if mismatch is not None:
            return Verification(done, calls, seed, mismatch)
        if batch.scenario in scenarios.SCENARIOS:
            done += batch.model.shape[1]
            if progress is not None:
                progress(done, whole)
        else:
            calls += batch.model.shape[1]
    return Verification(done, calls, seed, None)


def replay(
    plan: Plan, generated: Mapping[str, str], *, samples: int, seed: int, scenario: str, tick: int
) -> tuple[Batch, int] | None:
    """The batch of ``scenario`` that holds ``tick``, and the tick's place in it; None: no such."""
    harness = Harness(plan, generated)
    for batch in batches(plan, harness, samples, seed, scenario):
        if batch.start <= tick < batch.start + batch.model.shape[1]:
            return batch, tick - batch.start
    return None


def call_once(
    plan: Plan,
    generated: Mapping[str, str],
    *,
    call: str,
    state: Mapping[str, int],
    argument: int | None,
) -> dict[str, int]:
    """Every field, and ``RESULT``, after one call of the C from ``state`` (reset: from rubbish).

    ``call``: a name of ``state.CALL_NAMES``. Raises as ``verify`` does.
    """
    harness = Harness(plan, generated)
    if call in TURN_CALL_NAMES:
        return _turned_once(harness, TURN_CALL_NAMES.index(call), state, argument)
    if call != "reset":
        harness.load(state)
    if call == "read":
        return {**harness.fields(), **results_of(harness.read())}
    result = harness.call(call, argument) if call != "reset" else 0
    return {**harness.fields(), RESULT: result}


def _turned_once(
    harness: Harness, call: int, state: Mapping[str, int], argument: int | None
) -> dict[str, int]:
    calls = np.asarray([call], dtype=np.uint8)
    after = harness.turns(state, calls, np.asarray([argument or 0], dtype=np.uint32))
    return dict(zip((*TURN_FIELD_NAMES, RESULT), after[:, 0].tolist(), strict=True))


def results_of(read: Sequence[int]) -> dict[str, int]:
    """What read returned and filled in, by name."""
    names = (RESULT, *(f"{RESULT}.{name}" for name, _, _ in READING))
    return dict(zip(names, read, strict=True))


def _first_difference(batch: Batch, seed: int, samples: int) -> Mismatch | None:
    if np.array_equal(batch.model, batch.compiled):
        return None
    differs = batch.model != batch.compiled
    column = int(differs.any(axis=0).argmax())
    row = int(differs[:, column].argmax())
    return Mismatch(
        batch.scenario,
        batch.start + column,
        batch.fields[row],
        int(batch.model[row, column]),
        int(batch.compiled[row, column]),
        seed,
        samples,
    )


def _ticks(plan: Plan, samples: int) -> int:
    """Ticks of each scenario."""
    return max(-(-samples // len(scenarios.SCENARIOS)), MIN_WINDOWS * plan.samples)


def batches(
    plan: Plan, harness: Harness, samples: int, seed: int, only: str | None = None
) -> Iterator[Batch]:
    """All comparisons in order, or those of the scenario ``only``."""
    for name in NAMES if only is None else (only,):
        if name == "reset":
            yield _reset_batch(plan, harness)
        elif name in ("update_states", "sample_states", "bus_states"):
            if name != "bus_states" or plan.bus is not None:
                count = max(1000, min(samples // 200, STATES))
                yield _states_batch(name, plan, harness, seed, count)
        elif name == "turn":
            if plan.turning is not None:
                yield from _turn_batches(plan, plan.turning, harness, seed)
        elif name == "readings":
            yield _readings_batch(plan, harness, seed, max(1000, min(samples // 200, STATES)))
        elif name in SINGLE:
            generator = np.random.default_rng([seed, zlib.crc32(name.encode())])
            yield from _value_batches(name, plan, harness, generator)
        else:
            yield from _run(scenarios.build(name, plan, seed, _ticks(plan, samples)), plan, harness)


def _run(scenario: scenarios.Scenario, plan: Plan, harness: Harness) -> Iterator[Batch]:
    regulator, record = Regulator(plan), record_names(plan)
    harness.reset()
    if not scenario.cold:
        regulator.load(scenarios.steady_state(plan))
        harness.load(regulator.fields())
    for start in range(0, len(scenario.codes), CHUNK):
        stop = min(start + CHUNK, len(scenario.codes))
        codes = scenario.codes[start:stop]
        targets = [(tick - start, mv) for tick, mv in scenario.targets if start <= tick < stop]
        holds = [tick - start for tick in scenario.holds if start <= tick < stop]
        updates = None if scenario.updates is None else scenario.updates[start:stop]
        plant = None if scenario.plant is None else scenario.plant.part(start, stop)
        # The C first: in a closed loop it decides the codes that the model is then given.
        bus = None if scenario.bus is None else scenario.bus[start:stop]
        compiled = harness.run(codes, targets, updates, plant, holds, bus=bus)
        model = trace(regulator, codes, targets, updates, holds, bus)
        inputs = {"adc_code": codes.astype(np.int64)}
        if bus is not None:
            inputs["bus_code"] = bus.astype(np.int64)
        yield Batch(scenario.name, start, record, model, compiled, inputs)


def _reset_batch(plan: Plan, harness: Harness) -> Batch:
    harness.reset()
    model, compiled = Regulator(plan).fields(), harness.fields()
    return Batch("reset", 0, tuple(model), _column(model), _column(compiled), {})


def _column(fields: Mapping[str, int]) -> Ints:
    return np.asarray([[value] for value in fields.values()], dtype=np.int64)


def _value_batches(
    name: str, plan: Plan, harness: Harness, generator: np.random.Generator
) -> Iterator[Batch]:
    if name == "targets":
        rms_mv = adversarial.target_values(plan, generator, VALUES)
        rows, compiled = {"target": targets_of(plan, rms_mv)}, harness.targets(rms_mv)
        if plan.law is not None:
            different, places = np.unique(rows["target"], return_inverse=True)
            inverses = [inverse_of(plan.law, target) for target in different.tolist()]
            rows["inverse"] = np.asarray(inverses, dtype=np.int64)[places]
        yield Batch(
            name, 0, tuple(rows), np.stack(list(rows.values())), compiled, {"rms_mv": rms_mv}
        )
    elif name == "millivolts":
        readings = adversarial.readings(plan, generator, VALUES)
        model = scale_by(readings, plan.millivolt_gain, plan.millivolt_shift)
        compiled = harness.millivolts(readings)
        yield Batch(name, 0, ("rms_mv",), model[None], compiled[None], {"reading": readings})
    else:
        turns = adversarial.drive_turns(plan, generator)
        for turn, (scales, sequences, phases) in enumerate(turns):
            in_use = np.where(sequences % 2 == 0, scales[0], scales[1]).astype(np.int64)
            phase = phases.astype(np.int64)
            factors = None
            if plan.bus is not None:
                factors = adversarial.drive_factors(plan.bus, generator, len(phases))
                in_use = fed_scales(plan, in_use, factors.in_use())
            model = np.stack([drive_wave(plan, in_use, phase), duty_wave(plan, in_use, phase)])
            compiled = harness.drives(scales, sequences, phases, factors).astype(np.int64)
            inputs = {
                "phase": phase,
                "scale_0": scales[0].astype(np.int64),
                "scale_1": scales[1].astype(np.int64),
                "output_sequence": sequences.astype(np.int64),
            }
            if factors is not None:
                for slot, row in enumerate(factors.slots):
                    inputs[f"factor_{slot}"] = row.astype(np.int64)
                inputs["factor_sequence"] = factors.sequences.astype(np.int64)
            yield Batch(name, turn * TURN, ("drive", "duty"), model, compiled, inputs)


def _turn_batches(plan: Plan, turning: Turning, harness: Harness, seed: int) -> Iterator[Batch]:
    """The oscillator: calls one after the other from reset, and from chosen numbers on."""
    generator = random.Random(f"{seed} turn")
    at = 0
    for fields, calls, millihertz in adversarial.turns(plan, turning, generator):
        turn = Turn(turning)
        turn.load(fields)
        rows = []
        for call, argument in zip(calls.tolist(), millihertz.tolist(), strict=True):
            name = TURN_CALL_NAMES[call]
            result = getattr(turn, name)(*([argument] if call_of(name).argument else []))
            rows.append([*turn.fields().values(), result or 0])
        compiled = harness.turns(fields, calls, millihertz)
        inputs = {"call": calls.astype(np.int64), "millihertz": millihertz.astype(np.int64)}
        model = np.asarray(rows, dtype=np.int64).T
        yield Batch("turn", at, (*TURN_FIELD_NAMES, RESULT), model, compiled, inputs)
        at += len(calls)


def _states_batch(name: str, plan: Plan, harness: Harness, seed: int, count: int) -> Batch:
    """One call of update, sample or bus from each of ``count`` chosen states."""
    generator = random.Random(f"{seed} {name}")
    regulator = Regulator(plan)
    codes = None
    if name == "update_states":
        states = adversarial.update_states(plan, generator, count)
        model = _called(regulator, states, None, lambda _: regulator.update())
        compiled = harness.single_calls(states)
    elif name == "sample_states":
        states, codes = adversarial.sample_states(plan, generator, count)
        model = _called(regulator, states, codes, regulator.sample)
        compiled = harness.single_calls(states, codes)
    else:
        assert plan.bus is not None
        states, codes = adversarial.bus_states(plan, plan.bus, generator, count)
        model = _called(regulator, states, codes, regulator.bus)
        compiled = harness.bus_calls(states, codes)
    inputs: dict[str, Ints] = dict(zip(field_names(plan), states.T, strict=True))
    if codes is not None:
        inputs["bus_code" if name == "bus_states" else "adc_code"] = codes.astype(np.int64)
    return Batch(name, 0, record_names(plan), model, compiled.T, inputs)


def _readings_batch(plan: Plan, harness: Harness, seed: int, count: int) -> Batch:
    """hold, or clear with any flags, from each of ``count`` chosen states, and then read."""
    generator = random.Random(f"{seed} readings")
    states = adversarial.update_states(plan, generator, count)
    hold = np.asarray([generator.random() < 0.1 for _ in range(count)], dtype=np.uint8)
    flags = np.asarray([generator.randint(0, 65535) for _ in range(count)], dtype=np.uint16)
    names = field_names(plan)
    inputs: dict[str, Ints] = dict(zip(names, states.T, strict=True))
    inputs |= {"hold": hold.astype(np.int64), "clear": flags.astype(np.int64)}
    regulator = Regulator(plan)
    rows = []
    for state, is_hold, cleared in zip(states.tolist(), hold.tolist(), flags.tolist(), strict=True):
        regulator.load(dict(zip(names, state, strict=True)))
        if is_hold:
            regulator.hold()
        else:
            regulator.clear(cleared)
        whole, told = regulator.read()
        rows.append([*regulator.values(), whole, *told])
    model = np.asarray(rows, dtype=np.int64).T
    compiled = harness.readings(states, hold, flags).T
    return Batch("readings", 0, reading_names(plan), model, compiled, inputs)


def _called(
    regulator: Regulator,
    states: Ints,
    codes: NDArray[np.uint16] | None,
    call: Callable[[int], int | None],
) -> Ints:
    """The model's record after one ``call`` from each state, shape (rows, states)."""
    names = field_names(regulator.plan)
    arguments = [0] * len(states) if codes is None else codes.tolist()
    rows = []
    for state, argument in zip(states.tolist(), arguments, strict=True):
        regulator.load(dict(zip(names, state, strict=True)))
        complete = call(argument) or 0
        results = [getattr(regulator, reader)() for reader in READERS]
        rows.append([*regulator.values(), complete, *results])
    return np.asarray(rows, dtype=np.int64).T
