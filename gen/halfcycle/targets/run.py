"""One regulator on every target that this machine can run: bit-exact or not, and its cost."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from halfcycle.base.errors import ToolMissingError
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.turn import call_names
from halfcycle.targets import (
    cost,
    guest,
    mspdebug,
    qemu,
    request,
    sdcc,
    simavr,
    toolchains,
    ucsim,
    unicorn_cpu,
)
from halfcycle.targets.elf_image import Image
from halfcycle.targets.emulated import CrashedError
from halfcycle.targets.guest import Job
from halfcycle.targets.machines import MACHINES, Emulator, Machine
from halfcycle.targets.toolchains import Missing, Toolchain
from halfcycle.verify import c_interface, scenarios

DEFAULT_SAMPLES = 50_000
DEFAULT_SEED = 1
PHASE_STEP = 31
"""On the slowest emulator the drive is asked at every 31st phase; elsewhere at all 65536."""

SLOW_PHASE_STEP = 311
"""And on machines whose samples are bounded (``Machine.samples_max``) at every 311th."""

Counting = simavr.SimavrCpu | qemu.QemuCpu | ucsim.UcsimCpu | mspdebug.MspdebugCpu
Cpu = unicorn_cpu.UnicornCpu | Counting


@dataclass(frozen=True, slots=True)
class Row:
    """One target with one compiler."""

    target: str
    title: str
    compiler: str
    emulators: tuple[str, ...]
    bit_exact: bool
    mismatch: str
    """The first difference from the model, or what else went wrong; empty if nothing did."""
    samples_compared: int
    """Calls of sample whose whole state was compared, over all emulators."""
    calls_compared: int
    flash_bytes: int
    """The regulator's code and constants, with what it needs of the compiler's library."""
    data_bytes: int
    """Initialised data."""
    ram_bytes: int
    """One state struct, and whatever static data there is besides."""
    costs: cost.Costs | None
    """None if no emulator here counts."""


@dataclass(frozen=True, slots=True)
class Unavailable:
    """A target (with a compiler or an emulator) that lacks a tool on this machine."""

    target: str
    tool: str
    install: str


@dataclass(frozen=True, slots=True)
class Result:
    """What was run, and what could not be."""

    rows: tuple[Row, ...]
    unavailable: tuple[Unavailable, ...]


@dataclass(frozen=True, slots=True)
class Way:
    """A way to run a target that this machine has."""

    machine: Machine
    chain: Toolchain
    emulators: tuple[tuple[Emulator, str], ...]
    """Kind and version; the first one counts."""


def ways(names: Sequence[str] = ()) -> tuple[list[Way], list[Unavailable]]:
    """The ways to run the targets ``names`` (all if empty), and what is missing for others."""
    here: list[Way] = []
    absent: list[Unavailable] = []
    for name in names or MACHINES:
        machine = MACHINES[name]
        emulators = []
        for kind in machine.emulators:
            version = _emulator(machine, kind)
            if isinstance(version, Missing):
                absent.append(Unavailable(name, version.tool, version.install))
            elif version is not None:
                emulators.append((kind, version))
        for chain in (toolchains.zig(machine), toolchains.gcc(machine), toolchains.sdcc(machine)):
            if isinstance(chain, Missing):
                absent.append(Unavailable(name, chain.tool, chain.install))
            elif chain is not None and emulators:
                here.append(Way(machine, chain, tuple(emulators)))
    return here, list(dict.fromkeys(absent))


def _emulator(machine: Machine, kind: Emulator) -> str | Missing | None:
    """An emulator's version, or what is missing; None if it has nothing for the machine."""
    if kind == "qemu":
        return qemu.find(machine)
    if kind == "simavr":
        program = simavr.find()
        return program if isinstance(program, Missing) else "simavr"
    if kind == "ucsim":
        return ucsim.find(machine)
    if kind == "mspdebug":
        return mspdebug.find()
    try:
        return unicorn_cpu.version()
    except ToolMissingError:
        return Missing("unicorn", "pip install unicorn pyelftools")


def run(
    plan: Plan,
    generated: Mapping[str, str],
    names: Sequence[str] = (),
    *,
    samples: int = DEFAULT_SAMPLES,
    seed: int = DEFAULT_SEED,
    progress: Callable[[int, int], None] | None = None,
    chosen: Sequence[Way] | None = None,
    counted: bool = True,
) -> Result:
    """Run the generated C (file name to text) on targets, compared with the model of ``plan``.

    ``names``: keys of ``MACHINES``; empty for all that this machine can run. ``samples`` and
    ``seed`` as in ``verify.compare``; no samples: nothing is compared, costs are counted alone.
    ``chosen``: run these ways instead. ``counted``: whether costs are counted.

    Raises ToolMissingError if a named target, or every target, lacks a tool, and
    compiler.CompileError if a compiler refuses the code.
    """
    absent: list[Unavailable] = []
    if chosen is None:
        chosen, absent = ways(names)
    lacking = [name for name in names if not any(way.machine.name == name for way in chosen)]
    if lacking or not chosen:
        raise ToolMissingError(_needs(lacking, absent))
    jobs_by_step: dict[int, list[Job]] = {}
    rows = []
    for number, way in enumerate(chosen):
        most = way.machine.samples_max
        step = _phase_step(way.machine)
        if samples and step not in jobs_by_step:
            jobs_by_step[step] = list(guest.jobs(plan, generated, samples, seed, step))
        jobs = jobs_by_step.get(step, [])
        if jobs and most is not None:
            jobs = request.bounded(jobs, plan, min(samples, most))
        rows.append(_row(plan, generated, way, jobs, counted))
        if progress is not None:
            progress(number + 1, len(chosen))
    return Result(tuple(rows), tuple(absent))


def _phase_step(machine: Machine) -> int:
    if machine.samples_max is not None:
        return SLOW_PHASE_STEP
    return PHASE_STEP if machine.name == "avr" else 1


def _needs(lacking: Sequence[str], absent: Sequence[Unavailable]) -> str:
    missing = [tool for tool in absent if not lacking or tool.target in lacking]
    lines = [f"{tool.target} needs {tool.tool}: {tool.install}" for tool in missing]
    return "; ".join(dict.fromkeys(lines))


def _row(
    plan: Plan, generated: Mapping[str, str], way: Way, jobs: Sequence[Job], counted: bool
) -> Row:
    problem, costs, state_bytes = "", None, 0
    for kind, _ in way.emulators:
        second = kind != way.emulators[0][0]
        if second and not jobs:
            continue
        try:
            cpu = start(way, kind, guest_image(plan, generated, way, kind))
            if jobs:
                problem = problem or compare(cpu, jobs) or self_test(plan, generated, way, kind)
            if counted and not second:
                states = way.machine.cost_states
                costs = cost.measure(plan, cpu, cost.calls(plan, states=states))
            state_bytes = cpu.image.symbols["hc_guest_state"].size
        except CrashedError as error:
            problem = problem or str(error)
    alone = bare_image(plan, generated, way)
    compared = sum(job.expected.shape[1] for job in jobs if job.scenario in scenarios.SCENARIOS)
    calls = sum(job.expected.shape[1] for job in jobs) - compared
    return Row(
        target=way.machine.name,
        title=way.machine.title,
        compiler=way.chain.version,
        emulators=tuple(version for _, version in way.emulators),
        bit_exact=not problem,
        mismatch=problem,
        samples_compared=compared * len(way.emulators),
        calls_compared=calls * len(way.emulators),
        flash_bytes=alone.flash_bytes,
        data_bytes=alone.data_bytes,
        ram_bytes=state_bytes + alone.data_bytes + alone.bss_bytes,
        costs=costs,
    )


_PORTS: Mapping[Emulator, str] = {
    "unicorn": "MEMORY",
    "mspdebug": "MEMORY",
    "simavr": "AVR",
    "qemu": "SEMIHOST",
    "ucsim": "UCSIM",
}


def guest_image(plan: Plan, generated: Mapping[str, str], way: Way, kind: Emulator) -> Image:
    """The guest with its regulator, for one emulator."""
    contents, sources = guest.sources(plan, generated)
    defines = guest.defines(_PORTS[kind])
    return _image(way, kind, contents, sources, defines=defines, keep=guest.KEEP)


def bare_image(plan: Plan, generated: Mapping[str, str], way: Way) -> Image:
    """The regulator alone, every public function kept."""
    names = (f"{plan.name}.h", f"{plan.name}.c")
    keep = [f"{plan.name}_{call}" for call in call_names(plan)]
    contents = {name: generated[name] for name in names}
    if way.chain.kind == "sdcc":
        return sdcc.bare(way.machine, way.chain, contents, names[1:])
    return toolchains.build(way.machine, way.chain, contents, names[1:], keep=keep)


def _image(
    way: Way,
    kind: Emulator,
    contents: Mapping[str, str],
    sources: Sequence[str],
    *,
    defines: Sequence[str] = (),
    keep: Sequence[str] = ("main",),
) -> Image:
    if way.chain.kind == "sdcc":
        return sdcc.build(way.machine, way.chain, contents, sources, defines)
    if kind == "mspdebug":
        keep = mspdebug.KEEP if "hc_guest_load" in keep else mspdebug.KEEP[:1]
    if kind != "qemu":
        return toolchains.build(
            way.machine, way.chain, contents, sources, defines=defines, keep=keep
        )
    started = c_interface.harness_files(qemu.START, "target_semihost.h")
    return toolchains.build(
        way.machine,
        way.chain,
        {**contents, **started},
        [*sources, f"{c_interface.FOLDER}/{qemu.START}"],
        defines=defines,
        keep=qemu.KEEP,
    )


def start(way: Way, kind: Emulator, image: Image) -> Cpu:
    """An emulator of ``kind`` with ``image`` in it."""
    if kind == "unicorn":
        return unicorn_cpu.UnicornCpu(way.machine, image)
    if kind == "simavr":
        return simavr.SimavrCpu(image)
    if kind == "ucsim":
        return ucsim.UcsimCpu(way.machine, image)
    if kind == "mspdebug":
        return mspdebug.MspdebugCpu(way.machine, image)
    return qemu.QemuCpu(way.machine, image)


def compare(cpu: Cpu, jobs: Sequence[Job]) -> str:
    """Where the target first differs from the model; empty if nowhere."""
    answer = cpu.exchange([job.request for job in jobs])
    due = sum(job.answers for job in jobs)
    if len(answer) != due:
        return f"the target answered {len(answer)} words instead of {due}"
    for job, part in zip(
        jobs, np.split(answer, np.cumsum([job.answers for job in jobs])[:-1]), strict=True
    ):
        difference = job.difference(part)
        if difference:
            return difference
    return ""


def self_test(plan: Plan, generated: Mapping[str, str], way: Way, kind: Emulator) -> str:
    """Run NAME_selftest.c on the target; empty if its main() returns 0."""
    image = _image(way, kind, generated, [f"{plan.name}.c", f"{plan.name}_selftest.c"])
    cpu = start(way, kind, image)
    status = cpu.call("main") if isinstance(cpu, unicorn_cpu.UnicornCpu) else cpu.status()
    return "" if status == 0 else f"{plan.name}_selftest.c returned {status}"
