"""Emulators that are missing, hang or fail end as a clear line; played by small programs here."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from halfcycle.base.errors import ToolMissingError
from halfcycle.cli import cli
from halfcycle.targets import emulated, mspdebug, qemu, qemu_trace, sdcc, ucsim
from halfcycle.targets import run as runner
from halfcycle.targets.elf_image import Image, Segment, Symbol
from halfcycle.targets.emulated import CrashedError
from halfcycle.targets.machines import M68K_BE, MACHINES, MCS51, MSP430, STM8, XTENSA, Z80
from support import targets_kit as kit

EMULATORS = {
    "stm8": "sstm8",
    "mcs51": "s51",
    "z80": "sz80",
    "msp430": "mspdebug",
    "xtensa": "qemu-system-xtensa",
    "m68k-be": "qemu-m68k",
}


def image(path: Path) -> Image:
    names = ("hc_run", "hc_done", "hc_status", "hc_in", "hc_out", "weir_pump_update")
    symbols = {name: Symbol(0x1000 + 16 * n, 16, True) for n, name in enumerate(names)}
    symbols["hc_guest_fields"] = Symbol(0x2000, 4 * 22, False)
    return Image(path, (), symbols, (), 0, 0, 0)


def machine_of(target: str, path: Path) -> runner.Cpu:
    machine = MACHINES[target]
    if target == "msp430":
        return mspdebug.MspdebugCpu(machine, image(path))
    if machine.sdcc is not None:
        return ucsim.UcsimCpu(machine, image(path))
    return qemu.QemuCpu(machine, image(path))


def played(folder: Path, monkeypatch: pytest.MonkeyPatch, command: str, script: str) -> None:
    """Put a program named ``command`` first on the path."""
    program = folder / command
    program.write_text(f"#!/bin/sh\n{script}\n", encoding="ascii")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}:/usr/bin:/bin")
    for module in (ucsim, mspdebug, qemu):
        monkeypatch.setattr(module, "_SECONDS", 0.3)


@pytest.mark.parametrize("target", EMULATORS)
def test_an_emulator_that_hangs_is_ended(
    target: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bug: one emulator in a trial never came back, and the command with it."""
    played(tmp_path, monkeypatch, EMULATORS[target], "exec sleep 60")
    cpu = machine_of(target, tmp_path / "image")
    with pytest.raises(CrashedError, match=rf"^{target}: {EMULATORS[target]} did not end within"):
        cpu.exchange([np.asarray([ord("R")], np.uint32)])


@pytest.mark.parametrize("target", ["stm8", "mcs51", "z80", "msp430"])
def test_an_emulator_that_hangs_while_it_counts_is_ended(
    target: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    played(tmp_path, monkeypatch, EMULATORS[target], "exec sleep 60")
    cpu = machine_of(target, tmp_path / "image")
    assert isinstance(cpu, (ucsim.UcsimCpu, mspdebug.MspdebugCpu))
    pair = [np.asarray([ord("L"), *range(22)], np.uint32), np.asarray([ord("U")], np.uint32)]
    with pytest.raises(CrashedError, match=rf"^{target}: \S+ did not end within 0.3 s$"):
        cpu.counted(pair, ["weir_pump_update"])


@pytest.mark.parametrize("target", EMULATORS)
def test_an_emulator_that_fails_is_no_match(
    target: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    played(tmp_path, monkeypatch, EMULATORS[target], "echo broken >&2; exit 3")
    cpu = machine_of(target, tmp_path / "image")
    with pytest.raises(CrashedError, match=rf"^{target}: "):
        cpu.exchange([np.asarray([ord("S")], np.uint32)])


def test_a_program_that_cannot_be_started_is_named(tmp_path: Path) -> None:
    with pytest.raises(CrashedError, match="z80: nowhere does not start"):
        emulated.ran("z80", [str(tmp_path / "nowhere")], seconds=1)


@pytest.mark.parametrize(
    "target, packages",
    [
        ("stm8", {"sdcc", "sdcc-ucsim"}),
        ("mcs51", {"sdcc", "sdcc-ucsim"}),
        ("z80", {"sdcc", "sdcc-ucsim"}),
        ("msp430", {"mspdebug"}),
        ("xtensa", {"gcc-xtensa-lx106", "qemu-system-misc"}),
        ("m68k-be", {"gcc-m68k-linux-gnu", "qemu-user"}),
    ],
)
def test_what_a_target_lacks_is_named_by_its_package(
    target: str, packages: set[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    _, absent = runner.ways([target])
    lacking = {one.install.removeprefix("apt install ") for one in absent}
    assert {package for package in lacking if " " not in package} == packages
    made = kit.example("weir_pump")
    with pytest.raises(ToolMissingError, match=f"^{target} needs "):
        runner.run(made.plan, made.texts, [target])


def test_a_hanging_emulator_is_a_line_and_a_failure_of_the_command(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    kit.need_pip_route()

    def hangs(cpu: object, jobs: object) -> str:
        raise CrashedError("mips32-be: unicorn did not end within 1 s")

    monkeypatch.setattr(runner, "compare", hangs)
    spec = str(kit.EXAMPLES / "moor_signal.toml")
    options = ["--samples", "100", "--target", "mips32-be"]
    ran = CliRunner().invoke(cli, ["targets", spec, *options, "--json"])
    assert ran.exit_code == 1
    [row] = json.loads(ran.stdout)["targets"]
    assert row["bit_exact"] is False and "did not end within" in row["mismatch"]
    assert ran.stderr.startswith("error: mips32-be")


def test_slow_targets_say_how_much_they_compared(monkeypatch: pytest.MonkeyPatch) -> None:
    row = runner.Row(
        target="z80",
        title="",
        compiler="sdcc 4.2.0",
        emulators=("ucsim 0.6.4",),
        bit_exact=True,
        mismatch="",
        samples_compared=4000,
        calls_compared=5054,
        flash_bytes=1,
        data_bytes=0,
        ram_bytes=1,
        costs=None,
    )
    monkeypatch.setattr(runner, "run", lambda *_, **__: runner.Result((row,), ()))
    ran = CliRunner().invoke(cli, ["targets", str(kit.EXAMPLES / "moor_signal.toml")])
    told = " ".join(ran.stdout.split())
    assert "Slow emulators (z80)" in told and "4000 samples and 5054 other calls" in told


def test_eleven_architectures_and_both_byte_orders() -> None:
    assert len(MACHINES) == 11
    assert {machine.byte_order for machine in MACHINES.values()} == {"<", ">"}
    sixteen = {name for name, machine in MACHINES.items() if machine.int_bits == 16}
    assert sixteen == {"avr", "msp430", "stm8", "mcs51", "z80"}
    assert {MCS51.sdcc is None, STM8.sdcc is None, Z80.sdcc is None} == {False}
    assert MSP430.zig and XTENSA.gcc and M68K_BE.gcc
    # Architectures, not parts: no catalogue number in what users read.
    names = [*MACHINES, *(machine.title for machine in MACHINES.values())]
    assert not [name for name in names if "mega" in name.lower() or "stm8s" in name.lower()]


MAP = """
Area                                    Addr        Size        Decimal Bytes (Attributes)
--------------------------------        ----        ----        ------- ----- ------------
DATA                                00000001    00000086 =         134. bytes (REL,CON)

      Value  Global                              Global Defined In Module
     00000001  _hc_guest_state                    target_guest
     0000002F  _hc_guest_fields                   target_guest

INITIALIZED                         00000087    00000004 =           4. bytes (REL,CON)
SSEG                                0000008B    00000001 =           1. bytes (REL,CON)
INITIALIZER                         00008020    00000004 =           4. bytes (REL,CON)
CONST                               00008024    00000082 =         130. bytes (REL,CON)
CODE                                000080A6    00000DBE =        3518. bytes (REL,CON)

     00008133  _main                              st
     0000836A  _weir_pump_update                  weir_pump
"""


def test_a_map_of_sdcc_is_read(tmp_path: Path) -> None:
    (tmp_path / "image.map").write_text(MAP, encoding="ascii")
    found = sdcc.read(tmp_path / "image.ihx")
    assert (found.data_bytes, found.bss_bytes, found.text_bytes) == (4, 134, 130 + 3518)
    assert found.flash_bytes == 4 + 130 + 3518
    assert found.symbols["hc_guest_state"] == Symbol(1, 0x2E, False)
    assert found.symbols["weir_pump_update"] == Symbol(0x836A, 0x80A6 + 0xDBE - 0x836A, True)


def test_a_trace_gives_instructions_and_stack(tmp_path: Path) -> None:
    """Xtensa: addi a1, a1, -16 is 12 c1 f0, ret.n 0d f0, nop.n 3d f0 (as objdump has them)."""
    code = bytes.fromhex("12c1f0 3df0 12c110 0df0")
    symbols = {
        "x_update": Symbol(0x5000_0100, len(code), True),
        "x_scale": Symbol(0x5000_0200, 2, True),
    }
    segments = (Segment(0x5000_0100, code, len(code)), Segment(0x5000_0200, b"\x0d\xf0", 2))
    traced = Image(tmp_path / "x", segments, symbols, (), 0, 0, 0)
    log = tmp_path / "log"
    places = [0x100, 0x103, 0x105, 0x108, 0x200, 0x100, 0x103, 0x105, 0x108]
    lines = [f"Trace 0: 0x7f00 [00000000/5000{at:04x}/00018004/ff000201] name" for at in places]
    log.write_text("\n".join(lines), encoding="ascii")
    [runs], executed = qemu_trace.runs(traced, log, ["x_update"])
    assert [(run.instructions, run.stack_bytes) for run in runs] == [(4, 16)] * 2
    assert executed == {0x5000_0100: 3, 0x5000_0103: 2, 0x5000_0105: 3, 0x5000_0108: 2}
    log.write_text("\n".join(lines[:2]), encoding="ascii")
    with pytest.raises(CrashedError, match="stack pointer"):
        qemu_trace.runs(traced, log, ["x_update"])
