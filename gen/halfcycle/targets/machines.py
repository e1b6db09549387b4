"""The processors that the C is tried on, and what their tools are called."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Emulator = Literal["unicorn", "simavr", "qemu", "ucsim", "mspdebug"]


@dataclass(frozen=True, slots=True)
class Gcc:
    """A gcc for one processor: its command, its flags and its package (Debian's names)."""

    command: str
    flags: tuple[str, ...]
    package: str


@dataclass(frozen=True, slots=True)
class Sdcc:
    """How sdcc compiles for an 8-bit processor, and ucsim runs it."""

    flags: tuple[str, ...]
    simulator: tuple[str, ...]
    """The ucsim command and its kind of processor."""
    memory: str
    """ucsim's name of the memory that data lies in."""
    register: int
    """Where ucsim's own input and output register is put: an address of that memory not in use."""
    stack: str
    """ucsim's name of the memory that the stack lies in."""
    stack_upwards: bool = False
    library: tuple[str, ...] = ()
    """Files of ``c_harness`` that take the place of what is wrong in sdcc's library."""


@dataclass(frozen=True, slots=True)
class Machine:
    """One processor. ``flash`` and ``ram`` are where its images lie."""

    name: str
    title: str
    byte_order: Literal["<", ">"]
    int_bits: int
    emulators: tuple[Emulator, ...]
    """In order of preference; the first also measures."""
    zig: tuple[str, ...] = ()
    """Options of ``zig cc``."""
    gcc: Gcc | None = None
    flash: int = 0
    ram: int = 0x2000_0000
    standard: str = "c99"
    qemu: tuple[str, ...] = ()
    """The qemu command and its board options."""
    sdcc: Sdcc | None = None
    samples_max: int | None = None
    """Where the emulator is slow: samples that are compared, as ``request.bounded`` counts."""
    cost_states: int = 1500
    """States that update, and sample, are measured from."""


CORTEX_M0PLUS = Machine(
    name="cortex-m0plus",
    title="Arm Cortex-M0+ (ARMv6-M)",
    byte_order="<",
    int_bits=32,
    emulators=("unicorn", "qemu"),
    zig=("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m0plus"),
    gcc=Gcc("arm-none-eabi-gcc", ("-mcpu=cortex-m0plus", "-mthumb"), "gcc-arm-none-eabi"),
    # The board has a Cortex-M0, which runs the same instructions.
    qemu=("qemu-system-arm", "-M", "microbit"),
)
CORTEX_M4 = Machine(
    name="cortex-m4",
    title="Arm Cortex-M4 (ARMv7E-M)",
    byte_order="<",
    int_bits=32,
    emulators=("unicorn", "qemu"),
    zig=("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m4", "-mfloat-abi=soft"),
    gcc=Gcc("arm-none-eabi-gcc", ("-mcpu=cortex-m4", "-mthumb"), "gcc-arm-none-eabi"),
    qemu=("qemu-system-arm", "-M", "mps2-an386"),
)
RV32IMC = Machine(
    name="rv32imc",
    title="RISC-V rv32imc",
    byte_order="<",
    int_bits=32,
    emulators=("unicorn", "qemu"),
    zig=("-target", "riscv32-freestanding-none", "-mcpu=generic_rv32+m+c"),
    gcc=Gcc(
        "riscv64-unknown-elf-gcc", ("-march=rv32imc", "-mabi=ilp32"), "gcc-riscv64-unknown-elf"
    ),
    # Where the board's memory is.
    flash=0x8000_0000,
    ram=0x8010_0000,
    qemu=("qemu-system-riscv32", "-M", "virt", "-bios", "none"),
)
AVR = Machine(
    name="avr",
    title="AVR, 16-bit int",
    byte_order="<",
    int_bits=16,
    emulators=("simavr",),
    # Compiles only: avr-gcc links, with its own library.
    zig=("-target", "avr-freestanding-eabi", "-mcpu=atmega328p", "-mmcu=atmega328p"),
    gcc=Gcc("avr-gcc", ("-mmcu=atmega328p",), "gcc-avr avr-libc"),
    standard="gnu99",  # ISO C has no __flash.
)
MIPS32_BE = Machine(
    name="mips32-be",
    title="MIPS32, big-endian",
    byte_order=">",
    int_bits=32,
    emulators=("unicorn",),
    zig=(
        "-target",
        "mips-freestanding-eabi",
        "-mcpu=mips32r2",
        "-msoft-float",
        "-fno-pic",
        "-mno-abicalls",
    ),
    flash=0x1_0000,
    ram=0x10_0000,
)
M68K_BE = Machine(
    name="m68k-be",
    title="m68k, big-endian",
    byte_order=">",
    int_bits=32,
    emulators=("unicorn", "qemu"),
    gcc=Gcc(
        "m68k-linux-gnu-gcc",
        ("-mcpu=68020", "-static", "-fno-pie", "-no-pie"),
        "gcc-m68k-linux-gnu",
    ),
    flash=0x1_0000,
    ram=0x10_0000,
    qemu=("qemu-m68k",),
)
XTENSA = Machine(
    name="xtensa",
    title="Xtensa LX106",
    byte_order="<",
    int_bits=32,
    emulators=("qemu",),
    gcc=Gcc("xtensa-lx106-elf-gcc", (), "gcc-xtensa-lx106"),
    # Where the board's memory is; it starts at the first.
    flash=0x5000_0000,
    ram=0x6000_0000,
    qemu=("qemu-system-xtensa", "-M", "sim", "-cpu", "lx106"),
)
MSP430 = Machine(
    name="msp430",
    title="MSP430, 16-bit int, no hardware multiplier",
    byte_order="<",
    int_bits=16,
    emulators=("mspdebug",),
    zig=("-target", "msp430-freestanding"),
    flash=0x1000,
    ram=0x0400,
    samples_max=4000,
)
STM8 = Machine(
    name="stm8",
    title="STM8, big-endian, 16-bit int",
    byte_order=">",
    int_bits=16,
    emulators=("ucsim",),
    sdcc=Sdcc(("-mstm8",), ("sstm8", "-t", "S208"), "rom", 0x57FF, "rom"),
    samples_max=4000,
    cost_states=200,
)
MCS51 = Machine(
    name="mcs51",
    title="8051 (MCS-51), 16-bit int",
    byte_order="<",
    int_bits=16,
    emulators=("ucsim",),
    sdcc=Sdcc(("-mmcs51", "--model-large", "--stack-auto"), ("s51",), "xram", 0xFFFF, "iram", True),
    samples_max=4000,
    cost_states=200,
)
Z80 = Machine(
    name="z80",
    title="Z80, 16-bit int",
    byte_order="<",
    int_bits=16,
    emulators=("ucsim",),
    sdcc=Sdcc(("-mz80",), ("sz80",), "rom", 0xF000, "rom", library=("target_z80.c",)),
    samples_max=4000,
    cost_states=200,
)
_EVERY = (
    *(CORTEX_M0PLUS, CORTEX_M4, RV32IMC, AVR, MIPS32_BE),
    *(M68K_BE, XTENSA, MSP430, STM8, MCS51, Z80),
)
MACHINES: dict[str, Machine] = {machine.name: machine for machine in _EVERY}
