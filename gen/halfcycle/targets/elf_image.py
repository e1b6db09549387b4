"""What an ELF image holds: its bytes, its symbols, and how much of each memory it fills."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from halfcycle.base.errors import ToolMissingError

_ALLOC, _WRITE = 0x2, 0x1


@dataclass(frozen=True, slots=True)
class Segment:
    """Bytes at an address; ``size`` may exceed them (the rest is zero)."""

    address: int
    content: bytes
    size: int


@dataclass(frozen=True, slots=True)
class Symbol:
    """A named address (without Thumb's lowest bit), with its size in bytes."""

    address: int
    size: int
    is_function: bool

    def __contains__(self, address: int) -> bool:
        return self.address <= address < self.address + self.size


@dataclass(frozen=True, slots=True)
class Image:
    """An executable for a target."""

    path: Path
    segments: tuple[Segment, ...]
    symbols: Mapping[str, Symbol]
    literals: tuple[tuple[int, int], ...]
    """[start, end) of the constants that lie among the instructions."""
    text_bytes: int
    """Code and constants that stay in flash."""
    data_bytes: int
    """Initialised data: in flash, and copied to RAM."""
    bss_bytes: int

    @property
    def flash_bytes(self) -> int:
        return self.text_bytes + self.data_bytes

    def bytes_at(self, address: int, count: int) -> bytes:
        """Contents of the image; fewer bytes, or none, if it has no more."""
        for part in self.segments:
            if part.address <= address < part.address + len(part.content):
                return part.content[address - part.address :][:count]
        return b""


def read(path: Path) -> Image:
    """The image of an ELF file. Raises ToolMissingError without pyelftools."""
    try:
        from elftools.elf.elffile import ELFFile  # noqa: PLC0415
    except ImportError:
        raise ToolMissingError(
            "pyelftools is needed to read the image; pip install pyelftools"
        ) from None
    with path.open("rb") as stream:
        elf: Any = ELFFile(stream)
        thumb = elf["e_machine"] == "EM_ARM"
        segments = tuple(
            Segment(part["p_vaddr"], part.data(), part["p_memsz"])
            for part in elf.iter_segments("PT_LOAD")
            if part["p_memsz"]
        )
        text = data = bss = 0
        for section in elf.iter_sections():
            flags, size = section["sh_flags"], section["sh_size"]
            if not flags & _ALLOC or not section.name.startswith(
                (".text", ".rodata", ".data", ".bss", ".progmem")
            ):
                continue  # Notes and ABI tables, which no firmware keeps.
            if section["sh_type"] == "SHT_NOBITS":
                bss += size
            elif flags & _WRITE:
                data += size
            else:
                text += size
        symbols, marks = _symbols(elf, thumb)
    return Image(path, segments, symbols, _literals(marks), text, data, bss)


def _symbols(elf: Any, thumb: bool) -> tuple[dict[str, Symbol], list[tuple[int, bool]]]:
    """Named symbols, and the marks where code ends and constants begin or the other way."""
    symbols: dict[str, Symbol] = {}
    marks: list[tuple[int, bool]] = []
    code_sections = {
        number
        for number, section in enumerate(elf.iter_sections())
        if section["sh_flags"] & _ALLOC and section["sh_flags"] & 0x4
    }
    for entry in elf.get_section_by_name(".symtab").iter_symbols():
        if entry.name.startswith("$"):
            if entry["st_shndx"] in code_sections:
                marks.append((entry["st_value"], entry.name.startswith("$d")))
            continue
        function = entry["st_info"]["type"] == "STT_FUNC"
        address = entry["st_value"] & ~1 if thumb and function else entry["st_value"]
        if entry.name:
            symbols[entry.name] = Symbol(address, entry["st_size"], function)
    return symbols, sorted(marks)


def _literals(marks: list[tuple[int, bool]]) -> tuple[tuple[int, int], ...]:
    ends = [*(address for address, _ in marks[1:]), 1 << 32][: len(marks)]
    return tuple((address, end) for (address, data), end in zip(marks, ends, strict=True) if data)
