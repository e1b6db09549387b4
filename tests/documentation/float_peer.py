"""The same regulator with ``float`` (``c_harness/float_peer.c``): why the C uses integers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halfcycle.base import resources
from halfcycle.regulator.plan import SCALE_ONE, Plan
from halfcycle.targets import toolchains
from halfcycle.targets.cost import Cost
from halfcycle.targets.elf_image import Image
from halfcycle.targets.machines import Machine
from halfcycle.targets.toolchains import Toolchain
from halfcycle.targets.unicorn_cpu import UnicornCpu

CALLS = ("reset", "sample", "update")
"""The functions whose flash is compared with those of the generated C."""


def image(plan: Plan, machine: Machine, chain: Toolchain) -> Image:
    """The peer of a Plan that reads the mean. Raises ValueError for another."""
    if plan.measure != "mean":
        raise ValueError("the float peer is written for mean readings")
    keep = [f"peer_{name}" for name in (*CALLS, "set_target", "scale", "flags")]
    return toolchains.build(
        machine,
        chain,
        {"float_peer.c": resources.harness_text("float_peer.c")},
        ["float_peer.c"],
        defines=defines(plan),
        keep=[*keep, "hc_peer"],
    )


def defines(plan: Plan) -> list[str]:
    """The Plan's constants as floats, in reading units and scale 1.0 = 1."""
    values = {
        "TARGET": plan.target_rated,
        "ZERO": plan.zero_code,
        "INTEGRAL": plan.integral / 2.0 ** (plan.drive_bits + plan.integral_shift),
        "PROPORTIONAL": plan.proportional / 2.0 ** (plan.drive_bits + plan.proportional_shift),
        "READING": 2.0**-plan.reading_shift,
        "DRIVE_MAX": plan.scale_max / SCALE_ONE,
        "HOLD_DRIVE": plan.hold_scale / SCALE_ONE,
        "HOLD_READING": plan.hold_reading,
        "ENOUGH": plan.enough_gain / 2**plan.enough_shift / SCALE_ONE,
        "BAND": plan.band,
    }
    if plan.ramped:
        values["RAMP_STEP"] = plan.ramp_step / 2.0**plan.ramp_bits
    found = [f"PEER_{name}={float(value)!r}f" for name, value in values.items()]
    return [*found, f"PEER_SAMPLES={plan.samples}u", f"PEER_ADC_MAX={plan.adc_max}u"]


def run(
    cpu: UnicornCpu, codes: NDArray[np.uint16]
) -> tuple[dict[str, Cost], NDArray[np.int64], NDArray[np.int64]]:
    """Run from reset, with the rated target, over ADC codes (ticks,), updating after each window.

    Returns the worst cost of each kind of call (sample, closing, update), and the scale (16384 =
    1.0) and the flags after each window.
    """
    state = cpu.image.symbols["hc_peer"].address
    cpu.call("peer_reset", state)
    cpu.call("peer_set_target", state)
    worst = {kind: Cost(0, None, 0) for kind in ("sample", "closing", "update")}
    scales, flags = [], []

    def note(kind: str, instructions: int, stack: int) -> None:
        before = worst[kind]
        most = max(before.instructions, instructions), max(before.stack_bytes, stack)
        worst[kind] = Cost(most[0], None, most[1])

    with cpu.counted() as counter:
        for code in codes.tolist():
            sample = counter.call("peer_sample", state, code)
            note("closing" if sample.result else "sample", sample.instructions, sample.stack_bytes)
            if sample.result:
                update = counter.call("peer_update", state)
                note("update", update.instructions, update.stack_bytes)
                scales.append(cpu.call("peer_scale", state) & 0xFFFF)
                flags.append(cpu.call("peer_flags", state) & 0xFFFF)
    return worst, np.asarray(scales, np.int64), np.asarray(flags, np.int64)
