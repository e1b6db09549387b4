"""The generated C, statement by statement, on a memory that is stored and loaded piece by piece.

One call runs; at chosen accesses to shared memory other calls preempt it and run to their end, as
interrupts do. The order of the accesses is that of the C itself, read by pycparser.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from halfcycle.prove.c_operators import Number
from halfcycle.prove.c_source import Source
from halfcycle.prove.claims import Claims
from halfcycle.prove.executor import Machine
from halfcycle.prove.expressions import OUT

Values = dict[str, list[int]]
"""Field to its elements."""
Told = int | tuple[int, ...] | None
"""What a call returns, and what it fills in; but for the blocks that no update took, which sample
and update count each for itself."""


@dataclass(frozen=True, slots=True)
class Call:
    """A call of the interface with its argument, if it takes one."""

    name: str
    argument: int | None = None


@dataclass(slots=True)
class Memory:
    """The state. Shared (volatile) fields move in pieces of ``piece_bits``, in either order."""

    source: Source
    values: Values
    piece_bits: int
    low_first: bool = True
    accesses: int = 0
    """Pieces of shared fields moved so far by the call that is preempted."""
    preempt: dict[int, Callable[[], None]] = field(default_factory=dict)
    """Before which piece (counted from 0) what runs."""
    touched: set[tuple[str, str]] = field(default_factory=set)
    """(field, "load" or "store") of all accesses, shared or not."""
    pending: int = 0
    """Blocks that no update took, as a reading told them last."""
    moved: list[tuple[str, str]] = field(default_factory=list)
    """The same of each piece of a shared field, in their order."""

    def _pieces(self, name: str, access: str) -> Iterator[int]:
        """The places of the field's pieces, in bits, with a chance to preempt before each."""
        (fields,) = self.source.structs.values()
        kind, _, shared = fields[name]
        if not shared:
            yield from range(0, kind.bits, self.piece_bits)
            return
        places = range(0, kind.bits, self.piece_bits)
        for place in places if self.low_first else reversed(places):
            run = self.preempt.pop(self.accesses, None)
            self.accesses += 1
            self.moved.append((name, access))
            if run is not None:
                run()
            yield place

    def load(self, name: str, index: int) -> int:
        self.touched.add((name, "load"))
        mask = (1 << self.piece_bits) - 1
        raw = 0
        for place in self._pieces(name, "load"):
            raw |= ((self._raw(name, index) >> place) & mask) << place
        return self._signed(name, raw)

    def store(self, name: str, index: int, value: int) -> None:
        self.touched.add((name, "store"))
        mask = (1 << self.piece_bits) - 1
        for place in self._pieces(name, "store"):
            raw = self._raw(name, index) & ~(mask << place)
            raw |= value & (mask << place)
            self.values[name][index] = self._signed(name, raw)

    def _raw(self, name: str, index: int) -> int:
        (fields,) = self.source.structs.values()
        return self.values[name][index] & ((1 << fields[name][0].bits) - 1)

    def _signed(self, name: str, raw: int) -> int:
        (fields,) = self.source.structs.values()
        kind = fields[name][0]
        raw &= (1 << kind.bits) - 1
        return raw - (1 << kind.bits) if kind.signed and raw > kind.high else raw


class Stepper(Machine):
    """Runs the C on known numbers with its state in a ``Memory``."""

    def __init__(self, source: Source, claims: Claims, memory: Memory) -> None:
        super().__init__(source, claims, {}, lambda *_: None)
        self.memory = memory
        self.told: list[int] = []

    def load(self, name: str, meant: list[Any]) -> int:
        return self.memory.load(name, meant.index(True))

    def store(self, name: str, meant: list[Any], value: int) -> None:
        if name.startswith(OUT):
            if name == f"{OUT}pending":
                self.memory.pending = value
            else:
                self.told.append(value)
            return
        self.memory.store(name, meant.index(True), value)


@dataclass(slots=True)
class Runner:
    """Runs calls of one regulator from given states."""

    source: Source
    regulator: str
    claims: Claims = field(default_factory=Claims)

    def run(self, memory: Memory, call: Call) -> Told:
        """Run one call to its end; its result."""
        name = f"{self.regulator}_{call.name}"
        arguments = []
        machine = Stepper(self.source, self.claims, memory)
        if call.argument is not None:
            parameter = self.source.functions[name].decl.type.args.params[1]
            kind = self.source.int_type(parameter.type)
            assert kind is not None
            arguments = [Number(call.argument, kind)]
        result = machine.call(name, arguments, name)
        if machine.told and result is not None:
            return (int(result.value), *machine.told)
        return None if result is None else int(result.value)

    def memory(self, values: Values, piece_bits: int, low_first: bool = True) -> Memory:
        copy = {name: list(elements) for name, elements in values.items()}
        return Memory(self.source, copy, piece_bits, low_first)

    def preempted(
        self, memory: Memory, low: Call, high: Mapping[int, Call]
    ) -> tuple[dict[Call, Told], Values]:
        """Run ``low`` with each call of ``high`` before that piece; results and final state."""
        results: dict[Call, Told] = {}

        def at(call: Call) -> Callable[[], None]:
            def run() -> None:
                # The preempting call's own accesses do not count, and nothing preempts it.
                count, waiting = memory.accesses, memory.preempt
                memory.preempt = {}
                results[call] = self.run(memory, call)
                memory.accesses, memory.preempt = count, waiting

            return run

        memory.preempt = {place: at(call) for place, call in high.items()}
        results[low] = self.run(memory, low)
        return results, memory.values

    def serial(self, values: Values, order: tuple[Call, ...]) -> tuple[dict[Call, Told], Values]:
        """Run the calls one after another, undisturbed."""
        memory = self.memory(values, 64)
        return {call: self.run(memory, call) for call in order}, memory.values

    def overtaken(
        self, memory: Memory, low: Call, high: Mapping[int, Sequence[Call]]
    ) -> tuple[Told, Values]:
        """Run ``low`` with several calls before each place, one after the other; its result and the
        final state."""

        def at(calls: Sequence[Call]) -> Callable[[], None]:
            def run() -> None:
                count, waiting = memory.accesses, memory.preempt
                memory.preempt = {}
                for call in calls:
                    self.run(memory, call)
                memory.accesses, memory.preempt = count, waiting

            return run

        memory.preempt = {place: at(calls) for place, calls in high.items()}
        return self.run(memory, low), memory.values

    def accesses(self, values: Values, call: Call, piece_bits: int) -> int:
        """How many pieces of shared fields the call moves."""
        memory = self.memory(values, piece_bits)
        self.run(memory, call)
        return memory.accesses
