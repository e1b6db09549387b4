"""A processor by unicorn: an image in its memory, its functions called and counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from halfcycle.base.errors import ToolMissingError
from halfcycle.targets.elf_image import Image
from halfcycle.targets.emulated import CrashedError, Run
from halfcycle.targets.machines import Machine

Words = NDArray[np.uint32]

_IN, _OUT, _BUFFER = 0x3000_0000, 0x3800_0000, 0x0400_0000
_STACK = 0x2_0000
"""RAM above an image's own, for the stack."""
_PAGE = 0x1_0000
_QUIT = ord("Q")
_SECONDS = 300.0
"""Within which a call comes back."""


@dataclass(frozen=True, slots=True)
class _Core:
    """unicorn's names of a processor's registers and modes."""

    architecture: int
    mode: int
    model: int
    stack: int
    link: int
    arguments: tuple[int, int]
    result: int
    thumb: bool = False
    on_stack: bool = False
    """Whether arguments and the return address are passed on the stack, one word each."""


def find() -> Any:
    """The module ``unicorn``. Raises ToolMissingError if it is not installed."""
    try:
        import unicorn  # noqa: PLC0415
    except ImportError:
        raise ToolMissingError("unicorn is not installed; pip install unicorn pyelftools") from None
    return unicorn


def version() -> str:
    """unicorn's name and version."""
    return f"unicorn {find().__version__}"


def _core(machine: Machine) -> _Core:
    find()
    from unicorn import arm_const as arm  # noqa: PLC0415
    from unicorn import m68k_const as m68k  # noqa: PLC0415
    from unicorn import mips_const as mips  # noqa: PLC0415
    from unicorn import riscv_const as riscv  # noqa: PLC0415
    from unicorn import unicorn_const as uc  # noqa: PLC0415

    if machine.name.startswith("cortex"):
        model = arm.UC_CPU_ARM_CORTEX_M0
        if machine.name == "cortex-m4":
            model = arm.UC_CPU_ARM_CORTEX_M4
        mode = uc.UC_MODE_THUMB | uc.UC_MODE_MCLASS
        arguments = (arm.UC_ARM_REG_R0, arm.UC_ARM_REG_R1)
        stack, link = arm.UC_ARM_REG_SP, arm.UC_ARM_REG_LR
        return _Core(uc.UC_ARCH_ARM, mode, model, stack, link, arguments, arguments[0], True)
    if machine.name == "rv32imc":
        arguments = (riscv.UC_RISCV_REG_A0, riscv.UC_RISCV_REG_A1)
        return _Core(
            uc.UC_ARCH_RISCV,
            uc.UC_MODE_RISCV32,
            riscv.UC_CPU_RISCV32_ANY,
            riscv.UC_RISCV_REG_SP,
            riscv.UC_RISCV_REG_RA,
            arguments,
            arguments[0],
        )
    if machine.name == "m68k-be":
        return _Core(
            uc.UC_ARCH_M68K,
            uc.UC_MODE_BIG_ENDIAN,
            m68k.UC_CPU_M68K_M68020,
            m68k.UC_M68K_REG_A7,
            0,
            (0, 0),
            m68k.UC_M68K_REG_D0,
            on_stack=True,
        )
    return _Core(
        uc.UC_ARCH_MIPS,
        uc.UC_MODE_MIPS32 | uc.UC_MODE_BIG_ENDIAN,
        mips.UC_CPU_MIPS32_24KF,
        mips.UC_MIPS_REG_SP,
        mips.UC_MIPS_REG_RA,
        (mips.UC_MIPS_REG_A0, mips.UC_MIPS_REG_A1),
        mips.UC_MIPS_REG_V0,
    )


class UnicornCpu:
    """One image loaded into one processor."""

    def __init__(self, machine: Machine, image: Image) -> None:
        unicorn = find()
        self._error = unicorn.UcError
        self._hook_code, self._timed_out = unicorn.UC_HOOK_CODE, unicorn.UC_QUERY_TIMEOUT
        self.image, self._machine = image, machine
        self._core = _core(machine)
        self._uc = unicorn.Uc(self._core.architecture, self._core.mode)
        self._uc.ctl_set_cpu_model(self._core.model)
        self._word = np.dtype(np.uint32).newbyteorder(machine.byte_order)
        self._map()
        self._below = 4 * 3 if self._core.on_stack else 0
        """Stack for a return address and arguments."""
        self.executed: dict[int, int] = {}
        """Address to size of every instruction that a counted call has run."""
        self.sizes_told = not self._core.on_stack
        """Whether those sizes are right: for m68k unicorn says 2 for every instruction."""

    def _map(self) -> None:
        """Map and fill the image's memory, room for the stack, and the stop address."""
        flash, ram = self._machine.flash, self._machine.ram
        ends = [(part.address, part.address + part.size) for part in self.image.segments]
        flash_end = max([end for start, end in ends if start < ram], default=flash)
        ram_end = max([end for _, end in ends if end > ram], default=ram)
        # Beyond the code, where nothing is: calls return to here, and the run stops.
        self._stop = -(-flash_end // _PAGE) * _PAGE
        self._stack_top = -(-ram_end // _PAGE) * _PAGE + _STACK
        self._uc.mem_map(flash, self._stop + _PAGE - flash)
        self._uc.mem_map(ram, self._stack_top + _PAGE - ram)
        for part in self.image.segments:
            self._uc.mem_write(part.address, part.content)

    def write_words(self, address: int, words: Words) -> None:
        """Put 32-bit words into memory in the target's byte order."""
        self._uc.mem_write(address, words.astype(self._word).tobytes())

    def read_words(self, address: int, count: int) -> Words:
        """Get 32-bit words from memory."""
        raw = bytes(self._uc.mem_read(address, 4 * count))
        return np.frombuffer(raw, self._word).astype(np.uint32)

    def write_bytes(self, address: int, content: bytes) -> None:
        """Put bytes into memory."""
        self._uc.mem_write(address, content)

    def read_bytes(self, address: int, count: int) -> bytes:
        """Get bytes from memory."""
        return bytes(self._uc.mem_read(address, count))

    def exchange(self, requests: Sequence[Words]) -> Words:
        """Give the guest (``target_guest.c``) its requests; every word that it answers."""
        self._map_buffers()
        answers = []
        for request in requests:
            words = np.append(request, np.uint32(_QUIT))
            if words.nbytes > _BUFFER:
                raise ValueError("a request is larger than the guest's buffer")
            self.write_words(_IN, words)
            self._point("hc_in", _IN)
            self._point("hc_out", _OUT)
            status = self.call("main")
            if status:
                raise CrashedError(f"{self._machine.name}: the guest did not know a command")
            end = int(self.read_words(self.image.symbols["hc_out"].address, 1)[0])
            answers.append(self.read_words(_OUT, (end - _OUT) // 4))
        return np.concatenate(answers) if answers else np.zeros(0, np.uint32)

    def _map_buffers(self) -> None:
        if not any(start == _IN for start, _, _ in self._uc.mem_regions()):
            self._uc.mem_map(_IN, _BUFFER)
            self._uc.mem_map(_OUT, _BUFFER)

    def _point(self, symbol: str, address: int) -> None:
        self.write_words(self.image.symbols[symbol].address, np.asarray([address], np.uint32))

    def call(self, function: str, *arguments: int) -> int:
        """Call a function of the image; what it returns (as an unsigned word)."""
        core, uc = self._core, self._uc
        odd = 1 if core.thumb else 0
        if core.on_stack:
            words = [self._stop, *(value & 0xFFFFFFFF for value in arguments)]
            top = self._stack_top - self._below
            self.write_words(top, np.asarray(words, np.uint32))
            uc.reg_write(core.stack, top)
        else:
            uc.reg_write(core.stack, self._stack_top)
            uc.reg_write(core.link, self._stop | odd)
            for register, value in zip(core.arguments, arguments, strict=False):
                uc.reg_write(register, value & 0xFFFFFFFF)
        try:
            start = self.image.symbols[function].address | odd
            uc.emu_start(start, self._stop, timeout=round(_SECONDS * 1e6))
            late = bool(uc.query(self._timed_out))
        except self._error as error:
            raise CrashedError(f"{self._machine.name}: {function}: {error}") from None
        if late:
            name = self._machine.name
            raise CrashedError(f"{name}: {function} did not come back within {_SECONDS:g} s")
        return int(uc.reg_read(core.result)) & 0xFFFFFFFF

    def counted(self) -> Counted:
        """Context in which calls are counted, instruction by instruction."""
        return Counted(self)


class Counted:
    """Counts the instructions and the stack of calls. Use as a context."""

    def __init__(self, cpu: UnicornCpu) -> None:
        self._cpu = cpu
        self._instructions = 0
        self._lowest = 0

    def __enter__(self) -> Counted:
        cpu = self._cpu
        uc, core, executed = cpu._uc, cpu._core, cpu.executed
        read, stack = uc.reg_read, core.stack

        def count(_uc: Any, address: int, size: int, _data: Any) -> None:
            self._instructions += 1
            executed[address] = size
            self._lowest = min(self._lowest, read(stack))

        # Code that was translated before the hook would run past it.
        uc.ctl_flush_tb()
        self._handle = uc.hook_add(cpu._hook_code, count)
        return self

    def __exit__(self, *_: object) -> None:
        self._cpu._uc.hook_del(self._handle)
        self._cpu._uc.ctl_flush_tb()

    def call(self, function: str, *arguments: int) -> Run:
        """As ``UnicornCpu.call``, with its cost."""
        top = self._cpu._stack_top
        if self._cpu._core.on_stack:
            top -= self._cpu._below - 4  # The return address is the call's own.
        self._lowest = top
        self._instructions = 0
        result = self._cpu.call(function, *arguments)
        return Run(result, self._instructions, top - self._lowest)
