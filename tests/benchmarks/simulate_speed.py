"""Board-seconds simulated per CPU second, beside scipy's solver on the same circuit.

Run: ``python tests/benchmarks/simulate_speed.py [SPEC]``. Both sides run in turn in one process, so
that the ratio holds on a busy machine. Error is the greatest difference of the output voltage from
a reference solution, over the crest; of scipy's solvers and tolerances the fastest is taken that is
at least as exact as the compiled circuit. The compiled side runs the whole regulator, scipy only
the circuit.
"""

from __future__ import annotations

import math
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np
from scipy.integrate import solve_ivp

from halfcycle.design import designer
from halfcycle.generate import emit
from halfcycle.quantise import quantise
from halfcycle.simulate.boards import draw
from halfcycle.simulate.cases import cases
from halfcycle.simulate.parts import BoardLoad, FilterParts, LoadKind
from halfcycle.simulate.rectifier_load import reference_load
from halfcycle.simulate.setup import board, steps_per_sample, timing
from halfcycle.simulate.simulate import Prepared, compiled, prepare, simulate
from halfcycle.spec.load import load_spec
from oracles.circuit import equations
from support.paths import example

ROUNDS = 5
SPEC = example("peat_cabin")
SECONDS = 0.2
"""Of circuit that scipy solves in one go."""


def cpu(work: Callable[[], object]) -> float:
    """CPU seconds of one call, the median of a few."""
    spent = []
    for _ in range(ROUNDS):
        start = time.process_time()
        work()
        spent.append(time.process_time() - start)
    return statistics.median(spent)


def right_side(parts: FilterParts, load: BoardLoad, source: Callable[[float], float]) -> Callable:
    """dx/dt for solve_ivp."""
    a, b, c = equations(parts, load, conducting=False)
    on_a, on_b, on_c = equations(parts, load, conducting=True)
    mirror = np.array([-1.0, -1.0, 1.0])

    def rate(t: float, x: np.ndarray) -> np.ndarray:
        u = source(t)
        if load.kind == LoadKind.RECTIFIER and abs(x[1]) - load.drop_v - x[2] > 0:
            side = mirror if x[1] < 0 else np.ones(3)
            return (on_a @ (x * side) + on_b * u * side[0] + on_c) * side
        return a @ x + b * u + c

    return rate


def beside(label: str, prepared: Prepared, case_name: str, load: BoardLoad) -> None:
    """Print one comparison."""
    setting = prepared.setting
    spec = setting.spec
    case = cases(setting)[case_name]
    run = timing(setting, case)
    boards = [board(setting, case, drawn) for drawn in draw(spec, range(256, 320), seed=1)]
    loop = compiled(prepared.name, prepared.texts)
    ours = len(boards) * run.steps * run.step_s / cpu(lambda: loop.run(run, boards))

    parts = FilterParts(
        float(spec.filter.inductance_uh) * 1e-6,
        float(spec.filter.winding_resistance_ohm),
        float(spec.filter.capacitance_uf) * 1e-6,
    )
    hertz, crest = float(spec.output.frequency_hz), math.sqrt(2) * setting.rated_v
    step = float(spec.loop.period_us) * 1e-6 / steps_per_sample(spec)
    grid = step * np.arange(1, round(SECONDS / step) + 1)
    rate = right_side(parts, load, lambda t: crest * math.sin(2 * math.pi * hertz * t))

    def solve(method: str, rtol: float, longest: float = np.inf) -> np.ndarray:
        return solve_ivp(
            rate, (0.0, grid[-1]), np.zeros(3), method, grid, rtol=rtol, atol=rtol * 10,
            max_step=longest,
        ).y[1]  # fmt: skip

    wanted = solve("DOP853", 1e-10, step / 4)
    # The drive is held: taken at the middle of a step, as the hold then delays by nothing.
    duty = np.sin(2 * math.pi * hertz * (grid - step / 2))
    got = loop.run_circuit(parts, load, step, duty, bus_v=crest)[:, 0]
    error = float(np.abs(got - wanted).max()) / crest
    best = ("none", 0.0, math.inf)
    for method in ("RK45", "DOP853", "LSODA", "Radau"):
        for rtol in (1e-3, 1e-4, 1e-5, 1e-6, 1e-7, 1e-8):
            off = float(np.abs(solve(method, rtol) - wanted).max()) / crest
            if off <= error:
                speed = SECONDS / cpu(lambda m=method, r=rtol: solve(m, r))
                if speed > best[1]:
                    best = (f"{method}, rtol {rtol:g}", speed, off)
                break
    print(
        f"{label}: compiled loop {ours:.0f} board-seconds per CPU second (error {error:.1e}); "
        f"scipy {best[1]:.2f} ({best[0]}, error {best[2]:.1e}); ratio {ours / best[1]:.0f}"
    )


def memory(spec: str, boards: int) -> float:
    """Peak megabytes of a run of this many boards in a process of its own."""
    code = (
        "import resource, sys\n"
        "from click.testing import CliRunner\n"
        "from halfcycle.cli import cli\n"
        "CliRunner().invoke(cli, ['simulate', sys.argv[1], '--case', 'start', '--boards', "
        "sys.argv[2]])\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, spec, str(boards)], check=True, capture_output=True, text=True
    )
    return float(done.stdout)


def main() -> None:
    path = sys.argv[1] if len(sys.argv) > 1 else str(SPEC)
    spec = load_spec(path)
    design = designer.design(spec)
    made = quantise.quantise(design)
    prepared = prepare(design, made, emit.render(design, made))
    rated, watts = prepared.setting.rated_v, float(spec.load.rated_va)
    resistor = BoardLoad(LoadKind.RESISTOR, series_ohm=rated**2 / watts)
    beside("resistor", prepared, "noise", resistor)
    rectifier = reference_load(rated, watts, float(spec.output.frequency_hz))
    beside("rectifier", prepared, "non-linear", rectifier)

    cores = os.cpu_count() or 1
    walls = []
    for jobs in (1, cores):
        start = time.perf_counter()
        simulate(prepared, ["start"], range(4096), 1, jobs=jobs)
        walls.append(time.perf_counter() - start)
    print(f"4096 boards: 1 core {walls[0]:.2f} s, {cores} cores {walls[1]:.2f} s, "
          f"{walls[0] / walls[1]:.2f} times as fast")  # fmt: skip
    sizes = (1_000, 20_000)
    peaks = [memory(path, boards) for boards in sizes]
    print(f"peak memory: {peaks[0]:.0f} MB at {sizes[0]} boards, {peaks[1]:.0f} MB at {sizes[1]}")


if __name__ == "__main__":
    main()
