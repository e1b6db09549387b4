"""A step of a measured bus against ngspice: the circuit under the bridge's voltage that the C made.

The first board, from shortly before the step; ngspice solves the same filter and load by itself.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest

from halfcycle.generate.pipeline import design_integers, generate
from halfcycle.simulate.boards import draw
from halfcycle.simulate.cases import cases
from halfcycle.simulate.parts import LoadKind
from halfcycle.simulate.setup import board, timing
from halfcycle.simulate.simulate import compiled, prepare
from halfcycle.spec.load import load_spec
from support import measured
from support.tools import need_tool

pytestmark = pytest.mark.full

BEFORE_S, AFTER_S = 0.02, 0.03


def ngspice(folder: Path, netlist: str) -> np.ndarray:
    """Time and output voltage."""
    (folder / "circuit.cir").write_text(netlist)
    ran = subprocess.run(
        [need_tool("ngspice"), "-b", "circuit.cir"],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert (folder / "out.txt").is_file(), ran.stdout + ran.stderr
    return np.loadtxt(folder / "out.txt")


def half_rms(time: np.ndarray, volts: np.ndarray) -> np.ndarray:
    """RMS over the half cycle that ends at each point, from the first whole one on."""
    energy = np.concatenate([[0.0], np.cumsum((volts[1:] ** 2 + volts[:-1] ** 2) / 2)])
    energy *= time[1] - time[0]
    back = round(0.01 / (time[1] - time[0]))
    return np.asarray(np.sqrt((energy[back:] - energy[:-back]) / 0.01))


@pytest.mark.parametrize("name", ["bus-step-up", "bus-step-down"])
def test_a_step_of_the_bus_in_ngspice(name: str, tmp_path: Path) -> None:
    spec = load_spec(measured.SPEC)
    done = design_integers(spec)
    ready = prepare(done.design, done.quantised, generate(spec).texts)
    case = cases(ready.setting)[name]
    one = board(ready.setting, case, draw(spec, [0], 1)[0])
    run = timing(ready.setting, case)
    trace = compiled(ready.name, ready.texts).run(run, [one], trace=True).trace
    event_s = case.event_s + one.event_delay_s
    first = round((event_s - BEFORE_S) / run.step_s)
    trace = trace[first : first + round((BEFORE_S + AFTER_S) / run.step_s)]
    time = run.step_s * np.arange(len(trace))
    assert one.loads[0].kind == LoadKind.RESISTOR
    # Each voltage of the bridge is held for a step.
    points = "\n".join(
        f"+ {t:.9f} {v:.9g} {t + run.step_s - 1e-9:.9f} {v:.9g}"
        for t, v in zip(time, trace[:, 1], strict=True)
    )
    parts, load = one.filter, one.loads[0]
    netlist = f"""* averaged bridge, LC filter and load
Vin in 0 PWL(
{points} )
Rw in m {parts.winding_ohm}
L1 m out {parts.inductance_h} IC={trace[0, 2]:.9g}
C1 out 0 {parts.capacitance_f} IC={trace[0, 0]:.9g}
Rl out 0 {load.series_ohm}
.options reltol=1e-5 abstol=1e-6 vntol=1e-5 method=gear
.tran 1u {time[-1]} 0 1u uic
.control
set wr_singlescale
run
wrdata out.txt v(out)
quit
.endc
.end
"""
    spice = ngspice(tmp_path, netlist)
    volts = np.interp(time, spice[:, 0], spice[:, 1])
    assert np.abs(volts - trace[:, 0])[1:].max() < 0.3
    levels = [half_rms(time, wave) for wave in (volts, trace[:, 0])]
    assert np.abs(levels[0] / levels[1] - 1).max() < 2e-4
    # By ngspice alone: a fifth of the bus moves the output by less than 1 % of rated.
    after = levels[0][round((BEFORE_S - 0.01) / run.step_s) :]
    rest = levels[0][: round((BEFORE_S - 0.011) / run.step_s)].mean()
    away = 100 * np.abs(after - rest).max() / 230
    print(f"{name}: {away:.3f} % of rated")
    assert 0.05 < away < 1.0
