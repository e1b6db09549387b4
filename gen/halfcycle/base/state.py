"""How a check or a proof ended."""

from __future__ import annotations

from enum import StrEnum


class State(StrEnum):
    """Passed, failed, skipped (with a reason), or not decided for an error of input or tool."""

    PASSED = "passed"
    FAILED = "failed"
    SKIPPED = "skipped"
    ERROR = "error"

    @classmethod
    def of(cls, holds: bool) -> State:
        """PASSED or FAILED."""
        return cls.PASSED if holds else cls.FAILED

    @property
    def good(self) -> bool:
        """Whether it did not fail: passed or skipped."""
        return self in (State.PASSED, State.SKIPPED)
