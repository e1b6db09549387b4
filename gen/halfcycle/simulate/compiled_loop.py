"""The compiled closed loop: a generated regulator against ``c_harness/circuit.c``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from halfcycle.simulate.parts import BoardLoad, FilterParts
from halfcycle.simulate.run_types import WAVE_POINTS, Board, History, Real, Run
from halfcycle.verify import c_interface, library

FLAGS = ("-O3", "-ffp-contract=off")
"""No fused multiply-add, so that every machine computes the same bits."""

_FILES = ("circuit.h", "circuit.c", "simulate.h", "simulate.c")

_DECLARATIONS = """
struct hc_case {
    double step_s; double frequency_hz; double true_s;
    double judged_s; double rest_s; double moves; double band; double high;
    double ripple_cos; double ripple_sin; double bus_zero_code; double bus_adc_max;
    int32_t steps_per_bus; int32_t bus_delay_steps;
    int32_t steps_per_sample; int32_t first_block; int32_t update_blocks;
    int32_t steps; int32_t grid_steps;
    int32_t wave_step; int32_t wave_turns; int32_t pwm_counts;
    int32_t adc_max; int32_t zero_code; int32_t half_limit; int32_t window_limit;
    int32_t event_count;
};
struct hc_sliding {
    double rest_square; double settling_s; double lowest_square; double highest_square;
    double high_s; double peak_v;
};
struct hc_results {
    int32_t *half_count; double *half_end_s; double *half_mean_square;
    int32_t *window_count; double *window_end_s; double *window_mean_square;
    int32_t *window_reported_mv; int32_t *window_scale; int32_t *window_flags;
    struct hc_sliding *sliding; double *grid; double *wave;
    double *trace;
};
void hc_simulate(const struct hc_case *run, const void *events, const void *boards,
    int32_t board_count, const struct hc_results *results);
void hc_run_circuit(const void *filter, const void *load, double bus_v, double bus_ohm,
    double step_s, const double *duty, int32_t steps, double *state, double *out);
void hc_noise_series(double key, int32_t count, double *out);
int32_t hc_board_doubles(void);
int32_t hc_event_doubles(void);
"""


class CompiledLoop:
    """One regulator compiled with the circuit.

    ``name`` is its prefix; ``generated`` maps file names to texts, at least NAME.h and NAME.c.
    Raises ToolMissingError without a compiler and compiler.CompileError if it refuses the code.
    """

    def __init__(self, name: str, generated: Mapping[str, str]) -> None:
        reads = f"{name}_bus(" in generated[f"{name}.h"]
        names_header = c_interface.names_header(name, bus=reads)
        contents = c_interface.harness_files(*_FILES) | names_header
        contents |= {file: generated[file] for file in (f"{name}.h", f"{name}.c")}
        names = ["harness/circuit.c", "harness/simulate.c", f"{name}.c"]
        self._ffi, self._lib = library.load(_DECLARATIONS, contents, names, FLAGS)

    def run(self, run: Run, boards: Sequence[Board], *, trace: bool = False) -> History:
        """Run every board; ``trace`` keeps the waveforms of the first."""
        rows = self._real([board.row() for board in boards])
        if rows.shape[1] != self._lib.hc_board_doubles():
            raise AssertionError("struct hc_board and halfcycle.simulate.run_types.Board differ")
        events = self._real([event.row() for event in run.events] or [[]])
        if run.events and events.shape[1] != self._lib.hc_event_doubles():
            raise AssertionError("struct hc_event and halfcycle.simulate.run_types.Event differ")
        case: Any = self._ffi.new("struct hc_case *")
        for field in (
            *("step_s", "frequency_hz", "true_s", "steps_per_sample", "steps", "grid_steps"),
            *("first_block", "update_blocks"),
            *("wave_step", "wave_turns", "pwm_counts", "adc_max", "zero_code"),
            *("half_limit", "window_limit"),
            *("ripple_cos", "ripple_sin", "steps_per_bus", "bus_delay_steps"),
            *("bus_zero_code", "bus_adc_max"),
        ):
            setattr(case, field, getattr(run, field))
        case.event_count = len(run.events)
        case.judged_s, case.rest_s = run.judged.from_s, run.judged.rest_s
        case.moves = float(run.judged.moves)
        case.band, case.high = run.judged.band, run.judged.high

        halves, windows = (len(boards), run.half_limit), (len(boards), run.window_limit)
        sliding, grid = np.zeros((len(boards), 6)), np.empty((4, run.grid_limit))
        result = History(
            half_count=np.zeros(len(boards), np.int32),
            half_end_s=np.zeros(halves),
            half_rms=np.zeros(halves),
            window_count=np.zeros(len(boards), np.int32),
            window_end_s=np.zeros(windows),
            window_rms=np.zeros(windows),
            window_reported_mv=np.zeros(windows, np.int32),
            window_scale=np.zeros(windows, np.int32),
            window_flags=np.zeros(windows, np.int32),
            rest_rms=sliding[:, 0],
            settling_s=sliding[:, 1],
            lowest_rms=sliding[:, 2],
            highest_rms=sliding[:, 3],
            high_s=sliding[:, 4],
            peak_v=sliding[:, 5],
            wave=np.zeros((len(boards), WAVE_POINTS if run.wave_turns else 0)),
            trace=np.zeros((run.steps if trace else 0, 4)),
        )
        to: Any = self._ffi.new("struct hc_results *")
        for field in ("half_count", "window_count", "window_reported_mv", "window_scale"):
            setattr(to, field, self._pointer("int32_t *", getattr(result, field)))
        to.window_flags = self._pointer("int32_t *", result.window_flags)
        for field in ("half_end_s", "window_end_s"):
            setattr(to, field, self._pointer("double *", getattr(result, field)))
        to.half_mean_square = self._pointer("double *", result.half_rms)
        to.window_mean_square = self._pointer("double *", result.window_rms)
        to.sliding = self._pointer("struct hc_sliding *", sliding)
        to.grid = self._pointer("double *", grid)
        to.wave = self._pointer("double *", result.wave) if run.wave_turns else self._ffi.NULL
        to.trace = self._pointer("double *", result.trace) if trace else self._ffi.NULL
        self._lib.hc_simulate(
            case, self._pointer("void *", events), self._pointer("void *", rows), len(boards), to
        )
        # The C gives mean squares, so that it needs no library of its own.
        np.sqrt(result.half_rms, out=result.half_rms)
        np.sqrt(result.window_rms, out=result.window_rms)
        for rms in (result.rest_rms, result.lowest_rms, result.highest_rms):
            np.sqrt(rms, out=rms)
        return result

    def run_circuit(
        self,
        parts: FilterParts,
        load: BoardLoad,
        step_s: float,
        duty: Real,
        *,
        bus_v: float,
        bus_ohm: float = 0.0,
    ) -> Real:
        """The circuit alone from rest; (steps, 4): output V, choke A, load A, V^2 s after each
        step of ``duty`` (steps,)."""
        duty = np.ascontiguousarray(duty, dtype=np.float64)
        state, out = np.zeros(3), np.zeros((len(duty), 4))
        filter_row = self._real([parts.inductance_h, parts.winding_ohm, parts.capacitance_f])
        load_row = self._real(load.row())
        self._lib.hc_run_circuit(
            self._pointer("void *", filter_row),
            self._pointer("void *", load_row),
            bus_v,
            bus_ohm,
            step_s,
            self._pointer("double *", duty),
            len(duty),
            self._pointer("double *", state),
            self._pointer("double *", out),
        )
        return out

    def noise(self, key: int, count: int) -> Real:
        """The first ``count`` values of the noise of one key, deviation 1."""
        out = np.zeros(count)
        self._lib.hc_noise_series(float(key), count, self._pointer("double *", out))
        return out

    def _real(self, values: object) -> Real:
        return np.ascontiguousarray(values, dtype=np.float64)

    def _pointer(self, kind: str, array: Any) -> Any:
        return self._ffi.cast(kind, array.ctypes.data)
