"""What each call costs on a target, at its worst, over inputs that reach every path.

The inputs are the adversarial states of ``verify.adversarial`` (the ends of every derived range and
each side of every decision), so the worst path is among them: that every instruction of the calls
was run is checked, not assumed (``Cost.unreached``), but for what runs only if another level comes
in between. What repeats by data is the square root alone, whose digits are all tried
(``_root_states``).
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator.plan import TURN, Plan
from halfcycle.regulator.state import BUS_CALL_NAMES, CALL_NAMES, field_names
from halfcycle.regulator.turn import TURN_CALL_NAMES
from halfcycle.targets import guest
from halfcycle.targets.elf_image import Image
from halfcycle.targets.emulated import Run
from halfcycle.targets.unicorn_cpu import UnicornCpu
from halfcycle.verify import adversarial

Words = NDArray[np.uint32]
STATES = 1500
"""States that update, and sample, are called from; more change no figure of the examples."""


@dataclass(frozen=True, slots=True)
class Call:
    """One call to measure: from a state, a function (its name's end) with an argument."""

    function: str
    state: tuple[int, ...]
    argument: int
    kind: str
    """What its cost counts towards: sample, closing, update, set_target, bus, rms_mv,
    drive or duty."""


@dataclass(frozen=True, slots=True)
class Cost:
    """Worst figures of one kind of call."""

    instructions: int
    cycles: int | None
    stack_bytes: int


@dataclass(frozen=True, slots=True)
class Costs:
    """The cost of each kind of call, and how many bytes of code no call has run."""

    kinds: Mapping[str, Cost]
    unreached: int | None
    """Bytes of the calls' code that were never run; 0 shows that every path was taken. None where
    the emulator does not tell what it ran."""

    @property
    def stack_bytes(self) -> int:
        """The deepest of all calls."""
        return max(cost.stack_bytes for cost in self.kinds.values())


def calls(plan: Plan, seed: int = 1, states: int = STATES) -> list[Call]:
    """The calls to measure; the same for the same arguments."""
    generator = random.Random(seed)
    chosen: list[Call] = []
    names = field_names(plan)
    updates = [*adversarial.update_states(plan, generator, states), *_root_states(plan, generator)]
    chosen += [Call("_update", _row(state), 0, "update") for state in updates]
    from_states, codes = adversarial.sample_states(plan, generator, states)
    if not plan.blockwise:
        # The 256th window that no update took is no cost of a firmware that runs its updates.
        taken, newest = names.index("taken_sequence"), names.index("window_sequence")
        from_states[:, taken] = from_states[:, newest]
    count = names.index("count")
    for state, code in zip(from_states, codes.tolist(), strict=True):
        kind = "closing" if state[count] == plan.block_samples - 1 else "sample"
        chosen.append(Call("_sample", _row(state), code, kind))
    if plan.bus is not None:
        from_states, codes = adversarial.bus_states(plan, plan.bus, generator, states)
        for state, code in zip(from_states, codes.tolist(), strict=True):
            chosen.append(Call("_bus", _row(state), code, "bus"))
    numbers = np.random.default_rng(seed)
    state = _row(from_states[0])
    for millivolts in _few(adversarial.target_values(plan, numbers, 40)):
        chosen.append(Call("_set_target_mv", state, millivolts, "set_target"))
    scale = _in_force(names, state, "scale")
    for level in adversarial.drive_scales(plan, numbers, 3):
        at = (*state[:scale], level, *state[scale + 1 :])
        edges = [edge + side for edge in range(0, TURN + 1, 4096) for side in (-1, 0, 1)]
        for kind in ("drive", "duty"):
            chosen += [Call(f"_{kind}", at, phase % TURN, kind) for phase in edges]
    reading = _in_force(names, state, "reading")
    for value in (0, 1, plan.target_rated, plan.reading_max):
        at = (*state[:reading], value, *state[reading + 1 :])
        chosen.append(Call("_rms_mv", at, 0, "rms_mv"))
    return chosen


def _in_force(names: Sequence[str], state: Sequence[int], field: str) -> int:
    """The place of the slot of an output that is in use."""
    return names.index(f"{field}_{state[names.index('output_sequence')] & 1}")


def _few(values: NDArray[np.int64]) -> list[int]:
    """The first twenty, which are the edges, and some sixty of the rest."""
    return [*values[:20].tolist(), *values[20 :: max(1, len(values) // 60)].tolist()]


def _row(state: NDArray[np.int64]) -> tuple[int, ...]:
    return tuple(state.tolist())


def _root_states(plan: Plan, generator: random.Random) -> list[NDArray[np.int64]]:
    """States whose reading is all ones, all zeroes or alternating digits: the root's extremes."""
    if plan.measure != "rms":
        return []
    patterns = {
        0,
        plan.reading_max,
        *((1 << bits) - 1 for bits in range(plan.reading_max.bit_length())),
    }
    patterns |= {0x55555555 & ((1 << bits) - 1) for bits in range(plan.reading_max.bit_length())}
    chosen: list[NDArray[np.int64]] = []
    names = field_names(plan)
    for reading in sorted(patterns):
        for state in adversarial.update_states(plan, generator, 8):
            total = adversarial.window_total(plan, reading, generator)
            blocks = adversarial.block_sums(plan, total, generator)
            for name, value in adversarial.handed_over(blocks).items():
                if name in names:
                    state[names.index(name)] = value
            chosen.append(state)
    return chosen


class CountingCpu(Protocol):
    """An emulator that runs the guest from its start, and counts the calls of chosen functions."""

    @property
    def image(self) -> Image:
        """What it runs."""

    @property
    def executed(self) -> Mapping[int, int] | None:
        """Address to size of every instruction that a counted call has run; None: not known."""

    def counted(self, requests: Sequence[Words], functions: Sequence[str]) -> list[list[Run]]:
        """The cost of each call of each function that the requests lead to, in order."""


def measure(plan: Plan, cpu: UnicornCpu | CountingCpu, measured: Sequence[Call]) -> Costs:
    """Run every call on ``cpu``, which holds the guest's image."""
    name = plan.name
    runs = (
        _by_unicorn(plan, cpu, measured)
        if isinstance(cpu, UnicornCpu)
        else _by_guest(plan, cpu, measured)
    )
    kinds: dict[str, Cost] = {}
    for call, run in zip(measured, runs, strict=True):
        before = kinds.get(call.kind, Cost(0, None if run.cycles is None else 0, 0))
        kinds[call.kind] = Cost(
            max(before.instructions, run.instructions),
            None if run.cycles is None else max(before.cycles or 0, run.cycles),
            max(before.stack_bytes, run.stack_bytes),
        )
    # Where a block is one sample, each sample ends one.
    kinds.setdefault("sample", kinds["closing"])
    called = {f"{name}{call.function}" for call in measured}
    told = not isinstance(cpu, UnicornCpu) or cpu.sizes_told
    executed = cpu.executed if told else None
    missed = None if executed is None else unreached(cpu.image, name, called, executed)
    return Costs(kinds, missed)


def _by_unicorn(plan: Plan, cpu: UnicornCpu, measured: Sequence[Call]) -> list[Run]:
    symbols = cpu.image.symbols
    state, fields = symbols["hc_guest_state"].address, symbols["hc_guest_fields"].address
    runs = []
    prepared = _prepared(cpu, measured, fields)
    with cpu.counted() as counter:
        for call, image in zip(measured, prepared, strict=True):
            cpu.write_bytes(state, image)
            runs.append(counter.call(f"{plan.name}{call.function}", state, call.argument))
    return runs


def _prepared(cpu: UnicornCpu, measured: Sequence[Call], fields: int) -> list[bytes]:
    """The bytes of the state struct for each call, laid out by the guest itself, uncounted."""
    place = cpu.image.symbols["hc_guest_state"]
    images: list[bytes] = []
    for call in measured:
        cpu.write_words(fields, (np.asarray(call.state) & 0xFFFFFFFF).astype(np.uint32))
        cpu.call("hc_guest_load")
        images.append(cpu.read_bytes(place.address, place.size))
    return images


_COMMANDS = {
    "_sample": "N",
    "_update": "U",
    "_bus": "J",
    "_set_target_mv": "V",
    "_rms_mv": "M",
    "_drive": "W",
    "_duty": "W",
}


def _by_guest(plan: Plan, cpu: CountingCpu, measured: Sequence[Call]) -> list[Run]:
    """Each function in a run of its own, in which the guest calls it from one place alone."""
    queues: dict[str, Iterator[Run]] = {}
    for function in dict.fromkeys(call.function for call in measured):
        requests = []
        for call in measured:
            if call.function == function:
                requests.append(guest.load(dict(zip(field_names(plan), call.state, strict=True))))
                requests.append(_command(plan, _COMMANDS[function], call))
        [runs] = cpu.counted(requests, [f"{plan.name}{function}"])
        queues[function] = iter(runs)
    return [next(queues[call.function]) for call in measured]


def _command(plan: Plan, command: str, call: Call) -> Words:
    names = field_names(plan)
    if command == "W":
        scale = call.state[_in_force(names, call.state, "scale")]
        values = [ord("W"), scale, call.argument, 0, 1]
    elif call.function == "_rms_mv":
        reading = call.state[_in_force(names, call.state, "reading")]
        values = [ord("M"), reading]
    elif call.function == "_update":
        values = [ord(command)]
    else:
        values = [ord(command), call.argument]
    return (np.asarray(values, dtype=np.int64) & 0xFFFFFFFF).astype(np.uint32)


MAX_LITERALS = 65536
"""Bytes of constants behind a function, at most: those of the last one have no end of their own."""
_NOPS = (b"\xc0\x46", b"\x00\xbf")
"""Thumb's, with which compilers align the constants behind a function."""


def unreached(image: Image, prefix: str, called: set[str], executed: Mapping[int, int]) -> int:
    """Bytes of the regulator's code, without its constants, that ``executed`` does not cover.

    Looks at ``called`` and at the helpers (functions of ``prefix`` that have no public name).
    """
    others = (*CALL_NAMES, *BUS_CALL_NAMES, *TURN_CALL_NAMES)
    aside = {f"{prefix}_{call}" for call in others} - called
    covered: set[int] = set()
    for address, size in executed.items():
        covered.update(range(address, address + size))
    for start, end in image.literals:
        covered.update(range(start, min(end, start + MAX_LITERALS)))
    missing: set[int] = set()
    for name, symbol in image.symbols.items():
        if symbol.is_function and name.startswith(prefix) and name not in aside:
            missing |= set(range(symbol.address, symbol.address + symbol.size)) - covered
    padding = {at for at in missing if image.bytes_at(at & ~1, 2) in _NOPS}
    return len(missing - padding)
