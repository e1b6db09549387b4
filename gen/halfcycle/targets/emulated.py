"""What every emulator gives back, and a run of one that cannot hang."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

PUBLIC = ("reset", "set_target_mv", "sample", "update", "rms_mv", "scale", "flags", "drive", "duty")
"""What the names of a regulator's functions end with."""


class CrashedError(Exception):
    """The image left its memory, or did not come back from a call."""


@dataclass(frozen=True, slots=True)
class Run:
    """One call: what it returned and what it took."""

    result: int
    instructions: int
    stack_bytes: int
    cycles: int | None = None
    """None where the emulator does not count them."""


def ran(
    target: str,
    words: Sequence[str],
    *,
    seconds: float,
    folder: Path | None = None,
    given: bytes | None = None,
) -> subprocess.CompletedProcess[bytes]:
    """Run an emulator to its end. Raises CrashedError if it does not end within ``seconds``.

    ``given``: its standard input; if None, one that stays open and says nothing (some emulators end
    where their console does).
    """
    name = Path(words[0]).name
    reading, writing = os.pipe()
    source: dict[str, Any] = {"stdin": reading} if given is None else {"input": given}
    try:
        return subprocess.run(
            list(words), cwd=folder, capture_output=True, check=False, timeout=seconds, **source
        )
    except subprocess.TimeoutExpired:
        raise CrashedError(f"{target}: {name} did not end within {seconds:g} s") from None
    except OSError as error:
        raise CrashedError(f"{target}: {name} does not start: {error.strerror}") from None
    finally:
        os.close(reading)
        os.close(writing)
