"""The loop written by hand (``hand_written.c``), measured as the generated C is."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from halfcycle.regulator.plan import DRIVE_FULL, TURN, Plan
from halfcycle.targets import toolchains
from halfcycle.targets.elf_image import Image
from halfcycle.targets.run import Way
from halfcycle.targets.simavr import SimavrCpu
from halfcycle.targets.unicorn_cpu import UnicornCpu

FOLDER = Path(__file__).parent
SOURCES = ("hand_written.c", "hand_written_main.c")
CALLS = ("hand_reset", "hand_sample", "hand_update", "hand_drive")
WINDOWS = 60
TARGETS = ("cortex-m0plus", "cortex-m4", "rv32imc", "avr")
STATE = 28
"""Bytes of struct hand_state on a 32-bit machine; the scale is the last word."""


@dataclass(frozen=True, slots=True)
class HandWritten:
    """Its worst figures on one target: instructions (cycles on AVR) and bytes."""

    sample: int
    closing: int
    update: int
    drive: int
    flash: int


def defines(plan: Plan) -> list[str]:
    """The numbers of a Plan with a plain window whose sum has 32 bits. Raises ValueError for
    another."""
    if plan.blockwise or plan.sum_high or plan.law or plan.tracking or plan.bus:
        raise ValueError("the routine by hand is for plain windows of 32 bits")
    sine = [round(DRIVE_FULL * math.sin(math.tau * n / 256)) for n in range(256)]
    values: dict[str, object] = {
        "SINE": ",".join(map(str, sine)),
        "TARGET": plan.target_rated,
        "ZERO": plan.zero_code,
        "SAMPLES": plan.samples,
        "READING_SHIFT": plan.reading_shift,
        "INTEGRAL": f"(int32_t){plan.integral}",
        "INTEGRAL_SHIFT": plan.integral_shift,
        "PROPORTIONAL": f"(int32_t){plan.proportional}",
        "PROPORTIONAL_SHIFT": plan.proportional_shift,
        "DRIVE_MAX": plan.drive_max,
        "SCALE_SHIFT": plan.scale_shift,
        "WINDOWS": WINDOWS,
    }
    return [f"HAND_{name}={value}" for name, value in values.items()] + ["HAND_RMS"] * (
        plan.measure == "rms"
    )


def image(plan: Plan, way: Way, *, runs: bool = False) -> Image:
    """The routine for one target; with a main() if it ``runs``."""
    names = ("hand_written.h", *SOURCES)
    contents = {name: (FOLDER / name).read_text(encoding="utf-8") for name in names}
    return toolchains.build(
        way.machine,
        way.chain,
        contents,
        SOURCES if runs else SOURCES[:1],
        defines=defines(plan),
        keep=["main"] if runs else [*CALLS, "hand_state"],
    )


def heights(plan: Plan) -> Iterator[tuple[int, int]]:
    """Amplitude of each window, codes, and a phase, as main() of the C has them."""
    random = 1
    for _ in range(WINDOWS):
        random = (random * 1664525 + 1013904223) % 2**32
        yield (random >> 16) % (plan.zero_code - 1), (random >> 8) % TURN


def scales(plan: Plan, way: Way, height_of: Callable[[int], int], windows: int) -> list[int]:
    """The scale after each window in a closed loop: ``height_of`` the scale before, codes."""
    cpu = UnicornCpu(way.machine, image(plan, way))
    state = cpu.image.symbols["hand_state"]
    assert state.size == STATE
    cpu.call("hand_reset", state.address)
    found = [0]
    for _ in range(windows):
        height = height_of(found[-1])
        ends = [
            cpu.call("hand_sample", state.address, plan.zero_code + (height if n & 1 else -height))
            for n in range(plan.samples)
        ]
        assert ends == [0] * (plan.samples - 1) + [1]
        cpu.call("hand_update", state.address)
        found.append(int(cpu.read_words(state.address, STATE // 4)[-1]))
    return found


def measure(plan: Plan, way: Way) -> HandWritten:
    """The worst of windows of any amplitude, on the emulator that counts the generated C."""
    worst = _by_simavr(plan, way) if way.machine.name == "avr" else _by_unicorn(plan, way)
    return HandWritten(**worst, flash=image(plan, way).flash_bytes)


def _by_simavr(plan: Plan, way: Way) -> dict[str, int]:
    runs = SimavrCpu(image(plan, way, runs=True)).counted([np.zeros(0, np.uint32)], CALLS[1:])
    samples, updates, drives = [[run.cycles or 0 for run in one] for one in runs]
    assert len(samples) == WINDOWS * plan.samples and len(updates) == len(drives) == WINDOWS
    closing = samples[plan.samples - 1 :: plan.samples]
    inside = [cost for n, cost in enumerate(samples) if (n + 1) % plan.samples]
    return {
        "sample": max(inside),
        "closing": max(closing),
        "update": max(updates),
        "drive": max(drives),
    }


def _by_unicorn(plan: Plan, way: Way) -> dict[str, int]:
    cpu = UnicornCpu(way.machine, image(plan, way))
    state = cpu.image.symbols["hand_state"].address
    cpu.call("hand_reset", state)
    worst = dict.fromkeys(("sample", "closing", "update", "drive"), 0)
    with cpu.counted() as counter:

        def note(kind: str, call: str, *arguments: int) -> None:
            run = counter.call(call, state, *arguments)
            worst[kind] = max(worst[kind], run.instructions)

        for height, phase in heights(plan):
            for n in range(plan.samples):
                kind = "sample" if n + 1 < plan.samples else "closing"
                note(kind, "hand_sample", plan.zero_code + (height if n & 1 else -height))
            note("update", "hand_update")
            note("drive", "hand_drive", phase)
    return worst
