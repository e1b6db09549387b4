"""Images for 8-bit processors by sdcc: built, and what their maps tell."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from halfcycle.base import resources
from halfcycle.targets import toolchains
from halfcycle.targets.elf_image import Image, Symbol
from halfcycle.targets.machines import Machine
from halfcycle.targets.toolchains import Toolchain

START = "target_sdcc.c"
_ALONE = "alone.c"
_IMAGE = "image.ihx"
_MAP = "image.map"

_INITIALISED = {"INITIALIZED", "_INITIALIZED", "XISEG"}
_ZEROED = {"DATA", "_DATA", "PSEG", "XSEG"}
_NOT_KEPT = {"SSEG", "REG_BANK_0", "BIT_BANK", "DSEG", "ISEG", "BSEG", "OSEG"}
"""The stack, the registers and the 8051's internal memory, whose plan is in a file of its own."""
_INTERNAL = "image.mem"
_INTERNAL_ROW = re.compile(r"^0x[0-9a-f]0:(.*)$", re.MULTILINE)

_AREA = re.compile(r"^(\w+)\s+([0-9A-F]{8})\s+([0-9A-F]{8}) =", re.MULTILINE)
_SYMBOL = re.compile(r"^(?:[A-Z]:)?\s+([0-9A-F]{8})\s+_(\w+)(?:\s+\S+)?\s*$")


def build(
    machine: Machine,
    chain: Toolchain,
    contents: Mapping[str, str],
    sources: Sequence[str],
    defines: Sequence[str],
) -> Image:
    """An image that ucsim runs: ``sources``'s main() called by ``target_sdcc.c``.

    Raises compiler.CompileError where the compiler refuses.
    """
    assert machine.sdcc is not None
    library = machine.sdcc.library
    texts = {**contents, **_resources((START, *library))}
    texts["target_port.h"] = resources.harness_text("target_port.h")
    port = ["HC_PORT_UCSIM", f"HC_REGISTER_ADDRESS={machine.sdcc.register:#x}"]
    asked = [name for name in defines if name not in port]
    renamed = ["main=hc_main", *asked, *port]
    names = [START, *sources, *library]
    steps = [_compiled(chain, name, renamed if name in sources else port) for name in names]
    steps.append(_linked(chain, names))
    return read(toolchains.built(chain, texts, steps, _IMAGE, (_MAP, _INTERNAL)))


def bare(
    machine: Machine, chain: Toolchain, contents: Mapping[str, str], sources: Sequence[str]
) -> Image:
    """What ``sources`` take in an image, with what they need of sdcc's library: its sizes.

    sdcc links whole files, so this is the difference from an image without them.
    """
    assert machine.sdcc is not None
    library = machine.sdcc.library
    texts = {**contents, **_resources(library), _ALONE: "void main(void) {}\n"}
    images = []
    for names in ([_ALONE, *sources, *library], [_ALONE]):
        steps = [*(_compiled(chain, name, []) for name in names), _linked(chain, names)]
        images.append(read(toolchains.built(chain, texts, steps, _IMAGE, (_MAP, _INTERNAL))))
    whole, empty = images
    return Image(
        path=whole.path,
        segments=(),
        symbols=whole.symbols,
        literals=(),
        text_bytes=whole.text_bytes - empty.text_bytes,
        data_bytes=whole.data_bytes - empty.data_bytes,
        bss_bytes=whole.bss_bytes - empty.bss_bytes,
    )


def _resources(names: Sequence[str]) -> dict[str, str]:
    return {name: resources.harness_text(name) for name in names}


def _compiled(chain: Toolchain, name: str, defines: Sequence[str]) -> list[str]:
    options = ["--std-c99", "--opt-code-speed", *(f"-D{one}" for one in defines)]
    return [*chain.command, *options, "-c", name, "-o", f"{name}.rel"]


def _linked(chain: Toolchain, names: Sequence[str]) -> list[str]:
    return [*chain.command, "--out-fmt-ihx", "-o", _IMAGE, *(f"{name}.rel" for name in names)]


def read(path: Path) -> Image:
    """The image of a file in Intel's format that has its map beside it."""
    text = (path.parent / _MAP).read_text(encoding="ascii", errors="replace")
    sizes = {found[1]: int(found[3], 16) for found in _AREA.finditer(text)}
    data = sum(size for name, size in sizes.items() if name in _INITIALISED)
    bss = sum(size for name, size in sizes.items() if name in _ZEROED)
    plan = path.parent / _INTERNAL
    if plan.exists():
        rows = _INTERNAL_ROW.findall(plan.read_text(encoding="ascii", errors="replace"))
        # Data by module (a to z), overlays, indirect data and bytes of bits.
        bss += sum(cell.islower() or cell in "QITB" for row in rows for cell in row)
    kept = sizes.keys() - _INITIALISED - _ZEROED - _NOT_KEPT
    # The first values of initialised data are an area of their own, among the constants.
    flash = sum(sizes[name] for name in kept) - data
    return Image(path, (), _symbols(text), (), flash, data, bss)


def _symbols(text: str) -> dict[str, Symbol]:
    """Global names without sdcc's leading underscore; each reaches to the next of its area."""
    areas: dict[str, tuple[int, list[tuple[int, str]]]] = {}
    area = ""
    for line in text.splitlines():
        if head := _AREA.match(line):
            area = head[1]
            areas.setdefault(area, (int(head[2], 16) + int(head[3], 16), []))
        elif area and (found := _SYMBOL.match(line)):
            areas[area][1].append((int(found[1], 16), found[2]))
    symbols = {}
    for area, (end, named) in areas.items():
        places = sorted({place for place, _ in named} | {end})
        for place, name in named:
            following = [other for other in places if other > place]
            function = area not in _INITIALISED | _ZEROED
            symbols[name] = Symbol(place, (following or [place])[0] - place, function)
    return symbols
