"""Errors that a command answers with a message: faults of the input, missing tools, refusals."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from halfcycle.base.findings import Finding

TRACEBACK = "HALFCYCLE_TRACEBACK"
"""The environment variable that shows, if it is 1, where a fault of the tool itself is."""


def own_fault(cause: str) -> str:
    """What a fault of the tool itself is answered with."""
    return (
        f"a fault of halfcycle itself: {cause}; please report it with the command and its files "
        f"({TRACEBACK}=1 shows where it is)"
    )


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with the input: where it is, what is wrong, and what to do about it."""

    file: str
    key: str
    problem: str
    remedy: str

    def __str__(self) -> str:
        return f"error: {self.file}: {self.key}: {self.problem}; {self.remedy}"


class HalfcycleError(Exception):
    """Base of all errors that this package raises on purpose."""


class InputError(HalfcycleError):
    """Bad usage or bad input (exit code 2); carries every fault that was found."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(map(str, self.faults)))

    def __reduce__(self) -> tuple[type[InputError], tuple[object]]:
        return type(self), (self.faults,)  # It may come from another process.


class Faults:
    """Faults of checks that do not depend on each other, so that all are told at once."""

    def __init__(self) -> None:
        self._faults: list[Fault] = []

    @contextmanager
    def gathered(self) -> Iterator[None]:
        """Keep the faults of what is run inside, and go on behind it."""
        try:
            yield
        except InputError as error:
            self._faults += error.faults

    def stop_if_any(self) -> None:
        """Raise InputError with all that was gathered, each fault once."""
        if self._faults:
            raise InputError(dict.fromkeys(self._faults))


class ToolMissingError(HalfcycleError):
    """An outside tool that the command needs is absent (exit code 2); the text names remedies."""


class RefusedError(HalfcycleError):
    """A valid spec that cannot be met (exit code 1); says what can be had instead."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__("\n".join(finding.text for finding in self.findings))

    def __reduce__(self) -> tuple[type[RefusedError], tuple[object, ...]]:
        return type(self), (self.findings,)
