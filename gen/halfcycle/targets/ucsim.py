"""8-bit processors by ucsim: the guest fed by files, calls counted on the simulator's console."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from halfcycle.targets.elf_image import Image
from halfcycle.targets.emulated import CrashedError, Run, ran
from halfcycle.targets.machines import Machine, Sdcc
from halfcycle.targets.toolchains import Missing, output_of

Words = NDArray[np.uint32]

_SECONDS = 240.0
"""Within which a run ends, or an answer of the console comes."""
_PAINT, _DEPTH = 0x5A, 0xC0
"""What the free stack is filled with, and how many bytes of it."""

_CLOCKS = re.compile(r"Inst= (\d+).*?since last reset= [\d.e+-]+ sec \((\d+) clks", re.DOTALL)
_PLACE = re.compile(r"^F 0x([0-9a-f]+)", re.MULTILINE)
_ROW = re.compile(r"^0x([0-9a-f]+) +((?:[0-9a-f]{2} ){1,16})", re.MULTILINE)


def find(machine: Machine) -> str | Missing | None:
    """ucsim's version for ``machine``; None where it has none for it."""
    if machine.sdcc is None:
        return None
    command = machine.sdcc.simulator[0]
    found = shutil.which(command)
    if found is None:
        return Missing(command, "apt install sdcc-ucsim")
    told = output_of((found, "-v"), "apt install sdcc-ucsim")
    if isinstance(told, Missing):
        return told
    version = told.split()
    return f"ucsim {version[-1] if version else ''}".strip()


class UcsimCpu:
    """One image by sdcc; each run starts it anew."""

    def __init__(self, machine: Machine, image: Image) -> None:
        assert machine.sdcc is not None
        self._machine, self._sdcc, self.image = machine, machine.sdcc, image
        self._word = np.dtype(np.uint32).newbyteorder(machine.byte_order)
        self.executed: None = None
        """ucsim does not tell which instructions it ran."""

    def status(self) -> int:
        """Run an image that asks for nothing; what its main() returns."""
        return self._run(np.zeros(0, np.uint32))[0]

    def exchange(self, requests: Sequence[Words]) -> Words:
        """Give the guest (``target_guest.c``) its requests; every word that it answers."""
        status, answer = self._run(np.concatenate([*requests, _quit()]))
        if status:
            raise CrashedError(f"{self._machine.name}: the guest did not know a command")
        return answer

    def _command(self, *options: str) -> list[str]:
        sdcc = self._sdcc
        place = f"if={sdcc.memory}[{sdcc.register:#x}],in=in.bin,out=out.bin"
        return [*sdcc.simulator, "-b", "-q", *options, "-I", place, str(self.image.path)]

    def _run(self, words: Words) -> tuple[int, Words]:
        name = self._machine.name
        with tempfile.TemporaryDirectory(prefix="halfcycle-") as folder:
            self._give(Path(folder), words)
            ran(name, self._command("-G"), seconds=_SECONDS, folder=Path(folder))
            out = Path(folder) / "out.bin"
            answer = out.read_bytes() if out.exists() else b""
        if len(answer) % 4 != 1:
            raise CrashedError(f"{name}: the image stopped before the end of its main()")
        return answer[-1], np.frombuffer(answer[:-1], self._word).astype(np.uint32)

    def _give(self, folder: Path, words: Words) -> None:
        (folder / "in.bin").write_bytes(words.astype(self._word).tobytes())

    def counted(self, requests: Sequence[Words], functions: Sequence[str]) -> list[list[Run]]:
        """The cost of each call of the one function that the requests lead to, in order.

        Clocks from the function's first instruction to behind its return. The guest calls it from
        one place, so a first run tells where it returns to and where the stack is.
        """
        [function] = functions
        entry = self.image.symbols[function].address
        # Requests come in pairs: a state, and the call.
        calls = len(requests) // 2
        with tempfile.TemporaryDirectory(prefix="halfcycle-") as folder:
            self._give(Path(folder), np.concatenate([*requests, _quit()]))
            begin = [f"break {entry:#x}", "run"]
            registers = self._console(Path(folder), [*begin, "info reg", "dump sfr 0x80 0x87"])
            pointer = _pointer(self._sdcc, registers)
            first = _Stack.first(self._sdcc, pointer)
            row = f"dump {self._sdcc.stack} {first & ~7:#x} {(first + 1) | 7:#x}"
            held = _bytes(self._console(Path(folder), [*begin, row]))
            stack = _Stack(self._sdcc, pointer, held)
            each = [stack.fill, "state", "run", "state", stack.dump, "run"]
            told = self._console(
                Path(folder), [begin[0], f"break {stack.back:#x}", "run", *each * calls]
            )
        parts = told.split("Simulation started")[1 : 2 * calls + 1]
        places = [found[1] for part in parts if (found := _PLACE.search(part))]
        if [int(place, 16) for place in places] != [entry, stack.back] * calls:
            raise CrashedError(f"{self._machine.name}: {function} did not return to its caller")
        runs = []
        for before, after in zip(parts[::2], parts[1::2], strict=True):
            early, late = _counts(before), _counts(after)
            # ucsim counts the instruction that a breakpoint stops at, but not its clocks.
            instructions = late[0] - early[0] - 1
            runs.append(Run(0, instructions, stack.depth(after), late[1] - early[1]))
        return [runs]

    def _console(self, folder: Path, commands: Sequence[str]) -> str:
        """What the simulator's console says to these commands.

        From a file: those of a pipe are echoed at any time, into the midst of answers.
        """
        (folder / "script").write_text("\n".join([*commands, ""]), encoding="ascii")
        given = b'exec "script"\nquit\n'
        done = ran(
            self._machine.name, self._command(), seconds=_SECONDS, folder=folder, given=given
        )
        return done.stdout.decode(errors="replace")


def _quit() -> Words:
    return np.asarray([ord("Q")], np.uint32)


def _counts(told: str) -> tuple[int, int]:
    """Instructions and clocks since the start."""
    found = _CLOCKS.search(told)
    if found is None:
        raise CrashedError("ucsim: no counts in its answer")
    return int(found[1]), int(found[2])


def _is_stm8(sdcc: Sdcc) -> bool:
    return sdcc.simulator[0] == "sstm8"


def _pointer(sdcc: Sdcc, told: str) -> int:
    """The stack pointer among the registers."""
    # On the 8051 it is a special-function register, which has a line of its own in a dump.
    line = r"\bSP: +0b[01]+ 0x([0-9a-f]+)" if sdcc.stack_upwards else r"\bSP= 0x([0-9a-f]+)"
    found = re.search(line, told)
    if found is None:
        raise CrashedError("ucsim: no stack pointer among its registers")
    return int(found[1], 16)


class _Stack:
    """The stack at the entry of a function: its return address, and the free bytes beyond it."""

    def __init__(self, sdcc: Sdcc, pointer: int, held: Mapping[int, int]) -> None:
        first = self.first(sdcc, pointer)
        back = [held[first], held[first + 1]]
        self.back = back[0] << 8 | back[1] if _is_stm8(sdcc) else back[1] << 8 | back[0]
        self._upwards = sdcc.stack_upwards
        if self._upwards:  # 8051: the pointer is at the last byte, the return address below it.
            self._edge = pointer - 2
            low, high = pointer + 1, min(pointer + _DEPTH, 0xFF)
        elif _is_stm8(sdcc):  # The pointer is at the next free byte.
            self._edge = pointer + 3
            low, high = pointer + 1 - _DEPTH, pointer
        else:
            self._edge = pointer + 2
            low, high = pointer - _DEPTH, pointer - 1
        self._low, self._high = low, high
        self.fill = f"fill {sdcc.stack} {low:#x} {high:#x} {_PAINT:#x}"
        # Whole rows, so that none begins with blanks.
        self.dump = f"dump {sdcc.stack} {low & ~7:#x} {high | 7:#x}"

    @staticmethod
    def first(sdcc: Sdcc, pointer: int) -> int:
        """Where the return address begins."""
        if sdcc.stack_upwards:
            return pointer - 1
        return pointer + 1 if _is_stm8(sdcc) else pointer

    def depth(self, told: str) -> int:
        """Bytes from the return address, it included, to the farthest that was written."""
        held = _bytes(told)
        written = [at for at in range(self._low, self._high + 1) if held[at] != _PAINT]
        if not written:
            return 2
        farthest = max(written) if self._upwards else min(written)
        if farthest in (self._high if self._upwards else self._low,):
            raise CrashedError("the stack went deeper than it is watched")
        return abs(farthest - self._edge)


def _bytes(told: str) -> dict[int, int]:
    """Address to content of the rows of a dump."""
    held: dict[int, int] = {}
    for row in _ROW.finditer(told):
        start = int(row[1], 16)
        held.update({start + n: int(two, 16) for n, two in enumerate(row[2].split())})
    return held
