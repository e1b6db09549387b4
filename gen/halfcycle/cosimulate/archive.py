"""The file of a unit: a zip of its files, the same bytes from the same files on every machine.

Nothing is compressed, since compressors differ from machine to machine; so the description, which
comes first, can be read in the file as it is.
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from halfcycle.base import files
from halfcycle.base.output_file import OutputFile
from halfcycle.cosimulate import binary
from halfcycle.cosimulate.description import MARK
from halfcycle.cosimulate.unit import DESCRIPTION, SOURCES, Unit, files_of, guid_of

MAX_BYTES = 1 << 26
"""A unit has some hundred thousand."""
_FIRST_DATE = (1980, 1, 1, 0, 0, 0)
"""The first that a zip can have: a unit tells no time."""
_MODE = 0o644 << 16
_UNIX = 3
_UNREADABLE = (zipfile.BadZipFile, zlib.error, OSError, ValueError, RuntimeError, EOFError)
"""What a damaged, an encrypted or another zip is answered with."""
_GUID = re.compile(r'\bguid="([^"]*)"')


def content(unit: Unit, *, with_binary: bool = False) -> bytes:
    """The bytes of a unit; ``with_binary``: with its library for this machine.

    Raises ToolMissingError and compiler.CompileError as ``binary.library`` does.
    """
    contents = files_of(unit)
    if not with_binary:
        return packed(contents)
    sources = {
        place.removeprefix(SOURCES): text
        for place, text in contents.items()
        if place.startswith(SOURCES)
    }
    return packed(contents, binary.library(unit, sources))


def packed(contents: Mapping[str, str], library: tuple[str, bytes] | None = None) -> bytes:
    """The bytes of a unit of these files (place to text). ``library``: place and bytes of its
    binary."""
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
        for place, text in contents.items():
            archive.writestr(_entry(place), text.encode())
        if library is not None:
            archive.writestr(_entry(library[0]), library[1])
    return target.getvalue()


def _entry(place: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(place, _FIRST_DATE)
    entry.create_system = _UNIX
    entry.external_attr = _MODE
    return entry


def untouched(data: bytes, library: str, model: str = "") -> bool:
    """Whether a unit holds what this tool put there, of whatever spec, and nothing else.

    ``library``: the place at which a binary of this machine may stand, which can be built again.
    ``model``: what the unit must be of, as ``Unit`` has it; of any without.
    """
    try:
        contents = _texts(data, library.rpartition("/")[0])
    except _UNREADABLE:
        return False
    if model and not any(place.endswith(f"/{model}.c") for place in contents):
        return False
    found = _GUID.search(contents.get(DESCRIPTION, ""))
    return found is not None and found[1] == guid_of(contents)


def _texts(data: bytes, left_out: str) -> dict[str, str]:
    """Place and text of each file of a zip but for those of one folder. Raises _UNREADABLE for what
    is no zip of texts, or unpacks to too much."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        if sum(entry.file_size for entry in archive.infolist()) > MAX_BYTES:
            raise ValueError("too long for a unit")
        return {
            place: archive.read(place).decode()
            for place in archive.namelist()
            if place.rpartition("/")[0] != left_out
        }


@dataclass(frozen=True)
class UnitFile(OutputFile):
    """Where a command is to write a unit: an earlier one is replaced unless it was changed since,
    by hand or by a program that put its own binary into it, or is of another ``model``: a board
    does not take the place of a regulator."""

    model: str = ""

    @property
    def foreign(self) -> str:
        other = f"is no {self.model.removeprefix('unit_')}'s, " if self.model else ""
        return f"{other}was changed since it was written, or is not a unit of this tool"

    def _is_generated(self, path: Path) -> bool:
        # Generated C stands in a unit as it is.
        return not zipfile.is_zipfile(path) and super()._is_generated(path)

    def _is_own(self, path: Path) -> bool:
        try:
            data = files.read_regular(path, MAX_BYTES)
        except files.TooLongError:
            return False
        return untouched(data, binary.place(""), self.model)


def unit_file(
    path: Path, option: str, inputs: list[Path], force: bool, model: str = ""
) -> UnitFile:
    """The file of a unit. Raises InputError if nothing may be written there; ``option``, ``inputs``
    and ``force`` as in ``OutputFile``, ``model`` as in ``UnitFile``."""
    return UnitFile(path, option, MARK, inputs, force, model)
