"""How much work something is, told so that a busy or a slow machine says the same."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import FrameType


def calls_of(work: Callable[[], object]) -> int:
    """How many functions are called while ``work`` runs, of Python and of C."""
    count = 0

    def counted(_frame: FrameType, event: str, _argument: object) -> None:
        nonlocal count
        count += event in {"call", "c_call"}

    before = sys.getprofile()
    sys.setprofile(counted)
    try:
        work()
    finally:
        sys.setprofile(before)
    return count
