"""What the guest on a target is asked, and what it must answer: the scenarios as words.

``jobs`` runs ``verify.scenarios``'s scenarios on the host once, and keeps for each batch the
request that repeats it on a target and the model's record of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator.plan import TURN, WORD_MASK, Plan
from halfcycle.regulator.trace import COMPLETE, WHOLE, Ints
from halfcycle.verify import c_interface, compare
from halfcycle.verify.adversarial import DriveFactors
from halfcycle.verify.harness import Harness
from halfcycle.verify.scenarios import SimulatedPlant

Words = NDArray[np.uint32]
_AFTER_WINDOW = 255
KEEP = ("main", "hc_guest_load")
"""What the host calls in an image of the guest."""


def sources(plan: Plan, generated: Mapping[str, str]) -> tuple[dict[str, str], list[str]]:
    """Texts and source names of the guest with its regulator."""
    contents = {
        **c_interface.harness_files("target_guest.c", "target_port.h", "target_semihost.h"),
        **c_interface.names_of(plan),
        **c_interface.state_header(plan),
    }
    for name in (f"{plan.name}.h", f"{plan.name}.c"):
        contents[name] = generated[name]
    return contents, [f"{c_interface.FOLDER}/target_guest.c", f"{plan.name}.c"]


def defines(port: str) -> list[str]:
    """What ``target_guest.c`` must be told; ``port`` is MEMORY, AVR or SEMIHOST."""
    return [f"HC_PORT_{port}"]


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """One batch of calls: the request, and the record that the model has of it."""

    scenario: str
    start: int
    """Tick (or number of the call) of the first column."""
    step: int
    """Ticks from one column to the next."""
    fields: tuple[str, ...]
    request: Words
    expected: Ints
    """Shape (len(fields), columns)."""

    @property
    def state_fields(self) -> int:
        """Numbers of the state that a record begins with."""
        names = self.fields
        return next((names.index(end) for end in (COMPLETE, WHOLE) if end in names), len(names))

    @property
    def answers(self) -> int:
        """Words that the guest answers."""
        return int(self.expected.size)

    def difference(self, answer: Words) -> str | None:
        """Where ``answer`` first differs from the model, in words; None if nowhere."""
        answered = answer.reshape(self.expected.shape[1], len(self.fields)).T
        expected_words = (self.expected & WORD_MASK).astype(np.uint32)
        differs = answered != expected_words
        if not differs.any():
            return None
        column = int(differs.any(axis=0).argmax())
        row = int(differs[:, column].argmax())
        expected = int(self.expected[row, column])
        value = int(answered[row, column])
        if expected < 0 and value >= 1 << 31:
            value -= 1 << 32
        return (
            f"scenario {self.scenario}, tick {self.start + column * self.step}, field "
            f"{self.fields[row]}: the model has {expected}, the target has {value}"
        )


class _Recorder(Harness):
    """The host's C, which also writes down each request in the guest's words."""

    def __init__(self, plan: Plan, generated: Mapping[str, str], phase_step: int) -> None:
        self._words: list[Words] = []
        self._phase_step = phase_step
        super().__init__(plan, generated)

    def take(self) -> Words:
        """The requests since the last call of ``take``."""
        taken, self._words = self._words, []
        return np.concatenate(taken) if taken else np.zeros(0, np.uint32)

    def _ask(self, command: str, *values: int) -> None:
        self._words.append(_words(np.asarray([ord(command), *values])))

    def reset(self) -> None:
        super().reset()
        self._ask("R")

    def load(self, values: Mapping[str, int]) -> None:
        super().load(values)
        self._words.append(load(values))

    def fields(self) -> dict[str, int]:
        self._ask("S")
        return super().fields()

    def run(
        self,
        codes: NDArray[np.uint16],
        targets: Sequence[tuple[int, int]] = (),
        updates: NDArray[np.uint8] | None = None,
        plant: SimulatedPlant | None = None,
        holds: Sequence[int] = (),
        *,
        bus: NDArray[np.int32] | None = None,
    ) -> Ints:
        result = super().run(codes, targets, updates, plant, holds, bus=bus)
        calls = np.full(len(codes), _AFTER_WINDOW) if updates is None else updates
        words = codes.astype(np.uint32) | (calls.astype(np.uint32) << np.uint32(16))
        aims = [(tick, [ord("T"), millivolts]) for tick, millivolts in targets]
        limited = [(tick, [ord("I")]) for tick in holds]
        readings = [] if bus is None else list(enumerate(bus.tolist()))
        read = [(tick, [ord("B"), code]) for tick, code in readings if code >= 0]
        at = 0
        for tick, asked in sorted([*aims, *limited, *read], key=lambda event: event[0]):
            self._ask_ticks(words[at:tick])
            self._words.append(_words(np.asarray(asked)))
            at = tick
        self._ask_ticks(words[at:])
        return result

    def _ask_ticks(self, words: Words) -> None:
        """So many ticks, if there are any."""
        if len(words):
            self._ask("K", len(words))
            self._words.append(words)

    def single_calls(self, states: Ints, codes: NDArray[np.uint16] | None = None) -> Ints:
        self._ask_calls("U" if codes is None else "N", states, codes)
        return super().single_calls(states, codes)

    def bus_calls(self, states: Ints, codes: NDArray[np.uint16]) -> Ints:
        self._ask_calls("J", states, codes)
        return super().bus_calls(states, codes)

    def _ask_calls(self, command: str, states: Ints, codes: NDArray[np.uint16] | None) -> None:
        """Load each state, and do one ``command`` with its code, if it takes any."""
        count = len(states)
        columns = [np.full((count, 1), ord("L")), states, np.full((count, 1), ord(command))]
        if codes is not None:
            columns.append(codes[:, None])
        self._words.append(_words(np.hstack(columns)))

    def readings(self, states: Ints, hold: NDArray[np.uint8], flags: NDArray[np.uint16]) -> Ints:
        count = len(states)
        asked = np.full((count, 1), ord("H"))
        load_all = np.full((count, 1), ord("L"))
        columns = [load_all, states, asked, hold[:, None], flags[:, None]]
        self._words.append(_words(np.hstack(columns)))
        return super().readings(states, hold, flags)

    def targets(self, rms_mv: Ints) -> Ints:
        self._words.append(_words(np.stack([np.full(len(rms_mv), ord("V")), rms_mv], axis=1)))
        return super().targets(rms_mv)

    def millivolts(self, readings: Ints) -> Ints:
        self._words.append(_words(np.stack([np.full(len(readings), ord("M")), readings], axis=1)))
        return super().millivolts(readings)

    def drives(
        self,
        scales: NDArray[np.int16],
        sequences: NDArray[np.uint8],
        phases: NDArray[np.uint16],
        factors: DriveFactors | None = None,
    ) -> NDArray[np.int16]:
        # One request for each run of calls at one scale, if the phases go in even steps.
        step = self._phase_step
        in_use = np.where(sequences % 2 == 0, scales[0], scales[1])[::step].astype(np.int64)
        factor = None
        if factors is not None:
            factor = factors.in_use()[::step]
        asked = phases[::step].astype(np.int64)
        moves = np.diff(asked) % TURN
        even = len(moves) > 0 and bool((moves == moves[0]).all())
        changes = np.diff(in_use, prepend=-1) != 0
        if factor is not None:
            changes |= np.diff(factor, prepend=-1) != 0
        starts = np.flatnonzero(changes) if even else np.arange(len(asked))
        counts = np.diff(starts, append=len(asked))
        columns = [in_use[starts], asked[starts], np.full(len(starts), moves[0]), counts]
        columns.insert(0, np.full(len(starts), ord("W")))
        if factor is not None:
            columns[:0] = [np.full(len(starts), ord("F")), factor[starts]]
        self._words.append(_words(np.stack(columns, axis=1)))
        return super().drives(scales, sequences, phases, factors)

    def turns(
        self, fields: Mapping[str, int], calls: NDArray[np.uint8], millihertz: NDArray[np.uint32]
    ) -> Ints:
        self._ask("O", *fields.values())
        rows = [np.full(len(calls), ord("P")), calls, millihertz]
        self._words.append(_words(np.stack([row.astype(np.int64) for row in rows], axis=1)))
        return super().turns(fields, calls, millihertz)


def jobs(
    plan: Plan, generated: Mapping[str, str], samples: int, seed: int, phase_step: int = 1
) -> Iterator[Job]:
    """Every comparison of ``verify.scenarios`` as a request to the guest.

    ``samples`` and ``seed`` as there; the drive is asked at every ``phase_step``-th phase.
    """
    recorder = _Recorder(plan, generated, phase_step)
    recorder.take()
    for batch in compare.batches(plan, recorder, samples, seed):
        step = phase_step if batch.scenario == "drive" else 1
        request = recorder.take()
        yield Job(batch.scenario, batch.start, step, batch.fields, request, batch.model[:, ::step])


def load(state: Mapping[str, int]) -> Words:
    """The request that sets every state field; ``state`` has them in their order."""
    return _words(np.asarray([ord("L"), *state.values()]))


def _words(values: NDArray[np.int64]) -> Words:
    """Numbers as 32-bit words, row by row; negative ones as their two's complement."""
    return (values.astype(np.int64) & WORD_MASK).astype(np.uint32).reshape(-1)
