"""A second opinion by qemu, if it is installed: the same sources on a whole emulated board.

Its answers are compared as those of the first emulator are. Its Cortex-M0 refuses what ARMv6-M
lacks, where unicorn's runs any Thumb code. It counts for Xtensa alone, which unicorn does not have.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from halfcycle.targets import qemu_trace
from halfcycle.targets.elf_image import Image
from halfcycle.targets.emulated import CrashedError, Run, ran
from halfcycle.targets.machines import Machine
from halfcycle.targets.toolchains import Missing, output_of

Words = NDArray[np.uint32]

START = "target_start.c"
KEEP = ("hc_start", "hc_run")
_PACKAGES = {
    "qemu-system-riscv32": "qemu-system-misc",
    "qemu-system-xtensa": "qemu-system-misc",
    "qemu-m68k": "qemu-user",
}
_SECONDS = 300.0


def find(machine: Machine) -> str | Missing | None:
    """qemu's name and version for ``machine``; None if it has no board for it."""
    if not machine.qemu:
        return None
    command = machine.qemu[0]
    path, install = shutil.which(command), f"apt install {_PACKAGES.get(command, command)}"
    if path is None:
        return Missing(command, install)
    told = output_of((path, "--version"), install)
    if isinstance(told, Missing):
        return told
    version = told.split("version ")[-1].split()
    return f"qemu {version[0] if version else ''}".strip()


class QemuCpu:
    """One image on one board; each run starts it anew."""

    def __init__(self, machine: Machine, image: Image) -> None:
        self._machine, self.image = machine, image
        self._word = np.dtype(np.uint32).newbyteorder(machine.byte_order)
        self.executed: dict[int, int] = {}
        """Address to size of every instruction that a counted call has run."""

    def status(self) -> int:
        """Run an image that asks for nothing; what its main() returns."""
        return self._run(np.zeros(0, np.uint32))[0]

    def exchange(self, requests: Sequence[Words]) -> Words:
        """Give the guest (``target_guest.c``) its requests; every word that it answers."""
        return self._exchange(requests, [])

    def counted(self, requests: Sequence[Words], functions: Sequence[str]) -> list[list[Run]]:
        """The cost of each call of each function that the requests lead to, in order."""
        with tempfile.TemporaryDirectory(prefix="halfcycle-") as folder:
            log = Path(folder) / "log"
            self._exchange(requests, qemu_trace.options(self.image, log))
            runs, executed = qemu_trace.runs(self.image, log, functions)
        self.executed |= executed
        return runs

    def _exchange(self, requests: Sequence[Words], options: Sequence[str]) -> Words:
        words = np.concatenate([*requests, np.asarray([ord("Q")], np.uint32)])
        status, answer = self._run(words, options)
        if status:
            raise CrashedError(f"{self._machine.name}: the guest ended with status {status}")
        return answer

    def _run(self, words: Words, options: Sequence[str] = ()) -> tuple[int, Words]:
        command, *board = self._machine.qemu
        image = [str(self.image.path)]
        if board:  # A whole board, not a process.
            board += ["-display", "none", "-serial", "none", "-monitor", "none"]
            board += ["-semihosting-config", "enable=on,target=native"]
            image.insert(0, "-kernel")
        with tempfile.TemporaryDirectory(prefix="halfcycle-") as folder:
            (Path(folder) / "in.bin").write_bytes(words.astype(self._word).tobytes())
            done = ran(
                self._machine.name,
                [command, *board, *options, *image],
                seconds=_SECONDS,
                folder=Path(folder),
                given=b"",
            )
            if done.returncode < 0 or done.stderr:
                raise CrashedError(f"{self._machine.name}: {done.stderr.decode(errors='replace')}")
            out = Path(folder) / "out.bin"
            answer = out.read_bytes() if out.exists() else b""
        return done.returncode, np.frombuffer(answer, self._word).astype(np.uint32)
