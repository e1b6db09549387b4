"""Instructions and stack of calls, from qemu's log of what it ran one instruction at a time.

For Xtensa's plain (call0) convention: the stack pointer moves by ``addi`` and ``addmi`` alone.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from halfcycle.targets.elf_image import Image
from halfcycle.targets.emulated import PUBLIC, CrashedError, Run

_TRACE = re.compile(rb"^Trace \d+: \S+ \[[0-9a-f]+/([0-9a-f]+)/", re.MULTILINE)


def options(image: Image, log: Path) -> list[str]:
    """qemu's options that log the code of the regulator and of the compiler's library."""
    ranges = [
        f"{symbol.address:#x}..{symbol.address + symbol.size - 1:#x}"
        for name, symbol in image.symbols.items()
        if symbol.is_function and symbol.size and not _is_guest(name)
    ]
    return [
        *("-singlestep", "-d", "exec,nochain"),
        *("-dfilter", ",".join(ranges), "-D", str(log)),
    ]


def _is_guest(name: str) -> bool:
    parts = ("hc_", "put_", "run_ticks", "restart")
    return name == "main" or name.startswith(parts)


def runs(
    image: Image, log: Path, functions: Sequence[str]
) -> tuple[list[list[Run]], dict[int, int]]:
    """Each call of each function in the log, and the instructions that were run (with sizes).

    Any function of the regulator that the guest calls ends the call before it.
    """
    starts = {
        symbol.address
        for name, symbol in image.symbols.items()
        if symbol.is_function and name.endswith(tuple(f"_{end}" for end in PUBLIC))
    }
    wanted = {image.symbols[name].address: number for number, name in enumerate(functions)}
    steps: dict[int, tuple[int, int]] = {}
    executed: dict[int, int] = {}
    found: list[list[Run]] = [[] for _ in functions]
    current: int | None = None
    count = depth = deepest = 0

    def finish() -> None:
        if current is None:
            return
        if depth:
            raise CrashedError("xtensa: a call left the stack pointer elsewhere")
        found[current].append(Run(0, count, deepest))

    for match in _TRACE.finditer(log.read_bytes()):
        address = int(match[1], 16)
        if address in starts:
            finish()
            current = wanted.get(address)
            count = depth = deepest = 0
        if current is None:
            continue
        if address not in steps:
            steps[address] = _step(image.bytes_at(address, 3))
            executed[address] = steps[address][0]
        count += 1
        depth -= steps[address][1]
        deepest = max(deepest, depth)
    finish()
    return found, executed


def _step(code: bytes) -> tuple[int, int]:
    """An instruction's size, and what it adds to the stack pointer (Xtensa ISA manual)."""
    if code[0] & 0x0F >= 0x8:  # the narrow formats
        return 2, 0
    add, destination_source = code[1] >> 4, ((code[0] >> 4), (code[1] & 0x0F))
    if code[0] & 0x0F == 0x2 and add in (0xC, 0xD) and destination_source == (1, 1):
        amount = code[2] - 256 if code[2] > 127 else code[2]
        return 3, amount if add == 0xC else amount * 256
    return 3, 0
