"""Cross compilers: finding them, and building an image once for each content."""

from __future__ import annotations

import importlib.util
import shlex
import shutil
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from halfcycle.base import resources
from halfcycle.base.text import printable
from halfcycle.targets.elf_image import Image, read
from halfcycle.targets.machines import Machine
from halfcycle.verify import bounded, compiler

_BARE = (
    *("-O2", "-g", "-ffreestanding", "-ffunction-sections", "-fdata-sections"),
    # As -O2 has it in gcc and clang; zig turns it off.
    "-fomit-frame-pointer",
    *("-fno-unwind-tables", "-fno-asynchronous-unwind-tables"),
)

_IMAGE = "image.elf"
MSP430 = "target_msp430.c"
"""The start of an MSP430 image, and its library."""


@dataclass(frozen=True, slots=True)
class Toolchain:
    """A compiler that makes images for one machine."""

    kind: str
    """``zig``, ``gcc`` or ``sdcc``."""
    command: tuple[str, ...]
    version: str
    linker: tuple[str, ...] = ()
    """The command that links, if the compiler cannot."""


@dataclass(frozen=True, slots=True)
class Missing:
    """A tool that is not here, and what to install."""

    tool: str
    install: str


def zig(machine: Machine) -> Toolchain | Missing | None:
    """zig's compiler for ``machine``; None if it cannot make images for it."""
    if not machine.zig:
        return None
    if importlib.util.find_spec("ziglang") is None:
        return Missing("zig", "pip install ziglang")
    linker: tuple[str, ...] = ()
    words = (sys.executable, "-m", "ziglang")
    if machine.name == "msp430":
        linker = (*words, "ld.lld")
    if machine.name == "avr":
        native = gcc(machine)
        if not isinstance(native, Toolchain):
            return native
        linker = native.command
    words = (sys.executable, "-m", "ziglang")
    version = output_of((*words, "version"), "pip install ziglang")
    if isinstance(version, Missing):
        return version
    return Toolchain("zig", (*words, "cc", *machine.zig), f"zig {version}", linker)


def gcc(machine: Machine) -> Toolchain | Missing | None:
    """The gcc for ``machine``; None if no package has one."""
    if machine.gcc is None:
        return None
    path, install = shutil.which(machine.gcc.command), f"apt install {machine.gcc.package}"
    if path is None:
        return Missing(machine.gcc.command, install)
    version = output_of((path, "-dumpfullversion", "-dumpversion"), install)
    if isinstance(version, Missing):
        return version
    return Toolchain("gcc", (path, *machine.gcc.flags), f"{machine.gcc.command} {version}")


def sdcc(machine: Machine) -> Toolchain | Missing | None:
    """sdcc for ``machine``; None where it is not made for it."""
    if machine.sdcc is None:
        return None
    found = shutil.which("sdcc")
    if found is None:
        return Missing("sdcc", "apt install sdcc")
    told = output_of((found, "--version"), "apt install sdcc")
    if isinstance(told, Missing):
        return told
    version = told.partition("SDCC")[2].split()
    number = next((word for word in version if word[:1].isdigit()), "")
    return Toolchain("sdcc", (found, *machine.sdcc.flags), f"sdcc {number}")


def output_of(words: tuple[str, ...], install: str) -> str | Missing:
    """What a command prints that is asked for its version; if it does not, what is missing, and
    what to ``install``."""
    answer = bounded.answer(words)
    if answer.fault:
        return Missing(printable(f"{Path(words[0]).name} ({answer.fault})"), install)
    return answer.text


def build(
    machine: Machine,
    chain: Toolchain,
    contents: Mapping[str, str],
    sources: Sequence[str],
    *,
    defines: Sequence[str] = (),
    keep: Sequence[str] = ("main",),
    flags: Sequence[str] = (),
) -> Image:
    """Compile and link ``sources`` (names among ``contents``: file name to text). A file name may
    have one folder before it.

    ``keep``: the symbols that must be in the image. An AVR image with a ``main`` gets avr-libc's
    start-up, all others are bare. Raises compiler.CompileError if the compiler refuses.
    """
    compiling = [f"-std={machine.standard}", *_BARE, *flags, *(f"-D{name}" for name in defines)]
    linking = ["-Wl,--gc-sections", *(f"-Wl,-u,{name}" for name in keep)]
    texts = dict(contents)
    if machine.name == "avr":
        if "main" not in keep:
            linking.append("-nostartfiles")
    else:
        script = resources.harness_text("target.ld").replace("HC_FLASH_ADDRESS", hex(machine.flash))
        texts["target.ld"] = script.replace("HC_RAM_ADDRESS", hex(machine.ram))
        if machine.name == "msp430":
            return _build_msp430(chain, texts, sources, compiling, keep)
        linking += ["-Wl,-T,target.ld", f"-Wl,-e,{keep[0]}"]
        if chain.kind == "gcc":
            linking.append("-nostdlib")
    if not chain.linker:
        library = ["-lgcc"] if chain.kind == "gcc" else []
        whole = [*chain.command, *compiling, *linking, "-o", _IMAGE, *sources, *library]
        return read(built(chain, texts, [whole]))
    steps = [[*chain.command, *compiling, "-c", name, "-o", f"{name}.o"] for name in sources]
    objects = [f"{name}.o" for name in sources]
    steps.append([*chain.linker, *linking, "-o", _IMAGE, *objects, "-lgcc"])
    return read(built(chain, texts, steps))


def _build_msp430(
    chain: Toolchain,
    texts: Mapping[str, str],
    sources: Sequence[str],
    compiling: Sequence[str],
    keep: Sequence[str],
) -> Image:
    """zig compiles, but knows no linker for it and has no library of products: both by hand."""
    names = [*sources, MSP430]
    steps = [[*chain.command, *compiling, "-c", name, "-o", f"{name}.o"] for name in names]
    wanted = [word for name in keep for word in ("-u", name)]
    options = ["--gc-sections", "-T", "target.ld", "-e", keep[0], *wanted]
    steps.append([*chain.linker, *options, "-o", _IMAGE, *(f"{name}.o" for name in names)])
    return read(built(chain, {**texts, MSP430: resources.harness_text(MSP430)}, steps))


def built(
    chain: Toolchain,
    contents: Mapping[str, str],
    steps: list[list[str]],
    image: str = _IMAGE,
    beside: Sequence[str] = (),
) -> Path:
    """The image, from the cache or made, with the files ``beside`` it that the linker writes."""

    def make(place: Path) -> None:
        compiler.write_sources(place, contents)
        for step in steps:
            _step(step, place)

    recipe = [chain.version, steps, sorted(contents.items())]
    return compiler.build_once(recipe, image, make, beside)


def _step(words: Sequence[str], place: Path) -> None:
    ended = bounded.run(
        words, compiler.ZIG_LIMITS, folder=place, environment=compiler.environment()
    )
    if ended.status != 0:
        shown = shlex.join([Path(words[0]).name, *words[1:]])
        raise compiler.refusal(shown, ended.output)
