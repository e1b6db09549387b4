"""Which function of the C the instructions of its dearest update are of, however inlined."""

from __future__ import annotations

import subprocess
from collections import Counter
from collections.abc import Mapping

from halfcycle.regulator.plan import Plan
from halfcycle.targets import cost, guest, toolchains
from halfcycle.targets.run import Way
from halfcycle.targets.unicorn_cpu import UnicornCpu


def instructions(plan: Plan, generated: Mapping[str, str], way: Way) -> Counter[str]:
    """Function (without the regulator's name) to its instructions, by the compiler's line table."""
    contents, sources = guest.sources(plan, generated)
    defines = guest.defines("MEMORY")
    image = toolchains.build(
        way.machine, way.chain, contents, sources, defines=defines, keep=guest.KEEP, flags=["-g"]
    )
    cpu = UnicornCpu(way.machine, image)
    state, function = image.symbols["hc_guest_state"].address, f"{plan.name}_update"
    calls = [call for call in cost.calls(plan) if call.kind == "update"]
    states = cost._prepared(cpu, calls, image.symbols["hc_guest_fields"].address)
    with cpu.counted() as counter:

        def counted(content: bytes) -> int:
            cpu.write_bytes(state, content)
            return counter.call(function, state, 0).instructions

        worst = max(states, key=counted)
    trace: list[int] = []
    cpu._uc.hook_add(cpu._hook_code, lambda _uc, address, _size, _data: trace.append(address))
    cpu.write_bytes(state, worst)
    cpu.call(function, state)
    words = ["arm-none-eabi-addr2line", "-f", "-e", str(image.path), *map(hex, trace)]
    told = subprocess.run(words, capture_output=True, text=True, check=True).stdout.splitlines()
    return Counter(name.removeprefix(f"{plan.name}_") for name in told[::2])
