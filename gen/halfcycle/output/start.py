"""The JSON of ``halfcycle start``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from halfcycle.output.light import LightEntry, Means


@dataclass(frozen=True, slots=True)
class Start(LightEntry):
    """``halfcycle start``"""

    file: Annotated[str, Means("the spec that was written")]
    like: Annotated[str, Means("kind of unit whose values the spec has")]
    change_first: Annotated[
        tuple[str, ...], Means("spec keys, dotted, that differ from unit to unit")
    ]
