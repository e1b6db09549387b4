"""The compiled C, callable: every state field in and out (``c_harness/harness.c`` through cffi)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.resources import files as resources
from typing import Any

import numpy as np
from numpy.typing import NDArray

from halfcycle.regulator.model import FIELDS
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.trace import RECORD, Ints
from halfcycle.verify import compiler
from halfcycle.verify.scenarios import Plant

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
    const uint8_t *updates, int64_t *to);
void harness_single_calls(const int64_t *from, size_t states, const uint16_t *codes, int64_t *to);
void harness_targets(const int32_t *rms_mv, size_t values, int64_t *to);
void harness_millivolts(const int64_t *readings, size_t values, int64_t *to);
void harness_wave(int16_t scale, int16_t *to);
"""


def sources(plan: Plan, generated: Mapping[str, str]) -> tuple[dict[str, str], list[str]]:
    """Texts and source names of the regulator with its harness, for ``compiler.build_*``."""
    folder = resources("halfcycle.c_harness")
    contents = {
        f"harness/{name}": folder.joinpath(name).read_text(encoding="utf-8")
        for name in ("harness.c", "regulator.h")
    }
    for name in (f"{plan.name}.h", f"{plan.name}.c"):
        contents[name] = generated[name]
    return contents, ["harness/harness.c", f"{plan.name}.c"]


def defines(plan: Plan) -> list[str]:
    """What ``c_harness`` must know of a Plan's variant."""
    found = [f"HC_NAME={plan.name}", f'HC_HEADER="../{plan.name}.h"']
    switches = (("HC_HAS_HIGH", plan.sum_high), ("HC_HAS_RAMP", plan.ramped))
    found += [name for name, on in (*switches, ("HC_WIDE", plan.wide)) if on]
    return found


class Harness:
    """One compiled regulator with one instance of its state.

    ``generated``: file name to text, at least NAME.h and NAME.c. Raises ToolMissingError without a
    compiler and compiler.CompileError where it refuses the code.
    """

    def __init__(
        self, plan: Plan, generated: Mapping[str, str], flags: Sequence[str] = ("-O2",)
    ) -> None:
        self.plan = plan
        self._ffi, self._lib = _load(*sources(plan, generated), defines(plan), flags)
        if self._lib.harness_record_length() != len(RECORD):
            raise AssertionError("c_harness/harness.c and halfcycle.regulator.trace.RECORD differ")
        self.state_bytes = int(self._lib.harness_state_bytes())
        # int64 units keep the struct aligned.
        self._state = self._ffi.new("int64_t[]", -(-self.state_bytes // 8))
        self.reset()

    def reset(self) -> None:
        """Fill the state with rubbish, then call the C's reset."""
        self._lib.harness_restart(self._state)

    def set_target_mv(self, rms_mv: int) -> None:
        """The C's set_target_mv, any int32."""
        self._lib.harness_set_target(self._state, rms_mv)

    def fields(self) -> dict[str, int]:
        """Every state field; names of ``halfcycle.regulator.model.FIELDS``."""
        row = np.empty(len(FIELDS), dtype=np.int64)
        self._lib.harness_store(self._state, self._pointer("int64_t *", row))
        return dict(zip(FIELDS, row.tolist(), strict=True))

    def load(self, values: Mapping[str, int]) -> None:
        """Set every state field."""
        row = np.asarray([values[name] for name in FIELDS], dtype=np.int64)
        self._lib.harness_load(self._state, self._pointer("int64_t *", row))

    def run(
        self,
        codes: NDArray[np.uint16],
        targets: Sequence[tuple[int, int]] = (),
        updates: NDArray[np.uint8] | None = None,
        plant: Plant | None = None,
    ) -> Ints:
        """Run ``len(codes)`` ticks; the record after each, shape (len(RECORD), ticks).

        Parameters as in ``regulator.trace.trace``; with a ``plant`` the codes are its output and
        are put into ``codes``.
        """
        ticks = len(codes)
        if codes.dtype != np.uint16 or not codes.flags.c_contiguous:
            raise ValueError("codes must be a contiguous uint16 array")
        at = np.asarray([tick for tick, _ in targets], dtype=np.int64)
        to = np.asarray([mv for _, mv in targets], dtype=np.int32)
        result = np.empty((len(RECORD), ticks), dtype=np.int64)
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
            calls = self._pointer("uint8_t *", updates)
        self._lib.harness_run(
            self._state,
            self._pointer("uint16_t *", codes),
            ticks,
            loop,
            self._pointer("int64_t *", at),
            self._pointer("int32_t *", to),
            len(targets),
            calls,
            self._pointer("int64_t *", result),
        )
        del keep
        return result

    def single_calls(self, states: Ints, codes: NDArray[np.uint16] | None = None) -> Ints:
        """One call of update (or, with ``codes``, of sample) from each state.

        ``states``: shape (states, len(FIELDS)); result: shape (states, len(RECORD)).
        """
        states = np.ascontiguousarray(states, dtype=np.int64)
        result = np.empty((len(states), len(RECORD)), dtype=np.int64)
        given = self._ffi.NULL
        if codes is not None:
            codes = np.ascontiguousarray(codes, dtype=np.uint16)
            given = self._pointer("uint16_t *", codes)
        self._lib.harness_single_calls(
            self._pointer("int64_t *", states),
            len(states),
            given,
            self._pointer("int64_t *", result),
        )
        return result

    def targets(self, rms_mv: Ints) -> Ints:
        """The target (reading units) that each value of set_target_mv becomes."""
        given = np.ascontiguousarray(rms_mv, dtype=np.int32)
        result = np.empty(len(given), dtype=np.int64)
        self._lib.harness_targets(
            self._pointer("int32_t *", given), len(given), self._pointer("int64_t *", result)
        )
        return result

    def millivolts(self, readings: Ints) -> Ints:
        """What rms_mv returns for each reading."""
        given = np.ascontiguousarray(readings, dtype=np.int64)
        result = np.empty(len(given), dtype=np.int64)
        self._lib.harness_millivolts(
            self._pointer("int64_t *", given), len(given), self._pointer("int64_t *", result)
        )
        return result

    def drive(self, scale: int) -> NDArray[np.int16]:
        """The drive at all 65536 phases of one ``scale`` (16384 = 1.0)."""
        result = np.empty(65536, dtype=np.int16)
        self._lib.harness_wave(scale, self._pointer("int16_t *", result))
        return result

    def _pointer(self, kind: str, array: NDArray[Any]) -> Any:
        return self._ffi.cast(kind, array.ctypes.data)


def _load(
    contents: Mapping[str, str], names: list[str], given: list[str], flags: Sequence[str]
) -> tuple[Any, Any]:
    import cffi  # noqa: PLC0415

    ffi = cffi.FFI()
    ffi.cdef(_DECLARATIONS)
    return ffi, compiler.load(ffi, contents, names, given, flags)
