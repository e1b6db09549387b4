"""An MSP430 by mspdebug's simulator: the guest's requests in memory, chunk by chunk."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from halfcycle.targets import request
from halfcycle.targets.elf_image import Image
from halfcycle.targets.emulated import CrashedError, Run, ran
from halfcycle.targets.machines import Machine
from halfcycle.targets.toolchains import Missing, output_of

Words = NDArray[np.uint32]

KEEP = ("hc_run", "hc_guest_load")
_SECONDS = 300.0
_IN, _OUT, _END = 0x5000, 0x8000, 0xFE00
"""Where the requests lie, where the answers go, and where those end."""
_IN_WORDS, _OUT_WORDS = (_OUT - _IN) // 4 - 1, (_END - _OUT) // 4
_PAINT, _DEPTH = 0x5A, 0x80
"""What the free stack is filled with, and how many bytes of it."""

_STOP = re.compile(r"\( PC: ([0-9a-f]+)\).*\n\s*\( SP: ([0-9a-f]+)\)")
_COUNTS = re.compile(r"Instruction count: (\d+)\s+MCLK:\s+(\d+)")
_ROW = re.compile(r"^\s+([0-9a-f]{5}): ((?:[0-9a-f]{2} )+) *\|", re.MULTILINE)


def find() -> str | Missing:
    """mspdebug's name and version."""
    found = shutil.which("mspdebug")
    if found is None:
        return Missing("mspdebug", "apt install mspdebug")
    told = output_of((found, "--version"), "apt install mspdebug")
    if isinstance(told, Missing):
        return told
    version = re.search(r"version ([\d.]+)", told)
    return f"mspdebug {version[1]}" if version else "mspdebug"


class MspdebugCpu:
    """One MSP430 image; each run starts it anew."""

    def __init__(self, machine: Machine, image: Image) -> None:
        self._machine, self.image = machine, image
        self.executed: None = None
        """The simulator does not tell which instructions it ran."""

    def status(self) -> int:
        """Run an image that asks for nothing; what its main() returns."""
        with tempfile.TemporaryDirectory(prefix="halfcycle-") as folder:
            status = self._at("hc_status")
            told = self._script(Path(folder), [*self._start(), "run", f"md {status} 2"])
        return _word(_bytes(told), status)

    def exchange(self, requests: Sequence[Words]) -> Words:
        """Give the guest (``target_guest.c``) its requests; every word that it answers."""
        chunks = list(request.chunks(requests, self._state_fields, _IN_WORDS, _OUT_WORDS))
        with tempfile.TemporaryDirectory(prefix="halfcycle-") as name:
            folder = Path(name)
            lines = self._start()
            status, out = self._at("hc_status"), self._at("hc_out")
            for number, (words, due) in enumerate(chunks):
                lines += [*self._load(folder, f"in{number}.bin", words), "run"]
                if due:
                    lines.append(f"save_raw {_OUT} {4 * due} out{number}.bin")
                lines += [f"md {status} 2", f"md {out} 2"]
            told = self._script(folder, lines).split("=> run")[1:]
            answers = []
            for number, (part, (_, due)) in enumerate(zip(told, chunks, strict=True)):
                held = _bytes(part)
                if _word(held, status):
                    raise CrashedError(f"{self._machine.name}: the guest did not know a command")
                if _word(held, out) != _OUT + 4 * due:
                    raise CrashedError(f"{self._machine.name}: the guest did not answer all")
                if due:
                    answers.append(np.fromfile(folder / f"out{number}.bin", "<u4"))
        return np.concatenate(answers).astype(np.uint32) if answers else np.zeros(0, np.uint32)

    def counted(self, requests: Sequence[Words], functions: Sequence[str]) -> list[list[Run]]:
        """The cost of each call of the one function that the requests lead to, in order."""
        [function] = functions
        entry = self._at(function)
        # Requests come in pairs: a state, and the call.
        pairs = [np.concatenate(requests[at : at + 2]) for at in range(0, len(requests), 2)]
        with tempfile.TemporaryDirectory(prefix="halfcycle-") as name:
            folder = Path(name)
            begin = [*self._start(), f"setbreak {entry}"]
            told = self._script(folder, [*begin, *self._load(folder, "in.bin", pairs[0]), "run"])
            pointer = self._stops(told)[-1][1]
            told = self._script(
                folder,
                [*begin, *self._load(folder, "in.bin", pairs[0]), "run", f"md {pointer} 2"],
            )
            back = _word(_bytes(told), pointer)
            low = pointer - _DEPTH
            lines = [*begin, f"setbreak {back}", "simio add tracer t"]
            wanted = []
            for number, group in enumerate(_groups(pairs, self._state_fields)):
                lines += self._load(folder, f"in{number}.bin", np.concatenate(group))
                for _ in group:
                    lines += ["run", f"fill {low} {_DEPTH} {_PAINT:#x}", "simio config t clear"]
                    lines += ["run", "simio info t", f"md {low} {_DEPTH}"]
                    wanted += [entry, back]
            told = self._script(folder, lines)
        places = [place for part in told.split("=> run")[1:] for place, _ in self._stops(part)[:1]]
        if places != wanted:
            raise CrashedError(f"{self._machine.name}: {function} did not return to its caller")
        parts = told.split("=> simio info t")[1:]
        return [[_run(part, pointer + 2, low) for part in parts]]

    @property
    def _state_fields(self) -> int:
        return self.image.symbols["hc_guest_fields"].size // 4

    def _at(self, symbol: str) -> int:
        return self.image.symbols[symbol].address

    def _start(self) -> list[str]:
        lines = [f"prog {self.image.path}", f"setbreak {self._at('hc_done')}"]
        return [*lines, f"set 0 {self._at('hc_run')}"]

    def _load(self, folder: Path, name: str, words: Words) -> list[str]:
        """Lines that give the guest a request and put it at its start (loading resets it)."""
        np.append(words, np.uint32(ord("Q"))).astype("<u4").tofile(folder / name)
        np.asarray([_IN], "<u2").tofile(folder / "point_in.bin")
        np.asarray([_OUT], "<u2").tofile(folder / "point_out.bin")
        return [
            f"load_raw {name} {_IN}",
            f"load_raw point_in.bin {self._at('hc_in')}",
            f"load_raw point_out.bin {self._at('hc_out')}",
            f"set 0 {self._at('hc_run')}",
        ]

    def _script(self, folder: Path, lines: Sequence[str]) -> str:
        """What the simulator says to a script."""
        (folder / "script").write_text("\n".join([*lines, ""]), encoding="ascii")
        words = ["mspdebug", "-q", "-n", "sim", "read script"]
        done = ran(self._machine.name, words, seconds=_SECONDS, folder=folder, given=b"")
        told = done.stdout.decode(errors="replace")
        if done.returncode:
            last = (done.stderr.decode(errors="replace") or told).strip().splitlines()[-1:]
            raise CrashedError(f"{self._machine.name}: mspdebug: {' '.join(last)}")
        return told

    @staticmethod
    def _stops(told: str) -> list[tuple[int, int]]:
        """Program counter and stack pointer, each time that the simulator tells them."""
        return [(int(one[1], 16), int(one[2], 16)) for one in _STOP.finditer(told)]


def _groups(pairs: Sequence[Words], state_fields: int) -> list[list[Words]]:
    """The calls in groups whose requests and answers fit the guest's memory."""
    record = request.record_length(state_fields)
    most = min(_IN_WORDS // max(len(pair) for pair in pairs), _OUT_WORDS // record)
    return [list(pairs[at : at + most]) for at in range(0, len(pairs), most)]


def _run(told: str, top: int, low: int) -> Run:
    counts = _COUNTS.search(told)
    held = _bytes(told)
    if counts is None or low not in held:
        raise CrashedError("mspdebug: no counts in its answer")
    deepest = next((at for at in range(low, top) if held.get(at, 0) != _PAINT), top - 2)
    if deepest == low:
        raise CrashedError("the stack went deeper than it is watched")
    return Run(0, int(counts[1]), top - min(deepest, top - 2), int(counts[2]))


def _bytes(told: str) -> dict[int, int]:
    """Address to content of the rows of a dump."""
    held: dict[int, int] = {}
    for row in _ROW.finditer(told):
        start = int(row[1], 16)
        held.update({start + n: int(two, 16) for n, two in enumerate(row[2].split())})
    return held


def _word(held: dict[int, int], address: int) -> int:
    """A 16-bit word of a dump."""
    try:
        return held[address] | held[address + 1] << 8
    except KeyError:
        raise CrashedError("mspdebug: the memory that was asked for is not told") from None
