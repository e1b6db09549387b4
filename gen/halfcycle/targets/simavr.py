"""An AVR by simavr: the guest fed through a small host program, calls counted with their cycles."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from halfcycle.base import resources
from halfcycle.base.errors import ToolMissingError
from halfcycle.targets.elf_image import Image
from halfcycle.targets.emulated import CrashedError, Run, ran
from halfcycle.targets.toolchains import Missing
from halfcycle.verify import compiler

Words = NDArray[np.uint32]

MISSING = Missing("simavr", "apt install simavr libsimavr-dev")
_FLASH_WORDS = 16384
_SECONDS = 300.0


def find() -> Path | Missing:
    """The host program around simavr's library, built; or what to install."""
    try:
        return compiler.build_program(
            {"target_simavr.c": resources.harness_text("target_simavr.c")},
            ["target_simavr.c"],
            flags=("-O2", "-Wl,--no-as-needed", "-lsimavr"),
        )
    except (compiler.CompileError, ToolMissingError):
        return MISSING


class SimavrCpu:
    """One AVR image; each ``exchange`` starts it anew."""

    def __init__(self, image: Image) -> None:
        program = find()
        if isinstance(program, Missing):
            raise ToolMissingError(f"{program.tool} is not installed; {program.install}")
        self._program, self.image = program, image
        self.executed: dict[int, int] = {}
        """Address to size of every instruction word that a counted call has run."""

    def status(self) -> int:
        """Run an image that asks for nothing; what its main() returns."""
        return self._run(np.zeros(0, np.uint32), ())[0]

    def exchange(self, requests: Sequence[Words]) -> Words:
        """Give the guest (``target_guest.c``) its requests; every word that it answers."""
        return self._exchange(requests, ())[0]

    def counted(self, requests: Sequence[Words], functions: Sequence[str]) -> list[list[Run]]:
        """The cost of each call of each function that the requests lead to, in order."""
        _, costs = self._exchange(requests, functions)
        raw = np.frombuffer(costs[: -_FLASH_WORDS // 8], "<u4").reshape(-1, 4)
        executed = np.frombuffer(costs[-_FLASH_WORDS // 8 :], np.uint8)
        words = np.flatnonzero(np.unpackbits(executed, bitorder="little"))
        self.executed.update((2 * int(word), 2) for word in words)
        return [
            [Run(0, int(row[1]), int(row[3]), int(row[2])) for row in raw if row[0] == number]
            for number in range(len(functions))
        ]

    def _exchange(self, requests: Sequence[Words], functions: Sequence[str]) -> tuple[Words, bytes]:
        words = np.concatenate([*requests, np.asarray([ord("Q")], np.uint32)])
        status, out, costs = self._run(words, functions)
        if status:
            raise CrashedError(f"avr: the guest did not know a command (status {status})")
        return np.frombuffer(out, "<u4").astype(np.uint32), costs

    def _run(self, words: Words, functions: Sequence[str]) -> tuple[int, bytes, bytes]:
        symbols = self.image.symbols
        with tempfile.TemporaryDirectory(prefix="halfcycle-") as folder:
            costs = Path(folder) / "costs"
            command = [
                str(self._program),
                str(self.image.path),
                str(symbols["exit"].address),
                str(costs),
                *(str(symbols[name].address) for name in functions),
            ]
            ended = ran("avr", command, seconds=_SECONDS, given=words.astype("<u4").tobytes())
            if ended.returncode >= 125 or ended.returncode < 0:
                message = ended.stderr.decode(errors="replace").strip()
                raise CrashedError(f"avr: {message or 'the emulator stopped'}")
            return ended.returncode, ended.stdout, costs.read_bytes()
