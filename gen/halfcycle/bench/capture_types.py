"""What the readers of recorded waveforms share: what to read, what was read, and their faults."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from halfcycle.base import files
from halfcycle.base.errors import Fault, InputError
from halfcycle.base.findings import Finding
from halfcycle.base.text import printable

Floats = NDArray[np.float64]

MAX_SAMPLES = 20_000_000
"""Samples kept, 16 bytes each: a longer capture is cut, and a remark says where."""


@dataclass(frozen=True, slots=True)
class Section:
    """What to take of a capture: ``start_s`` to ``stop_s`` in its own time, volts times
    ``factor`` (a probe's ratio that the recorder did not know)."""

    start_s: float = -np.inf
    stop_s: float = np.inf
    factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Raw:
    """What a reader found: equally long arrays, NaN where a value is missing."""

    time_s: Floats
    volts: Floats
    channel: str
    remarks: tuple[Finding, ...]


def input_error(path: Path | str, key: str, problem: str, remedy: str) -> InputError:
    """One fault of the capture ``path``."""
    return InputError([Fault(printable(str(path)), key, printable(problem), printable(remedy))])


def open_error(path: Path | str, error: OSError | ValueError) -> InputError:
    """The capture cannot be opened or read."""
    if isinstance(error, FileNotFoundError):
        return input_error(path, "file", "there is no such file", "check the path")
    if isinstance(error, files.NotRegularError):
        return input_error(path, "file", f"this {error.strerror}", "name a regular file")
    reason = getattr(error, "strerror", None) or str(error)
    return input_error(path, "file", f"cannot be read: {reason}", "check the path")
