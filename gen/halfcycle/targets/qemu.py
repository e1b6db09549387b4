"""A second opinion by qemu, if it is installed: the same sources on a whole emulated board.

It counts nothing; its answers are compared as those of the first emulator are. Its Cortex-M0
refuses what ARMv6-M lacks; unicorn's runs any Thumb code.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from halfcycle.targets.elf_image import Image
from halfcycle.targets.machines import Machine
from halfcycle.targets.toolchains import Missing, output_of
from halfcycle.targets.unicorn_cpu import CrashedError

Words = NDArray[np.uint32]

START = "target_start.c"
KEEP = ("hc_start", "hc_run")
_PACKAGES = {"qemu-system-riscv32": "qemu-system-misc"}
_SECONDS = 300


def find(machine: Machine) -> str | Missing | None:
    """qemu's name and version for ``machine``; None if it has no board for it."""
    if not machine.qemu:
        return None
    command = machine.qemu[0]
    path = shutil.which(command)
    if path is None:
        return Missing(command, f"apt install {_PACKAGES.get(command, command)}")
    return f"qemu {output_of((path, '--version')).split('version ')[-1].split()[0]}"


class QemuCpu:
    """One image on one board; each run starts it anew."""

    def __init__(self, machine: Machine, image: Image) -> None:
        self._machine, self.image = machine, image
        self._word = np.dtype(np.uint32).newbyteorder(machine.byte_order)

    def status(self) -> int:
        """Run an image that asks for nothing; what its main() returns."""
        return self._run(np.zeros(0, np.uint32))[0]

    def exchange(self, requests: Sequence[Words]) -> Words:
        """Give the guest (``target_guest.c``) its requests; every word that it answers."""
        words = np.concatenate([*requests, np.asarray([ord("Q")], np.uint32)])
        status, answer = self._run(words)
        if status:
            raise CrashedError(f"{self._machine.name}: the guest ended with status {status}")
        return answer

    def _run(self, words: Words) -> tuple[int, Words]:
        command, *board = self._machine.qemu
        with tempfile.TemporaryDirectory(prefix="halfcycle-") as folder:
            (Path(folder) / "in.bin").write_bytes(words.astype(self._word).tobytes())
            try:
                ran = subprocess.run(
                    [
                        command,
                        *board,
                        *("-display", "none", "-serial", "none", "-monitor", "none"),
                        *("-semihosting-config", "enable=on,target=native"),
                        *("-kernel", str(self.image.path)),
                    ],
                    cwd=folder,
                    stdin=subprocess.DEVNULL,
                    capture_output=True,
                    check=False,
                    timeout=_SECONDS,
                )
            except subprocess.TimeoutExpired:
                raise CrashedError(f"{self._machine.name}: qemu did not end") from None
            if ran.returncode < 0 or ran.stderr:
                raise CrashedError(f"{self._machine.name}: {ran.stderr.decode(errors='replace')}")
            out = Path(folder) / "out.bin"
            answer = out.read_bytes() if out.exists() else b""
        return ran.returncode, np.frombuffer(answer, self._word).astype(np.uint32)
