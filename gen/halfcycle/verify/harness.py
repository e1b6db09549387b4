"""The compiled C, callable: every state field in and out (``c_harness/harness.c`` through cffi)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator.bus_plan import BUS_ONE
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import READING, calls_of, field_names
from halfcycle.regulator.trace import Ints, record_names
from halfcycle.regulator.turn import TURN_FIELD_NAMES
from halfcycle.verify import c_interface, library
from halfcycle.verify.adversarial import DriveFactors
from halfcycle.verify.scenarios import SimulatedPlant

_DECLARATIONS = """
int32_t harness_record_length(void);
size_t harness_state_bytes(void);
struct plant {
    const int32_t *wave; const int32_t *limit; const int32_t *add; const int32_t *force;
    int32_t zero;
};
void harness_restart(void *s);
void harness_set_target(void *s, int32_t rms_mv);
void harness_store(const void *s, int64_t *to);
void harness_load(void *s, const int64_t *from);
void harness_run(void *s, uint16_t *codes, size_t ticks, const struct plant *plant,
    const int64_t *target_tick, const int32_t *target_mv, size_t targets,
    const int64_t *hold_tick, size_t holds, const unsigned char *updates, const int32_t *bus,
    int64_t *to);
void harness_single_calls(const int64_t *from, size_t states, const uint16_t *codes, int64_t *to);
void harness_targets(const int32_t *rms_mv, size_t values, int64_t *to);
void harness_millivolts(const int64_t *readings, size_t values, int64_t *to);
int64_t harness_call(void *s, int32_t call, int32_t argument);
void harness_tell(const void *s, int64_t *to);
void harness_readings(const int64_t *from, size_t states, const unsigned char *hold,
    const uint16_t *flags, int64_t *to);
void harness_drives(const int16_t *first, const int16_t *second, const unsigned char *sequence,
    const uint16_t *phase, size_t values, const uint16_t *factors, const unsigned char *read,
    int16_t *drive, int16_t *duty);
void harness_turns(int64_t *fields, const unsigned char *call, const uint32_t *millihertz,
    size_t calls, int64_t *to);
"""
_BUS_DECLARATIONS = """
void harness_bus_calls(const int64_t *from, size_t states, const uint16_t *codes, int64_t *to);
"""


def sources(plan: Plan, generated: Mapping[str, str]) -> tuple[dict[str, str], list[str]]:
    """Texts and source names of the regulator with its harness, for ``compiler.build_*``."""
    contents = {
        **c_interface.harness_files("harness.c"),
        **c_interface.names_of(plan),
        **c_interface.state_header(plan),
    }
    for name in (f"{plan.name}.h", f"{plan.name}.c"):
        contents[name] = generated[name]
    return contents, [f"{c_interface.FOLDER}/harness.c", f"{plan.name}.c"]


class StateOverrunError(Exception):
    """The C wrote past the end of its state."""


class Harness:
    """One compiled regulator with one instance of its state.

    ``generated``: file name to text, at least NAME.h and NAME.c. Raises ToolMissingError without a
    compiler and compiler.CompileError if it refuses the code.
    """

    def __init__(
        self, plan: Plan, generated: Mapping[str, str], flags: Sequence[str] = ("-O2",)
    ) -> None:
        self.plan = plan
        self._names, self._record = field_names(plan), len(record_names(plan))
        declared = _DECLARATIONS + (_BUS_DECLARATIONS if plan.bus else "")
        self._ffi, self._lib = library.load(declared, *sources(plan, generated), flags)
        if self._lib.harness_record_length() != self._record:
            raise AssertionError("the harness was built for another table of the state")
        self.state_bytes = int(self._lib.harness_state_bytes())
        # int64 units keep the struct aligned; some more show what goes past it.
        self._state = self._ffi.new("int64_t[]", self.state_bytes // 8 + 8)
        self._beyond = b"\xa5" * (len(self._ffi.buffer(self._state)) - self.state_bytes)
        self._ffi.buffer(self._state)[self.state_bytes :] = self._beyond
        self.reset()

    def reset(self) -> None:
        """Fill the state with rubbish, then call the C's reset."""
        self._lib.harness_restart(self._state)
        self._check_end()

    def set_target_mv(self, rms_mv: int) -> None:
        """The C's set_target_mv, any int32."""
        self._lib.harness_set_target(self._state, rms_mv)

    def fields(self) -> dict[str, int]:
        """Every state field; names of ``halfcycle.regulator.state.field_names``."""
        row = np.empty(len(self._names), dtype=np.int64)
        self._lib.harness_store(self._state, self._pointer("int64_t *", row))
        return dict(zip(self._names, row.tolist(), strict=True))

    def load(self, values: Mapping[str, int]) -> None:
        """Set every state field."""
        row = np.asarray([values[name] for name in self._names], dtype=np.int64)
        self._lib.harness_load(self._state, self._pointer("int64_t *", row))

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
        """Run ``len(codes)`` ticks; the record after each, shape (rows, ticks).

        Parameters as in ``regulator.trace.trace``; with a ``plant`` the codes are its output and
        are put into ``codes``.
        """
        ticks = len(codes)
        if codes.dtype != np.uint16 or not codes.flags.c_contiguous:
            raise ValueError("codes must be a contiguous uint16 array")
        at = np.asarray([tick for tick, _ in targets], dtype=np.int64)
        to = np.asarray([mv for _, mv in targets], dtype=np.int32)
        limited = np.asarray(holds, dtype=np.int64)
        result = np.empty((self._record, ticks), dtype=np.int64)
        null, keep = self._ffi.NULL, []
        loop = null
        if plant is not None:
            arrays = (plant.wave, plant.limit, plant.add, plant.force)
            keep = [np.ascontiguousarray(array, dtype=np.int32) for array in arrays]
            if any(len(array) != ticks for array in keep):
                raise ValueError("the plant's arrays must be as long as the codes")
            pointers = [self._pointer("int32_t *", array) for array in keep]
            loop = self._ffi.new("struct plant *", [*pointers, self.plan.zero_code])
        calls = null
        if updates is not None:
            updates = np.ascontiguousarray(updates, dtype=np.uint8)
            calls = self._pointer("unsigned char *", updates)
        readings = null
        if bus is not None:
            bus = np.ascontiguousarray(bus, dtype=np.int32)
            readings = self._pointer("int32_t *", bus)
        self._lib.harness_run(
            self._state,
            self._pointer("uint16_t *", codes),
            ticks,
            loop,
            self._pointer("int64_t *", at),
            self._pointer("int32_t *", to),
            len(targets),
            self._pointer("int64_t *", limited),
            len(holds),
            calls,
            readings,
            self._pointer("int64_t *", result),
        )
        del keep
        self._check_end()
        return result

    def single_calls(self, states: Ints, codes: NDArray[np.uint16] | None = None) -> Ints:
        """One call of update (or, with ``codes``, of sample) from each state.

        ``states``: shape (states, fields); result: a record each, shape (states, rows).
        """
        return self._records(self._lib.harness_single_calls, states, codes)

    def bus_calls(self, states: Ints, codes: NDArray[np.uint16]) -> Ints:
        """One call of bus from each state, as ``single_calls``; the bus is measured."""
        return self._records(self._lib.harness_bus_calls, states, codes)

    def _records(self, calls: Any, states: Ints, codes: NDArray[np.uint16] | None) -> Ints:
        states = np.ascontiguousarray(states, dtype=np.int64)
        result = np.empty((len(states), self._record), dtype=np.int64)
        code_pointer = self._ffi.NULL
        if codes is not None:
            codes = np.ascontiguousarray(codes, dtype=np.uint16)
            code_pointer = self._pointer("uint16_t *", codes)
        calls(
            self._pointer("int64_t *", states),
            len(states),
            code_pointer,
            self._pointer("int64_t *", result),
        )
        return result

    def readings(self, states: Ints, hold: NDArray[np.uint8], flags: NDArray[np.uint16]) -> Ints:
        """One call of clear, with ``flags``, or of hold from each state, then one of read.

        ``states``: shape (states, fields); result: the state, what read returned and what it
        filled in, shape (states, fields + 1 + members).
        """
        states = np.ascontiguousarray(states, dtype=np.int64)
        hold = np.ascontiguousarray(hold, dtype=np.uint8)
        flags = np.ascontiguousarray(flags, dtype=np.uint16)
        result = np.empty((len(states), len(self._names) + 1 + len(READING)), dtype=np.int64)
        self._lib.harness_readings(
            self._pointer("int64_t *", states),
            len(states),
            self._pointer("unsigned char *", hold),
            self._pointer("uint16_t *", flags),
            self._pointer("int64_t *", result),
        )
        return result

    def read(self) -> tuple[int, ...]:
        """What the C's read returns, then what it fills in."""
        row = np.empty(1 + len(READING), dtype=np.int64)
        self._lib.harness_tell(self._state, self._pointer("int64_t *", row))
        self._check_end()
        return tuple(row.tolist())

    def targets(self, rms_mv: Ints) -> Ints:
        """The target (reading units) that each value of set_target_mv becomes, and with the
        normalised law its inverse, shape (1 or 2, calls)."""
        rms_mv_32 = np.ascontiguousarray(rms_mv, dtype=np.int32)
        result = np.empty((1 + (self.plan.law is not None), len(rms_mv)), dtype=np.int64)
        self._lib.harness_targets(
            self._pointer("int32_t *", rms_mv_32), len(rms_mv), self._pointer("int64_t *", result)
        )
        return result

    def millivolts(self, readings: Ints) -> Ints:
        """What rms_mv returns for each reading."""
        readings = np.ascontiguousarray(readings, dtype=np.int64)
        result = np.empty(len(readings), dtype=np.int64)
        self._lib.harness_millivolts(
            self._pointer("int64_t *", readings), len(readings), self._pointer("int64_t *", result)
        )
        return result

    def drives(
        self,
        scales: NDArray[np.int16],
        sequences: NDArray[np.uint8],
        phases: NDArray[np.uint16],
        factors: DriveFactors | None = None,
    ) -> NDArray[np.int16]:
        """Drive and duty at each of ``phases``, shape (2, calls), in order and on one instance.

        ``scales``: what the two slots hold at each call, shape (2, calls), ``SCALE_ONE`` = 1.0;
        ``sequences``: their lowest bit is the one in use, shape (calls,). ``factors``: of a
        measured bus; None: 1.0.
        """
        if factors is None:
            slots = np.full((2, len(phases)), BUS_ONE, dtype=np.uint16)
            factors = DriveFactors(slots, np.zeros(len(phases), dtype=np.uint8))
        slots = np.ascontiguousarray(factors.slots, dtype=np.uint16)
        read = np.ascontiguousarray(factors.sequences, dtype=np.uint8)
        first, second = (np.ascontiguousarray(row, dtype=np.int16) for row in scales)
        sequences = np.ascontiguousarray(sequences, dtype=np.uint8)
        phases = np.ascontiguousarray(phases, dtype=np.uint16)
        if not len(first) == len(second) == len(sequences) == len(phases):
            raise ValueError("scales, sequences and phases must be of one length")
        result = np.empty((2, len(phases)), dtype=np.int16)
        self._lib.harness_drives(
            self._pointer("int16_t *", first),
            self._pointer("int16_t *", second),
            self._pointer("unsigned char *", sequences),
            self._pointer("uint16_t *", phases),
            len(phases),
            self._pointer("uint16_t *", slots),
            self._pointer("unsigned char *", read),
            self._pointer("int16_t *", result[0]),
            self._pointer("int16_t *", result[1]),
        )
        return result

    def turns(
        self, fields: Mapping[str, int], calls: NDArray[np.uint8], millihertz: NDArray[np.uint32]
    ) -> Ints:
        """Calls of the oscillator, one after the other from ``fields`` on: its fields and what each
        call returned, shape (TURN_FIELD_NAMES and 1, calls).

        ``calls``: numbers of ``TURN_CALL_NAMES``; ``millihertz``: the argument, if it takes one.
        """
        start = np.asarray([fields[name] for name in TURN_FIELD_NAMES], dtype=np.int64)
        calls = np.ascontiguousarray(calls, dtype=np.uint8)
        millihertz = np.ascontiguousarray(millihertz, dtype=np.uint32)
        result = np.empty((len(calls), len(start) + 1), dtype=np.int64)
        self._lib.harness_turns(
            self._pointer("int64_t *", start),
            self._pointer("unsigned char *", calls),
            self._pointer("uint32_t *", millihertz),
            len(calls),
            self._pointer("int64_t *", result),
        )
        return result.T

    def call(self, call: str, argument: int | None = None) -> int:
        """One call of the interface (a name of ``state.CALL_NAMES``); its result, or 0."""
        number = [each.name for each in calls_of(self.plan)].index(call)
        result = int(self._lib.harness_call(self._state, number, argument or 0))
        self._check_end()
        return result

    def _check_end(self) -> None:
        if self._ffi.buffer(self._state)[self.state_bytes :] != self._beyond:
            raise StateOverrunError("the C writes past the end of its state")

    def _pointer(self, kind: str, array: NDArray[Any]) -> Any:
        return self._ffi.cast(kind, array.ctypes.data)
